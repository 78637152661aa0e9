"""One cycle judged: verdict, findings, events, and the figures a designer asks for."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.cycle import Cycle, Reading, Readings, running_needs, turn
from crankclock.errors import InputError, Problem
from crankclock.parts.numbers import Floats
from crankclock.parts.tap import PressSpindle
from crankclock.rules import Measured, Subject, Words
from crankclock.rules.base import UNITS
from crankclock.rules.feed import window
from crankclock.rules.tapping import acceleration_peak, cutting_speed, step_peak
from crankclock.rules.torque import breaking_of, torque_of
from crankclock.scenario.build import Machine, build
from crankclock.scenario.defaults import Assumption
from crankclock.scenario.load import Loaded
from crankclock.studies.contacts import CORNERS, Corner, Swing, other_contacts
from crankclock.studies.margins import Judged, Margin, Unjudged, margins
from crankclock.studies.notes import cycle_notes
from crankclock.studies.setup import Setup, setup
from crankclock.units import System

log = logging.getLogger(__name__)
Status = Literal["pass", "tight", "fail", "not judged"]
Verdict = Literal["pass", "tight", "fail", "incomplete"]

CAUTION = (
    "An aid to planning, not a release to run. Guards and lock-out stay on. Bar the press over by hand, through a "
    "whole turn, before power. Local codes, the press maker's limits and qualified die setters decide."
)
ALSO: Mapping[Reading, str] = {
    "hand": "Turned over by hand",
    "rigid": "With everything rigid",
    "running": "As it runs",
}
STILL = 1e-6
"""A margin that moves by less than this [SI] with the contact values does not move."""
WORST_FIRST: Mapping[str, int] = {"fail": 0, "not judged": 1, "tight": 2, "pass": 3}


@dataclass(frozen=True)
class Event:
    """When something happens.

    Attributes
    ----------
    id : str
    angle, hand, rigid, running : float or None
        Dial angle [rad] by the chosen and by each reading; None where it does not happen or was not worked out.
    seconds : float or None
        Time from the TDC that starts the stroke [s].
    """

    id: str
    angle: float | None
    hand: float | None
    rigid: float | None
    running: float | None
    seconds: float | None


@dataclass(frozen=True)
class Finding:
    """What one rule says of one tool or of the line, with the limit beside the value.

    Attributes
    ----------
    margin, allowance : float or None
        [SI] of `dimension`; None where there is no number.
    start, end : float or None
        Dial angles [rad] of the span where it is worst.
    by_reading : mapping
        The margin [SI] by every reading that has one.
    contacts : Swing or None
        The running margin with contact stiffness and damping halved and doubled; None where they play no part.
    """

    rule: str
    subject: Subject
    status: Status
    core: bool
    reading: Reading
    dimension: str
    margin: float | None
    allowance: float | None
    start: float | None
    end: float | None
    missing: tuple[str, ...]
    says: str
    by_reading: Mapping[Reading, float]
    contacts: Swing | None

    @property
    def unit(self) -> str:
        """The unit the margin has as data."""
        return UNITS[self.dimension]


@dataclass(frozen=True)
class TapFigures:
    """A tap's figures [SI; turns/s, turns/s2]; None where there is none: a motor-driven spindle engages at no height.

    `speed_step` is the greatest jump of spindle speed, at engagement or where backlash is taken up. The torques [N m]
    are estimates: the bracket's ends, the higher one judged, and the least that breaks the tap unless it was given.
    """

    name: str
    engage_height: float | None
    turns: float | None
    peak_speed_in_cut: float | None
    peak_speed: float | None
    mean_rule_speed: float | None
    peak_cut_speed: float | None
    full_depth: float | None
    peak_acceleration: float | None
    speed_step: float | None
    torque_low: float | None
    torque: float | None
    breaking_torque: float | None


@dataclass(frozen=True)
class FeedFigures:
    """The feed on the dial [rad]; the window is None where a tool is always in the strip."""

    window_start: float | None
    window_end: float | None
    start: float
    end: float

    @property
    def slack(self) -> float | None:
        """What is left of the window after the feed has ended [rad]."""
        return None if self.window_end is None else self.window_end - self.end


@dataclass(frozen=True)
class Check:
    """A judged cycle; `setup` where it holds."""

    loaded: Loaded
    machine: Machine
    readings: Readings
    reading: Reading
    units: System
    verdict: Verdict
    findings: tuple[Finding, ...]
    events: tuple[Event, ...]
    taps: tuple[TapFigures, ...]
    feed: FeedFigures | None
    setup: Setup | None
    assumed: tuple[Assumption, ...]
    notes: tuple[str, ...]

    @property
    def title(self) -> str:
        return self.machine.scenario.title or self.loaded.name

    @property
    def cycle(self) -> Cycle:
        """The chosen reading's cycle."""
        return self.readings.chosen(self.reading)

    @property
    def worst(self) -> tuple[Finding, ...]:
        """Findings worst first; core rules before others, then by rule order."""
        return tuple(sorted(self.findings, key=lambda each: (WORST_FIRST[each.status], not each.core)))


def check(loaded: Loaded, reading: Reading | None = None, units: System | None = None) -> Check:
    """Judge one cycle of a loaded scenario.

    Parameters
    ----------
    loaded : Loaded
    reading : {"hand", "rigid", "running"}, optional
        By default the running reading where the scenario has the data for it, else the rigid one.
    units : {"metric", "inch"}, optional
        How sentences speak; the scenario's own units by default.

    Returns
    -------
    Check

    Raises
    ------
    InputError
        The running reading was asked for and the scenario lacks keys it needs.
    UnfinishedError
        The running reading cannot be worked out though its keys are there.
    """
    scenario, assumed = loaded.resolved()
    log.info("%s: %d overrides, %d values assumed", loaded.name, len(loaded.overrides), len(assumed))
    machine = build(scenario)
    lacks = running_needs(machine)
    if reading == "running" and lacks:
        want = "this key, which the running reading needs"
        raise InputError([Problem(key, "nothing", want) for key in lacks], loaded.name)
    readings = turn(machine, running=reading in (None, "running"))
    chosen = reading or readings.best
    contacts = other_contacts(readings.rigid) if chosen == "running" else None
    system: System = units or ("inch" if scenario.units == "inch" else "metric")
    found = findings(readings, chosen, Words(system), contacts)
    said, cycle = verdict(found), readings.chosen(chosen)
    return Check(
        loaded=loaded,
        machine=machine,
        readings=readings,
        reading=chosen,
        units=system,
        verdict=said,
        findings=found,
        events=_events(readings, chosen),
        taps=tuple(_tap_figures(cycle, name) for name in machine.taps),
        feed=_feed_figures(cycle),
        setup=setup(scenario, readings, cycle, said) if said in ("pass", "tight") else None,
        assumed=assumed,
        notes=(*loaded.notes, *cycle_notes(readings, chosen, bool(loaded.tolerances), found)),
    )


def findings(readings: Readings, reading: Reading, words: Words, contacts: Cycle | None = None) -> tuple[Finding, ...]:
    """What every rule that applies says of one cycle; `contacts` as in `margins`."""
    return tuple(_finding(each, reading, words) for each in margins(readings, reading, contacts, others=True))


def verdict(findings: tuple[Finding, ...]) -> Verdict:
    """The worst of the findings: a core rule left unjudged makes an otherwise sound cycle incomplete."""
    if any(each.status == "fail" for each in findings):
        return "fail"
    if any(each.status == "not judged" and each.core for each in findings):
        return "incomplete"
    return "tight" if any(each.status == "tight" for each in findings) else "pass"


def plain(value: Floats | None) -> float | None:
    """A finite number, or None."""
    if value is None or not np.isfinite(value):
        return None
    return float(value)


def _finding(each: Margin | Unjudged, reading: Reading, words: Words) -> Finding:
    rule = each.rule
    if isinstance(each, Unjudged):
        missing = each.missing
        why = missing.why or f"{', '.join(missing.keys)} not given"
        return Finding(rule.name, each.subject, "not judged", rule.core, reading, rule.dimension,
                       None, None, None, None, missing.keys, f"Not judged: {why}.", {}, None)  # fmt: skip
    worst = min(each.by_reading, key=_badness)
    cycle, measured = worst.cycle, worst.measured
    status: Status = "fail" if each.fails else "tight" if each.tight else "pass"
    margin = plain(measured.margin)
    if margin is not None and not worst.fails:
        margin = max(margin, 0.0)
    return Finding(
        rule.name,
        each.subject,
        status,
        rule.core,
        cycle.reading,
        rule.dimension,
        margin,
        plain(worst.allowance),
        *_span(measured),
        measured.unchecked,
        rule.says(cycle, each.subject, measured, words) + _also(each, cycle, words) + _contacts(each),
        {
            judged.cycle.reading: number
            for judged in (*each.by_reading, *each.others)
            if (number := plain(judged.measured.margin)) is not None
        },
        each.contacts if each.contacts is not None and _moves(each, each.contacts) else None,
    )


def _moves(each: Margin, swing: Swing) -> bool:
    """Whether other contact values change a margin or a status at all."""
    nominal = float(each.by_reading[0].measured.margin)
    failing = bool(each.by_reading[0].fails)
    moved = max(abs(swing.least - nominal), abs(swing.most - nominal)) if np.isfinite(nominal) else 0.0
    return (
        bool(swing.failing) != failing or (bool(swing.failing) and len(swing.failing) < len(CORNERS)) or moved > STILL
    )


def _contacts(each: Margin) -> str:
    """What other contact values make of a finding, where they turn it."""
    swing = each.contacts
    if swing is None:
        return ""
    fails = bool(each.by_reading[0].fails)
    if not fails and swing.failing:
        corners = _listed(swing.failing)
        return f" It fails with contact {corners}: these values are guesses, so this is no better than tight."
    if fails and len(swing.failing) < len(CORNERS):
        passing = tuple(corner for corner in CORNERS if corner not in swing.failing)
        return f" It passes with contact {_listed(passing)}; these values are guesses."
    return ""


def _listed(corners: tuple[Corner, ...]) -> str:
    return ", or ".join(corner.words for corner in corners)


def _span(measured: Measured) -> tuple[float | None, float | None]:
    """The dial angles [rad] between which a rule is worst, the earlier first."""
    start, end = plain(measured.start), plain(measured.end)
    return (end, start) if start is not None and end is not None and end < start else (start, end)


def _also(each: Margin, worst: Cycle, words: Words) -> str:
    """What the other readings' margins are, where the worst one is not a pass."""
    if not (each.fails or each.tight):
        return ""
    told, dimension = "", each.rule.dimension
    own = next(judged.measured.margin for judged in each.by_reading if judged.cycle is worst)
    said = [_size(worst, own, dimension, words)] if np.isfinite(own) else []
    for other in (*each.by_reading, *each.others):
        cycle, margin = other.cycle, float(other.measured.margin)
        if cycle is worst or not np.isfinite(margin) or (other in each.others and cycle.reading == "hand"):
            continue
        size = _size(cycle, margin, dimension, words)
        if size not in said:
            told += f" {ALSO[cycle.reading]}: {size}."
            said.append(size)
    return told


def _size(cycle: Cycle, margin: Floats, dimension: str, words: Words) -> str:
    """A margin as a sentence says it."""
    size = words.lag(cycle, margin) if dimension == "angle" else words.say(abs(float(margin)), dimension)
    return f"{size} {'too little' if float(margin) < 0.0 else 'to spare'}"


def _badness(judged: Judged) -> tuple[bool, float]:
    """Sort key: failing readings first, then the least margin."""
    margin = float(judged.measured.margin)
    return (not bool(judged.fails), -np.inf if np.isnan(margin) else margin)


def _events(readings: Readings, reading: Reading) -> tuple[Event, ...]:
    """Every event in the order of the cycle; those that do not happen last."""
    cycle = readings.chosen(reading)
    by_reading = {name: each.events() for name, each in readings.all().items()}
    found = []
    for name, angle in by_reading[reading].items():
        at = plain(angle)
        seconds = None if at is None else plain(cycle.seconds(name, at))
        each = {key: plain(events[name]) for key, events in by_reading.items()}
        found.append(Event(name, at, each["hand"], each["rigid"], each.get("running"), seconds))
    return tuple(sorted(found, key=lambda each: np.inf if each.angle is None else each.angle))


def _tap_figures(cycle: Cycle, name: str) -> TapFigures:
    tap, spindle, machine = cycle.motion.taps[name], cycle.machine.spindles[name], cycle.machine
    engage, mean, torque = None, None, torque_of(cycle, name)
    if isinstance(spindle, PressSpindle):
        engage = spindle.engage_height
        mean = 2.0 * machine.scenario.press.slide.stroke * spindle.gearing * machine.crank.rate
    return TapFigures(
        name=name,
        engage_height=plain(engage),
        turns=plain(tap.turns),
        peak_speed_in_cut=plain(tap.peak_speed_in_cut),
        peak_speed=plain(tap.peak_speed),
        mean_rule_speed=plain(mean),
        peak_cut_speed=plain(cutting_speed(cycle, name)),
        full_depth=plain(tap.depth),
        peak_acceleration=plain(acceleration_peak(cycle, name)),
        speed_step=plain(step_peak(cycle, name)),
        torque_low=None if torque is None else plain(torque.low),
        torque=None if torque is None else plain(torque.high),
        breaking_torque=plain(breaking_of(cycle, name).low),
    )


def _feed_figures(cycle: Cycle) -> FeedFigures | None:
    found = window(cycle)
    if found is None:
        return None
    opens, closes, feed = found
    return FeedFigures(plain(opens), plain(closes), float(feed.start), float(feed.end))
