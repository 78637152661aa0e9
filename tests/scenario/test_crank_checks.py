"""Flywheel and single strokes in a scenario: what is refused, with what words, and what is built."""

from __future__ import annotations

import math
import tomllib
from typing import Any

import numpy as np
import pytest

from crankclock.parts.numbers import TURN
from crankclock.scenario.build import build
from crankclock.scenario.crosscheck import unused
from crankclock.scenario.defaults import resolve
from crankclock.scenario.describe import explain
from crankclock.scenario.load import check_tree
from crankclock.scenario.starter import STARTER

WHEEL = {
    "inertia": "10 kg*m^2", "ratio": 6, "work": "2 kJ", "work_from": "140 deg", "work_to": "180 deg", "motor": "3.5 kW",
}  # fmt: skip
STOP = {"delay": "40 ms", "braking": "140 ms", "measured_at": "60 /min"}
SINGLE = {"mode": "single-stroke", "single_stroke": {"engage": "80 ms", "pause": "500 ms"}, "stop": STOP}


def tree(flywheel: dict[str, Any] | None = None, **press: Any) -> dict[str, Any]:
    found = tomllib.loads(STARTER.format(title="t"))
    found["press"] |= {"rate": "60 /min"} | press
    if flywheel is not None:
        found["press"]["flywheel"] = {key: value for key, value in (WHEEL | flywheel).items() if value is not None}
    return found


def refused(flywheel: dict[str, Any] | None = None, **press: Any) -> dict[str, str]:
    problems = check_tree(tree(flywheel, **press))[1]
    return {problem.where: f"{problem.given}; {problem.expected}" for problem in problems}


def test_a_sound_press_is_taken() -> None:
    assert refused({}) == {}
    assert refused({"motor": None}) == {}
    assert refused(None, **SINGLE) == {}
    assert refused({}, **SINGLE) == {}
    assert refused({"motor": None}, **SINGLE) == {}


def test_work_that_stalls_the_press() -> None:
    """At 60 /min a wheel of 10 kg m2 turning at 360 rpm holds 7106 J; 10 kJ, a ninth given back meanwhile, is more."""
    found = refused({"work": "10 kJ", "motor": None})
    assert list(found) == ["press.flywheel.work"]
    assert "10000.0 J" in found["press.flywheel.work"]
    assert "holds 7106.1 J" in found["press.flywheel.work"]
    assert "draws 8888.9 J" in found["press.flywheel.work"]
    assert refused({"work": "7.9 kJ", "motor": None}) == {}  # draws 7022 J
    assert list(refused({"work": "8.1 kJ", "motor": None})) == ["press.flywheel.work"]  # draws 7200 J
    assert list(refused({"work": "9 kJ", "motor": None}, **SINGLE)) == ["press.flywheel.work"]


def test_motor_too_weak_to_restore_the_work_in_a_turn() -> None:
    """2 kJ sixty times a minute are 2 kW."""
    found = refused({"motor": "1.99 kW"})
    assert list(found) == ["press.flywheel.motor"]
    assert "1990 W" in found["press.flywheel.motor"]
    assert "at least 2000 W" in found["press.flywheel.motor"]
    assert refused({"motor": "2 kW"}) == {}
    assert list(refused({"motor": "3.5 kW"}, rate="106 /min")) == ["press.flywheel.motor"]
    assert refused({"motor": "3.5 kW"}, rate="104 /min") == {}


@pytest.mark.parametrize("end", ["140 deg", "500 deg", "-220 deg"])
def test_work_over_no_angle(end: str) -> None:
    assert list(refused({"work_to": end})) == ["press.flywheel.work_to"]
    assert list(refused({"work_to": end}, **SINGLE)) == ["press.flywheel.work_to"]


def test_wrong_units_and_missing_keys_are_told_together() -> None:
    found = refused({"work": "3 kN", "ratio": 0, "inertia": None, "motor": "7.5 kJ", "work_from": None})
    assert set(found) == {f"press.flywheel.{key}" for key in ("work", "ratio", "inertia", "motor", "work_from")}
    assert "an energy" in found["press.flywheel.work"]
    assert "a power" in found["press.flywheel.motor"]
    found = refused(None, mode="single")
    assert list(found) == ["press.mode"]
    assert '"single-stroke"' in found["press.mode"]


def test_single_strokes_need_clutch_and_brake() -> None:
    assert set(refused(None, mode="single-stroke", stop=STOP)) == {"press.single_stroke"}
    bare = tree(None, mode="single-stroke", single_stroke=SINGLE["single_stroke"])
    bare["press"].pop("stop", None)
    assert {problem.where for problem in check_tree(bare)[1]} == {"press.stop"}
    assert set(refused(None, **SINGLE | {"single_stroke": {}})) == {
        "press.single_stroke.engage",
        "press.single_stroke.pause",
    }
    assert set(refused(None, **SINGLE | {"stop": STOP | {"braking": "0 ms"}})) == {"press.stop.braking"}


def test_a_clutch_too_slow_for_the_stroke() -> None:
    """Braked from 334.8 deg on; 1.9 s of clutch take 342 deg, 1.8 s take 324."""
    slow = refused(None, **SINGLE | {"single_stroke": {"engage": "1.9 s", "pause": "0 ms"}})
    assert list(slow) == ["press.single_stroke.engage"]
    assert "(342.0 deg)" in slow["press.single_stroke.engage"]
    assert "(334.8 deg)" in slow["press.single_stroke.engage"]
    assert refused(None, **SINGLE | {"single_stroke": {"engage": "1.8 s", "pause": "0 ms"}}) == {}


@pytest.mark.parametrize(("start", "end"), [("10 deg", "180 deg"), ("140 deg", "350 deg"), ("300 deg", "20 deg")])
def test_work_out_of_a_single_strokes_reach(start: str, end: str) -> None:
    found = refused({"work_from": start, "work_to": end}, **SINGLE)
    assert list(found) == ["press.flywheel.work_from"]
    assert start.replace(" deg", ".0 deg") in found["press.flywheel.work_from"]
    assert refused({"work_from": start, "work_to": end}) == {}, "a press that runs on may work there"


def test_a_pause_too_short_for_the_motor() -> None:
    weak = {"motor": "700 W"}
    assert list(refused(weak, **SINGLE)) == ["press.flywheel.motor"]
    assert refused(weak, **SINGLE | {"single_stroke": {"engage": "80 ms", "pause": "3 s"}}) == {}
    assert list(refused(weak)) == ["press.flywheel.motor"]


def test_what_belongs_to_the_other_mode_is_told() -> None:
    scenario, problems = check_tree(tree(None, single_stroke=SINGLE["single_stroke"]))
    assert not problems
    assert any("press.single_stroke is not used" in told for told in unused(scenario))
    assert not any("press.single_stroke" in told for told in unused(check_tree(tree(None, **SINGLE))[0]))


def built(flywheel: dict[str, Any] | None = None, **press: Any) -> Any:
    scenario, problems = check_tree(tree(flywheel, **press))
    assert not problems
    return build(resolve(scenario)[0]).crank


def test_crank_of_every_kind() -> None:
    assert built().even
    slowed, single, both = built({}), built(None, **SINGLE), built({}, **SINGLE)
    assert slowed.turn_time == pytest.approx(1.0, rel=1e-12)
    assert slowed.pause == 0.0
    assert slowed.speed_at(math.pi) < 0.95 * TURN
    assert single.pause == both.pause == 0.5
    assert single.turn_time == pytest.approx(1.0 + 0.5 * (0.080 + 0.140), rel=1e-12)
    assert both.turn_time > single.turn_time
    assert both.speed_at(math.pi) < 0.95 * TURN


def test_brake_is_as_hard_at_any_rate_as_where_it_was_measured() -> None:
    """From 30 /min it needs half of the 140 ms it needs from 60 /min, and a quarter of the angle."""
    fast, slow = built(None, **SINGLE), built(None, rate="30 /min", **SINGLE)
    assert fast.acceleration_at(359.0 / 360.0 * TURN) == pytest.approx(-TURN / 0.140)
    assert slow.acceleration_at(359.0 / 360.0 * TURN) == pytest.approx(-TURN / 0.140)
    assert slow.turn_time == pytest.approx(2.0 + 0.5 * (0.080 + 0.070), rel=1e-12)


def test_rates_as_an_array_over_variants() -> None:
    scenario = resolve(check_tree(tree({}))[0])[0]
    scenario.press.rate = np.array([1.0, 1.5, 2.0])
    crank = build(scenario).crank
    assert crank.turn_time == pytest.approx([1.0, 1.0 / 1.5, math.nan], rel=1e-12, nan_ok=True)  # 4 kW would be needed


def test_assumptions_and_explanations() -> None:
    scenario = check_tree(tree({"motor": None}))[0]
    assumed = {each.path: each for each in resolve(scenario)[1]}
    assert assumed["press.mode"].value == "continuous"
    assert "just enough" in (assumed["press.flywheel.motor"].words)
    assert "press.flywheel.motor" not in {each.path for each in resolve(check_tree(tree())[0])[1]}
    for path in ("press.mode", "press.flywheel", "press.single_stroke", *(f"press.flywheel.{key}" for key in WHEEL)):
        assert explain(path)
    assert '"single-stroke"' in explain("press.mode")
    assert "Left out: continuous" in explain("press.mode")
