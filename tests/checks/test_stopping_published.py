"""Reference safety distances against the regulations and the worked examples printed for them."""

from __future__ import annotations

import math

import pytest

from crankclock.handbook.stopping import (
    BODY_APPROACH,
    HAND_APPROACH,
    iso_distance,
    osha_stopping_distance,
    osha_trip_distance,
    osha_trip_time,
    stopping_angle,
)

INCH, MM = 0.0254, 1e-3


def test_hand_speed_of_29_cfr_1910_217() -> None:
    """63 in/s, in the regulation also as 1.6 m/s: 29 CFR 1910.217(c)(3) and (h)(9)(v)."""
    per_second = float(osha_stopping_distance(1.0).distance)
    assert per_second / INCH == pytest.approx(63.0)
    assert per_second == pytest.approx(1.6, rel=0.0, abs=0.05)


def test_distance_of_wac_296_806_45524() -> None:
    """63 x 0.5 s = 31.5 in: WAC 296-806-45524, a state's text of the federal rule."""
    assert float(osha_stopping_distance(0.5).distance) / INCH == pytest.approx(31.5, rel=1e-12)


def test_trip_time_of_one_engaging_point_is_one_and_a_half_turns() -> None:
    """Tm = (1/2 + 1/N) T: 29 CFR 1910.217(c)(3)(viii)(c); one engaging point, 1.5 T."""
    assert osha_trip_time(50 / 60, 1) == pytest.approx(1.5 * 60 / 50)


@pytest.mark.parametrize(("points", "inches"), [(1, 113.4), (3, 63.0), (14, 43.2)])
def test_trip_distances_at_50_strokes_a_minute(points: int, inches: float) -> None:
    """Computed from the same rule: 113.4, 63.0 and 43.2 in for 1, 3 and 14 engaging points, to the last place."""
    exact = 63.0 * (0.5 + 1.0 / points) * 60.0 / 50.0
    assert exact == pytest.approx(inches, rel=0.0, abs=1e-9)
    assert float(osha_trip_distance(50 / 60, points).distance) / INCH == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize(("approach", "millimetres"), [(HAND_APPROACH, 640.0), (BODY_APPROACH, 512.0)])
def test_distances_in_a_light_curtain_manual(approach: float, millimetres: float) -> None:
    """S = K T + C of ISO 13855, SICK C4000 operating instructions, 8009861/WA65, p. 41.

    T = 290 ms + 30 ms, C = 8 (14 - 14): K = 2000 mm/s gives 640 mm; over 500 mm, so again with 1600 mm/s: 512 mm.
    """
    assert float(iso_distance(0.32, 0.0, approach).distance) / MM == pytest.approx(millimetres, rel=1e-12)


def test_stopping_angle_at_even_deceleration() -> None:
    """6 N (delay + braking / 2) degrees, N in strokes a minute, where the braking was measured at N; computed."""
    for rate in (20.0, 60.0, 250.0):
        angle = math.degrees(float(stopping_angle(rate / 60, 0.06, 0.14, rate / 60)))
        assert angle == pytest.approx(6.0 * rate * (0.06 + 0.14 / 2), rel=1e-12)
