"""The setting sheet: switches that keep their moment, verdicts that are those of a check, one text in two units."""

from __future__ import annotations

import json
import math
import re
from typing import Any

import pytest

from crankclock.api import check, open_scenario, shipped
from crankclock.cli import run
from crankclock.report import setup_data, setup_words
from crankclock.rules.spring_life import BASIS
from crankclock.studies.setup import Setup, Switch
from crankclock.units import System

CHECKS = {name: check(name) for name in shipped()}
HOLDING = [name for name, found in CHECKS.items() if found.verdict in ("pass", "tight")]


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


DAILY = ("stripper.spring.red.free_length=9 in", "press.strokes_per_day=21000")


def springs(*settings: str, name: str = "seat-plate-from-below") -> tuple[dict[str, Any], str]:
    """Of the first group of springs: its data, and its line of the sheet."""
    found = check(name, *settings)
    text = " ".join(setup_words.as_text(found).split())
    spring: dict[str, Any] = setup_data.as_data(found.setup)["springs"][0]
    return spring, text[text.index("Spring ") : text.index(BASIS) if BASIS in text else None]


def test_the_sheet_says_when_springs_are_to_be_changed() -> None:
    """2 in of deflection in 9 in: over 20 % and within 25 %, heavy load; 1 000 000 / 21 000 is 47.6 days."""
    spring, text = springs(*DAILY)
    assert spring["lasting"] == {
        "deflection_percent": pytest.approx(200.0 / 9.0, abs=1e-5),
        "long_life": False,
        "strokes_to_change": 1e6,
        "days_to_change": pytest.approx(1e6 / 21e3, abs=1e-5),
        "basis": BASIS,
    }
    assert (
        "22.2 % of their free length they are due to be changed every 1,000,000 strokes, that is every 47 days" in text
    )


def test_springs_within_the_long_life_deflection_have_no_end_and_no_nan() -> None:
    spring, text = springs("stripper.spring.red.free_length=12 in")
    assert spring["lasting"]["long_life"]
    assert spring["lasting"]["strokes_to_change"] is None
    assert spring["lasting"]["days_to_change"] is None
    assert "they last more than 1,000,000 strokes" in text
    json.dumps(spring, allow_nan=False)


def test_of_springs_without_a_load_class_nothing_is_said() -> None:
    spring, text = springs(name="gauge-plate-own-motor")
    assert spring["lasting"] is None
    assert "free length" not in text


SEAT_STOP = 0.008 + 0.050 + 0.160 * 50.0 / 100.0
"""The seat plate's scan, delay and braking at 50 strokes a minute, measured at 100 [s]."""


def guarding(name: str, *settings: str) -> dict[str, Any]:
    result = check(name, *settings) if settings else CHECKS[name]
    found: dict[str, Any] = setup_data.as_data(result.setup)["guarding_reference"]
    return found


def test_guarding_figures_are_the_standards_formulas_at_the_rate() -> None:
    found = guarding("seat-plate-from-below")
    assert found["stopping_time_ms"] == pytest.approx(1e3 * SEAT_STOP)
    assert found["rate_per_min"] == pytest.approx(50.0)
    expected = [63.0 * 25.4 * SEAT_STOP, 2000.0 * SEAT_STOP, 1600.0 * SEAT_STOP]
    assert [each["distance_mm"] for each in found["figures"]] == pytest.approx(expected, abs=1e-6)
    assert [each["part"] for each in found["figures"]] == ["Ds", "K T alone", "K T alone"]
    slower = guarding("seat-plate-from-below", "press.rate=40 /min")
    assert slower["stopping_time_ms"] == pytest.approx(8.0 + 50.0 + 64.0)


def test_a_press_that_slows_in_the_work_is_stopped_from_its_greatest_speed() -> None:
    name = next(name for name in HOLDING if not CHECKS[name].machine.crank.even and guarding(name) is not None)
    machine = CHECKS[name].machine
    stop, fastest = machine.scenario.press.stop, float(machine.crank.peak_speed(0.0, 2.0 * math.pi)) / (2.0 * math.pi)
    assert stop is not None
    time = float(stop.scan + stop.delay + stop.braking * fastest / stop.measured_at)
    assert guarding(name)["stopping_time_ms"] == pytest.approx(1e3 * time)


def test_no_guarding_figure_without_its_standard_and_who_decides() -> None:
    for name in HOLDING:
        data = setup_data.as_data(CHECKS[name].setup)
        reference = data.pop("guarding_reference")
        assert "distance" not in json.dumps(data).lower(), "no distance anywhere else in the data"
        if reference is None:
            assert open_scenario(name).scenario.press.stop is None
            continue
        assert "Nothing here sets a guarding distance" in reference["not_for_use"]
        assert len(reference["figures"]) == 3
        for each in reference["figures"]:
            assert each["standard"] in ("29 CFR 1910.217(c)(3)", "ISO 13855")
            assert each["decides"] == (
                f"A figure for reference only: {each['standard']} in force and a qualified person decide."
            )
            assert each["lacks"]


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_the_sheet_shows_guarding_for_reference_only(units: System) -> None:
    whole = setup_words.as_text(check("seat-plate-from-below", units=units))
    (block,) = (each for each in whole.split("\n\n") if each.startswith("Guarding"))
    assert block.splitlines()[0] == "Guarding arithmetic: for reference only, not for use"
    text = " ".join(block.split())
    said = text.index("the standards in force and a qualified person decide where a safeguard stands")
    sizes = [match for match in NUMBER.finditer(text) if match[2] == ("mm" if units == "metric" else "in")]
    sizes = [match for match in sizes if "." in match[1]]  # not 63 in/s, 2000 mm/s, nor "ISO 13855 in force"
    assert len(sizes) == 3
    for size, after in zip(sizes, [*sizes[1:], None], strict=True):
        assert said < size.start(), "who decides is said before any figure"
        entry = text[size.start() : after.start() if after else None]
        assert re.search(r"A figure for reference only: \S.* in force and a qualified person decide\.", entry)
        head = text[: size.start()].rpartition("decide. ")[2] if size is not sizes[0] else text[: size.start()]
        assert "29 CFR 1910.217(c)(3)" in head or "ISO 13855" in head
    assert not re.search(r"\b(safe|must|shall|required|keep|mount|place)\b", text), "nothing tells where to put it"


def test_no_stop_no_guarding(capsys: pytest.CaptureFixture[str]) -> None:
    assert guarding("gauge-plate-own-motor") is None
    assert run(["check", "gauge-plate-own-motor", "--setup"]) == 0
    assert "Guarding" not in capsys.readouterr().out


def test_every_switch_names_a_key_that_can_be_set() -> None:
    for name in HOLDING:
        found = sheet(name)
        assert all(isinstance(switch, Switch) for switch in found.switches)
        check(name, *settings_at(found, 0))
