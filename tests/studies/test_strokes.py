"""Many strokes against `check`, closed forms, an integrated brake, cases worked by hand and exact probabilities."""

from __future__ import annotations

import csv
import functools
import io
import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from crankclock.api import Check, InputError, check, open_scenario, shipped
from crankclock.cli import run as command
from crankclock.handbook.stopping import stopping_angle
from crankclock.parts.crank import Crank
from crankclock.parts.numbers import TURN
from crankclock.parts.slide import Eccentric
from crankclock.parts.speed_profile import SpeedProfile
from crankclock.report import strokes_data, strokes_words
from crankclock.scenario.build import build
from crankclock.scenario.files import Source, load
from crankclock.scenario.load import validated
from crankclock.scenario.schema import Stop
from crankclock.studies.strokes import Strokes, strokes
from crankclock.studies.strokes_faults import KINDS
from crankclock.studies.strokes_line import Entry, Line, Outcome
from crankclock.studies.strokes_plan import Moment, Plans, changes
from crankclock.studies.strokes_runs import Share, Wish
from crankclock.studies.strokes_shaft import Shaft
from crankclock.studies.work import Crew

BRACKET = "shelf-bracket"
STOP = Stop.model_construct(delay=0.06, braking=0.14, measured_at=1.0, scan=0.005)
SAME = 1e-6
"""Angle [deg] within which events agree."""
DOUBT = 1e-4
"""Seeds are fixed: a right program fails a test against a probability once in ten thousand seeds."""


def runs(name: str, *faults: str, jobs: int = 1, settings: tuple[str, ...] = (), **wish: object) -> Strokes:
    with Crew(jobs) as crew:
        return strokes(open_scenario(name, settings), Wish(faults=faults, **wish), crew)  # type: ignore[arg-type]


def said(found: Outcome, who: str, what: str = "") -> list[Entry]:
    return [each for each in found.log if each.who == who and what in each.what]


@functools.cache
def judged_alone(name: str) -> Check:
    return check(name)


@functools.cache
def passing() -> tuple[str, ...]:
    return tuple(name for name in shipped() if judged_alone(name).verdict in ("pass", "tight"))


def finding(judged: Check, rule: str, subject: str) -> float:
    """The margin [rad] of a rule."""
    margin = next(each.margin for each in judged.findings if (each.rule, each.subject) == (rule, subject))
    assert margin is not None
    return margin


# --- without faults ----------------------------------------------------------------------------------------


def test_there_are_passing_scenarios_of_both_modes() -> None:
    modes = {judged_alone(name).machine.scenario.press.mode for name in passing()}
    assert len(passing()) >= 8
    assert modes == {"continuous", "single-stroke"}


@pytest.mark.parametrize("name", passing())
def test_every_event_of_every_stroke_is_that_of_check(name: str) -> None:
    judged = judged_alone(name)
    due = {each.id: each for each in judged.events if each.angle is not None}
    found, period = runs(name, strokes=12), float(judged.machine.crank.period)
    assert found.first.halt is None
    assert not found.first.bad
    assert [each.kind for each in found.first.log] == ["event"] * (12 * len(due))
    for stroke in range(1, 13):
        entries = {f"{each.who}.{each.what}": each for each in found.first.log if each.stroke == stroke}
        assert entries.keys() == due.keys()
        for name_of, event in due.items():
            assert event.angle is not None
            assert event.seconds is not None
            assert np.degrees(entries[name_of].dial) == pytest.approx(np.degrees(event.angle), abs=SAME)
            assert entries[name_of].time - (stroke - 1) * period == pytest.approx(event.seconds, abs=1e-9)
    assert found.sound
    assert found.agreement.missing == 0


@pytest.mark.parametrize("reading", ["rigid", "running"])
def test_each_reading_agrees_with_its_own_check(reading: str) -> None:
    judged = check(BRACKET, reading=reading)  # type: ignore[arg-type]
    due = {each.id: each.angle for each in judged.events}
    for each in runs(BRACKET, strokes=3, reading=reading).first.log:
        assert each.dial == pytest.approx(due[f"{each.who}.{each.what}"], abs=math.radians(SAME))


def test_a_cycle_that_fails_check_is_not_sound() -> None:
    found = runs("feed-too-soon", strokes=4)
    assert found.verdict == "fail"
    assert found.restless
    assert not found.sound
    assert {stroke for stroke, _ in found.first.hits} == {1, 2, 3, 4}
    assert strokes_words.headline(found)[0].startswith("WITHOUT ANY FAULT check says FAIL: feed-starts-after-lift")


# --- the stop ----------------------------------------------------------------------------------------------


def test_stopping_angle_is_the_closed_form_and_spare_is_that_of_check() -> None:
    """6 N (delay + braking N / (2 measured_at)) degrees, N and measured_at in strokes a minute."""
    judged = judged_alone(BRACKET)
    for fault, sensor in (("misfeed-short@3=2 mm", "feed-in-place"), ("tap-broken:m4@3", "tap-through")):
        halt = runs(BRACKET, fault, strokes=5).first.halt
        assert halt is not None
        assert halt.sensor == sensor
        angle = halt.rest.rest[0] - halt.rest.signal[0]
        assert np.degrees(angle) == pytest.approx(6 * 55 * (0.060 + 0.140 * 55 / (2 * 60)), abs=1e-9)
        assert angle == pytest.approx(float(stopping_angle(55 / 60, 0.06, 0.14, 1.0)), abs=1e-12)
        assert halt.spare == pytest.approx(finding(judged, "stop-in-time", f"sensor:{sensor}"), abs=1e-9)
        assert halt.rest.rest[1] - halt.rest.signal[1] == pytest.approx(0.060 + 0.140 * 55 / 60, abs=1e-12)


@pytest.mark.parametrize("rate", [30.0, 55.0, 110.0])
def test_where_the_slide_rests_moves_with_the_rate_as_check_says(rate: float) -> None:
    """Also where that is too late: then what is protected is reached."""
    setting = f"press.rate={rate} /min"
    halt = runs(BRACKET, "misfeed-long@2=1 mm", strokes=4, settings=(setting,)).first.halt
    assert halt is not None
    margin = finding(check(BRACKET, setting), "stop-in-time", "sensor:feed-in-place")
    if margin > 0.0:
        assert halt.spare == pytest.approx(margin, abs=1e-9)
    assert halt.reached == (halt.spare < 0.0)


def dipping(rate: float) -> Crank:
    """A crank that slows by a third in the work."""
    fast = (TURN * rate) ** 2
    return Crank(rate, SpeedProfile((0.0, 2.4, 3.1, 5.0, TURN), (fast, fast, 0.45 * fast, fast, fast)))


@pytest.mark.parametrize("crank", [Crank(0.9), dipping(0.9)], ids=["even", "uneven"])
@pytest.mark.parametrize("signal", [0.03, 0.31, 0.47, 0.9, 2.77])
def test_rest_against_an_integrated_brake(crank: Crank, signal: float) -> None:
    shaft = Shaft(crank, STOP, single=False)
    begun = shaft.angle(signal)
    rest = shaft.stop(signal)
    deceleration = TURN * float(STOP.measured_at) / float(STOP.braking)

    def turning(_: float, state: np.ndarray) -> list[float]:
        return [float(crank.speed_at(state[0]))]

    def braking(_: float, state: np.ndarray) -> list[float]:
        return [state[1], -deceleration]

    def at_rest(_: float, state: np.ndarray) -> float:
        return float(state[1])

    at_rest.terminal = True  # type: ignore[attr-defined]
    close = {"rtol": 1e-9, "atol": 1e-10, "max_step": 0.004}
    delayed = integrate.solve_ivp(turning, (0.0, 0.06), [begun], **close).y[0, -1]
    fast = turning(0.0, np.array([delayed]))[0]
    slowed = integrate.solve_ivp(braking, (0.0, 5.0), [delayed, fast], events=at_rest, **close)
    assert rest.grip[0] == pytest.approx(delayed, abs=2e-4)  # the profile's corners are smoothed by the steps
    assert rest.rest[0] == pytest.approx(slowed.y[0, -1], abs=3e-4)
    assert rest.rest[1] == pytest.approx(signal + 0.06 + slowed.t[-1], abs=1e-4)


def test_the_braked_shaft_passes_angles_when_it_is_there() -> None:
    """`when` is the inverse of `angle`, and nothing beyond the rest is ever reached."""
    shaft = Shaft(Crank(0.9), STOP, single=False)
    rest = shaft.stop(1.3)
    for angle in np.linspace(0.2, rest.rest[0] - 1e-6, 40):
        turns = int(angle // TURN)
        moment = Moment(angle - turns * TURN, (angle - turns * TURN) / (TURN * 0.9))
        assert shaft.angle(shaft.when(turns + 1, moment)) == pytest.approx(angle, abs=1e-9)
    beyond = rest.rest[0] + 1e-9 - TURN
    assert math.isinf(shaft.when(2, Moment(beyond, beyond / (TURN * 0.9))))


def test_what_the_slide_passes_on_its_way_to_rest_is_hit_and_what_lies_beyond_is_not() -> None:
    """With 140 ms more delay the slide rests 46.2 deg later, 11.9 deg below the pilots and above the stripper."""
    found = runs(BRACKET, "misfeed-short@3=2 mm", strokes=8, settings=("press.stop.delay=200 ms",))
    halt = found.first.halt
    assert halt is not None
    assert halt.reached
    assert np.degrees(halt.spare) == pytest.approx(34.3 - 6 * 55 * 0.140, abs=0.01)
    assert len(found.first.hits) == 2
    assert {each.who for each in found.first.log if each.kind == "hit"} == {"pilot:p1", "pilot:p2"}
    assert not said(found.first, "stripper", "touch")[3:]
    assert not found.sound
    assert found.variants[0].late.count == 1


# --- single strokes ----------------------------------------------------------------------------------------

SINGLE = "long-blank-single-strokes"


def test_a_signal_while_the_crank_stands_keeps_it_standing() -> None:
    crank = build(open_scenario(SINGLE).resolved()[0]).crank
    stop = open_scenario(SINGLE).resolved()[0].press.stop
    turning, period = float(crank.turn_time), float(crank.period)
    standing = Shaft(crank, stop, single=True).stop(turning + 0.1)
    assert standing.rest == (pytest.approx(TURN), pytest.approx(turning + 0.1))
    shaft = Shaft(crank, stop, single=True)
    late = shaft.stop(turning - 0.01)  # the brake that ends the stroke has gripped already
    assert late.rest == (pytest.approx(TURN), pytest.approx(turning))
    assert shaft.angle(3 * period) == pytest.approx(TURN)
    for signal in np.linspace(0.05, turning - 0.02, 30):
        assert Shaft(crank, stop, single=True).stop(float(signal)).rest[0] <= TURN + 1e-12


def test_single_strokes_stop_and_the_next_is_not_started() -> None:
    settings = ("sensor.tap-through.on=330 deg", "sensor.tap-through.off=359 deg", "sensor.tap-through.watches=feed",
                "sensor.tap-through.protects=pilot:p1")  # fmt: skip
    found = runs(SINGLE, "misfeed-short@2=3 mm", strokes=5, settings=settings)
    halt = found.first.halt
    assert halt is not None
    assert {each.stroke for each in found.first.log if each.kind == "event"} <= {1, 2}
    assert halt.rest.rest[0] <= 2 * TURN + 1e-12


def test_a_feed_once_commanded_ends_while_the_slide_rests() -> None:
    found = runs(SINGLE, "sensor-stuck-off:tap-through@2", strokes=4, settings=("sensor.tap-through.off=297 deg",))
    halt = found.first.halt
    assert halt is not None
    ends = said(found.first, "feed", "end")[-1]
    assert ends.stroke == 2
    assert ends.time > halt.rest.rest[1]
    assert ends.dial == pytest.approx(halt.rest.rest[0] - TURN)


# --- cases worked by hand ----------------------------------------------------------------------------------


def test_a_tap_that_breaks_on_its_way_out_is_seen_a_stroke_later() -> None:
    """The sensor saw its point in stroke 3. The fragment rides on, is hit once in stroke 4, and that part has no
    thread; judged at 195 deg of stroke 4 the press rests at 238 deg of it. So 2 bad parts, 1 of them after, 1 hit.
    """
    found = runs(BRACKET, "tap-broken:m4@3=200 deg", strokes=10)
    with_all, without_tap, without_feed, bare = found.variants
    assert [(each.tallies[0].bad, each.tallies[0].further, each.tallies[0].hits) for each in found.variants] == [
        (2, 1, 1), (8, 7, 1), (2, 1, 1), (8, 7, 1)
    ]  # fmt: skip
    assert with_all.tallies[0].seen == {"tap-through": 1, "feed-in-place": 0}
    assert without_tap.tallies[0].escaped == without_feed.tallies[0].escaped == Share(1, 1)
    assert bare.stopped == Share(0, 1)
    assert not found.sound


def test_a_tap_that_breaks_on_its_way_in_is_seen_in_that_stroke() -> None:
    found = runs(BRACKET, "tap-broken:m4@3", strokes=10)
    tally = found.variants[0].tallies[0]
    assert (tally.bad, tally.further, tally.hits, tally.escaped.count) == (1, 0, 0, 0)
    assert found.sound
    assert not [each for each in said(found.first, "feed", "start") if each.stroke == 3]
    assert [each.stroke for each in said(found.first, "tap:m4", "leave")] == [1, 2]


def test_a_misfeed_nobody_sees_has_every_pilot_and_tap_hit_in_every_later_stroke() -> None:
    found = runs(BRACKET, "misfeed-short@3=2 mm", strokes=10, without=("feed-in-place",))
    tally = found.variants[0].tallies[0]
    assert (tally.bad, tally.further, tally.hits) == (7, 7, 3 * 7)
    assert [each.watching for each in found.variants] == [("tap-through",), ()]


def test_a_pilot_that_is_watched_sees_a_misfeed_when_it_comes_down_on_it() -> None:
    """Judged at 120 deg of the next stroke the press rests past the tap: both pilots and the tap are hit once."""
    watch = ("watches=pilot:p1", "on=80 deg", "off=120 deg", "protects=feed")
    settings = tuple(f"sensor.feed-in-place.{each}" for each in watch)
    found = runs(BRACKET, "misfeed-short@3=2 mm", strokes=8, settings=settings)
    halt = found.first.halt
    assert halt is not None
    assert (halt.sensor, halt.stroke, halt.causes) == ("feed-in-place", 4, frozenset({(0, 3)}))
    assert np.degrees(halt.rest.signal[0]) == pytest.approx(3 * 360 + 120 + 0.008 * 330, abs=1e-9)
    assert [each.who for each in found.first.log if each.kind == "hit"] == ["pilot:p1", "pilot:p2", "tap:m4"]


def test_a_sensor_that_cannot_be_satisfied_stops_the_first_stroke() -> None:
    """Its window ends before the tap has come through: check calls that, and the line does not run."""
    found = runs(BRACKET, strokes=4, settings=("sensor.tap-through.on=120 deg", "sensor.tap-through.off=150 deg",
                                               "sensor.tap-through.response=100 ms"))  # fmt: skip
    assert found.restless
    assert not found.sound
    assert found.variants[0].nuisance == Share(1, 1)


def test_two_opposite_misfeeds_put_the_strip_right() -> None:
    found = runs(BRACKET, "misfeed-short@3=2 mm", "misfeed-long@5=2 mm", strokes=10, without=("feed-in-place",))
    assert {stroke for stroke, _ in found.first.bad} == {4, 5}


def test_the_break_is_seen_where_the_sensor_was_not_touched_long_enough() -> None:
    """The edge lies the response after the later of contact and window's begin."""
    judged = judged_alone(BRACKET)
    crank, sensor = judged.machine.crank, judged.machine.scenario.sensor["tap-through"]
    tap = judged.cycle.motion.taps["m4"]
    contact = float(tap.deeper(judged.machine.taps["m4"].height + 0.0009)[0])
    edge = np.degrees(float(crank.after(max(contact, float(sensor.on)), sensor.response)))
    for angle, stroke in ((edge - 0.01, 3), (edge + 0.01, 4)):
        halt = runs(BRACKET, f"tap-broken:m4@3={angle:.6f} deg", strokes=6).first.halt
        assert halt is not None
        assert halt.stroke == stroke


def test_a_late_feed_is_seen_where_the_strip_comes_too_late_and_hit_where_it_still_moves() -> None:
    judged = judged_alone(BRACKET)
    crank, feed = judged.machine.crank, judged.cycle.feed
    assert feed is not None
    off, pilot = np.radians(375.0), float(judged.cycle.motion.pilots["p1"].tip.start) + TURN
    seen = float(crank.time_at(off)) - 0.003 - float(feed.end_time)
    hit = float(crank.time_at(pilot)) - float(feed.end_time)
    for late, sees in ((seen - 1e-4, False), (seen + 1e-4, True)):
        assert (runs(BRACKET, f"late-feed@2={1e3 * late:.5f} ms", strokes=4).first.halt is not None) == sees
    for late, hits in ((hit - 1e-4, 0), (hit + 1e-4, 2)):
        found = runs(BRACKET, f"late-feed@2={1e3 * late:.5f} ms", strokes=4, without=("feed-in-place",))
        assert len(found.first.hits) == hits


def test_a_feed_that_does_not_come_is_no_silent_pass() -> None:
    late = "late-feed@2=10 s"
    assert runs(BRACKET, late, strokes=4).first.halt is not None
    found = runs(BRACKET, late, strokes=4, without=("feed-in-place",))
    assert {stroke for stroke, _ in found.first.bad} == {3, 4}


def test_lost_springs_break_the_rules_that_check_breaks_without_them() -> None:
    weak = ("stripper.spring.main.force=200 N", "stripper.spring.main.end_force=290 N")
    found = runs(BRACKET, "spring-lost:main@2=2", "spring-lost:main@3=3", strokes=4, settings=weak)
    for stroke, left in ((2, 4), (4, 1)):
        judged = check(BRACKET, *weak, f"stripper.spring.main.count={left}")
        failing = {each.rule for each in judged.findings if each.status == "fail"}
        told = {each.what for each in found.first.log if each.stroke == stroke and each.kind in ("hit", "bad part")}
        assert {each.partition(":")[0] for each in told} == failing
        assert bool(failing) == (left == 1)
    assert not found.sound  # nothing can see it


def test_a_slow_valve_breaks_what_check_breaks_with_it() -> None:
    found = runs(BRACKET, "late-valve@2=40 ms", strokes=4)
    judged = check(BRACKET, "feeder.pilot_release.latency=46 ms")
    failing = {each.rule for each in judged.findings if each.status == "fail"}
    assert failing == {"rolls-open-on-pilots", "rolls-close-before-pilots-leave"}
    assert {each.what.partition(":")[0] for each in found.first.log if each.kind == "bad part"} == failing
    assert {stroke for stroke, _ in found.first.bad} == {2}
    assert not found.sound  # nothing can see it


def test_thicker_stock_in_a_die_that_stays_as_it_was() -> None:
    """Bolted to the die, a tap's tip comes as far down as before: so much deeper from a strip so much thicker."""
    scenario = open_scenario(BRACKET).resolved()[0]
    plans = Plans(scenario, "rigid", "metric")
    thick = plans.of((("stock-change", None, 0.0017),))
    before, after = (each.cycle.motion.taps["m4"].depth for each in (plans.nominal, thick))
    assert float(after - before) == pytest.approx(0.0002, abs=1e-12)
    slide = thick.cycle.machine.slide
    assert isinstance(slide, Eccentric)
    touch = thick.events["stripper.touch"].angle
    free = scenario.stripper.travel - scenario.strip.thickness  # the stripper's face below the slide while it hangs
    assert float(slide.height(touch)) - free == pytest.approx(0.0017 + scenario.strip.lift, abs=1e-12)


def test_thicker_stock_turns_a_spindle_on_the_stripper_further() -> None:
    """The stripper is pushed back by as much more, and the spindle turns on from where it engaged before."""
    scenario = open_scenario("two-taps-on-the-stripper").resolved()[0]
    plans = Plans(scenario, "rigid", "metric")
    thick = plans.of((("stock-change", None, float(scenario.strip.thickness) + 0.0001),))
    for name, tap in scenario.tap.items():
        before, after = (float(each.cycle.motion.taps[name].turns) for each in (plans.nominal, thick))
        assert after - before == pytest.approx(0.0001 * float(tap.drive.gearing), rel=1e-6)


def test_changes_add_up() -> None:
    scenario = open_scenario(BRACKET).resolved()[0]
    lost = ("spring-lost", "main", 2.0)
    assert changes(scenario, (lost, lost)) == {"stripper.spring.main.count": 2.0}
    slow = ("late-valve", None, 0.01)
    assert changes(scenario, (slow, slow))["feeder.pilot_release.latency"] == pytest.approx(0.026)


# --- against exact probabilities ---------------------------------------------------------------------------


def agrees(share: Share, probability: float) -> bool:
    return bool(stats.binomtest(share.count, share.of, probability).pvalue > DOUBT)


CHANCE = ("misfeed-long~0.03=1 mm", "sensor-stuck-on:feed-in-place~0.05", "sensor-noisy:tap-through~0.04")
MANY = 400


@pytest.fixture(scope="module")
def by_chance() -> Strokes:
    return runs(BRACKET, *CHANCE, strokes=12, runs=MANY, seed=5, reading="rigid")


def test_escapes_and_nuisance_stops_come_as_often_as_probability_has_it(by_chance: Strokes) -> None:
    """By hand: a misfeed gets past where it is the first, its sensor is stuck by then, and no false alarm came before.

    A false alarm is judged at 195 deg of its stroke, before the feed of that stroke is commanded at 277 deg, so one
    in the stroke of the misfeed itself counts as before; one in the next stroke comes when pilots have hit already.
    """
    p, q, r, n = 0.03, 0.05, 0.04, 12
    spoilt = sum(p * (1 - p) ** (s - 1) * (1 - (1 - q) ** s) * (1 - r) ** s for s in range(1, n))
    used = by_chance.variants[0]
    assert used.watching == ("tap-through", "feed-in-place")
    assert agrees(Share(used.tallies[0].escaped.count, MANY), spoilt)
    bare = by_chance.variants[-1]
    assert bare.watching == ()
    assert agrees(Share(bare.tallies[0].escaped.count, MANY), 1 - (1 - p) ** (n - 1))
    assert agrees(bare.tallies[0].struck, 1 - (1 - p) ** n)
    assert agrees(bare.tallies[2].struck, 1 - (1 - r) ** n)
    without_feed = next(each for each in by_chance.variants if each.watching == ("tap-through",))
    assert agrees(without_feed.nuisance, 1 - (1 - r) ** n)
    assert without_feed.nuisance == without_feed.stopped


def test_parts_spoilt_after_an_unseen_misfeed_are_as_many_as_expected(by_chance: Strokes) -> None:
    p, n = 0.03, 12
    left = np.array([n - s for s in range(1, n + 1)] + [0.0])
    weight = np.array([p * (1 - p) ** (s - 1) for s in range(1, n + 1)] + [(1 - p) ** n])
    mean = float(weight @ left)
    spread = math.sqrt(float(weight @ left**2) - mean**2)
    tally = by_chance.variants[-1].tallies[0]
    assert tally.further / MANY == pytest.approx(mean, abs=4.0 * spread / math.sqrt(MANY))
    assert tally.hits == 3 * tally.further


def test_intervals_are_the_exact_binomial_ones() -> None:
    """Their ends are the probabilities of which what was seen, or more, or less, has 2.5 %."""
    low, high = Share(7, 50).interval or (0.0, 0.0)
    assert stats.binom.sf(6, 50, low) == pytest.approx(0.025, abs=1e-6)
    assert stats.binom.cdf(7, 50, high) == pytest.approx(0.025, abs=1e-6)
    assert Share(0, 0).interval is None
    for count in (0, 1, 30):
        reference = stats.binomtest(count, 30).proportion_ci(0.95, "exact")
        assert Share(count, 30).interval == pytest.approx((reference.low, reference.high), abs=1e-12)


# --- the same answer, however it is worked out -------------------------------------------------------------

MIXED = (
    "tap-broken:m4~0.02",
    "misfeed-short~0.02=1 mm",
    "late-feed~0.03=400 ms",
    "late-valve~0.02=40 ms",
    "sensor-stuck-on:feed-in-place~0.03",
    "sensor-noisy:tap-through~0.01",
    "sensor-stuck-off:tap-through~0.01",
)


def test_jobs_do_not_change_the_answer_and_seeds_do() -> None:
    one, two = (runs(BRACKET, *MIXED, strokes=10, runs=70, jobs=jobs, reading="rigid") for jobs in (1, 2))
    assert strokes_data.as_json(one) == strokes_data.as_json(two)
    other = runs(BRACKET, *MIXED, strokes=10, runs=70, seed=1, reading="rigid")
    assert other.variants != one.variants


def test_strokes_passed_over_change_nothing() -> None:
    found = runs(BRACKET, *MIXED, strokes=1, reading="rigid")
    plans = Plans(open_scenario(BRACKET).resolved()[0], "rigid", "metric")
    stops = 0
    for seed in range(40):
        draws = np.random.default_rng(seed)
        strikes = [fault.strikes(15, draws) for fault in found.faults]
        whole, quick = (
            Line(plans, found.faults, strikes, 15, frozenset({"feed-in-place"}), logging=not quiet, quiet=quiet).run()
            for quiet in (False, True)
        )
        assert sorted(whole.hits, key=str) == sorted(quick.hits, key=str)
        assert sorted(whole.bad, key=str) == sorted(quick.bad, key=str)
        assert (whole.halt is None) == (quick.halt is None)
        if whole.halt is not None and quick.halt is not None:
            stops += 1
            assert whole.halt.stroke == quick.halt.stroke
            assert whole.halt.rest.rest == pytest.approx(quick.halt.rest.rest, abs=1e-9)
    assert stops >= 5


def test_sensors_do_not_change_which_faults_strike() -> None:
    found = runs(BRACKET, "sensor-stuck-on:tap-through~0.05", strokes=10, runs=100, reading="rigid")
    assert len({each.tallies[0].struck for each in found.variants}) == 1


def test_without_chance_one_run_is_made_and_says_so() -> None:
    found = runs(BRACKET, "misfeed-long@2=1 mm", strokes=4, runs=50)
    assert found.runs == 1
    assert "every run would be the same" in strokes_words.as_text(found)
    assert strokes_data.as_data(found)["variants"][0]["stopped"]["probability"] is None


def test_a_fault_that_never_struck_is_not_a_pass() -> None:
    found = runs(BRACKET, "tap-broken:m4~1e-9", strokes=4)
    assert not found.sound
    assert any("NOT TRIED" in each for each in strokes_words.headline(found))


# --- what is refused ---------------------------------------------------------------------------------------

Wrong = Callable[[], object]


def refused(call: Wrong) -> list[str]:
    with pytest.raises(InputError) as caught:
        call()
    return [str(each) for each in caught.value.problems]


def test_all_that_is_wrong_is_told_at_once() -> None:
    wrong = {
        "misfeed-shrt@12=2 mm": '"misfeed-short"',
        "tap-broken:m5@3": "a tap: m4",
        "late-feed@3=2 mm": "given a length, expected a time",
        "sensor-noisy:feed-in-place~2": "at most 1",
        "nonsense": "KIND[:NAME]",
        "misfeed-long@3": "= and a length",
        "spring-lost:main@1=9": "at most the 6",
        "sensor-stuck-on:x@1": "tap-through or feed-in-place",
        "tap-broken:m4@300": "200 strokes",
        "misfeed-long@0=1 mm": "counted from 1",
        "misfeed-short@1=41 mm": "at most strip.pitch",
        "late-valve:m4@1=1 ms": "no name",
        "sensor-noisy:tap-through@1=3": "no value",
        "late-feed@1=-3 ms": "above 0",
    }
    told = refused(lambda: runs(BRACKET, *wrong, without=("nobody",)))
    assert len(told) == len(wrong) + 1
    for text, want in zip(told[1:], wrong.values(), strict=True):
        assert want in text


def test_what_the_scenario_lacks_is_told(tmp_path: Path) -> None:
    text = Path(str(open_scenario("extruded-hole-flange-up").source.path)).read_text(encoding="utf-8")
    start = text.index("[press.stop]")
    bare = tmp_path / "no-stop.toml"
    bare.write_text(text[:start] + text[text.index("[", start + 1) :], encoding="utf-8")
    told = refused(lambda: runs(str(bare)))
    assert told == ["press.stop: given nothing; expected the table [press.stop]: how the press stops on a sensor"]
    assert "real time" in refused(lambda: runs(BRACKET, reading="hand"))[0]
    assert "running reading" in refused(lambda: runs(BRACKET, "spring-lost:main@1", reading="rigid"))[0]
    assert "132.4 to 227.9 deg" in refused(lambda: runs(BRACKET, "tap-broken:m4@1=20 deg"))[0]


def test_a_scenario_without_feeder_has_no_misfeed() -> None:
    source = load(open_scenario(BRACKET).source.path, None)
    tree = {name: each for name, each in source.tree.items() if name not in ("feeder", "sensor")}
    loaded = validated(Source(source.path, tree, source.digest, source.root))
    with Crew() as crew:
        told = refused(lambda: strokes(loaded, Wish(faults=("misfeed-long@1=1 mm", "late-feed@1=1 ms")), crew))
    assert told == [f'--fault "{each}": given no [feeder]; expected a scenario with a feeder'
                    for each in ("misfeed-long@1=1 mm", "late-feed@1=1 ms")]  # fmt: skip


# --- what is printed ---------------------------------------------------------------------------------------


def test_text_keeps_to_80_columns_and_says_what_it_is_not() -> None:
    for found in (runs(BRACKET, *MIXED, strokes=10, runs=60), runs("feed-too-soon", strokes=2)):
        text = strokes_words.as_text(found)
        assert max(len(each) for each in text.splitlines()) <= 80
        assert "standards in force and qualified persons decide" in " ".join(text.split())


def test_every_kind_says_what_it_does_and_what_sees_it() -> None:
    assert len(KINDS) == 10
    assert all(each.does and each.seen for each in KINDS.values())


def test_the_command_prints_and_writes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "log.csv"
    given = ["strokes", BRACKET, "--strokes", "5", "--fault", "misfeed-short@3=2 mm", "--json", "-o", str(log)]
    assert command(given) == 0
    data = json.loads(capsys.readouterr().out)
    stop = data["first_run"]["stop"]
    assert (stop["sensor"], stop["stroke"], stop["causes"]) == ("feed-in-place", 3, ["misfeed-short@3=2 mm"])
    assert stop["rest_deg"] == pytest.approx(418.62, abs=0.01)
    assert data["agreement"]["missing"] == 0
    rows = list(csv.DictReader(io.StringIO(log.read_text(encoding="utf-8"))))
    assert rows[0].keys() == {"stroke", "dial [deg]", "time [ms]", "kind", "who", "what"}
    assert sum(row["kind"] == "event" for row in rows) == 3 * 25
    assert command(["strokes", BRACKET, "--strokes", "5", "--fault", "late-valve@3=40 ms"]) == 1
    assert command(["strokes", BRACKET, "--fault", "late-valve@3"]) == 2
