"""What the press setter needs from a cycle that holds: switch angles, heights, forces, and what to look at by hand."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Cycle, Readings, turn
from crankclock.handbook import holes, threads
from crankclock.parts.numbers import TURN, Flags, Floats
from crankclock.parts.tap import PressSpindle
from crankclock.rules.spring_life import Lasting, lasting
from crankclock.rules.springs import bdc_force, used_travel
from crankclock.scenario.build import Machine, build
from crankclock.scenario.schema import Scenario
from crankclock.studies.guarding import Guarding, guarding
from crankclock.studies.margins import Margin, Unjudged, margins

OTHER_RATES = (0.75, 1.25)
"""Other stroke rates the switch angles are given for, as shares of the scenario's where the press allows them."""
CHAMFER_FORMS: Mapping[str, tuple[float, float]] = {
    "A": (6.0, 8.0), "B": (3.5, 5.5), "C": (2.0, 3.0), "D": (3.5, 5.0), "E": (1.5, 2.0), "F": (1.0, 1.5),
}  # fmt: skip
"""Chamfer forms and their length in pitches (DIN 2197)."""
FORM_PERCENT = 65.0
"""Percent of thread a forming tap's hole is worked out for where the scenario names no hole; common practice."""


SCAN = 101
"""Points of each scan for the stripper travel that is needed."""
TRAVEL_RULES = frozenset({"clamped-while-tapping", "tap-clear-of-strip", "full-thread", "drive-travel"})


@dataclass(frozen=True)
class Switch:
    """A cam switch or a window of the control.

    Attributes
    ----------
    name, key : str
        What it does, and the scenario's key that holds its angle.
    latency : float
        Time from the switch to what it does [s]; for a sensor, its response.
    acts : float
        Dial angle [rad] at which what it does happens, the same at every rate.
    angles : tuple of float
        Dial angle [rad] to set at each rate of the setup.
    """

    name: str
    key: str
    latency: float
    acts: float
    angles: tuple[float, ...]


@dataclass(frozen=True)
class TapSetup:
    """A tap as it is to be set [SI].

    Attributes
    ----------
    forms : tuple of str
        Chamfer forms of DIN 2197 that its chamfer belongs to.
    hole : float
    hole_from : str
        Where the hole comes from.
    protrusion : float
        How far the point stands out of the strip's far face at full depth; a tap sensor's gap must be less.
    """

    name: str
    thread: str
    kind: str
    chamfer: float
    forms: tuple[str, ...]
    hole: float
    hole_from: str
    rest_clearance: float
    turns: float
    depth: float
    protrusion: float
    gearing: float | None
    engage_height: float | None


@dataclass(frozen=True)
class SpringSetup:
    """A group of stripper springs; forces of all of them together [N], travels [m].

    Attributes
    ----------
    lasting : Lasting or None
        How long they last; None where their load class and free length are not given.
    """

    name: str
    kind: str
    count: int
    preload: float
    bdc_force: float
    used: float
    rated: float | None
    lasting: Lasting | None


@dataclass(frozen=True)
class Look:
    """What to look at when the press is turned over by hand, at a dial angle [rad]."""

    angle: float
    says: str


@dataclass(frozen=True)
class Setup:
    """The setting sheet.

    Attributes
    ----------
    rates : tuple of float
        Stroke rates [strokes/s], the scenario's first.
    verdicts : tuple of str
        What the cycle is at each of them with the switches set as given.
    failing : tuple of tuple of str
        The rules that fail at each of them.
    travel, travel_needed : float
        Stripper travel, and how much of it the taps need by the rigid reading [m]; None where it is not enough.
    guarding : Guarding or None
        For reference only; None where nothing is known of how the press stops.
    """

    rates: tuple[float, ...]
    verdicts: tuple[str, ...]
    failing: tuple[tuple[str, ...], ...]
    switches: tuple[Switch, ...]
    taps: tuple[TapSetup, ...]
    springs: tuple[SpringSetup, ...]
    travel: float
    travel_needed: float | None
    bdc_shift: float
    guarding: Guarding | None
    looks: tuple[Look, ...]


def setup(scenario: Scenario, readings: Readings, cycle: Cycle, verdict: str) -> Setup:
    """The setting sheet of a cycle of single values.

    Parameters
    ----------
    scenario : Scenario
        Resolved.
    readings : Readings
    cycle : Cycle
        The chosen reading's.
    verdict : {"pass", "tight"}
        The cycle's own.
    """
    others = _other_rates(scenario)
    rates = (float(scenario.press.rate), *others)
    switches = _switches(scenario, cycle, others)
    elsewhere = _elsewhere(scenario, others, switches, readings)
    return Setup(
        rates=rates,
        verdicts=(verdict, *(each for each, _ in elsewhere)),
        failing=((), *(failing for _, failing in elsewhere)),
        switches=switches,
        taps=tuple(_tap(scenario, cycle, name) for name in cycle.machine.taps),
        springs=tuple(_spring(cycle, name) for name in scenario.stripper.spring),
        travel=float(scenario.stripper.travel),
        travel_needed=travel_needed(scenario),
        bdc_shift=float(scenario.press.bdc_shift),
        guarding=guarding(cycle),
        looks=tuple(sorted(_looks(readings.hand), key=lambda look: look.angle)),
    )


def _other_rates(scenario: Scenario) -> tuple[float, ...]:
    """Two other stroke rates, whole strokes a minute, within the press's range."""
    rate, limits = float(scenario.press.rate), scenario.press.limits
    low, high = (limits.rate_min, limits.rate_max) if limits is not None else (None, None)
    found: list[float] = []
    for share in (*OTHER_RATES, 0.5, 1.5, 0.9, 1.1):
        other = max(round(60.0 * rate * share), 1) / 60.0
        inside = (low is None or other >= low) and (high is None or other <= high)
        if inside and other not in found and abs(other - rate) > 1e-9:
            found.append(other)
    return tuple(sorted(found[:2]))


def _at_rate(scenario: Scenario, rate: Floats) -> Machine:
    other = scenario.model_copy(deep=True)
    other.press.rate = rate
    return build(other)


def _switches(scenario: Scenario, cycle: Cycle, others: tuple[float, ...]) -> tuple[Switch, ...]:
    """Every switch and window, with the angle that keeps what it does where it is."""
    cranks = [cycle.machine.crank, *(_at_rate(scenario, rate).crank for rate in others)]

    def switch(name: str, key: str, acts: Floats, latency: Floats, sign: float = -1.0) -> Switch:
        angles = tuple(float(np.mod(crank.after(acts, sign * latency), TURN)) for crank in cranks)
        return Switch(name, key, float(latency), float(np.mod(acts, TURN)), angles)

    found = []
    feeder, machine = scenario.feeder, cycle.machine
    if feeder is not None and cycle.feed is not None:
        found.append(switch("feed start", "feeder.start", cycle.feed.start, feeder.latency))
        if feeder.pilot_release is not None and cycle.rolls is not None:
            for what, angle in zip(("open", "close"), cycle.rolls, strict=True):
                key = f"feeder.pilot_release.{what}"
                found.append(switch(f"pilot release {what}", key, angle, feeder.pilot_release.latency))
    for name, tap in scenario.tap.items():
        if tap.drive.kind == "motor":
            start = cycle.motion.taps[name].engage
            found.append(switch(f"tap {name} motor start", f"tap.{name}.drive.start", start, tap.drive.latency))
    for name, sensor in scenario.sensor.items():
        # The signal comes later by the response: the window is moved so that it shows the same moment of the stroke.
        for what in ("on", "off"):
            seen = machine.crank.after(getattr(sensor, what), -sensor.response)
            found.append(switch(f"sensor {name} {what}", f"sensor.{name}.{what}", seen, sensor.response, 1.0))
    return tuple(found)


def _elsewhere(
    scenario: Scenario, others: tuple[float, ...], switches: tuple[Switch, ...], readings: Readings
) -> list[tuple[str, tuple[str, ...]]]:
    """Verdict and failing rules at each other rate with its switches set; contacts as they are."""
    if not others:
        return []
    many = scenario.model_copy(deep=True)
    many.press.rate = np.array(others)
    for switch in switches:
        table: object = many
        *path, last = switch.key.split(".")
        for step in path:
            table = table[step] if isinstance(table, dict) else getattr(table, step)
        setattr(table, last, np.array(switch.angles[1:]))
    found = margins(turn(build(many), running=readings.running is not None))
    unjudged = any(isinstance(each, Unjudged) and each.rule.core for each in found)
    told = []
    for place in range(len(others)):
        measured = [each for each in found if isinstance(each, Margin)]
        failing = dict.fromkeys(each.rule.name for each in measured if _there(each.fails, place, len(others)))
        tight = any(_there(each.tight, place, len(others)) for each in measured)
        verdict = "fail" if failing else "incomplete" if unjudged else "tight" if tight else "pass"
        told.append((verdict, tuple(failing)))
    return told


def _there(flags: Flags, place: int, count: int) -> bool:
    return bool(np.broadcast_to(np.asarray(flags), (count,))[place])


def _tap(scenario: Scenario, cycle: Cycle, name: str) -> TapSetup:
    given, part, passed = scenario.tap[name], cycle.machine.taps[name], cycle.motion.taps[name]
    thread, spindle = threads.parse(given.thread), cycle.machine.spindles[name]
    hole, hole_from = _hole(given.hole, given.kind, thread)
    drive = spindle if isinstance(spindle, PressSpindle) else None
    return TapSetup(
        name=name,
        thread=thread.designation,
        kind=given.kind,
        chamfer=float(given.chamfer),
        forms=tuple(form for form, (low, high) in CHAMFER_FORMS.items() if low <= given.chamfer <= high),
        hole=hole,
        hole_from=hole_from,
        rest_clearance=float(given.rest_clearance),
        turns=float(passed.turns),
        depth=float(passed.depth),
        protrusion=float(passed.depth + part.point - part.height),
        gearing=None if drive is None else float(drive.gearing),
        engage_height=None if drive is None else float(drive.engage_height),
    )


def _hole(given: Floats | None, kind: str, thread: threads.Thread) -> tuple[float, str]:
    if given is not None:
        percent = holes.percent_of_thread if kind == "cut" else holes.form_percent
        return float(given), f"given: {float(percent(thread, float(given))):.0f} % of thread"
    if kind == "form":
        return float(holes.form_hole(thread, FORM_PERCENT)), f"worked out for {FORM_PERCENT:.0f} % of thread"
    drill = holes.usual_drill(thread)
    return drill.diameter, f"{drill.percent:.0f} % of thread, {'worked out' if drill.computed else 'the usual drill'}"


def _spring(cycle: Cycle, name: str) -> SpringSetup:
    spring = cycle.machine.scenario.stripper.spring[name]
    return SpringSetup(
        name=name,
        kind=spring.kind,
        count=round(float(spring.count)),
        preload=float(spring.count * spring.force),
        bdc_force=float(bdc_force(cycle, spring)),
        used=float(used_travel(cycle, spring)),
        rated=None if spring.travel is None else float(spring.travel),
        lasting=lasting(cycle, spring),
    )


def travel_needed(
    scenario: Scenario, subjects: Collection[str] | None = None, most: float | None = None
) -> float | None:
    """Least stripper travel [m] that still leaves the taps clamped, clear and home with their allowance; rigid.

    Parameters
    ----------
    scenario : Scenario
        Resolved, of single values.
    subjects : collection of str, optional
        The taps that count, such as "tap:m4"; all by default.
    most : float, optional
        Travel to look up to [m] where what there is is not enough; by default no further.

    Returns
    -------
    float or None
        Within a ten-thousandth of the span looked at: two scans, the second about where the first one turns.
    """
    if not scenario.tap:
        return None
    low, high = 0.0, float(scenario.stripper.travel)
    if not _holds(scenario, np.array([high]), subjects)[0]:
        if most is None or most <= high:
            return None
        low, high = high, most
        held = _holds(scenario, travel := np.linspace(low, high, SCAN), subjects)
        if not held.any():
            return None
        first = int(np.argmax(held))
        low, high = float(travel[first - 1]), float(travel[first])
    for _ in range(2):
        travel = np.linspace(low, high, SCAN)
        held = _holds(scenario, travel, subjects)
        bad = np.flatnonzero(~held)
        if bad.size == 0:
            return low
        low, high = float(travel[bad[-1]]), float(travel[bad[-1] + 1])
    return high


def _holds(
    scenario: Scenario, travel: NDArray[np.float64], subjects: Collection[str] | None = None
) -> NDArray[np.bool_]:
    many = scenario.model_copy(deep=True)
    many.stripper.travel = travel
    good = np.ones(travel.shape, dtype=bool)
    for each in margins(turn(build(many), running=False), rules=TRAVEL_RULES):
        if isinstance(each, Margin) and (subjects is None or each.subject in subjects):
            good &= ~np.asarray(each.fails) & ~np.asarray(each.tight)
    return good


def _looks(hand: Cycle) -> Iterable[Look]:
    """What to look at, by the angles of the hand reading; what happens together stands together."""
    motion = hand.motion
    grouped: dict[tuple[int, str], list[str]] = {}

    def add(angle: Floats, who: str, says: str) -> None:
        if np.isfinite(angle):
            grouped.setdefault((round(float(np.degrees(angle)) * 100.0), says), []).append(who)

    add(0.0, "", "At the top: the strip lies on its lifters, clear of every tool; every spindle is home")
    for name, pilot in motion.pilots.items():
        add(pilot.tip.start, f"pilot {name}", "{}: nose into the hole without touching its edge")
        add(pilot.body.start, f"pilot {name}", "{}: full diameter in, the strip is in place and moves no more")
        add(pilot.tip.end, f"pilot {name}", "{} out of the strip")
    for name, punch in motion.punches.items():
        add(punch.start, f"punch {name}", "{} meets the strip")
        add(punch.end, f"punch {name}", "{} out of the strip, and the slug stays down")
    add(motion.touching.start, "", "The stripper meets the strip evenly")
    add(motion.clamped.start, "", "The strip lies flat on the die face under the stripper")
    add(motion.clamped.end, "", "The stripper lets the strip go")
    add(motion.touching.end, "", "The lifters have the strip back at its feed height")
    for name, tap in motion.taps.items():
        if not isinstance(hand.machine.spindles[name], PressSpindle):
            add(tap.engage, f"tap {name}", "{}: the motor's start switch; with the power off the spindle stands still")
            continue
        add(tap.engage, f"tap {name}", "{}: the spindle starts to turn")
        add(tap.thread.start, f"tap {name}", "{} meets the hole square, in a clamped strip")
        add(tap.full, f"tap {name}", "{} at full depth; its sensor, if any, sees it")
        add(tap.thread.end, f"tap {name}", "{} out of the strip, still clamped")
        add(tap.home, f"tap {name}", "{} home, clear of where the strip will rise to")
    if hand.feed is not None:
        add(hand.feed.start, "", "The feed's switch: nothing may be in the strip, and it lies on its lifters")
    if hand.rolls is not None:
        add(hand.rolls[0], "", "The rolls open: a pilot's nose holds the strip, no full diameter yet")
        add(hand.rolls[1], "", "The rolls close: the pilots still hold the strip")
    for (angle, says), who in grouped.items():
        names = ", ".join(who)
        told = says.format(names[:1].upper() + names[1:]) if names else says
        yield Look(float(np.radians(angle / 100.0)), told)
