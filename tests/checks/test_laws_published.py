"""Motion laws against the factors that handbooks print: greatest speed in h/T, greatest acceleration in h/T2."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from crankclock.parts.laws import LAWS, trapezoid_covered, trapezoid_time

Curve = Callable[[NDArray[np.float64]], NDArray[np.float64]]
LENGTH, TIME = 0.040, 0.120

# law, speed and acceleration factor as printed or computed, and how far a print may be off
PUBLISHED = [
    ("modified-sine", 1.7596, 5.52796, 5e-5),  # computed from 4pi/(4+pi) and 4pi2/(4+pi)
    ("modified-sine", 1.76, 5.53, 5e-3),  # Norton, Cam Design, from memory
    ("cycloidal", 2.0, 2.0 * math.pi, 1e-12),  # Norton, Cam Design, from memory
    ("modified-trapezoid", 2.0, 4.88812, 5e-6),  # 8pi/(2+pi), from memory
    ("3-4-5", 1.875, 5.77350, 5e-6),  # computed: 10/sqrt(3); Norton prints 5.777
    ("3-4-5", 1.875, 5.777, 4e-3),
]


def covered(name: str) -> Curve:
    """The share of the length over the share of the time."""
    ramps = {"triangular": 0.5, "one-third trapezoid": 1.0 / 3.0}
    if name in ramps:
        return lambda x: np.asarray(trapezoid_covered(x, ramps[name]))
    return lambda x: np.asarray(LAWS[name].covered(x))


@pytest.mark.parametrize(("name", "speed", "acceleration", "within"), PUBLISHED)
def test_factors_as_published(name: str, speed: float, acceleration: float, within: float) -> None:
    law = LAWS[name]
    assert law.speed_factor == pytest.approx(speed, abs=within)
    assert law.acceleration_factor == pytest.approx(acceleration, abs=within)


@pytest.mark.parametrize(("speed", "acceleration"), [(2.0, 4.0), (1.5, 4.5)], ids=["triangular", "one-third"])
def test_trapezoids_as_published(speed: float, acceleration: float) -> None:
    """2 and 4, 1.5 and 4.5: motion-profile sheet, yumpu.com document 35389266.

    Within exactly these limits the time is T; a little slower or weaker and it is longer.
    """
    v, a = speed * LENGTH / TIME, acceleration * LENGTH / TIME**2
    assert trapezoid_time(LENGTH, v, a) == pytest.approx(TIME, rel=1e-12)
    assert trapezoid_time(LENGTH, 0.99 * v, a) > TIME
    assert trapezoid_time(LENGTH, v, 0.99 * a) > TIME


@pytest.mark.parametrize("name", ["triangular", "one-third trapezoid", *LAWS])
def test_shapes_have_their_factors(name: str) -> None:
    """The curve itself, differentiated numerically, peaks at the published factors and starts and ends at rest."""
    published = {"triangular": (2.0, 4.0), "one-third trapezoid": (1.5, 4.5)}
    peaks = published.get(name) or next(row[1:3] for row in PUBLISHED if row[0] == name)
    curve, step = covered(name), 1e-4
    x = np.linspace(2.0 * step, 1.0 - 2.0 * step, 20_001)
    speed = (curve(x + step) - curve(x - step)) / (2.0 * step)
    acceleration = (curve(x + step) - 2.0 * curve(x) + curve(x - step)) / step**2
    assert speed.max() == pytest.approx(peaks[0], abs=5e-4)  # a corner is rounded over one step
    assert acceleration.max() == pytest.approx(peaks[1], abs=1e-3)
    assert -acceleration.min() == pytest.approx(peaks[1], abs=1e-3)
    assert speed.min() > 0.0
    assert speed[[0, -1]] == pytest.approx([0.0, 0.0], abs=2e-3)


@pytest.mark.parametrize("name", ["triangular", "one-third trapezoid", *LAWS])
def test_shapes_are_whole_and_mirrored(name: str) -> None:
    curve, x = covered(name), np.linspace(0.0, 1.0, 1001)
    assert curve(np.array([-1.0, 0.0, 0.5, 1.0, 2.0])) == pytest.approx([0.0, 0.0, 0.5, 1.0, 1.0], abs=1e-15)
    assert curve(x) + curve(1.0 - x) == pytest.approx(np.ones(1001), abs=1e-14)
    assert np.all(np.diff(curve(x)) > 0.0)


def test_harmonic_is_the_acceleration_limit_of_a_smooth_law() -> None:
    """Simple harmonic motion has pi/2 and pi2/2 (from memory); every law here is faster somewhere and starts softer."""
    for law in LAWS.values():
        assert law.speed_factor > math.pi / 2.0
        assert law.acceleration_factor > 4.0  # even acceleration is the least there can be


@pytest.mark.parametrize("name", LAWS)
def test_time_is_the_longer_of_speed_and_acceleration(name: str) -> None:
    law = LAWS[name]
    v, a = law.speed_factor * LENGTH / TIME, law.acceleration_factor * LENGTH / TIME**2
    assert law.time(LENGTH, v, a) == pytest.approx(TIME, rel=1e-12)
    assert law.time(LENGTH, 0.5 * v, a) == pytest.approx(2.0 * TIME, rel=1e-12)
    assert law.time(LENGTH, v, 0.25 * a) == pytest.approx(2.0 * TIME, rel=1e-12)
