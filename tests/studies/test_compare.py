"""Two scenarios side by side: what differs is all that differs, and the worst stands first."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from crankclock.api import check, open_scenario
from crankclock.cli import run
from crankclock.report import compare_data, compare_words
from crankclock.studies.compare import Comparison, compare

SETTINGS = ("tap.m4.drive.gearing=0.3 /mm", "feeder.start=268 deg")


def against(name: str, *settings: str) -> Comparison:
    return compare(open_scenario(name), open_scenario(name, settings), "rigid")


CHANGED = against("shelf-bracket", *SETTINGS)


def test_a_scenario_and_itself_do_not_differ() -> None:
    found = against("shelf-bracket")
    assert found.keys == ()
    assert found.changed_rules == ()
    assert found.moved_events == ()
    assert found.figures == ()
    assert "Nothing in the cycle differs" in compare_words.as_text(found)


def test_the_keys_that_differ_with_both_values() -> None:
    keys = {each.path: each for each in CHANGED.keys}
    assert set(keys) == {"feeder.start", "tap.m4.drive.gearing", "tap.m4.drive.engage_height"}
    assert (keys["tap.m4.drive.gearing"].first, keys["tap.m4.drive.gearing"].second) == pytest.approx((236.0, 300.0))
    assert keys["feeder.start"].second == pytest.approx(math.radians(268.0))
    assert keys["feeder.start"].assumed == (False, False)
    # The height follows the gearing: it is its default on both sides.
    assert keys["tap.m4.drive.engage_height"].assumed == (True, True)


def test_events_and_margins_are_those_of_the_checks() -> None:
    one, two = check("shelf-bracket", reading="rigid"), check("shelf-bracket", *SETTINGS, reading="rigid")
    angles = [{each.id: each.angle for each in side.events} for side in (one, two)]
    for each in CHANGED.events:
        assert (each.first, each.second) == (angles[0][each.id], angles[1][each.id])
    margins = [{(each.rule, each.subject): each.margin for each in side.findings} for side in (one, two)]
    assert len(CHANGED.rules) == len(margins[0])
    for each in CHANGED.rules:
        assert each.first.margin == margins[0][each.rule, each.subject]
        assert each.second.margin == margins[1][each.rule, each.subject]
    start = next(each for each in CHANGED.events if each.id == "feed.start")
    assert start.change == pytest.approx(math.radians(-9.0))
    sizes = [abs(each.change) for each in CHANGED.events if each.change is not None]
    assert sizes == sorted(sizes, reverse=True)


def test_the_worst_stands_first() -> None:
    ranks = [each.worse for each in CHANGED.rules]
    assert CHANGED.second.verdict == "tight"
    worse = sum(rank > 0 for rank in ranks)
    assert worse >= 2
    assert all(rank > 0 for rank in ranks[:worse])
    shares = [each.share for each in CHANGED.rules[worse:] if each.worse == 0]
    assert shares == sorted(shares)
    for each in CHANGED.rules:
        if each.change:
            assert math.copysign(1.0, each.share) == math.copysign(1.0, each.second.margin - each.first.margin)
    broken = against("shelf-bracket", "stripper.travel=25 mm", "feeder.start=270 deg").rules
    assert broken[0].second.status == "fail"
    failing = [each.second.status == "fail" for each in broken]
    assert failing == sorted(failing, reverse=True)


def test_the_other_way_round_everything_is_reversed() -> None:
    back = compare(open_scenario("shelf-bracket", SETTINGS), open_scenario("shelf-bracket"), "rigid")
    there = {(each.rule, each.subject): each.change for each in CHANGED.rules}
    for each in back.rules:
        change = there[each.rule, each.subject]
        assert (each.change is None) == (change is None)
        if change is not None:
            assert each.change == pytest.approx(-change, abs=1e-12)
    assert sum(each.worse < 0 for each in back.rules) == sum(each.worse > 0 for each in CHANGED.rules)


def test_what_is_on_one_side_only() -> None:
    found = compare(open_scenario("shelf-bracket"), open_scenario("reground-stripper"), "rigid")
    tables = {each.path: (each.first, each.second) for each in found.keys if each.table}
    assert tables["tap.m4"] == (True, False)
    assert tables["tap.m5"] == (False, True)
    assert found.rules[0].second.status == "fail"
    gone = next(each for each in found.rules if each.subject == "tap:m4")
    assert gone.second is None
    assert gone.changed
    touch = next(each for each in found.events if each.id == "tap:m4.touch")
    assert touch.there == (True, False)


def test_one_reading_for_both() -> None:
    lacking = open_scenario("shelf-bracket", ()).scenario.stripper
    assert lacking.mass is not None
    one, two = open_scenario("shelf-bracket"), open_scenario("shelf-bracket")
    two.scenario.stripper.mass = None
    found = compare(one, two)
    assert (found.first.reading, found.second.reading) == ("rigid", "rigid")
    assert "stripper.mass" in found.notes[0]
    assert [each.path for each in found.keys] == ["stripper.mass"]


def test_the_text_keeps_to_80_columns_and_the_data_are_whole(capsys: pytest.CaptureFixture[str]) -> None:
    wide = compare_words.as_text(
        compare(open_scenario("shelf-bracket"), open_scenario("seat-plate-from-below"), "rigid")
    )
    assert max(len(line) for line in wide.splitlines()) <= 80
    data = json.loads(compare_data.as_json(CHANGED))
    assert data["verdict"] == ["pass", "tight"]
    assert {"key": "feeder.start", "first": "277 deg", "second": "268 deg"}.items() <= data["keys"][0].items()
    assert data["rules"][0]["first"]["status"] == "pass"
    assert run(["compare", "shelf-bracket", "--set", "feeder.start=268 deg", "--reading", "rigid", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["second"]["overrides"] == ["feeder.start=268 deg"]


def test_exit_statuses_and_mistakes(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    rigid = ["--reading", "rigid"]
    assert run(["compare", "shelf-bracket", "feed-too-soon", *rigid]) == 1
    assert run(["compare", "feed-too-soon", "shelf-bracket", *rigid, "-o", str(tmp_path / "x.txt")]) == 0
    assert (tmp_path / "x.txt").read_text().startswith("Compare:")
    capsys.readouterr()
    assert run(["compare", "shelf-bracket"]) == 2
    assert "B: given nothing" in capsys.readouterr().err
    assert run(["compare", "none-such", "nor-this"]) == 2
    assert "2 problems" in capsys.readouterr().err
    assert run(["compare", "shelf-bracket", "--set", "feeder.strat=1 deg", "--set", "press.rate=1 mm"]) == 2
    assert "2 problems" in capsys.readouterr().err
    # With both, the settings count for both.
    assert run(["compare", "shelf-bracket", "shelf-bracket", "--set", "press.rate=60 /min", *rigid]) == 0
    assert "no key differs" in capsys.readouterr().out
