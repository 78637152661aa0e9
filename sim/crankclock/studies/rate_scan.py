"""Every rule's margin over a span of stroke rates: scanned, then narrowed down wherever a rule turns.

Latencies can make a slow press worse than a fast one and a bouncing stripper jumps: nothing is taken to be monotone.
Between neighbouring rates of the scan that agree, a rule is taken to stay as it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crankclock.cycle import Reading
from crankclock.rules import Subject
from crankclock.scenario.build import build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.schema import Scenario
from crankclock.studies.margins import Unjudged
from crankclock.studies.variants import Array, Mask, Row, evaluate, with_values

RATE = "press.rate"
CRANK = "crank-turns"
"""Stands among the rules for a press that cannot make the stroke: clutch, brake or flywheel do not allow the rate."""
CLOSE = 1e-5 / 60.0
"""A rate at which a rule turns is known to this [strokes/s]."""
PARTS = 8
QUARTERS, NEAR = (0.25, 0.5, 0.75), 0.02

Ranges = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Course:
    """One rule's margins over the rates; arrays of shape (n,).

    Attributes
    ----------
    margin, allowance : array
        [SI] of `dimension`; nan where an event cannot happen or the crank cannot turn.
    fails, short : array of bool
        Where it fails, and where it fails or its margin is below its allowance.
    """

    rule: str
    subject: Subject
    dimension: str
    core: bool
    margin: Array
    allowance: Array
    fails: Mask
    short: Mask

    @property
    def key(self) -> tuple[str, Subject]:
        return self.rule, self.subject


@dataclass(frozen=True)
class Scan:
    """Every rule over the rates.

    Attributes
    ----------
    rates : array, shape (n,)
        Stroke rates [strokes/s] in rising order.
    unjudged : tuple of Unjudged
        Rules that lack data, at every rate.
    """

    reading: Reading
    rates: Array
    courses: tuple[Course, ...]
    unjudged: tuple[Unjudged, ...]

    @property
    def fails(self) -> Mask:
        """Rates at which any rule fails."""
        return np.asarray(np.any([each.fails for each in self.courses], axis=0))

    @property
    def short(self) -> Mask:
        """Rates at which any rule fails or is below its allowance."""
        return np.asarray(np.any([each.short for each in self.courses], axis=0))


def scan(scenario: Scenario, rates: Array, reading: Reading) -> Scan:
    """Judge a scenario at many stroke rates, and between them wherever a rule begins or ceases to fail or be tight.

    Parameters
    ----------
    scenario : Scenario
        As validated; its own rate is one at which the crank turns.
    rates : array, shape (m,)
        Stroke rates [strokes/s], rising.
    reading : {"hand", "rigid", "running"}

    Returns
    -------
    Scan
        At the rates given and as many more as it took to know every change to within `CLOSE`.

    Raises
    ------
    UnfinishedError
        The running reading cannot be worked out at one of the rates.
    """
    found = _judged(scenario, rates, reading)
    more = _turning(found)
    if more.size:
        found = _joined(found, _judged(scenario, more, reading))
    while (more := _between(found)).size:
        found = _joined(found, _judged(scenario, more, reading))
    return found


def runs(rates: Array, flags: Mask) -> Ranges:
    """First and last rate of every run of neighbours at which a flag holds."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return tuple((float(rates[start]), float(rates[end - 1])) for start, end in edges.reshape(-1, 2))


def _judged(scenario: Scenario, rates: Array, reading: Reading) -> Scan:
    """Margins at the rates; those at which the crank cannot turn are not worked out: every rule fails there.

    The scenario's own rate always goes along, so that there is one at which every rule can be told.
    """
    crank = build(resolve(with_values(scenario, {RATE: rates}))[0]).crank
    turns = np.isfinite(np.broadcast_to(np.asarray(crank.turn_time, dtype=float), rates.shape))
    assert scenario.press.rate is not None
    found = evaluate(scenario, {RATE: np.append(rates[turns], scenario.press.rate)}, reading)
    courses = [_course(row, turns) for row in found.rows]
    nothing = np.full(rates.shape, np.nan)
    courses.append(Course(CRANK, None, "rate", True, nothing, nothing, ~turns, ~turns))
    return Scan(reading, rates, tuple(courses), found.unjudged)


def _course(row: Row, turns: Mask) -> Course:
    margin, allowance = (np.full(turns.shape, np.nan) for _ in range(2))
    fails, short = (np.full(turns.shape, True) for _ in range(2))
    margin[turns], allowance[turns] = row.margin[:-1], row.allowance[:-1]
    fails[turns], short[turns] = row.fails[:-1], (row.fails | row.tight)[:-1]
    return Course(row.rule.name, row.subject, row.rule.dimension, row.rule.core, margin, allowance, fails, short)


def _joined(found: Scan, more: Scan) -> Scan:
    """Both scans as one; a rule that the second does not know fails there."""
    order = np.argsort(np.append(found.rates, more.rates), kind="stable")
    known = {each.key: each for each in more.courses}
    nothing, always = np.full(more.rates.shape, np.nan), np.full(more.rates.shape, True)

    def join(one: Course) -> Course:
        two = known.get(one.key) or replace(one, margin=nothing, allowance=nothing, fails=always, short=always)
        return replace(
            one,
            margin=np.append(one.margin, two.margin)[order],
            allowance=np.append(one.allowance, two.allowance)[order],
            fails=np.append(one.fails, two.fails)[order],
            short=np.append(one.short, two.short)[order],
        )

    rates = np.append(found.rates, more.rates)[order]
    return replace(found, rates=rates, courses=tuple(join(each) for each in found.courses))


def _turning(found: Scan) -> Array:
    """More rates about every one where a margin turns upward so close to 0 that it may fail in between."""
    if found.rates.size < 3:
        return np.empty(0)
    margin = np.array([each.margin for each in found.courses])
    holds = ~np.array([each.fails for each in found.courses])
    here, below, above = margin[:, 1:-1], margin[:, :-2], margin[:, 2:]
    with np.errstate(invalid="ignore"):
        falls, rises = below - here, above - here
        turning = holds[:, 1:-1] & (falls >= 0.0) & (rises >= 0.0) & (here < np.maximum(falls, rises))
    at = np.flatnonzero(np.any(turning, axis=0)) + 1
    gaps = np.unique(np.concatenate([at - 1, at]))
    shares = np.arange(1, PARTS) / PARTS
    low, high = found.rates[gaps, None], found.rates[gaps + 1, None]
    return np.asarray(low + shares * (high - low)).ravel()


def _between(found: Scan) -> Array:
    """Rates that narrow down every change not yet known to `CLOSE`: quarters, and close about where it should be."""
    low, wide = found.rates[:-1], np.diff(found.rates)
    more = []
    for course in found.courses:
        for state, level in ((course.fails, 0.0), (course.short, course.allowance)):
            changes = (state[1:] != state[:-1]) & (wide > CLOSE)
            with np.errstate(all="ignore"):
                above = course.margin - level
                share = above[:-1] / (above[:-1] - above[1:])
            shares = [*(np.full(wide.shape, each) for each in QUARTERS), share - NEAR, share + NEAR]
            more += [(low + each * wide)[changes & (each > 0.0) & (each < 1.0)] for each in shares]
    return np.setdiff1d(np.concatenate(more), found.rates)
