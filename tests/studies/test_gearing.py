"""The gearings side by side: against closed forms of the tap's own arithmetic, and against checks one by one."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from crankclock.api import check, open_scenario
from crankclock.cli import run
from crankclock.errors import InputError
from crankclock.report import gearing_chart, gearing_data, gearing_words
from crankclock.studies.gearing import Gearings, best_of, gearings

LEAD, HEIGHT, LIFT, CLEAR = 0.7e-3, 1.5e-3, 1.2e-3, 0.5e-3
DEPTH = HEIGHT + 2 * LEAD + 0.7e-3
STROKE, ROD = 0.12, 0.48


def study(name: str, *settings: str, tap: str | None = None) -> Gearings:
    return gearings(open_scenario(name, settings), tap, "rigid")


SHELF = study("shelf-bracket")


def slide(angle: float) -> float:
    """In-line eccentric: height above BDC, written out again."""
    r = STROKE / 2
    return ROD + r + r * math.cos(angle) - math.sqrt(ROD**2 - (r * math.sin(angle)) ** 2)


def descending(height: float) -> float:
    low, high = 0.0, math.pi
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if slide(middle) > height else (low, middle)
    return low


@pytest.mark.parametrize("option", SHELF.groups[0].options, ids=lambda each: f"{each.gearing:.0f}")
def test_the_figures_of_a_tap_on_the_die_in_closed_form(option: object) -> None:
    each, turns = option, (LIFT + CLEAR + DEPTH) / LEAD
    assert each.turns == pytest.approx(turns)
    assert each.engage_height == pytest.approx(turns / each.gearing)
    assert each.drive_travel == pytest.approx(each.engage_height)
    assert each.slide_height == pytest.approx(each.engage_height)
    assert each.mean_rule == pytest.approx(2 * STROKE * each.gearing * 55 / 60)
    # It meets a clamped strip where the spindle has made the turns of lift and rest clearance.
    touch = each.engage_height - (LIFT + CLEAR) / LEAD / each.gearing
    if each.own:
        assert each.touch == pytest.approx(descending(touch), abs=1e-6)
        # The greatest speed in the cut, by differences over the way from touch to BDC.
        angle = np.linspace(each.touch, math.pi, 20001)
        height = np.array([slide(one) for one in angle])
        speed = np.abs(np.diff(height) / np.diff(angle)).max() * 2 * math.pi * 55 / 60 * each.gearing
        assert each.peak_in_cut == pytest.approx(speed, rel=1e-4)
        # Cutting speed is in proportion to the rate, and its limit of 60 m/min is what binds.
        assert each.ceiling == pytest.approx(55 / 60 * 1.0 / each.peak_cut_speed, rel=1e-4)
        assert each.binds == (("cut-speed", "tap:m4"),)


def test_the_stripper_travel_needed_is_just_enough() -> None:
    for each in SHELF.groups[0].options:
        assert each.travel_needed is not None
        for more, good in ((1e-5, True), (-1e-5, False)):
            travel = f"stripper.travel={1e3 * (each.travel_needed + more)!r} mm"
            found = check("shelf-bracket", *each.settings, travel, reading="rigid")
            rules = ("clamped-while-tapping", "tap-clear-of-strip", "full-thread")
            assert all(one.status == "pass" for one in found.findings if one.rule in rules) is good


def test_every_option_is_the_scenario_with_its_settings() -> None:
    options = SHELF.groups[0].options
    assert [each.gearing for each in options] == pytest.approx([160.0, 200.0, 236.0, 300.0])
    assert [each.own for each in options] == [False, False, True, False]
    for each in options:
        alone = check("shelf-bracket", *each.settings, reading="rigid")
        assert alone.verdict == each.verdict
        assert {one.id: one.angle for one in alone.events} == {one.id: one.angle for one in each.check.events}
        for rate, holds in ((each.ceiling, True), (None if each.ceiling is None else each.ceiling + 1e-3, False)):
            if rate is not None:
                at = check("shelf-bracket", *each.settings, f"press.rate={60 * rate!r} /min", reading="rigid")
                assert (at.verdict in ("pass", "tight")) is holds


def test_the_lower_gearing_spares_the_tap_and_eats_stroke() -> None:
    options = SHELF.groups[0].options
    for low, high in itertools.pairwise(options):
        assert low.peak_in_cut < high.peak_in_cut
        assert low.drive_travel > high.drive_travel
        assert low.travel_needed > high.travel_needed
        assert low.touch < high.touch
    best = SHELF.groups[0].best
    assert best is not None
    assert best.gearing == pytest.approx(200.0)
    said = gearing_words.as_text(SHELF)
    assert '--set "tap.m4.drive.gearing=0.2 /mm"' in said
    assert "spares the tap" in said


def test_the_best_is_the_highest_ceiling_and_of_equals_the_lowest_gearing() -> None:
    options = SHELF.groups[0].options

    def best(*rates: float | None) -> float:
        found = best_of([replace(each, ceiling=rate) for each, rate in zip(options, rates, strict=True)])
        assert found is not None
        return found.gearing

    assert best(1.0, 1.2, 1.3, 1.25) == pytest.approx(236.0)
    assert best(1.0, 1.2, 1.20001, 1.1) == pytest.approx(200.0)
    assert best(None, None, None, 0.5) == pytest.approx(300.0)
    assert best_of([replace(each, ceiling=None) for each in options]) is None


def test_a_given_engagement_height_keeps_the_turns() -> None:
    found = study("shelf-bracket", "tap.m4.drive.engage_height=32.5 mm").groups[0]
    assert found.moved_height
    assert {round(each.turns, 6) for each in found.options} == {round(32.5 * 0.236, 6)}
    moved = next(each for each in found.options if each.gearing == pytest.approx(200.0))
    assert moved.settings == ("tap.m4.drive.gearing=0.2 /mm", "tap.m4.drive.engage_height=38.35 mm")
    said = gearing_words.as_text(study("shelf-bracket", "tap.m4.drive.engage_height=32.5 mm"))
    assert "no longer bring the tap to the" in " ".join(said.split())
    assert not SHELF.groups[0].moved_height


def test_the_scenario_s_own_gearing_is_always_among_them() -> None:
    found = study("shelf-bracket", "tap.m4.drive.gearing=0.22 /mm").groups[0]
    assert [each.gearing for each in found.options] == pytest.approx([160.0, 200.0, 220.0, 236.0, 300.0])
    assert found.own.gearing == pytest.approx(220.0)


def test_taps_in_turn_alone_or_together() -> None:
    two = study("two-taps-on-the-stripper")
    assert [group.taps for group in two.groups] == [("m3",), ("m4",)]
    assert [group.taps for group in study("two-taps-on-the-stripper", tap="m4").groups] == [("m4",)]
    same = [f"tap.{name}.drive.gearings=['0.2 /mm', '0.25 /mm']" for name in ("m3", "m4")]
    together = study("two-taps-on-the-stripper", *same, "tap.m3.drive.gearing=0.2 /mm", "tap.m4.drive.gearing=0.2 /mm")
    assert [group.taps for group in together.groups] == [("m3", "m4")]
    other = next(each for each in together.groups[0].options if not each.own)
    assert other.settings == ("tap.m3.drive.gearing=0.25 /mm", "tap.m4.drive.gearing=0.25 /mm")
    assert other.turns == pytest.approx(max(each.turns for each in other.check.taps))


def test_what_is_missing_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["gearing", "thin-cover-bounces"]) == 2
    assert "tap.m3.drive.gearings: given nothing" in capsys.readouterr().err
    assert run(["gearing", "gauge-plate-own-motor"]) == 2
    assert "no tap that the press turns" in capsys.readouterr().err
    for tap in ("m5", "none-such"):
        with pytest.raises(InputError, match="--tap"):
            study("gauge-plate-own-motor", tap=tap)


def test_the_exit_status_and_what_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["gearing", "feed-too-soon", "--reading", "rigid"]) == 1
    said = capsys.readouterr().out
    assert "the gearing alone does not mend this cycle" in " ".join(said.split())
    assert max(len(line) for line in said.splitlines()) <= 80
    assert run(["gearing", "seat-plate-from-below", "--reading", "rigid", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [each["gearing_per_mm"] * 25.4 for each in data["groups"][0]["options"]] == pytest.approx(
        [3, 4, 5, 6], abs=1e-4
    )
    assert data["groups"][0]["options"][1]["own"] is True


def test_a_listed_gearing_is_no_longer_told_as_unread() -> None:
    assert not any("gearings" in note for note in check("shelf-bracket", reading="rigid").notes)


def test_data_and_chart_are_whole() -> None:
    data = json.loads(gearing_data.as_json(SHELF))
    option = data["groups"][0]["options"][2]
    assert option["rate_ceiling_per_min"] == pytest.approx(66.77, abs=0.01)
    assert option["binding"] == {"rule": "cut-speed", "subject": "tap:m4"}
    assert data["groups"][0]["options"][0]["rate_ceiling_per_min"] is None
    assert gearing_chart.render(SHELF, "png")[:4] == b"\x89PNG"
    assert gearing_chart.render(SHELF, "svg") == gearing_chart.render(SHELF, "svg")
