"""The risk at one stroke rate, and the greatest rate that bears a risk."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Reading
from crankclock.rules import Subject
from crankclock.scenario.schema import Scenario
from crankclock.studies.store import Result
from crankclock.studies.tolerance_batch import Judged, Name, counted, join, names_of, unpacked
from crankclock.studies.tolerance_risk import Estimate, estimate
from crankclock.studies.tolerance_sample import Array, Spread, points
from crankclock.studies.work import Chunk, Crew
from crankclock.units import show

REPLICATES = 16
BLOCK = 1024
"""Samples in a chunk of work."""
PILOT = 16
"""At every rate of the span one sample in so many is tried first."""
STEPS = 20
"""Steps of the span."""
RISKS = 0
"""Stream of random numbers."""


@dataclass(frozen=True)
class RuleRisk:
    """How likely one rule fails; `least` is the least margin [SI] seen, None where no sample has one."""

    rule: str
    subject: Subject
    estimate: Estimate
    least: float | None


@dataclass(frozen=True)
class AtRate:
    """The risk at one stroke rate [strokes/s]; `unjudged` are rules that some sample lacks data for."""

    rate: float
    overall: Estimate
    rules: tuple[RuleRisk, ...]
    unjudged: tuple[Name, ...]

    @property
    def worst(self) -> RuleRisk | None:
        """The rule that fails most often; None where none fails."""
        found = max(self.rules, key=lambda each: each.estimate.failing, default=None)
        return found if found is not None and found.estimate.failing else None


@dataclass(frozen=True)
class RateAtRisk:
    """Up to which rate a risk is borne.

    Attributes
    ----------
    risk : float
        The risk asked for, or what the sample supports where that is more.
    rate : float or None
        The greatest rate [strokes/s] that was tried in full and holds it, among neighbours none of which is ruled
        out; None where none was found.
    above : float or None
        The next rate tried, which does not hold it; None where the span ends, or no rate was found.
    """

    risk: float
    rate: float | None
    above: float | None


@dataclass(frozen=True)
class Table:
    """Every sample at a rate: values [SI] by key path, and what came of them."""

    values: dict[str, Array]
    judged: Judged


class StoppedError(Exception):
    """The work was interrupted."""


@dataclass(frozen=True)
class Part:
    """Samples of one chunk: replicates from `first` on, of each of them the points from `start` on."""

    first: int
    replicates: int
    start: int
    count: int

    @property
    def of(self) -> range:
        return range(self.first, self.first + self.replicates)

    def key(self, rate: float, *, keep: bool) -> str:
        place = f"{self.first}+{self.replicates}/{self.start}+{self.count}"
        return f"rate {rate!r} {place}{' kept' if keep else ''}"


def parts(each: int) -> list[Part]:
    """How so many points of every replicate are cut into chunks."""
    if each < BLOCK:
        together = min(BLOCK // each, REPLICATES)
        return [Part(first, together, 0, each) for first in range(0, REPLICATES, together)]
    return [Part(first, 1, start, BLOCK) for first in range(REPLICATES) for start in range(0, each, BLOCK)]


@dataclass
class Sampler:
    """Tries a scenario at any rate with the same samples of its tolerances.

    Attributes
    ----------
    known : dict of float to AtRate
        By rate [strokes/s], the latest of each.
    full : set of float
        Rates tried with all samples.
    """

    scenario: Scenario
    reading: Reading
    spread: Spread
    seed: int
    samples: int
    crew: Crew
    known: dict[float, AtRate] = field(default_factory=dict)
    full: set[float] = field(default_factory=set)

    @property
    def each(self) -> int:
        """Points of every replicate."""
        return self.samples // REPLICATES

    def look(self, what: str, rates: Sequence[float], each: int) -> None:
        """Learn the risk at some rates from so many points of every replicate.

        Raises
        ------
        StoppedError
            Where two or more replicates of a rate were done, that much is known of it.
        """
        self._learn(what, rates, each, keep=False)

    def table(self, what: str, rate: float) -> Table:
        """Every sample at a rate, whose risk is then known as well. Raises as `look` does."""
        done = self._learn(what, [rate], self.each, keep=True)
        cut = parts(self.each)
        values = self.spread.values(np.concatenate([self._points(part) for part in cut]), rate)
        return Table(values, join([unpacked(done[part.key(rate, keep=True)]) for part in cut]))

    def _learn(self, what: str, rates: Sequence[float], each: int, *, keep: bool) -> dict[str, Result]:
        cut = parts(each)

        def chunks() -> Iterator[Chunk]:
            for rate in rates:
                for part in cut:
                    values = self.spread.values(self._points(part), rate)
                    arguments = (self.scenario, self.reading, values, part.replicates, keep)
                    yield Chunk(part.key(rate, keep=keep), arguments)

        done = self.crew.run(what, counted, chunks(), len(rates) * len(cut))
        for rate in rates:
            found = {part: done.results.get(part.key(rate, keep=keep)) for part in cut}
            lost = {k for part, result in found.items() if result is None for k in part.of}
            kept = np.array([k for k in range(REPLICATES) if k not in lost])
            if kept.size > 1:
                self.known[rate] = _at_rate(rate, found, kept, each)
            if not lost and each == self.each:
                self.full.add(rate)
        if not done.whole:
            raise StoppedError
        return done.results

    def _points(self, part: Part) -> Array:
        d = self.spread.size
        return np.concatenate([points(self.seed, RISKS, k, d, part.start, part.count) for k in part.of])


def _at_rate(rate: float, found: Mapping[Part, Result | None], kept: NDArray[np.int64], each: int) -> AtRate:
    """The risk from the replicates that were done whole."""
    done = {part: result for part, result in found.items() if result is not None and part.first in kept}
    unjudged = tuple(dict.fromkeys(name for one in done.values() for name in names_of(one["unjudged"])))
    names = dict.fromkeys(name for one in done.values() for name in names_of(one["names"]) if name not in unjudged)
    broken = np.zeros(REPLICATES, dtype=np.int64)
    failing = {name: np.zeros(REPLICATES, dtype=np.int64) for name in names}
    least = dict.fromkeys(names, math.inf)
    for part, result in done.items():
        span = slice(part.first, part.first + part.replicates)
        broken[span] += result["broken"]
        rows = {name: k for k, name in enumerate(names_of(result["names"]))}
        for name in names:
            # A rule that a chunk does not know had no cycle to judge there: all of it fails.
            failing[name][span] += result["failing"][rows[name]] if name in rows else part.count
            least[name] = min(least[name], float(result["least"][rows[name]]) if name in rows else math.inf)
    rules = tuple(
        RuleRisk(*name, estimate(failing[name][kept], each), least[name] if math.isfinite(least[name]) else None)
        for name in names
    )
    return AtRate(rate, estimate(broken[kept], each), rules, unjudged)


def over_rates(sampler: Sampler, own: float, low: float, high: float, target: float) -> RateAtRisk:
    """Try every rate of a span with few samples, and in full where it takes that to find the greatest that holds.

    Parameters
    ----------
    sampler : Sampler
        Knows the scenario's rate already; what it learns stays in it.
    own, low, high : float
        The scenario's rate and the span [strokes/s].
    target : float
        A rate holds where the upper end of the interval of the probability to fail is no more than this.
    """
    few = max(sampler.each // PILOT, 16)
    rates = [float(rate) for rate in np.linspace(low, high, STEPS + 1 if high > low else 1)]
    rates = [rate for rate in rates if not math.isclose(rate, own, rel_tol=1e-9)]
    sampler.look("risk over the rates", rates, few)
    ladder = sorted([*rates, *([own] if low <= own <= high else [])])
    open_ = [sampler.known[rate].overall.low <= target for rate in ladder]

    def holds(k: int) -> bool:
        if ladder[k] not in sampler.full:
            sampler.look(f"risk at {show(ladder[k], 'rate', 'metric')}", [ladder[k]], sampler.each)
        return sampler.known[ladder[k]].overall.high <= target * (1.0 + 1e-9)

    starts = _starts(sampler, ladder, open_, own)
    start = next((k for k in starts if holds(k)), None)
    if start is None:
        return RateAtRisk(target, None, None)
    top = start
    while top + 1 < len(ladder) and open_[top + 1]:
        top += 1
    bottom, beyond = start, top + 1
    if top > start and holds(top):
        bottom = top
    else:
        beyond = max(top, start + 1)
    while beyond - bottom > 1:
        middle = (bottom + beyond) // 2
        bottom, beyond = (middle, beyond) if holds(middle) else (bottom, middle)
    return RateAtRisk(target, ladder[bottom], ladder[beyond] if beyond < len(ladder) else None)


def _starts(sampler: Sampler, ladder: list[float], open_: list[bool], own: float) -> list[int]:
    """Where to look first: the scenario's rate, and the rate where least fails, the nearest to it of equals."""
    candidates = [k for k in range(len(ladder)) if open_[k]]
    if not candidates:
        return []
    least = min(candidates, key=lambda k: (sampler.known[ladder[k]].overall.probability, abs(ladder[k] - own)))
    return list(dict.fromkeys([*(k for k in candidates if ladder[k] == own), least]))
