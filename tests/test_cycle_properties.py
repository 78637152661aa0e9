"""What must hold of any turn of the crank, whatever the scenario."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crankclock.cycle import Cycle, turn
from crankclock.parts.crank import Crank
from crankclock.parts.numbers import TIE, TURN, Floats
from crankclock.parts.slide import Eccentric
from crankclock.parts.tap import PressSpindle, Tap
from crankclock.scenario.build import Machine, build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.schema import Scenario
from crankclock.studies.margins import Margin, margins
from reference.program import events_of, machine_of, scenario_of
from reference.scenarios import random_scenario

SAME = 1e-6  # deg
few = settings(deadline=None, max_examples=60)


def tree_of(seed: int) -> dict[str, Any]:
    """Even seeds ordinary, odd ones hostile."""
    return random_scenario(np.random.default_rng(seed), hostile=bool(seed % 2))


seeds = st.integers(0, 10**6)


def events(machine: Machine) -> dict[str, float | None]:
    return events_of(turn(machine).rigid)


def spindles(machine: Machine) -> dict[str, PressSpindle]:
    return {name: spindle for name, spindle in machine.spindles.items() if spindle is not None}


def in_order(found: dict[str, float | None], *names: str) -> bool:
    """Those that happen come in the order named, ties allowed."""
    angles = [at for name in names if (at := found[name]) is not None]
    return all(one <= other + SAME for one, other in itertools.pairwise(angles))


@few
@given(seeds)
def test_events_come_in_legal_order(seed: int) -> None:
    machine = machine_of(tree_of(seed))
    for cycle in (turn(machine).hand, turn(machine).rigid):
        found = events_of(cycle)
        assert in_order(found, "stripper.touch", "stripper.clamped", "stripper.unclamped", "strip.raised")
        assert in_order(found, "strip.raised", "strip.settled")
        for name in machine.pilots:
            assert in_order(found, *(f"pilot:{name}.{each}" for each in ("enter", "located", "unlocated", "leave")))
        for name in machine.punches:
            assert in_order(found, f"punch:{name}.enter", f"punch:{name}.leave")
        for name in machine.taps:
            assert in_order(found, *(f"tap:{name}.{each}" for each in ("touch", "full", "leave")))
            assert in_order(found, *(f"tap:{name}.{each}" for each in ("touch", "through", "leave")))
            assert in_order(found, *(f"tap:{name}.{each}" for each in ("touch", "retouch", "leave")))
            assert in_order(found, f"tap:{name}.engage", f"tap:{name}.home")
        start, end = found["feed.start"], found["feed.end"]
        assert start is not None
        assert end is not None
        assert 180.0 - SAME <= start < 540.0
        assert start <= end + SAME
        outside = [at for name, at in found.items() if at is not None and not name.startswith(("feed", "rolls"))]
        assert all(0.0 <= at <= 360.0 for at in outside)
        if "rolls.open" in found:
            assert in_order(found, "rolls.open", "rolls.close")


@few
@given(seeds)
def test_an_in_line_press_without_backlash_mirrors_down_and_up(seed: int) -> None:
    machine = machine_of(tree_of(seed))
    assert isinstance(machine.slide, Eccentric)
    tight = {name: replace(spindle, backlash=0.0) for name, spindle in spindles(machine).items()}
    found = events(replace(machine, slide=replace(machine.slide, offset=0.0), spindles=tight))
    pairs = [("stripper.touch", "strip.raised"), ("stripper.clamped", "stripper.unclamped")]
    pairs += [(f"{tool}.enter", f"{tool}.leave") for tool in tools(machine) if not tool.startswith("tap:")]
    pairs += [(f"pilot:{name}.located", f"pilot:{name}.unlocated") for name in machine.pilots]
    for name in machine.taps:
        pairs += [(f"tap:{name}.touch", f"tap:{name}.leave"), (f"tap:{name}.engage", f"tap:{name}.home")]
    for first, second in pairs:
        down, up = found[first], found[second]
        assert (down is None) == (up is None)
        if down is not None:
            assert up == pytest.approx(360.0 - down, abs=SAME), (first, second)


def tools(machine: Machine) -> list[str]:
    groups = {"pilot": machine.pilots, "punch": machine.punches, "tap": machine.taps}
    return [f"{group}:{name}" for group, things in groups.items() for name in things]


def scaled(machine: Machine, k: float) -> Machine:
    """Every length, speed and acceleration k times, gearing a k-th: the same machine on another scale."""
    slide, strip, feeder = machine.slide, machine.strip, machine.feeder
    assert isinstance(slide, Eccentric)
    assert feeder is not None
    rod = None if slide.rod is None else k * slide.rod
    lengths = ("diameter", "pitch", "chamfer", "height", "extra", "clearance", "point")
    return replace(
        machine,
        slide=Eccentric(k * slide.stroke, rod, k * slide.offset, k * slide.shift),
        strip=replace(strip, thickness=k * strip.thickness, lift=k * strip.lift, travel=k * strip.travel),
        pilots={name: replace(each, reach=k * each.reach, nose=k * each.nose) for name, each in machine.pilots.items()},
        punches={name: replace(each, reach=k * each.reach) for name, each in machine.punches.items()},
        taps={
            name: replace(each, **{key: k * getattr(each, key) for key in lengths})
            for name, each in machine.taps.items()
        },
        spindles={
            name: replace(each, gearing=each.gearing / k, engage_height=k * each.engage_height)
            for name, each in spindles(machine).items()
        },
        feeder=replace(
            feeder,
            length=k * feeder.length,
            speed=None if feeder.speed is None else k * feeder.speed,
            acceleration=None if feeder.acceleration is None else k * feeder.acceleration,
        ),
    )


@few
@given(seeds, st.floats(0.4, 3.0))
def test_scale_changes_no_angle(seed: int, k: float) -> None:
    machine = machine_of(tree_of(seed))
    assert events(scaled(machine, k)) == pytest.approx(events(machine), abs=1e-4)  # ties are 1e-9 m on any scale


@few
@given(seeds, st.floats(0.1, 10.0))
def test_hand_events_do_not_know_the_rate(seed: int, times: float) -> None:
    machine = machine_of(tree_of(seed))
    other = replace(machine, crank=Crank(machine.crank.rate * times))
    assert events_of(turn(machine).hand) == events_of(turn(other).hand)


@few
@given(seeds, st.floats(0.0, 0.003))
def test_rest_clearance_is_clearance(seed: int, more: float) -> None:
    """The drive as it is: the point comes just as much clearer and the thread just as much less deep."""
    machine = machine_of(tree_of(seed))
    wider = {name: replace(tap, clearance=tap.clearance + more) for name, tap in machine.taps.items()}
    before, after = (turn(each).rigid.motion.taps for each in (machine, replace(machine, taps=wider)))
    for name, tap in before.items():
        other = after[name]
        assert tap is not None
        assert other is not None
        assert other.clear == tap.clear == np.inf or other.clear - tap.clear == pytest.approx(more, abs=1e-12)
        assert tap.depth - other.depth == pytest.approx(more, abs=1e-12)


@few
@given(seeds, st.floats(0.0, 0.3))
def test_backlash_only_delays_the_way_out(seed: int, more: float) -> None:
    """For spindles that come home all the same: what happens going down stays, leaving and home come later."""
    machine = machine_of(tree_of(seed))
    looser = {name: replace(spindle, backlash=spindle.backlash + more) for name, spindle in spindles(machine).items()}
    before, after = events(machine), events(replace(machine, spindles=looser))
    assert {name: at for name, at in before.items() if not name.startswith("tap:")} == {
        name: at for name, at in after.items() if not name.startswith("tap:")
    }
    for name in machine.taps:
        home, later_home = before[f"tap:{name}.home"], after[f"tap:{name}.home"]
        leave, later_leave = before[f"tap:{name}.leave"], after[f"tap:{name}.leave"]
        if later_home is None:
            continue
        assert home is not None
        assert later_home >= home - SAME
        assert after[f"tap:{name}.engage"] == before[f"tap:{name}.engage"]
        if leave is not None and later_leave is not None:
            assert later_leave >= leave - SAME
            assert after[f"tap:{name}.touch"] == before[f"tap:{name}.touch"] or before[f"tap:{name}.touch"] is None


VARIED = {
    "press": ("rate",),
    "press.slide": ("stroke", "connecting_rod"),
    "strip": ("thickness", "lift", "pitch", "above", "below"),
    "stripper": ("travel",),
    "feeder": ("start", "latency", "settle", "speed", "acceleration"),
    "feeder.pilot_release": ("open", "close", "latency"),
    "pilot.*": ("penetration", "projection", "nose"),
    "punch.*": ("penetration", "projection"),
    "tap.*": ("threaded_height", "rest_clearance", "point"),
    "tap.*.drive": ("gearing", "engage_height", "backlash", "travel"),
}


def tables(scenario: Scenario, path: str) -> list[Any]:
    """The tables a path names; none where the scenario has no such table."""
    found: list[Any] = [scenario]
    for part in path.split("."):
        found = [
            below
            for table in found
            for below in (table.values() if part == "*" else [getattr(table, part)])
            if below is not None
        ]
    return found


def variants(scenario: Scenario, n: int, rng: np.random.Generator) -> tuple[Scenario, list[Scenario]]:
    """One scenario whose values are arrays, and the n of single numbers it stands for."""
    many, singles = scenario.model_copy(deep=True), [scenario.model_copy(deep=True) for _ in range(n)]
    for path, names in VARIED.items():
        for place, table in enumerate(tables(many, path)):
            for name in names:
                value = getattr(table, name, None)
                if value is None:
                    continue
                values = value * rng.uniform(0.9, 1.1, n)
                setattr(table, name, values)
                for single, one in zip(singles, values, strict=True):
                    setattr(tables(single, path)[place], name, float(one))
    return many, singles


def same(one: Any, other: Any) -> bool:
    return bool(np.allclose(one, other, rtol=1e-9, atol=1e-9, equal_nan=True))


@settings(deadline=None, max_examples=25)
@given(seeds)
def test_a_batch_is_its_singles(seed: int) -> None:
    """Events of both readings and every rule's margin, allowance, failing and tightness, all from arrays at once."""
    n = 6
    scenario = scenario_of(tree_of(seed))
    many, singles = variants(scenario, n, np.random.default_rng(seed))
    batch = turn(build(resolve(many)[0]))
    measured = margins(batch)
    for k, single in enumerate(singles):
        alone = turn(build(resolve(single)[0]))
        for cycles in ((batch.hand, alone.hand), (batch.rigid, alone.rigid)):
            whole, one = (cycle.events() for cycle in cycles)
            assert whole.keys() == one.keys()
            for name in one:
                assert same(np.broadcast_to(whole[name], n)[k], one[name]), name
        for several, judged in zip(measured, margins(alone), strict=True):
            assert (several.rule, several.subject) == (judged.rule, judged.subject)
            assert isinstance(several, Margin) == isinstance(judged, Margin)
            if isinstance(several, Margin) and isinstance(judged, Margin):
                for part in ("value", "allowance", "fails", "tight"):
                    assert same(np.broadcast_to(getattr(several, part), n)[k], getattr(judged, part)), several.rule.name


GRID = np.radians(np.linspace(0.0, 360.0, 36_001))  # 0.01 deg
STEP = 0.01 + SAME


def on_grid(inside: np.ndarray) -> tuple[float | None, float | None]:
    """First coming in and last going out, from the grid; None where it is always or never in."""
    at = np.flatnonzero(inside)
    if at.size == 0 or inside[0] or inside[-1]:
        return None, None
    return 0.01 * float(at[0]), 0.01 * float(at[-1])


def tap_on_grid(machine: Machine, tap: Tap, spindle: PressSpindle) -> Floats:
    """Gap between thread and strip, with the turns walked up and down over two turns of the crank."""
    strip, y = machine.strip, np.asarray(machine.slide.height(GRID))
    underside, face = strip.underside(y), strip.stripper_face(y)
    asked = spindle.gearing * (spindle.engage_height - np.asarray(spindle.travel(tap, strip, y, underside, face)))
    turned, walked = 0.0, np.empty(asked.shape)
    for _ in range(2):
        for k, ahead in enumerate(asked):
            turned = max(0.0, min(max(turned, ahead), ahead + spindle.backlash))
            walked[k] = turned
    return tap.rest_gap(strip, y, underside, face) - tap.pitch * walked


def check_contact(cycle: Cycle, room: Floats, start: str, end: str) -> None:
    """Events against samples of the room between two things; a tie is in."""
    found, inside = events_of(cycle), np.asarray(room) <= TIE
    for mine, grid in zip((found[start], found[end]), on_grid(inside), strict=True):
        if mine is None or grid is None:
            # a contact shorter than a step falls between two points of the grid
            assert mine is grid or (not inside.any() and found[end] - found[start] < STEP), start  # type: ignore[operator]
        else:
            assert mine == pytest.approx(grid, abs=STEP), start


@settings(deadline=None, max_examples=20)
@given(seeds)
def test_exact_events_lie_in_their_cell_of_the_grid(seed: int) -> None:
    """Heights sampled every 0.01 deg: nothing is told exactly that the samples do not show, never and always too."""
    machine = machine_of(tree_of(seed))
    cycle, strip = turn(machine).rigid, machine.strip
    y = np.asarray(machine.slide.height(GRID))
    top, face = strip.underside(y) + strip.thickness, strip.stripper_face(y)
    check_contact(cycle, y - strip.touch_height, "stripper.touch", "strip.raised")
    check_contact(cycle, y - strip.clamp_height, "stripper.clamped", "stripper.unclamped")
    for name, pilot in machine.pilots.items():
        tip = pilot.tip(y, face)
        check_contact(cycle, tip - top, f"pilot:{name}.enter", f"pilot:{name}.leave")
        check_contact(cycle, tip + pilot.nose - top, f"pilot:{name}.located", f"pilot:{name}.unlocated")
    for name, punch in machine.punches.items():
        check_contact(cycle, punch.tip(y, face) - top, f"punch:{name}.enter", f"punch:{name}.leave")
    for name, spindle in spindles(machine).items():
        check_contact(
            cycle, tap_on_grid(machine, machine.taps[name], spindle), f"tap:{name}.touch", f"tap:{name}.leave"
        )


def test_feed_and_rolls_take_their_time_in_degrees() -> None:
    """Doubling the rate doubles what latency and motion take of the dial, and nothing else."""
    machine = machine_of(tree_of(4))
    slow, fast = (events(replace(machine, crank=Crank(rate))) for rate in (0.5, 1.0))
    hand = events_of(turn(machine).hand)
    for name, at in slow.items():
        by_hand, quick = hand[name], fast[name]
        if at is None or by_hand is None or quick is None:
            assert at is by_hand is quick
        else:
            assert quick - by_hand == pytest.approx(2.0 * (at - by_hand), abs=1e-9)
    assert math.isclose(float(machine.crank.after(1.0, machine.crank.seconds(0.0, TURN))), 1.0 + TURN)
