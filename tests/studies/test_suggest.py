"""What a search suggests: no worse than any grid finds, checked point by point, and the same for the same seed."""

from __future__ import annotations

import itertools
import json
import math
from types import SimpleNamespace

import numpy as np
import pytest

from crankclock.api import check, open_scenario
from crankclock.cli import run
from crankclock.errors import InputError
from crankclock.report import suggest_chart, suggest_data, suggest_words
from crankclock.studies.ceiling import ceilings, span_of
from crankclock.studies.frontier import Point, _sure
from crankclock.studies.quest import FAILS
from crankclock.studies.search import Archive
from crankclock.studies.suggest import Suggestion, suggest
from crankclock.studies.vary import MOST_POINTS, read_space

TRAVEL, GEARING, START = "stripper.travel", "tap.m4.drive.gearing", "feeder.start"


def ask(name: str, *asked: str, settings: tuple[str, ...] = (), **wanted: object) -> Suggestion:
    return suggest(open_scenario(name, settings), asked, reading="rigid", **wanted)


SHELF = ask("shelf-bracket", f"{TRAVEL}=30mm..60mm", f"{GEARING}=gearings", START)
LEAST = ask("shelf-bracket", f"{TRAVEL}=20 mm..60 mm", f"{GEARING}=gearings", goal="travel", at="60 /min")


def grid(**axes: np.ndarray) -> dict[str, np.ndarray]:
    points = np.array(list(itertools.product(*axes.values())))
    return {path: points[:, k] for k, path in enumerate(axes)}


def verdict(name: str, point: Point, *settings: str) -> str:
    return check(name, *settings, *point.settings, f"press.rate={60 * point.rate!r} /min", reading="rigid").verdict


def test_lists_give_the_best_of_all_combinations() -> None:
    found = ask("shelf-bracket", f"{TRAVEL}=36 mm, 40 mm, 43 mm", f"{GEARING}=gearings")
    assert found.exhaustive
    assert found.tried == 12
    scenario = open_scenario("shelf-bracket").scenario
    values = grid(**{TRAVEL: np.array([0.036, 0.04, 0.043]), GEARING: np.array([160.0, 200.0, 236.0, 300.0])})
    rates = ceilings(scenario, values, span_of(scenario), "rigid").rate
    best = int(np.nanargmax(rates))
    assert found.best is not None
    assert found.best.ceiling == pytest.approx(rates[best], abs=2e-5)
    assert found.best.values == pytest.approx((values[TRAVEL][best], values[GEARING][best]))


def test_ranges_find_the_grid_s_best_or_better() -> None:
    scenario = open_scenario("shelf-bracket").scenario
    axes = {
        TRAVEL: np.linspace(0.03, 0.06, 31),
        GEARING: np.array([160.0, 200.0, 236.0, 300.0]),
        START: np.radians(np.linspace(257.0, 297.0, 9)),
    }
    rates = ceilings(scenario, grid(**axes), span_of(scenario), "rigid", brief=True).rate
    assert SHELF.best is not None
    assert SHELF.best.ceiling >= np.nanmax(rates) * (1.0 - 1e-4)
    assert SHELF.best.ceiling > SHELF.now[0]


def test_two_rules_that_bind_at_once() -> None:
    # Lift, feed start and pilot release against each other, the cut not binding.
    settings = ("strip.properties.cutting_speed=300 m/min", "tap.m4.drive.speed_max=30000 /min",
                "tap.m4.drive.acceleration_max=90000 /s^2", "press.limits.rate_max=300 /min",
                "press.stop.delay=2 ms", "press.stop.braking=10 ms")  # fmt: skip
    asked = (f"{START}=255 deg..300 deg", "strip.lift=0.6 mm..2 mm", "feeder.latency=0 ms..20 ms")
    found = ask("shelf-bracket", *asked, settings=settings)
    scenario = open_scenario("shelf-bracket", settings).scenario
    axes = {
        START: np.radians(np.linspace(255.0, 300.0, 10)),
        "strip.lift": np.linspace(0.6e-3, 2e-3, 6),
        "feeder.latency": np.linspace(0.0, 0.02, 4),
    }
    rates = ceilings(scenario, grid(**axes), span_of(scenario), "rigid", brief=True, points=31).rate
    assert found.best is not None
    assert found.best.ceiling >= np.nanmax(rates) * (1.0 - 1e-4)


def test_the_least_stripper_travel() -> None:
    best = LEAST.best
    assert best is not None
    travel = best.values[0]
    # A hundredth of a millimetre less fails, with every gearing.
    for gearing in (0.16, 0.2, 0.236, 0.3):
        less = check("shelf-bracket", f"{TRAVEL}={1e3 * travel - 0.011!r} mm", f"{GEARING}={gearing} /mm",
                     "press.rate=60 /min", reading="rigid")  # fmt: skip
        assert less.verdict == "fail", gearing
    assert verdict("shelf-bracket", best) in ("pass", "tight")
    travels = [each.values[0] for each in LEAST.frontier]
    assert travels == sorted(travels, reverse=True)


def test_the_least_change() -> None:
    found = ask("feed-too-soon", f"{START}=200 deg..330 deg", goal="change")
    best = found.best
    assert best is not None
    assert best is found.frontier[0]
    start = math.degrees(best.values[0])
    # The present start lies before it, and a tenth of a degree nearer to that it fails.
    assert verdict("feed-too-soon", best) in ("pass", "tight")
    assert check("feed-too-soon", f"{START}={start - 0.1!r} deg", reading="rigid").verdict == "fail"
    # More change gains allowances: what follows is easier.
    assert found.frontier[-1].check.verdict == "pass"


def test_every_point_of_the_frontier_was_checked_and_gains_something() -> None:
    for found in (SHELF, LEAST):
        assert len(found.frontier) >= 2
        changes = [each.change for each in found.frontier]
        assert changes == sorted(changes)
        for each in found.frontier:
            assert each.check.verdict in ("pass", "tight")
            assert verdict("shelf-bracket", each) == each.check.verdict
    rates = [each.ceiling for each in SHELF.frontier]
    assert SHELF.best is SHELF.frontier[int(np.argmax(rates))]
    assert SHELF.frontier[0].settings == ()
    assert SHELF.frontier[0].change == 0.0


def test_a_key_that_gains_nothing_stays_as_it_is() -> None:
    assert SHELF.best is not None
    assert not any(each.startswith(START) for each in SHELF.best.settings)


def test_how_far_each_key_may_move() -> None:
    best = SHELF.best
    assert best is not None
    rate = f"press.rate={60 * 0.99 * best.rate!r} /min"

    def state(path: str, value: str) -> tuple[bool, set[str]]:
        found = check("shelf-bracket", *best.settings, f"{path}={value}", rate, reading="rigid")
        return found.verdict == "fail", {f"{one.rule} {one.subject}" for one in found.findings if one.status == "tight"}

    _, tight = state(TRAVEL, f"{1e3 * best.values[0]!r} mm")
    scale = {TRAVEL: (1e3, "mm", 0.02), START: (180 / math.pi, "deg", 0.05)}
    for free in SHELF.freedoms:
        if free.path not in scale:
            continue
        factor, unit, step = scale[free.path]
        for value, gives, way in ((free.low, free.below, -1), (free.high, free.above, 1)):
            inside = value * factor
            fails, now = state(free.path, f"{inside!r} {unit}")
            assert not fails
            assert now <= tight
            if gives:
                fails, now = state(free.path, f"{inside + way * step!r} {unit}")
                assert fails or now - tight, (free.path, way)
    gearing = next(free for free in SHELF.freedoms if free.path == GEARING)
    assert (gearing.low, gearing.high) == (160.0, 160.0)
    assert gearing.above


def test_a_leader_of_the_coarse_scan_that_a_fine_one_deposes() -> None:
    archive = Archive(1)
    archive.ask(lambda points: -points[:, 0], np.array([[1.0], [2.0], [3.0], [4.0], [5.0], [6.0]]))
    fine = {1.0: -1.0, 2.0: -2.0, 3.0: -2.5, 4.0: FAILS, 5.0: -0.5, 6.0: -1.5}
    finder = SimpleNamespace(
        quest=SimpleNamespace(goal="rate"), score=lambda points: np.array([fine[each] for each in points[:, 0]])
    )
    assert _sure(finder, archive).best()[0, 0] == 3.0


def test_the_key_of_most_effect_comes_first() -> None:
    effects = [each.effect for each in SHELF.profiles]
    assert effects == sorted(effects, reverse=True)
    profile = next(each for each in SHELF.profiles if each.path == GEARING)
    scenario = open_scenario("shelf-bracket", SHELF.best.settings[:1]).scenario
    rates = ceilings(scenario, {GEARING: profile.values}, span_of(scenario), "rigid").rate
    assert profile.ceilings == pytest.approx(rates, abs=3e-4)


def test_the_same_seed_gives_the_same_answer() -> None:
    one, two = (ask("shelf-bracket", f"{TRAVEL}=38mm..44mm", f"{GEARING}=gearings", seed=3) for _ in range(2))
    assert suggest_data.as_json(one) == suggest_data.as_json(two)
    assert json.loads(suggest_data.as_json(one))["seed"] == 3


def test_a_given_engagement_height_goes_with_the_gearing() -> None:
    settings = ("tap.m4.drive.engage_height=32.2 mm",)
    found = ask("shelf-bracket", f"{GEARING}=gearings", settings=settings)
    assert found.best is not None
    assert found.best.settings == ("tap.m4.drive.gearing=0.2 /mm", "tap.m4.drive.engage_height=37.996 mm")
    assert found.best.check.taps[0].turns == pytest.approx(32.2 * 0.236)
    assert verdict("shelf-bracket", found.best, *settings) == found.best.check.verdict


def test_nothing_is_suggested_where_nothing_passes(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["suggest", "feed-too-soon", "--reading", "rigid", "--vary", "strip.lift=2 mm..2.6 mm"]) == 1
    said = capsys.readouterr().out
    assert "no point that passes was found" in said
    assert "feed-starts-after-tools" in said
    assert "--set" not in said


def test_nothing_is_suggested_of_an_incomplete_cycle() -> None:
    loaded = open_scenario("shelf-bracket")
    loaded.scenario.feeder = None
    found = suggest(loaded, [f"{TRAVEL}=36 mm..44 mm"], reading="rigid")
    assert found.base.verdict == "incomplete"
    assert found.best is None
    assert found.tried == 0
    assert "incomplete whatever is changed" in " ".join(suggest_words.as_text(found).split())


def test_every_mistake_at_once() -> None:
    wrong = [
        "stripper.travl=30mm..60mm", "strip.lift=2 mm..1 mm", "strip.pitch=40..50 mm", "feeder.start=2 mm..270 deg",
        "press.rate", "allowance.angle", "tap.m4.drive.gearing=0.2 /mm, x", "tap.m4.kind=cut", "press.bdc_shift",
        "strip.mass=1kg..1kg", "tap.m4.hole=1 mm..3.7 mm",
    ]  # fmt: skip
    with pytest.raises(InputError) as caught:
        suggest(open_scenario("shelf-bracket"), wrong, goal="travel", at="fast")
    where = [each.where for each in caught.value.problems]
    assert where.count("--vary") == 2  # too many keys, and no stripper.travel among them
    for key in [*(each.partition("=")[0] for each in wrong), "--at"]:
        assert key in where, key
    said = str(caught.value)
    assert 'the nearest is "stripper.travel"' in said
    assert "the greater end first" in said
    assert "an empty range" in said


def test_more_mistakes() -> None:
    many = ", ".join(f"{30 + 0.1 * k:.1f} mm" for k in range(150))
    for asked, goal, at, said in (
        ((), "rate", None, "what may change"),
        ((f"{TRAVEL}=30mm..60mm",), "rate", "80 /min", "--at"),
        ((f"{TRAVEL}={many}", f"strip.pitch={many}"), "rate", None, f"at most {MOST_POINTS:,}"),
        (("strip.lift=gearings",), "rate", None, "drive.gearing"),
        (("strip.lift=1 mm",), "rate", None, "one alone is set with --set"),
        (("strip.lift", "strip.lift"), "rate", None, "a key once"),
        ((f"{TRAVEL}=30mm..60mm",), "change", "0 /min", "--at"),
    ):
        with pytest.raises(InputError, match=said):
            suggest(open_scenario("shelf-bracket"), asked, goal=goal, at=at)
    with pytest.raises(InputError, match=r"tap\.m3\.drive\.gearings"):
        suggest(open_scenario("thin-cover-bounces"), ["tap.m3.drive.gearing=gearings"])


def test_where_no_range_is_given() -> None:
    found = read_space(open_scenario("shelf-bracket"), [START, TRAVEL, GEARING, "stripper.spring.main.count"], "metric")
    start, travel, gearing, count = found.keys
    assert (math.degrees(start.low), math.degrees(start.high)) == pytest.approx((257.0, 297.0))
    assert (travel.low, travel.high) == pytest.approx((0.03, 0.05))
    assert gearing.values == pytest.approx((160.0, 200.0, 236.0, 300.0))
    assert count.values == (5.0, 6.0, 7.0)
    assert all(key.basis for key in (start, travel, gearing))


def test_by_the_running_reading_too() -> None:
    narrow = ("press.limits.rate_min=60 /min", "press.limits.rate_max=76 /min", "press.rate=62 /min")
    found = suggest(open_scenario("shelf-bracket", narrow), [f"{GEARING}=0.2 /mm, 0.236 /mm"])
    assert found.base.reading == "running"
    assert found.best is not None
    assert found.best.settings == ("tap.m4.drive.gearing=0.2 /mm",)
    assert found.best.check.reading == "running"
    scenario = open_scenario("shelf-bracket", (*narrow, *found.best.settings)).scenario
    assert found.best.ceiling == pytest.approx(ceilings(scenario, {}, span_of(scenario), points=9).rate[0], abs=2e-4)


def test_the_text_the_data_and_the_chart(capsys: pytest.CaptureFixture[str]) -> None:
    for found in (SHELF, LEAST):
        said = suggest_words.as_text(found)
        assert max(len(line) for line in said.splitlines()) <= 80
        for setting in found.best.settings:
            assert f'--set "{setting}"' in said
    assert suggest_chart.render(SHELF, "png")[:4] == b"\x89PNG"
    asked = ["suggest", "shelf-bracket", "--vary", f"{GEARING}=gearings", "--reading", "rigid", "--seed", "5", "--json"]
    assert run(asked) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["seed"] == 5
    assert data["frontier"][data["best"]]["values"] == {GEARING: "0.2 /mm"}
    assert data["exhaustive"] is True
