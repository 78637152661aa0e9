"""Sensors: how long a tap really touches one, where it must sit, and the rate at which it could stop the press."""

from __future__ import annotations

import math
import re

import pytest

from crankclock.api import Finding, check


def finding(rule: str, subject: str, *settings: str, reading: str = "rigid") -> Finding:
    found = check("shelf-bracket", *settings, reading=reading).findings  # type: ignore[arg-type]
    return next(each for each in found if each.rule == rule and each.subject == subject)


def contact_angles(gap: float) -> tuple[float, float]:
    """Closed form for the shelf bracket: the depth at which the point stands so far out, as slide heights.

    Going in, depth = lead gearing (Qe - y) - c with the strip clamped; coming out the spindle lags by the backlash.
    """
    lead, gearing, rest, height, backlash = 0.7, 0.236, 0.5, 1.5, 20.0 / 360.0
    depth = height + gap
    engage = (height + 2 * lead + lead + rest + 1.2) / (lead * gearing)
    down = engage - (depth + rest + 1.2) / (lead * gearing)
    up = down + backlash / gearing

    return _pass(down), 360.0 - _pass(up)


def _pass(y: float) -> float:
    """Dial angle going down at a height over BDC, in line, radius 60, rod 480, by bisection on the slide's formula."""
    r, rod = 60.0, 480.0
    low, high = 0.0, math.pi
    for _ in range(80):
        a = 0.5 * (low + high)
        height = rod + r + r * math.cos(a) - math.sqrt(rod * rod - (r * math.sin(a)) ** 2)
        low, high = (a, high) if height > y else (low, a)
    return math.degrees(low)


def test_a_sensor_is_touched_only_while_the_point_is_that_far_out() -> None:
    start, end = contact_angles(0.9)
    ms = 1e3 / (6.0 * 55.0)
    inside = finding(
        "sensor-dwell", "sensor:tap-through", "sensor.tap-through.on=100 deg", "sensor.tap-through.off=260 deg"
    )
    assert inside.margin is not None
    assert 1e3 * inside.margin == pytest.approx((end - start) * ms - 2.0, abs=1e-6)
    cut = finding(
        "sensor-dwell", "sensor:tap-through", "sensor.tap-through.on=100 deg", "sensor.tap-through.off=170 deg"
    )
    assert cut.margin is not None
    assert 1e3 * cut.margin == pytest.approx((170.0 - start) * ms - 2.0, abs=1e-6)


def test_a_window_that_ends_before_the_tap_is_there_sees_nothing() -> None:
    early = finding(
        "sensor-dwell", "sensor:tap-through", "sensor.tap-through.on=100 deg", "sensor.tap-through.off=140 deg"
    )
    assert early.status == "fail"
    assert "sees nothing" in early.says


@pytest.mark.parametrize(("gap", "status"), [("0.9 mm", "pass"), ("1.9 mm", "tight"), ("2.2 mm", "fail")])
def test_where_a_tap_sensor_may_sit(gap: str, status: str) -> None:
    """Two pitches of chamfer and one of extra depth, 2.1 mm, is what comes out of the far face."""
    found = finding("sensor-gap", "sensor:tap-through", f"sensor.tap-through.sensing_gap={gap}")
    assert found.status == status
    assert found.margin is not None
    assert 1e3 * found.margin == pytest.approx(2.1 - float(gap.split()[0]), abs=1e-6)


def test_at_the_rate_it_tells_the_best_window_just_stops_the_press() -> None:
    late = finding("stop-in-time", "sensor:tap-through", "press.rate=110 /min")
    found = re.search(r"At about (\d+\.\d) /min it could", late.says)
    assert found is not None
    begins = contact_angles(0.9)[0]
    window = ("sensor.tap-through.on=100 deg", f"sensor.tap-through.off={begins + 0.01!r} deg")
    at = finding("stop-in-time", "sensor:tap-through", *window, f"press.rate={float(found[1]) - 0.1} /min")
    over = finding("stop-in-time", "sensor:tap-through", *window, f"press.rate={float(found[1]) + 0.1} /min")
    assert at.status in ("pass", "tight")
    assert over.status == "fail"


def test_a_window_that_would_do_is_told() -> None:
    late = finding("stop-in-time", "sensor:tap-through", "sensor.tap-through.off=260 deg")
    assert late.status == "fail"
    assert re.search(r"A window that ends \d+\.\d° or less after \d+\.\d° would do", late.says)
