"""Every rule's margin over a span of stroke rates: scanned, then narrowed down wherever a rule turns.

Latencies can make a slow press worse than a fast one and a bouncing stripper jumps: nothing is taken to be monotone.
Between neighbouring rates of the scan that agree, a rule is taken to stay as it is.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from crankclock.cycle import Reading
from crankclock.rules import Subject
from crankclock.scenario.schema import Scenario
from crankclock.studies.margins import Unjudged
from crankclock.studies.rate_batch import RATE, Panel
from crankclock.studies.variants import Array, Mask
from crankclock.studies.work import Crew

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
    whole : bool
        False where the work was interrupted: the span may then end early, and changes are known no closer than to a
        step.
    """

    reading: Reading
    rates: Array
    courses: tuple[Course, ...]
    unjudged: tuple[Unjudged, ...]
    whole: bool = True

    @property
    def fails(self) -> Mask:
        """Rates at which any rule fails."""
        return np.asarray(np.any([each.fails for each in self.courses], axis=0))

    @property
    def short(self) -> Mask:
        """Rates at which any rule fails or is below its allowance."""
        return np.asarray(np.any([each.short for each in self.courses], axis=0))


def scan(scenario: Scenario, rates: Array, reading: Reading, crew: Crew) -> Scan | None:
    """Judge a scenario at many stroke rates, and between them wherever a rule begins or ceases to fail or be tight.

    Parameters
    ----------
    scenario : Scenario
        As validated; its own rate is one at which the crank turns.
    rates : array, shape (m,)
        Stroke rates [strokes/s], rising.
    reading : {"hand", "rigid", "running"}
    crew : Crew
        Who does the work; the answer does not depend on it.

    Returns
    -------
    Scan or None
        At the rates given and as many more as it took to know every change to within `CLOSE`. None where the work was
        interrupted before anything was known.

    Raises
    ------
    UnfinishedError
        The running reading cannot be worked out at one of the rates.
    """
    panel = Panel(scenario, reading, crew)
    found = _judged(panel, rates, "scan")
    if found is None:
        return None
    rounds = itertools.count(1)

    def closer(found: Scan, more: Array) -> Scan:
        new = _judged(panel, more, f"search {next(rounds)}")
        return replace(found, whole=False) if new is None else _joined(found, new)

    if found.whole and (more := _turning(found)).size:
        found = closer(found, more)
    while found.whole and (more := _between(found)).size:
        found = closer(found, more)
    return found


def runs(rates: Array, flags: Mask) -> Ranges:
    """First and last rate of every run of neighbours at which a flag holds."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return tuple((float(rates[start]), float(rates[end - 1])) for start, end in edges.reshape(-1, 2))


def _judged(panel: Panel, rates: Array, what: str) -> Scan | None:
    """Margins at the rates, or at the first of them where the work was interrupted."""
    found = panel.judge(f"{panel.reading} reading, {what}", {RATE: rates})
    if found is None:
        return None
    courses = [
        Course(rule.name, subject, rule.dimension, rule.core, *each)
        for (rule, subject), *each in zip(
            found.names, found.margin, found.allowance, found.fails, found.short, strict=True
        )
    ]
    rates = rates[: found.turns.size]
    nothing = np.full(rates.shape, np.nan)
    courses.append(Course(CRANK, None, "rate", True, nothing, nothing, ~found.turns, ~found.turns))
    return Scan(panel.reading, rates, tuple(courses), found.unjudged, found.whole)


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
    return replace(found, rates=rates, courses=tuple(join(each) for each in found.courses), whole=more.whole)


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
