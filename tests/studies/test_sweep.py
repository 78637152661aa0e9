"""Sweeps against single cycles at many rates, a stepped reference, closed forms and curves whose roots are known."""

from __future__ import annotations

import copy
import itertools
import json
import math
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crankclock.api import InputError, check, open_scenario
from crankclock.cycle import Reading
from crankclock.report import sweep_data, sweep_words
from crankclock.rules import RULES
from crankclock.scenario.files import Source
from crankclock.scenario.load import Loaded, validated
from crankclock.scenario.schema import Scenario
from crankclock.studies import rate_batch, rate_scan
from crankclock.studies.rate_batch import RATE, Panel
from crankclock.studies.rate_limits import Limit
from crankclock.studies.rate_scan import CLOSE, CRANK, scan
from crankclock.studies.store import Store
from crankclock.studies.sweep import Sweep, header, sweep
from crankclock.studies.variants import Array, Row, Variants, evaluate, with_values
from crankclock.studies.work import Crew
from reference import brute
from reference.running_scenarios import random_running
from reference.scenarios import Tree, random_scenario, si_form

TURNING = (7000, 7004, 7009, 7018, 7031, 7035, 7045, 7063, 7070, 7079)
"""Seeds with ceilings, some with floors, of rules in degrees; odd ones are hostile."""
DENSE = 40


def loaded_of(tree: Tree) -> Loaded:
    return validated(Source(Path("random.toml"), tree, "0" * 64, Path()))


def random_loaded(seed: int) -> tuple[Loaded, float]:
    """A random scenario and its rate [strokes/s]."""
    tree = random_scenario(np.random.default_rng(seed), hostile=bool(seed % 2))
    return loaded_of(tree), si_form(tree)["press"]["rate"]


def limit_of(found: Sweep, rule: str, subject: str | None = None) -> Limit:
    return next(each for each in found.swept.limits if each.key == (rule, subject))


def differing(found: Sweep, scenario: Scenario, rates: Array) -> list[tuple[float, str, str | None]]:
    """Rates and rules for which a single cycle, judged alone without batch or search, says other than the sweep."""
    wrong = []
    for at in rates.tolist():
        alone = evaluate(with_values(scenario, {RATE: at}), {}, found.reading)
        fails = {(row.rule.name, row.subject): bool(row.fails[0]) for row in alone.rows}
        for limit in found.swept.limits:
            ends = [end for each in limit.holds for end in each]
            holds = any(low <= at <= high for low, high in limit.holds)
            if holds == fails[limit.key] and not any(abs(at - end) <= 2.0 * CLOSE for end in ends):
                wrong.append((60.0 * at, *limit.key))
    return wrong


# --- against single cycles ---------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [*TURNING, *range(7001, 7008, 2)])
def test_rules_hold_where_single_cycles_hold(seed: int) -> None:
    loaded, rate = random_loaded(seed)
    found = sweep(loaded, 0.4 * rate, 2.5 * rate, reading="rigid")
    dense = np.random.default_rng(seed).uniform(0.4 * rate, 2.5 * rate, DENSE)
    assert not differing(found, loaded.scenario, dense)
    assert len(found.swept.limits) >= 10


def test_the_seeds_have_ceilings_and_floors_of_many_kinds() -> None:
    """So that agreement above means something."""
    ceilings, floors = set(), set()
    for seed in TURNING:
        loaded, rate = random_loaded(seed)
        limits = sweep(loaded, 0.4 * rate, 2.5 * rate, 0.05 * rate, "rigid").swept.limits
        ceilings |= {limit.rule for limit in limits if limit.ceiling}
        floors |= {limit.rule for limit in limits if limit.floor}
    assert len(ceilings) >= 6
    assert len(floors) >= 2


@pytest.mark.parametrize("seed", TURNING)
def test_a_stepped_crank_agrees_at_every_ceiling(seed: int) -> None:
    """The reference steps the crank and knows no root: at a ceiling its margin is 0, or jumps to below 0 there."""
    tree = random_scenario(np.random.default_rng(seed), hostile=bool(seed % 2))
    si = si_form(tree)
    rate = si["press"]["rate"]
    found, checked = sweep(loaded_of(tree), 0.4 * rate, 2.5 * rate, reading="rigid"), 0

    def reference(at: float) -> float | None:
        si["press"]["rate"] = at
        return brute.simulate(si, step=0.02).margins[limit.key]

    for limit in found.swept.limits:
        if not limit.ceiling or limit.dimension != "angle":
            continue
        checked += 1
        if abs(just_above(found, limit)) < 1e-4:
            assert reference(limit.ceiling) == pytest.approx(0.0, abs=0.02)  # deg; it reads events between its steps
        else:
            assert not brute.fails(reference(0.9999 * limit.ceiling))
            assert brute.fails(reference(1.0001 * limit.ceiling))
    assert checked


def just_above(found: Sweep, limit: Limit) -> float:
    """The margin [SI] at the first rate above a rule's ceiling."""
    scanned = found.swept.scan
    course = next(each for each in scanned.courses if each.key == limit.key)
    assert limit.ceiling is not None
    return float(course.margin[np.searchsorted(scanned.rates, limit.ceiling) + 1])


@pytest.mark.parametrize("seed", [0, 3, 7, 10])
def test_running_rules_hold_where_single_running_cycles_hold(seed: int) -> None:
    pair = random_running(seed)
    loaded, rate = loaded_of(pair.toml), pair.si["press"]["rate"]
    found = sweep(loaded, 0.5 * rate, 1.5 * rate, rate / 40.0, reading="running")
    assert set(found.readings) == {"running", "rigid"}
    assert not differing(found, loaded.scenario, np.random.default_rng(seed).uniform(0.5 * rate, 1.5 * rate, 8))


@pytest.mark.parametrize("name", ["thin-cover-bounces", "shelf-bracket"])
def test_running_ceiling_is_where_check_turns(name: str) -> None:
    loaded = open_scenario(name)
    found = sweep(loaded, 50.0 / 60.0, 100.0 / 60.0, 10.0 / 60.0)
    ceiling = found.swept.ceiling
    assert ceiling is not None
    below, above = (check(name, f"press.rate={60.0 * ceiling.rate + by!r} /min") for by in (0.0, 1e-4))
    assert below.verdict in ("pass", "tight")
    failing = {(each.rule, each.subject) for each in above.findings if each.status == "fail"}
    assert failing >= {ceiling.binding[0]}


# --- curves whose roots are known ----------------------------------------------------------------------------


def known(curves: Mapping[str, Callable[[Array], Array]], allowance: float = 0.0) -> Callable[..., Variants]:
    """A stand-in for the engine: rules with margins that are plain functions of the rate."""
    by_name = {rule.name: rule for rule in RULES}

    def judge(_: Scenario, values: Mapping[str, Array], reading: Reading) -> Variants:
        rates, rows = values[RATE], []
        for name, curve in curves.items():
            margin = curve(rates)
            fails = ~(margin >= 0.0)
            rows.append(
                Row(by_name[name], None, margin, np.full(rates.shape, allowance), fails, (margin < allowance) & ~fails)
            )
        return Variants(rates.size, reading, tuple(rows), ())

    return judge


def scanned(
    monkeypatch: pytest.MonkeyPatch, rates: Array, curves: Mapping[str, Callable[[Array], Array]], allowance: float = 0
) -> rate_scan.Scan:
    monkeypatch.setattr(rate_batch, "evaluate", known(curves, allowance))
    found = scan(open_scenario("shelf-bracket").scenario, rates, "rigid", Crew())
    assert found is not None
    return found


def test_every_root_of_a_wave_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """sin holds in (0, pi), (2 pi, 3 pi), (4 pi, 5 pi); with an allowance of 1/2 from pi/6 to 5 pi/6 of each."""
    found = scanned(monkeypatch, np.linspace(0.1, 5.0 * math.pi + 1.0, 60), {"feed-ends-in-time": np.sin}, 0.5)
    holds = rate_scan.runs(found.rates, ~found.fails)
    expected = [(0.1, math.pi), (2.0 * math.pi, 3.0 * math.pi), (4.0 * math.pi, 5.0 * math.pi)]
    assert np.array(holds) == pytest.approx(np.array(expected), abs=CLOSE)
    spare = rate_scan.runs(found.rates, ~found.short)
    turns = [2.0 * math.pi * k for k in range(3)]
    assert np.array(spare) == pytest.approx(
        np.array([(k + math.pi / 6.0, k + 5.0 * math.pi / 6.0) for k in turns]), abs=CLOSE
    )


def test_ends_are_on_the_side_that_passes(monkeypatch: pytest.MonkeyPatch) -> None:
    found = scanned(monkeypatch, np.linspace(0.1, 10.0, 30), {"feed-ends-in-time": np.sin})
    for low, high in rate_scan.runs(found.rates, ~found.fails):
        assert math.sin(low) >= 0.0
        assert math.sin(high) >= 0.0


def test_a_jump_and_a_gap_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A margin that jumps from 3 to -7 at sqrt 2, and one that has no value from e on."""
    curves = {
        "feed-ends-in-time": lambda rate: np.where(rate < math.sqrt(2.0), 3.0, np.where(rate < 2.0, -7.0, 1.0)),
        "feed-starts-after-lift": lambda rate: np.where(rate < math.e, 1.0, np.nan),
    }
    found = scanned(monkeypatch, np.linspace(1.0, 4.0, 31), curves)
    expected = [(1.0, math.sqrt(2.0)), (2.0, math.e)]
    assert np.array(rate_scan.runs(found.rates, ~found.fails)) == pytest.approx(np.array(expected), abs=CLOSE)


def test_a_dip_between_two_rates_of_the_scan_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """(rate - 2.05)^2 - 0.001 fails in 0.063 only, and both its neighbours in the scan, 0.1 apart, hold."""
    dip: dict[str, Callable[[Array], Array]] = {"feed-ends-in-time": lambda rate: (rate - 2.05) ** 2 - 1e-3}
    rates = np.linspace(1.0, 3.0, 21)
    assert np.all(dip["feed-ends-in-time"](rates) > 0.0)
    found = scanned(monkeypatch, rates, dip)
    half = math.sqrt(1e-3)
    expected = [(1.0, 2.05 - half), (2.05 + half, 3.0)]
    assert np.array(rate_scan.runs(found.rates, ~found.fails)) == pytest.approx(np.array(expected), abs=CLOSE)


# --- what it says of a span ------------------------------------------------------------------------------------


def test_the_press_rating_bounds_the_span() -> None:
    """Its ends are the press's own figures, in and beyond the default span."""
    loaded = open_scenario("hinge-nothing-to-spare")  # 40 to 160 /min
    wide = sweep(loaded, 20.0 / 60.0, 200.0 / 60.0, reading="rigid")
    rating = limit_of(wide, "press-rating")
    assert rating.ceiling == pytest.approx(160.0 / 60.0, abs=CLOSE)
    assert rating.floor == pytest.approx(40.0 / 60.0, abs=CLOSE)
    own = sweep(loaded, reading="rigid")
    assert (own.low, own.high) == (40.0 / 60.0, 160.0 / 60.0)
    assert own.swept.floor is not None
    assert own.swept.floor.binding == (("press-rating", None),)
    assert limit_of(own, "press-rating").ceiling is None


def test_speed_ceilings_are_the_limit_over_the_speed_per_stroke() -> None:
    """A geared spindle's peak speed is proportional to the rate: limit x rate / peak."""
    loaded = open_scenario("shelf-bracket", ("tap.m4.drive.speed_max=5200 /min",))
    found = sweep(loaded, reading="rigid")
    tap = check("shelf-bracket", reading="rigid").taps[0]
    assert tap.peak_speed is not None
    expected = 5200.0 / 60.0 * found.rate / tap.peak_speed
    assert limit_of(found, "spindle-speed", "tap:m4").ceiling == pytest.approx(expected, abs=CLOSE)
    with_allowance = limit_of(found, "spindle-speed", "tap:m4").with_allowance  # 5 % of the limit
    assert with_allowance == pytest.approx(0.95 * expected, abs=CLOSE)


def test_a_latency_makes_slow_rates_fail_and_fast_ones_pass() -> None:
    """A motor commanded 25 deg before the strip is clamped but 90 ms late: slow, it taps too early; fast, too late."""
    loaded = open_scenario("gauge-plate-own-motor", ("tap.m5.drive.start=74 deg", "tap.m5.drive.latency=200 ms"))
    found = sweep(loaded, reading="rigid")
    clamped = limit_of(found, "clamped-while-tapping", "tap:m5")
    assert clamped.floor is not None
    assert clamped.ceiling
    assert found.low < clamped.floor < clamped.ceiling < found.high
    assert found.swept.failing[0].low == found.low
    assert len(found.swept.failing) == 2
    assert found.swept.floor is not None
    assert found.swept.floor.binding[0] == clamped.key
    for rate, holds in ((clamped.floor, True), (clamped.floor - 2 * CLOSE, False), (clamped.ceiling, True)):
        one = evaluate(loaded.scenario, {RATE: np.array([rate])}, "rigid", {"clamped-while-tapping"})
        assert bool(one.fails[0]) is not holds


def test_a_press_that_cannot_turn_fails_there_in_every_reading() -> None:
    """Past some rate the clutch has not the crank at speed before the brake must grip; check refuses such a rate."""
    loaded = open_scenario("long-blank-single-strokes")
    found = sweep(loaded, 200.0 / 60.0, 290.0 / 60.0, 15.0 / 60.0)
    crank = limit_of(found, CRANK)
    assert crank.ceiling
    for each in found.readings.values():
        assert each.scan.fails[each.scan.rates > crank.ceiling + CLOSE].all()
    at = 60.0 * crank.ceiling
    check(loaded.name, f"press.rate={at!r} /min", reading="rigid")
    with pytest.raises(InputError, match="clutch"):
        check(loaded.name, f"press.rate={at + 1e-4!r} /min", reading="rigid")


def test_a_span_at_which_the_press_never_turns_fails() -> None:
    found = sweep(open_scenario("long-blank-single-strokes"), 280.0 / 60.0, 300.0 / 60.0, 5.0 / 60.0, "running")
    assert found.verdict == "fail"
    assert found.status is None
    assert {each.ceiling for each in found.swept.limits} == {0.0}


def test_without_what_a_core_rule_needs_no_rate_passes() -> None:
    tree = copy.deepcopy(open_scenario("shelf-bracket").source.tree)
    del tree["feeder"]
    found = sweep(loaded_of(tree), reading="rigid")
    assert found.verdict == "incomplete"
    assert found.swept.passing  # as far as it is judged


def test_nothing_passes_where_a_rule_fails_by_hand() -> None:
    found = sweep(open_scenario("timed-at-speed-only"), step=5.0 / 60.0, reading="rigid")
    assert found.verdict == "fail"
    assert not found.swept.passing
    assert limit_of(found, "feed-starts-after-tools", "pilot:p1").ceiling == 0.0


def test_other_contacts_take_from_the_ceiling_and_never_add() -> None:
    found = sweep(open_scenario("thin-cover-bounces"), 40.0 / 60.0, 90.0 / 60.0, 10.0 / 60.0)
    assert found.contacts is not None
    assert found.contacts.low is not None
    assert found.contacts.high is not None
    assert found.swept.ceiling is not None
    assert found.contacts.high < found.swept.ceiling.rate
    above = f"press.rate={60.0 * (found.contacts.high + found.contacts.step):.6f} /min"
    rule, subject, corner = found.contacts.failing[0]
    told = next(e for e in check("thin-cover-bounces", above).findings if (e.rule, e.subject) == (rule, subject))
    assert told.contacts is not None
    assert corner in told.contacts.failing


@pytest.mark.parametrize(
    ("low", "high", "step", "where"),
    [(60.0, 40.0, None, "--from, --to"), (60.0, 60.0, None, "--from, --to"), (30.0, 60.0, 1e-4, "--step")],
)
def test_a_span_that_is_none_is_refused(low: float, high: float, step: float | None, where: str) -> None:
    with pytest.raises(InputError, match=where):
        sweep(open_scenario("shelf-bracket"), low / 60.0, high / 60.0, None if step is None else step / 60.0)


def test_the_rate_of_the_scenario_is_scanned_and_told() -> None:
    found = sweep(open_scenario("shelf-bracket"), 20.3 / 60.0, 99.7 / 60.0, 7.0 / 60.0, "rigid")
    assert found.rate in found.swept.scan.rates
    assert found.status == check("shelf-bracket", reading="rigid").verdict
    told: dict[Any, float | None] = {each.key: each.margin for each in found.swept.limits}
    for each in check("shelf-bracket", reading="rigid").findings:
        if each.margin is not None and each.status != "not judged":
            assert told[each.rule, each.subject] == pytest.approx(each.margin, abs=1e-9)


# --- by others, in chunks, interrupted and resumed -------------------------------------------------------------

SHORT = (60.0 / 60.0, 80.0 / 60.0, 0.1 / 60.0)
"""A span and its step [strokes/s] that make some chunks."""


def told(found: Sweep) -> tuple[str, str]:
    """All that a sweep says, margin by margin."""
    return sweep_data.as_json(found), sweep_data.as_csv(found)


@pytest.fixture(scope="module")
def uninterrupted() -> tuple[str, str]:
    return told(sweep(open_scenario("shelf-bracket"), *SHORT))


def test_two_processes_and_small_chunks_say_the_same(uninterrupted: tuple[str, str]) -> None:
    steps: list[tuple[str, int, int]] = []
    with Crew(2, progress=lambda *each: steps.append(each)) as crew:
        assert told(sweep(open_scenario("shelf-bracket"), *SHORT, crew=crew)) == uninterrupted
    assert ("running reading, scan", 4, 4) in steps


@pytest.mark.parametrize("size", [4, 10_000])
@pytest.mark.parametrize("name", ["hinge-nothing-to-spare", "long-blank-single-strokes", "servo-dwell"])
def test_the_size_of_chunks_does_not_matter(name: str, size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    loaded, rate = open_scenario(name), float(open_scenario(name).scenario.press.rate)
    span = (0.9 * rate, 1.3 * rate, 0.05 * rate, "rigid")
    whole = told(sweep(loaded, *span))  # type: ignore[arg-type]
    monkeypatch.setattr(rate_batch, "QUICK", size)
    assert told(sweep(loaded, *span)) == whole  # type: ignore[arg-type]


@pytest.mark.parametrize("size", [9, 40])
def test_the_size_of_running_chunks_does_not_matter(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    loaded, span = open_scenario("thin-cover-bounces"), (55.0 / 60.0, 75.0 / 60.0, 5.0 / 60.0)
    rates = np.linspace(*span[:2], 41)
    one = Panel(loaded.scenario, "running", Crew()).judge("once", {RATE: rates})
    monkeypatch.setattr(rate_batch, "ALONE", size)
    many = Panel(loaded.scenario, "running", Crew()).judge("in parts", {RATE: rates})
    assert one is not None
    assert many is not None
    assert one.names == many.names
    assert one.unjudged == many.unjudged
    for array in ("margin", "allowance", "fails", "short", "turns"):
        assert getattr(one, array).tobytes() == getattr(many, array).tobytes(), array


@pytest.mark.parametrize("after", [0, 1, 4, 7])
def test_what_an_interrupted_sweep_says_is_true_and_calls_no_rate_passing(
    after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rate_batch, "QUICK", 16)
    loaded, calls = open_scenario("shelf-bracket"), itertools.count()
    whole = sweep(loaded, step=1.0 / 60.0, reading="rigid").swept.scan

    def stop(_what: str, done: int, _total: int) -> None:
        if done and next(calls) == after:
            raise KeyboardInterrupt

    found = sweep(loaded, step=1.0 / 60.0, reading="rigid", crew=Crew(progress=stop))
    assert not found.whole
    assert (found.verdict, found.status) == ("incomplete", None)
    data = sweep_data.as_data(found)
    assert data["interrupted"]
    assert data["passing"] == []
    assert data["rate_ceiling_per_min"] is None
    assert sweep_words.INTERRUPTED in sweep_words.as_text(found)
    scanned = found.swept.scan
    assert 0 < scanned.rates.size < whole.rates.size
    assert found.high == scanned.rates[-1]
    assert np.isin(scanned.rates, whole.rates).all()
    assert list(scanned.fails) == list(whole.fails[np.isin(whole.rates, scanned.rates)])


def command(*more: str) -> list[str]:
    low, high, step = (f"{60.0 * each:g} /min" for each in SHORT)
    return [sys.executable, "-m", "crankclock", "sweep", "shelf-bracket", "--from", low, "--to", high, "--step", step,
            *more]  # fmt: skip


def wait_for_chunks(path: Path, count: int, process: subprocess.Popen[str]) -> None:
    for _ in range(6000):
        if path.exists() and path.read_bytes().count(b"\n") > count:
            return
        assert process.poll() is None
        time.sleep(0.005)
    raise AssertionError("no chunk was kept")


def keys(path: Path) -> list[str]:
    return [json.loads(line.rpartition(b" ")[0])["key"] for line in path.read_bytes().splitlines()[1:]]


def test_killed_and_resumed_says_what_it_says_uninterrupted(tmp_path: Path, uninterrupted: tuple[str, str]) -> None:
    path = tmp_path / "kept"
    process = subprocess.Popen(command("--resume", str(path)), stdout=subprocess.PIPE, text=True)
    wait_for_chunks(path, 2, process)
    process.kill()
    process.communicate()
    before = keys(path) if path.read_bytes().endswith(b"\n") else None
    resumed = subprocess.run(command("--resume", str(path), "--json"), capture_output=True, text=True, check=False)
    assert resumed.returncode == 0
    assert resumed.stdout == uninterrupted[0]
    after = keys(path)
    assert len(set(after)) == len(after) > 4
    assert before is None or (after[: len(before)] == before and len(before) < len(after))


def test_ctrl_c_at_the_command_line_keeps_what_is_done_and_says_so(
    tmp_path: Path, uninterrupted: tuple[str, str]
) -> None:
    path, loaded = tmp_path / "kept", open_scenario("shelf-bracket")
    pipes: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    process = subprocess.Popen(command("--resume", str(path), "--jobs", "2", "--json"), **pipes)
    wait_for_chunks(path, 1, process)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 3
    assert f"interrupted; {path} keeps what was done" in err
    assert not out or json.loads(out)["interrupted"]
    with Store(path, header(loaded, None)) as store, Crew(store=store) as crew:
        assert store.done
        assert told(sweep(loaded, *SHORT, crew=crew)) == uninterrupted


def test_kept_results_serve_another_span_and_no_other_scenario(tmp_path: Path) -> None:
    loaded = open_scenario("shelf-bracket")
    for high in (70.0, 90.0):
        with Store(tmp_path / "s", header(loaded, "rigid")) as store, Crew(store=store) as crew:
            span = (50.0 / 60.0, high / 60.0, 1.0 / 60.0, "rigid")
            assert told(sweep(loaded, *span, crew=crew)) == told(sweep(loaded, *span))  # type: ignore[arg-type]
    for other in (open_scenario("shelf-bracket", ("strip.lift=2 mm",)), open_scenario("thin-cover-bounces")):
        with pytest.raises(InputError, match="made for another input"):
            Store(tmp_path / "s", header(other, "rigid"))
    with pytest.raises(InputError, match="made for another input"):
        Store(tmp_path / "s", header(loaded, "hand"))
