"""The setting sheet: switches that keep their moment, verdicts that are those of a check, one text in two units."""

from __future__ import annotations

import json
import math
import re

import pytest

from crankclock.api import check, shipped
from crankclock.cli import run
from crankclock.report import setup_data, setup_words
from crankclock.studies.setup import Setup, Switch

HOLDING = [name for name in shipped() if check(name).verdict in ("pass", "tight")]


def sheet(name: str, *settings: str) -> Setup:
    found = check(name, *settings).setup
    assert found is not None
    return found


def settings_at(found: Setup, place: int) -> list[str]:
    rate = f"press.rate={60.0 * found.rates[place]!r} /min"
    return [rate, *(f"{switch.key}={math.degrees(switch.angles[place])!r} deg" for switch in found.switches)]


@pytest.mark.parametrize("name", HOLDING)
def test_set_as_given_at_another_rate_everything_acts_where_it_did(name: str) -> None:
    found = sheet(name)
    assert len(found.rates) == 3
    nominal = check(name)
    for place in (1, 2):
        other = check(name, *settings_at(found, place))
        for event in ("feed.start", "rolls.open", "rolls.close"):
            was, now = (
                next((each.angle for each in result.events if each.id == event), None) for result in (nominal, other)
            )
            if was is not None:
                assert now == pytest.approx(was, abs=1e-9), event
        # The sheet takes the contact values as they are; a check also asks what other ones would do.
        failing = {each.rule for each in other.findings if each.status == "fail"}
        assert set(found.failing[place]) == failing
        if failing or other.verdict == "pass":
            assert found.verdicts[place] == other.verdict


def test_a_sensor_s_window_moves_with_its_response() -> None:
    found = sheet("shelf-bracket", "sensor.tap-through.response=10 ms")
    on = next(switch for switch in found.switches if switch.key == "sensor.tap-through.on")
    for rate, angle in zip(found.rates, on.angles, strict=True):
        assert angle == pytest.approx(on.acts + 2.0 * math.pi * rate * 0.010)
    assert math.degrees(on.angles[0]) == pytest.approx(165.0)


def test_no_sheet_without_a_cycle_that_holds(capsys: pytest.CaptureFixture[str]) -> None:
    assert check("feed-too-soon").setup is None
    assert run(["check", "feed-too-soon", "--setup"]) == 1
    assert "There is no setting sheet: the cycle does not hold" in capsys.readouterr().out
    assert run(["check", "feed-too-soon", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["setup"] == {}


def test_the_sheet_is_in_text_and_json_and_by_itself(tmp_path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "shelf-bracket"]) == 0
    assert "Switch angles [deg]" in capsys.readouterr().out
    assert run(["check", "shelf-bracket", "--setup", "-o", str(tmp_path / "sheet.txt")]) == 0
    capsys.readouterr()
    text = (tmp_path / "sheet.txt").read_text(encoding="utf-8")
    assert "Turn the press over by hand, power off, and look:" in text
    assert "Caution: " in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert run(["check", "shelf-bracket", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["setup"]
    assert [each["name"] for each in told["switches"]][:3] == [
        "feed start",
        "pilot release open",
        "pilot release close",
    ]
    assert told["switches"][0]["set_deg"][0] == pytest.approx(277.0)


@pytest.mark.parametrize("extra", [["--json"], ["-o", "sheet.json"]])
def test_the_sheet_alone_is_text(extra: list[str]) -> None:
    assert run(["check", "shelf-bracket", "--setup", *extra]) == 2


NUMBER = re.compile(r"(-?\d+(?:\.\d+)?) (mm|in|N|lbf|/mm|/in)\b")
TO_METRIC = {"mm": 1.0, "N": 1.0, "/mm": 1.0, "in": 25.4, "lbf": 4.4482216152605, "/in": 1.0 / 25.4}


@pytest.mark.parametrize("name", HOLDING)
def test_inch_and_metric_say_the_same(name: str) -> None:
    """Every figure of the sheet in inch is the metric one, within half of the last place printed in either."""
    texts = [" ".join(setup_words.as_text(check(name, units=units)).split()) for units in ("metric", "inch")]
    metric, inch = ([match.groups() for match in NUMBER.finditer(text)] for text in texts)
    assert len(metric) == len(inch) >= 8

    def half(number: str) -> float:
        return 0.5 * 10.0 ** -len(number.partition(".")[2])

    for (a, unit), (b, other) in zip(metric, inch, strict=True):
        room = half(a) + half(b) * TO_METRIC[other]
        assert float(a) * TO_METRIC[unit] == pytest.approx(float(b) * TO_METRIC[other], abs=1.01 * room), (a, b)
    data = [setup_data.as_data(check(name, units=units).setup) for units in ("metric", "inch")]
    assert data[0] == data[1]


@pytest.mark.parametrize("name", HOLDING)
def test_the_needed_stripper_travel_is_where_the_taps_turn_tight(name: str) -> None:
    found = sheet(name)
    if found.travel_needed is None:
        assert check(name, reading="rigid").verdict == "tight"
        return
    rules = {"clamped-while-tapping", "tap-clear-of-strip", "full-thread", "drive-travel"}

    def statuses(travel: float) -> set[str]:
        told = check(name, f"stripper.travel={1e3 * travel!r} mm", reading="rigid")
        return {each.status for each in told.findings if each.rule in rules}

    assert statuses(found.travel_needed) == {"pass"}
    if found.travel_needed > 0.0:
        assert statuses(found.travel_needed - 2e-4 * found.travel) & {"fail", "tight"}


def test_spring_forces_are_those_of_their_law() -> None:
    spring = sheet("shelf-bracket").springs[0]
    assert spring.preload == pytest.approx(12e3)
    assert spring.bdc_force == pytest.approx(12e3 / (1.0 - 40.0 * (1.0 - 2.0 / 2.9) / 50.0))  # isothermal


def test_every_switch_names_a_key_that_can_be_set() -> None:
    for name in HOLDING:
        found = sheet(name)
        assert all(isinstance(switch, Switch) for switch in found.switches)
        check(name, *settings_at(found, 0))
