"""Cycles that look sound to a formula read too literally, and must not pass."""

from __future__ import annotations

import math

import pytest
from scipy.optimize import brentq

from crankclock.api import Finding, InputError, check
from crankclock.cycle import Reading
from crankclock.parts.numbers import TURN


def finding(name: str, rule: str, *settings: str, subject: str | None = None) -> Finding:
    found = check(name, *settings).findings
    return next(each for each in found if each.rule == rule and (subject is None or each.subject == subject))


@pytest.mark.parametrize(
    ("sensor", "window"),
    [
        ("feed-in-place", ("off=95 deg",)),  # judged after the pilot has come down
        ("feed-in-place", ("on=100 deg", "off=110 deg")),  # looks when the pilot is already in
        ("tap-through", ("off=290 deg",)),  # looks when the strip is already moving
        ("tap-through", ("off=277 deg",)),  # at the very command: a tie is reached
    ],
)
def test_a_sensor_that_looks_too_late_does_not_gain_a_turn(sensor: str, window: tuple[str, ...]) -> None:
    settings = [f"sensor.{sensor}.{each}" for each in window]
    assert finding("shelf-bracket", "stop-in-time", *settings, subject=f"sensor:{sensor}").status == "fail"


def test_a_stop_after_the_feed_command_protects_nothing() -> None:
    late = finding(
        "shelf-bracket",
        "stop-in-time",
        "press.stop.delay=186 ms",
        "allowance.angle=0 deg",
        subject="sensor:tap-through",
    )
    assert late.status == "fail"


@pytest.mark.parametrize("close", ["100 deg", "105 deg"])
def test_rolls_shut_again_before_the_pilots_are_full_in(close: str) -> None:
    rule = "rolls-close-before-pilots-leave"
    assert finding("shelf-bracket", rule, f"feeder.pilot_release.close={close}").status == "fail"


def test_features_are_fed_into_a_pilot_that_has_left_the_strip() -> None:
    """At the command the pilot's tip is 71.0 - 58 - 2.7 = 10.3 mm over the strip, and 20 mm stands on it."""
    settings = ("strip.above=20 mm", "tap.m4.rest_clearance=21 mm", "tap.m4.drive.gearing=0.7 /mm")
    found = finding("shelf-bracket", "tools-clear-features", *settings)
    assert found.status == "fail"
    assert found.margin == pytest.approx(0.0103 - 0.020, abs=1e-4)


def test_a_die_that_opens_less_than_the_stripper_needs() -> None:
    assert finding("shelf-bracket", "open-height", "press.limits.open_height=30 mm").status == "fail"


def test_features_hanging_under_a_head_on_the_lifters() -> None:
    assert finding("deep-tray-on-lifters", "open-height", "tap.rim.side=below").status == "fail"


def test_a_flange_hangs_below_the_strip_too() -> None:
    settings = ("tap.m5.flange=away", "strip.above=0 mm", "strip.lift=0.5 mm", "tap.m5.rest_clearance=1 mm")
    found = finding("extruded-hole-flange-up", "strip-clears-die", *settings)
    assert found.status == "fail"
    assert found.margin == pytest.approx(0.0005 - 0.0018, abs=1e-9)


def test_a_lifter_head_stops_and_starts_again_with_the_strip() -> None:
    """q = y - zs stands still while strip and slide move together: the step is the slide's speed where they meet."""
    rod, r, touch = 0.7, 0.075, 0.048 + 0.014

    def height(angle: float) -> float:
        return rod + r + r * math.cos(angle) - math.sqrt(rod**2 - (r * math.sin(angle)) ** 2)

    at = brentq(lambda angle: height(angle) - touch, 0.0, math.pi)
    speed = (height(at - 1e-6) - height(at + 1e-6)) / 2e-6 * 2.0 * math.pi * 40.0 / 60.0
    settings = [
        "tap.rim.drive.engage_height=132 mm", "press.slide.stroke=150 mm", "tap.rim.drive.backlash=0 deg",
        "tap.rim.drive.speed_step_max=2500 /min",
    ]  # fmt: skip
    found = finding("deep-tray-on-lifters", "speed-step", *settings)
    assert found.status == "fail"
    assert found.margin is not None
    assert 60.0 * found.margin == pytest.approx(2500.0 - 60.0 * 160.0 * speed, abs=0.01)


@pytest.mark.parametrize(
    "setting", ["tap.m4.hole=6 mm", "tap.m4.hole=4 mm", "sensor.tap-through.on=195 deg", "tap.m4.hole=1 mm"]
)
def test_what_cannot_be_is_refused(setting: str) -> None:
    with pytest.raises(InputError):
        check("shelf-bracket", setting)


MOTOR = tuple(
    f"tap.m4.drive.{each}" for each in ("kind=motor", "start=120 deg", "speed=3600 /min", "acceleration=900 /s^2")
)


def test_a_motor_spindle_does_not_hide_what_fails_without_it() -> None:
    assert check("shelf-bracket", *MOTOR).verdict == "pass"
    late = check("shelf-bracket", *MOTOR, "feeder.speed=1 m/min")
    assert late.verdict == "fail"
    assert next(each for each in late.findings if each.rule == "feed-ends-in-time").status == "fail"


@pytest.mark.parametrize("reading", ["rigid", "running"])
def test_a_motor_that_does_not_get_home_in_the_turn_fails(reading: Reading) -> None:
    slow = check("shelf-bracket", *MOTOR, "tap.m4.drive.speed=400 /min", reading=reading)
    failing = {each.rule for each in slow.findings if each.status == "fail"}
    assert {"spindle-home-in-time", "clamped-while-tapping", "feed-starts-after-tools"} <= failing
    home = next(each for each in slow.events if each.id == "tap:m4.home")
    assert home.angle is not None
    assert home.angle > TURN
