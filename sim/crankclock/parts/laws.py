"""Motion laws: how a feed length is covered in its time.

With h the length and T the time, greatest speed is Cv h/T and greatest acceleration Ca h/T2.
Standard cam and servo laws; the factors are checked in tests/checks/test_laws_published.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from crankclock.parts.numbers import Floats


@dataclass(frozen=True)
class Law:
    """A motion law of fixed shape.

    Parameters
    ----------
    speed_factor : float
        Cv, greatest speed in h/T.
    acceleration_factor : float
        Ca, greatest acceleration in h/T2.
    half : callable
        Share of the length covered at a share of the time, for shares from 0 to 1/2; the second half mirrors it.
    """

    speed_factor: float
    acceleration_factor: float
    half: Callable[[Floats], Floats]

    def time(self, length: Floats, speed: Floats, acceleration: Floats) -> Floats:
        """Least time [s] over `length` [m] within `speed` [m/s] and `acceleration` [m/s2]."""
        by_speed = self.speed_factor * length / speed
        by_acceleration = np.sqrt(self.acceleration_factor * length / acceleration)
        return np.maximum(by_speed, by_acceleration)

    def covered(self, share: Floats) -> Floats:
        """Share of the length covered after a share of the time (both 0 to 1, clipped)."""
        share = np.minimum(np.maximum(share, 0.0), 1.0)
        mirrored = np.minimum(share, 1.0 - share)
        half = self.half(mirrored)
        return np.where(share <= 0.5, half, 1.0 - half)


def _cycloidal(x: Floats) -> Floats:
    return x - np.sin(2.0 * np.pi * x) / (2.0 * np.pi)


def _polynomial_345(x: Floats) -> Floats:
    return x**3 * (10.0 - 15.0 * x + 6.0 * x**2)


def _modified_sine(x: Floats) -> Floats:
    first = np.pi * x - 0.25 * np.sin(4.0 * np.pi * x)
    middle = 2.0 + np.pi * x - 2.25 * np.sin(4.0 * np.pi * x / 3.0 + np.pi / 3.0)
    return np.where(np.asarray(x) < 0.125, first, middle) / (4.0 + np.pi)


MODIFIED_TRAPEZOID_ACCELERATION = 8.0 * np.pi / (2.0 + np.pi)


def _modified_trapezoid(x: Floats) -> Floats:
    """Sine rise to an eighth, even acceleration to three eighths, cosine fall to the middle."""
    a, w = MODIFIED_TRAPEZOID_ACCELERATION, 4.0 * np.pi
    rise = a / w * (x - np.sin(w * x) / w)
    even = x - 0.125
    v1, s1 = a / w, a / w * (0.125 - 1.0 / w)
    steady = s1 + v1 * even + 0.5 * a * even**2
    fall = x - 0.375
    v2, s2 = v1 + 0.25 * a, s1 + 0.25 * v1 + a / 32.0
    last = s2 + v2 * fall + a / w**2 * (1.0 - np.cos(w * fall))
    return np.where(np.asarray(x) < 0.125, rise, np.where(np.asarray(x) < 0.375, steady, last))


LAWS: Mapping[str, Law] = {
    "cycloidal": Law(2.0, 2.0 * np.pi, _cycloidal),
    "modified-sine": Law(4.0 * np.pi / (4.0 + np.pi), 4.0 * np.pi**2 / (4.0 + np.pi), _modified_sine),
    "modified-trapezoid": Law(2.0, MODIFIED_TRAPEZOID_ACCELERATION, _modified_trapezoid),
    "3-4-5": Law(1.875, 10.0 / np.sqrt(3.0), _polynomial_345),
}


def trapezoid_time(length: Floats, speed: Floats, acceleration: Floats) -> Floats:
    """Least time [s] with even acceleration, a run at `speed` [m/s] where it is reached, even deceleration.

    Shapes () or (n,); `length` [m], `acceleration` [m/s2].
    """
    triangular = speed**2 >= acceleration * length
    return np.where(triangular, 2.0 * np.sqrt(length / acceleration), length / speed + speed / acceleration)


def trapezoid_covered(share: Floats, ramp: Floats) -> Floats:
    """Share of the length covered after a share of the time, each ramp taking the share `ramp` (0 to 1/2)."""
    share = np.minimum(np.maximum(share, 0.0), 1.0)
    mirrored = np.minimum(share, 1.0 - share)
    ramped = np.minimum(mirrored, ramp)
    half: Floats = (0.5 * ramped**2 / ramp + (mirrored - ramped)) / (1.0 - ramp)
    return np.where(share <= 0.5, half, 1.0 - half)
