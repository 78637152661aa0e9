"""Stopping angle and time, and the reference distances that carry their standard with them."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from crankclock.handbook.stopping import (
    BODY_APPROACH,
    SafetyDistance,
    iso_distance,
    osha_stopping_distance,
    osha_trip_distance,
    osha_trip_time,
    stopping_angle,
    stopping_time,
)
from crankclock.handbook.values import FigureError

rates = st.floats(0.1, 20.0)
times = st.floats(0.0, 1.0)


@given(rates, times, times, rates)
def test_stopping_angle_is_the_integral_of_the_speed(n: float, delay: float, braking: float, at: float) -> None:
    """Full speed for the delay, then even deceleration, at the one the brake has at its own rate."""
    deceleration = math.inf if braking == 0.0 else at / braking
    rest = n / deceleration
    run_out = quad(lambda t: n - deceleration * t, 0.0, rest)[0] if rest > 0.0 else 0.0
    angle = 2.0 * math.pi * (n * delay + run_out)
    assert stopping_angle(n, delay, braking, at) == pytest.approx(angle, rel=1e-9, abs=1e-12)
    assert stopping_time(n, delay, braking, at) == pytest.approx(delay + rest)


def test_stopping_in_degrees_as_it_is_written() -> None:
    """6 N (delay + braking N / (2 M)): 60 /min, 60 ms and 140 ms measured at 60 /min -> 46.8 deg."""
    assert math.degrees(stopping_angle(1.0, 0.06, 0.14, 1.0)) == pytest.approx(6 * 60 * (0.06 + 0.07))
    assert math.degrees(stopping_angle(2.0, 0.06, 0.14, 1.0)) == pytest.approx(6 * 120 * (0.06 + 0.14))


def test_stopping_over_variants() -> None:
    rate = np.array([0.0, 0.5, 2.0])
    assert stopping_angle(rate, 0.06, 0.14, 1.0) == pytest.approx(
        [stopping_angle(float(each), 0.06, 0.14, 1.0) for each in rate]
    )
    assert isinstance(stopping_angle(1.0, 0.06, 0.14, 1.0), float)


@pytest.mark.parametrize(
    ("figure", "standard"),
    [
        (osha_stopping_distance(0.2), "29 CFR 1910.217(c)(3)"),
        (osha_trip_distance(1.0, 14), "29 CFR 1910.217(c)(3)"),
        (iso_distance(0.2, 0.0), "ISO 13855"),
        (iso_distance(0.2, 0.1, BODY_APPROACH), "ISO 13855"),
    ],
)
def test_a_safety_distance_never_comes_without_its_standard(figure: SafetyDistance, standard: str) -> None:
    assert figure.standard == standard
    assert standard in figure.decides
    assert "qualified person decide" in figure.decides
    assert figure.formula
    assert all(each.default is dataclasses.MISSING for each in dataclasses.fields(SafetyDistance))
    with pytest.raises(TypeError):
        float(figure)  # type: ignore[arg-type]


def test_distances_over_variants() -> None:
    stopping = np.array([0.1, 0.5])
    assert osha_stopping_distance(stopping).distance == pytest.approx(1.6002 * stopping)
    assert iso_distance(stopping, 0.02).distance == pytest.approx(2.0 * stopping + 0.02)
    points = np.array([1, 3, 14])
    assert osha_trip_time(2.0, points) == pytest.approx([0.75, 5 / 12, 2 / 7])


nan, inf = math.nan, math.inf


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: stopping_angle(-1.0, 0.06, 0.14, 1.0), "stroke rate -1 /s: expected 0 or more"),
        (lambda: stopping_angle(1.0, nan, 0.14, 1.0), "delay nan s"),
        (lambda: stopping_angle(1.0, 0.06, -0.1, 1.0), "braking time -0.1 s"),
        (lambda: stopping_time(1.0, 0.06, 0.14, 0.0), "stroke rate of the braking time 0 /s: expected above 0"),
        (lambda: osha_stopping_distance(-0.1), "stopping time -0.1 s"),
        (lambda: osha_stopping_distance(np.array([0.1, inf])), "stopping time inf s"),
        (lambda: osha_trip_time(0.0, 1), "stroke rate 0 /s"),
        (lambda: osha_trip_time(1.0, 0), "engaging points 0: expected a whole number from 1"),
        (lambda: osha_trip_time(1.0, 2.5), "engaging points 2.5"),
        (lambda: osha_trip_time(1.0, inf), "engaging points inf"),
        (lambda: iso_distance(nan, 0.0), "stopping time nan s"),
        (lambda: iso_distance(0.2, -0.1), "intrusion distance -0.1 m"),
        (lambda: iso_distance(0.2, 0.1, 1.0), "approach speed 1 m/s: expected 2 or 1.6"),
    ],
)
def test_values_that_cannot_be_are_refused(call: Callable[[], object], says: str) -> None:
    with pytest.raises(FigureError, match=says):
        call()
