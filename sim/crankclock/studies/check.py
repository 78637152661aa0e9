"""One cycle judged: verdict, findings, events, and the figures a designer asks for."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.cycle import Cycle, Reading, Readings, turn
from crankclock.parts.numbers import TURN, Floats
from crankclock.rules import Measured, Subject, Words
from crankclock.rules.base import UNITS
from crankclock.rules.feed import window
from crankclock.rules.tapping import cutting_speed
from crankclock.scenario.build import Machine, build
from crankclock.scenario.defaults import Assumption
from crankclock.scenario.load import Loaded
from crankclock.studies.margins import Judged, Margin, Unjudged, margins
from crankclock.units import System

log = logging.getLogger(__name__)
Status = Literal["pass", "tight", "fail", "not judged"]
Verdict = Literal["pass", "tight", "fail", "incomplete"]

CAUTION = (
    "An aid to planning, not a release to run. Guards and lock-out stay on. Bar the press over by hand, through a "
    "whole turn, before power. Local codes, the press maker's limits and qualified die setters decide."
)
WORST_FIRST: Mapping[str, int] = {"fail": 0, "not judged": 1, "tight": 2, "pass": 3}


@dataclass(frozen=True)
class Event:
    """When something happens.

    Attributes
    ----------
    id : str
    angle, hand, rigid : float or None
        Dial angle [rad] by the chosen, the hand and the rigid reading; None where it does not happen.
    seconds : float or None
        Time from the TDC that starts the stroke [s].
    """

    id: str
    angle: float | None
    hand: float | None
    rigid: float | None
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

    @property
    def unit(self) -> str:
        """The unit the margin has as data."""
        return UNITS[self.dimension]


@dataclass(frozen=True)
class TapFigures:
    """A tap's figures [SI; turns/s]; None where the spindle is not computed."""

    name: str
    engage_height: float | None
    turns: float | None
    peak_speed_in_cut: float | None
    peak_speed: float | None
    mean_rule_speed: float | None
    peak_cut_speed: float | None
    full_depth: float | None


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
    """A judged cycle."""

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


def check(loaded: Loaded, reading: Reading = "rigid", units: System | None = None) -> Check:
    """Judge one cycle of a loaded scenario.

    Parameters
    ----------
    loaded : Loaded
    reading : {"hand", "rigid"}
    units : {"metric", "inch"}, optional
        How sentences speak; the scenario's own units by default.

    Returns
    -------
    Check
    """
    scenario, assumed = loaded.resolved()
    log.info("%s: %d overrides, %d values assumed", loaded.name, len(loaded.overrides), len(assumed))
    machine = build(scenario)
    readings = turn(machine)
    system: System = units or ("inch" if scenario.units == "inch" else "metric")
    found = findings(readings, reading, Words(system))
    return Check(
        loaded=loaded,
        machine=machine,
        readings=readings,
        reading=reading,
        units=system,
        verdict=verdict(found),
        findings=found,
        events=_events(readings, reading),
        taps=tuple(_tap_figures(readings.chosen(reading), name) for name in machine.taps),
        feed=_feed_figures(readings.chosen(reading)),
        assumed=assumed,
        notes=(*loaded.notes, *_notes(readings, reading, bool(loaded.tolerances))),
    )


def findings(readings: Readings, reading: Reading, words: Words) -> tuple[Finding, ...]:
    """What every rule that applies says of one cycle."""
    return tuple(_finding(each, reading, words) for each in margins(readings, reading))


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
                       None, None, None, None, missing.keys, f"Not judged: {why}.")  # fmt: skip
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
        rule.says(cycle, each.subject, measured, words) + _also(each, cycle, words),
    )


def _span(measured: Measured) -> tuple[float | None, float | None]:
    """The dial angles [rad] between which a rule is worst, the earlier first."""
    start, end = plain(measured.start), plain(measured.end)
    return (end, start) if start is not None and end is not None and end < start else (start, end)


def _also(each: Margin, worst: Cycle, words: Words) -> str:
    """What the other reading's margin is, where the worse one is not a pass."""
    others = [other for other in each.by_reading if other.cycle is not worst and np.isfinite(other.measured.margin)]
    if not others or not (each.fails or each.tight):
        return ""
    cycle, margin = others[0].cycle, float(others[0].measured.margin)
    size = words.lag(cycle, margin) if each.rule.dimension == "angle" else words.say(abs(margin), each.rule.dimension)
    how = "too little" if margin < 0.0 else "to spare"
    reading = "Turned over by hand" if cycle.reading == "hand" else f"At the rate ({cycle.reading} reading)"
    return f" {reading}: {size} {how}."


def _badness(judged: Judged) -> tuple[bool, float]:
    """Sort key: failing readings first, then the least margin."""
    margin = float(judged.measured.margin)
    return (not bool(judged.fails), -np.inf if np.isnan(margin) else margin)


def _events(readings: Readings, reading: Reading) -> tuple[Event, ...]:
    """Every event in the order of the cycle; those that do not happen last."""
    chosen, hand, rigid = readings.chosen(reading).events(), readings.hand.events(), readings.rigid.events()
    crank = readings.rigid.machine.crank
    found = []
    for name, angle in chosen.items():
        at = plain(angle)
        seconds = None if at is None else float(crank.seconds(0.0, at))
        found.append(Event(name, at, plain(hand[name]), plain(rigid[name]), seconds))
    return tuple(sorted(found, key=lambda each: np.inf if each.angle is None else each.angle))


def _tap_figures(cycle: Cycle, name: str) -> TapFigures:
    tap, spindle, machine = cycle.motion.taps[name], cycle.machine.spindles[name], cycle.machine
    if tap is None or spindle is None:
        return TapFigures(name, None, None, None, None, None, None, None)
    return TapFigures(
        name=name,
        engage_height=plain(spindle.engage_height),
        turns=plain(tap.turns),
        peak_speed_in_cut=plain(tap.peak_speed_in_cut),
        peak_speed=plain(tap.peak_speed),
        mean_rule_speed=plain(2.0 * machine.scenario.press.slide.stroke * spindle.gearing * machine.crank.rate),
        peak_cut_speed=plain(cutting_speed(cycle, name)),
        full_depth=plain(tap.depth),
    )


def _feed_figures(cycle: Cycle) -> FeedFigures | None:
    found = window(cycle)
    if found is None:
        return None
    opens, closes, feed = found
    return FeedFigures(plain(opens), plain(closes), float(feed.start), float(feed.end))


def _notes(readings: Readings, reading: Reading, tolerances: bool) -> list[str]:
    """What a reader should know about how the cycle was read."""
    machine = readings.rigid.machine
    notes = ["Springs, bounce and the stripper's inertia at speed are in neither reading."]
    if reading == "hand":
        notes.append("Turned over by hand: a pass by hand says nothing of the cycle at speed. Speeds are at the rate.")
    if tolerances:
        notes.append("The tolerances given are not used: this is the nominal cycle.")
    latency = machine.feeder.latency if machine.feeder is not None else 0.0
    if float(latency * machine.crank.rate) >= 1.0:
        notes.append(
            "The feeder's latency is longer than a whole turn at this rate: each feed was commanded strokes ago."
        )
    if not machine.pilots:
        notes.append("No pilot is named: nothing but the feeder locates the strip, and no rule speaks of pilots.")
    if not machine.taps:
        notes.append("No tap is named: no thread is judged.")
    feed = readings.rigid.feed
    if feed is not None and float(feed.end - feed.start) > TURN:
        notes.append("The feed takes longer than a whole turn at this rate.")
    kind = machine.feeder.kind if machine.feeder is not None else None
    if kind in ("gripper", "rated"):
        notes.append(f'How far the strip has moved on the way is an estimate: a "{kind}" feeder does not tell its law.')
    return notes
