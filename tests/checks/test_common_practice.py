"""Figures that are common practice of the trade, without a source of their own, and closed forms.

The trade's rule for tap travel: strip lift + threaded height + five pitches. Chamfer, extra depth and clearance
together are those five pitches here.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from crankclock.api import check
from crankclock.cycle import turn
from crankclock.studies.margins import Margin, margins
from reference.program import machine_of

INCH = 0.0254


def bracket(**settings: Any) -> dict[str, Any]:
    """M4 in 1.25 mm, lifted 2.5 mm, on a 4 in stroke, geared 4 turns an inch."""
    tree: dict[str, Any] = {
        "press": {"rate": "87.5 /min", "slide": {"kind": "eccentric", "stroke": "4 in"}},
        "strip": {"material": "low-carbon-steel", "thickness": "1.25 mm", "lift": "2.5 mm", "pitch": "40 mm"},
        "stripper": {"travel": "70 mm"},
        "tap": {
            "m4": {
                "thread": "M4x0.7",
                "chamfer": 3,
                "extra_depth": "1.4 mm",
                "rest_clearance": "0 mm",
                "mount": "die",
                "drive": {"kind": "press", "gearing": "4 /inch"},
            }
        },
    }
    return tree | settings


def test_tap_travel_turns_and_stroke() -> None:
    """2.5 + 1.25 + 5 x 0.7 = 7.25 mm = 10.36 turns = 65.8 mm of stroke at 4 turns an inch (common practice)."""
    machine = machine_of(bracket())
    spindle = machine.spindles["m4"]
    assert spindle is not None
    passed = turn(machine).rigid.motion.taps["m4"]
    assert passed is not None
    assert 0.7e-3 * passed.turns == pytest.approx(7.25e-3, rel=1e-12)
    assert passed.turns == pytest.approx(10.36, abs=0.005)
    assert 1e3 * spindle.engage_height == pytest.approx(65.8, abs=0.05)
    assert 1e3 * passed.depth == pytest.approx(1.25 + 5 * 0.7, rel=1e-12)


def test_mean_speed_rule() -> None:
    """2800 rpm for M4 in mild steel (common practice): 2 S G N gives 87.5 strokes a minute on a 4 in stroke.

    The rule spreads half a turn of the crank evenly; the spindle's peak at mid-stroke is pi/2 times that.
    """
    machine = machine_of(bracket())
    spindle, slide = machine.spindles["m4"], machine.slide
    assert spindle is not None
    mean = 2.0 * machine.scenario.press.slide.stroke * spindle.gearing * machine.crank.rate
    assert 60.0 * mean == pytest.approx(2800.0, rel=1e-12)
    middle = spindle.gearing * float(slide.peak_speed(0.0, math.pi)) * machine.crank.speed
    assert middle / mean == pytest.approx(math.pi / 2.0, rel=1e-12)
    passed = turn(machine).rigid.motion.taps["m4"]
    assert passed is not None
    assert passed.peak_speed == pytest.approx(middle, rel=1e-12)  # engaged above mid-stroke, so it passes the middle


def stopping_angle(rate: float, delay: float, braking: float, measured_at: float) -> float:
    """Dial angle [deg] from signal to rest, by adding up speed over time; strokes a minute and seconds."""
    takes = braking * rate / measured_at
    swept, _ = quad(lambda seconds: 6.0 * rate * (1.0 - seconds / takes), 0.0, takes)
    return 6.0 * rate * delay + swept


@pytest.mark.parametrize("rate", [30.0, 60.0, 117.0])
def test_stopping_angle_at_even_deceleration(rate: float) -> None:
    """6 N (delay + braking N / (2 measured_at)): closed form, against an integral over the braking."""
    sensor = {"watches": "feed", "on": "0 deg", "off": "20 deg", "protects": "stripper", "response": "2 ms"}
    tree = bracket(sensor={"fed": sensor})
    tree["press"] |= {
        "rate": f"{rate} /min",
        "stop": {"delay": "60 ms", "braking": "140 ms", "measured_at": "60 /min", "scan": "5 ms"},
    }
    readings = turn(machine_of(tree))
    found = next(each for each in margins(readings) if each.rule.name == "stop-in-time")
    assert isinstance(found, Margin)
    touch = math.degrees(float(readings.rigid.motion.touching.start))
    judged = 20.0 + 6.0 * rate * (0.002 + 0.005)
    left = touch - judged - stopping_angle(rate, 0.060, 0.140, 60.0)
    assert math.degrees(float(found.value)) == pytest.approx(left, abs=1e-9)
    assert bool(found.fails) == (left < 0.0)


def test_coil_spring_is_compressed_by_preload_and_stripper_travel() -> None:
    """Used travel F0/k + X: 400 N at 20 N/mm and 70 mm are 90 mm, of 95 mm rated."""
    spring = {"kind": "coil", "force": "400 N", "rate": "20 N/mm", "travel": "95 mm"}
    found = next(
        each
        for each in margins(turn(machine_of(bracket(stripper={"travel": "70 mm", "spring": {"main": spring}}))))
        if each.rule.name == "spring-travel"
    )
    assert isinstance(found, Margin)
    assert found.value == pytest.approx(5e-3, abs=1e-12)
    assert not np.any(found.fails)


@pytest.mark.parametrize(("lift", "told"), [("3.0 mm", False), ("3.1 mm", True)])
def test_heads_on_the_die_are_for_strip_lifts_up_to_about_three_millimetres(lift: str, told: bool) -> None:
    notes = check("shelf-bracket", f"strip.lift={lift}").notes
    assert any("Heads that stand on the die (m4)" in note for note in notes) == told
