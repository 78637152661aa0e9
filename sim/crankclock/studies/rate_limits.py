"""What a scan of stroke rates comes to: ranges that pass, the ceiling and floor, what binds, every rule's own limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.rules import Subject
from crankclock.rules.base import UNITS, ZERO
from crankclock.studies.rate_scan import CRANK, Course, Ranges, Scan, runs
from crankclock.studies.variants import Array
from crankclock.units import to_unit

Name = tuple[str, Subject]
Status = Literal["pass", "tight", "fail"]


@dataclass(frozen=True)
class Limit:
    """What one rule allows by one reading, in stroke rates [strokes/s].

    Attributes
    ----------
    holds, spare : tuple of pairs of float
        Ranges in which it holds, and holds with its allowance.
    ceiling, floor : float or None
        Ends of the range that counts; None where the end of the span comes first. 0 as ceiling: it holds nowhere.
    with_allowance : float or None
        The same up to where it is below its allowance; 0: it is so at every rate of the range that counts.
    margin, allowance : float or None
        At the scenario's rate [SI of `dimension`]; None outside the span or where there is no number.
    status : {"pass", "tight", "fail"} or None
        At the scenario's rate; None outside the span.
    """

    rule: str
    subject: Subject
    dimension: str
    core: bool
    holds: Ranges
    spare: Ranges
    ceiling: float | None
    floor: float | None
    with_allowance: float | None
    margin: float | None
    allowance: float | None
    status: Status | None

    @property
    def key(self) -> Name:
        return self.rule, self.subject


@dataclass(frozen=True)
class Band:
    """Rates [strokes/s] between which something fails, and what fails somewhere in it."""

    low: float
    high: float
    rules: tuple[Name, ...]


@dataclass(frozen=True)
class End:
    """An end of the passing range.

    Attributes
    ----------
    rate : float
        The last rate [strokes/s] that passes.
    binding : tuple of (rule, subject)
        What fails just beyond, core rules first; empty where only the span ends.
    """

    rate: float
    binding: tuple[Name, ...]


@dataclass(frozen=True)
class Swept:
    """The span by one reading.

    Attributes
    ----------
    passing, spare : tuple of pairs of float
        Ranges [strokes/s] in which every judged rule holds, and holds with its allowance.
    ceiling, floor : End or None
        Of the range that holds the scenario's rate, or else of the widest; None where no rate passes.
    with_allowance : float or None
        Greatest rate of that range up to which every allowance is kept; None where there is none.
    limits : tuple of Limit
        Every judged rule, the one that gives way first at the head.
    """

    scan: Scan
    passing: Ranges
    spare: Ranges
    failing: tuple[Band, ...]
    ceiling: End | None
    floor: End | None
    with_allowance: float | None
    limits: tuple[Limit, ...]


def status_of(fails: bool, short: bool) -> Status:
    return "fail" if fails else "tight" if short else "pass"


def range_about(ranges: Ranges, rate: float) -> tuple[float, float] | None:
    """The range that holds a rate, or else the widest; the first of several as wide."""
    around = [each for each in ranges if each[0] <= rate <= each[1]]
    return around[0] if around else max(ranges, key=lambda each: each[1] - each[0], default=None)


def swept(found: Scan, rate: float) -> Swept:
    """Read a scan.

    Parameters
    ----------
    found : Scan
    rate : float
        The scenario's own stroke rate [strokes/s].
    """
    passing, spare = runs(found.rates, ~found.fails), runs(found.rates, ~found.short)
    best = range_about(passing, rate)
    # What counts of each rule is the range about the passing one, else about the scenario's rate.
    about = rate if best is None else min(max(rate, best[0]), best[1])
    courses = [each for each in found.courses if each.rule != CRANK or np.any(each.fails)]
    limits = [_limit(found, each, about, rate) for each in courses]
    within = range_about(_inside(spare, best), rate) if best is not None else None
    return Swept(
        scan=found,
        passing=passing,
        spare=spare,
        failing=tuple(_band(found, *each) for each in runs(found.rates, found.fails)),
        ceiling=None if best is None else _end(found, best[1], 1),
        floor=None if best is None else _end(found, best[0], -1),
        with_allowance=None if within is None else within[1],
        limits=tuple(sorted(limits, key=_order)),
    )


def _order(limit: Limit) -> tuple[float, float, bool, bool]:
    """Sort key: the rule that gives way first, then the one that is tight first, then one with a floor, core first."""
    ceiling, tight = (math.inf if each is None else each for each in (limit.ceiling, limit.with_allowance))
    return ceiling, tight, limit.floor is None, not limit.core


def _inside(ranges: Ranges, outer: tuple[float, float]) -> Ranges:
    return tuple(each for each in ranges if outer[0] <= each[0] and each[1] <= outer[1])


def _limit(found: Scan, course: Course, about: float, rate: float) -> Limit:
    rates = found.rates
    holds, spare = runs(rates, ~course.fails), runs(rates, ~course.short)
    best = range_about(holds, about)
    within = range_about(_inside(spare, best), about) if best is not None else None
    at = np.flatnonzero(rates == rate)

    def top(of: tuple[float, float] | None) -> float | None:
        return 0.0 if of is None else of[1] if of[1] < rates[-1] else None

    def value(of: Array) -> float | None:
        return float(of[at[0]]) if at.size and np.isfinite(of[at[0]]) else None

    return Limit(
        rule=course.rule,
        subject=course.subject,
        dimension=course.dimension,
        core=course.core,
        holds=holds,
        spare=spare,
        ceiling=top(best),
        floor=None if best is None or best[0] == rates[0] else best[0],
        with_allowance=top(within),
        margin=value(course.margin),
        allowance=value(course.allowance),
        status=status_of(bool(course.fails[at[0]]), bool(course.short[at[0]])) if at.size else None,
    )


def _band(found: Scan, low: float, high: float) -> Band:
    within = (found.rates >= low) & (found.rates <= high)
    return Band(low, high, tuple(each.key for each in found.courses if np.any(each.fails[within])))


def _end(found: Scan, rate: float, way: int) -> End:
    """What fails one rate further on; at the end of the span, a rule whose margin has just run out."""
    at = int(np.searchsorted(found.rates, rate))
    if 0 <= at + way < found.rates.size:
        binding = [each for each in found.courses if each.fails[at + way]]
    else:
        binding = [each for each in found.courses if _runs_out(each, at, at - way)]
    return End(rate, tuple(each.key for each in sorted(binding, key=lambda each: not each.core)))


def _runs_out(course: Course, at: int, before: int) -> bool:
    margin = course.margin * float(to_unit(1.0, UNITS[course.dimension]))
    return bool(abs(margin[at]) <= ZERO and 0 <= before < margin.size and margin[before] > margin[at] + ZERO)
