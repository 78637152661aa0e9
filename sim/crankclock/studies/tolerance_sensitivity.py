"""Which tolerance to tighten, and which key to re-dimension: what every rule's margin depends on."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crankclock.rules import Subject
from crankclock.studies.tolerance_batch import counted, join, unpacked
from crankclock.studies.tolerance_indices import Indices, design, indices
from crankclock.studies.tolerance_rates import BLOCK, AtRate, Sampler, StoppedError
from crankclock.studies.tolerance_sample import Array, Spread, points
from crankclock.studies.work import Chunk

REPLICATES, SHARE, FEWEST = 8, 16, 64
"""Sobol indices come from so many replicates, with one base point in all for so many samples, but so many in each."""
INDICES = 1
"""Stream of random numbers."""


@dataclass(frozen=True)
class Sensitivity:
    """What one rule's margin depends on.

    Attributes
    ----------
    indices : Indices
        One input for each tolerance, in their order; margin and inputs [SI].
    without_number : float
        Share of the samples whose margin is none: the worst margin seen stands for it.
    """

    rule: str
    subject: Subject
    indices: Indices
    without_number: float

    @property
    def spare(self) -> float:
        """How many standard deviations of the margin its mean is above 0."""
        return self.indices.mean / self.indices.deviation

    @property
    def leading(self) -> int:
        """The input that most of the variance depends on."""
        return max(range(len(self.indices.inputs)), key=lambda k: self.indices.inputs[k].total.value)

    def halved(self, k: int) -> float:
        """`spare` with one tolerance halved, as far as variances add up."""
        share = min(max(self.indices.inputs[k].total.value, 0.0), 1.0)
        return self.spare / math.sqrt(1.0 - 0.75 * share)

    def shift(self, k: int, spare: float) -> float | None:
        """Straight-line estimate of how far to move a nominal value [SI] to reach a `spare`; None where it is there."""
        short = spare * self.indices.deviation - self.indices.mean
        slope = self.indices.inputs[k].slope
        return short / slope if short > 0.0 and slope != 0.0 else None

    def movable(self, spread: Spread) -> int:
        """The input that has to move least, in widths of its own tolerance."""
        reach = [
            abs(each.slope) * (tolerance.minus + tolerance.plus)
            for each, tolerance in zip(self.indices.inputs, spread.tolerances, strict=True)
        ]
        return int(np.argmax(reach))


def sensitivities(sampler: Sampler, here: AtRate) -> tuple[Sensitivity, ...]:
    """Every rule whose margin varies at a rate: those that fail most often first, then those closest to it.

    Raises
    ------
    StoppedError
        The work was interrupted.
    """
    d, base = sampler.spread.size, max(sampler.samples // SHARE // REPLICATES, FEWEST)
    where = [design(points(sampler.seed, INDICES, k, 2 * d, 0, base)) for k in range(REPLICATES)]
    values = sampler.spread.values(np.concatenate(where), here.rate)
    count = REPLICATES * (d + 2) * base
    starts = range(0, count, BLOCK)

    def chunks() -> Iterator[Chunk]:
        for start in starts:
            these = {path: each[start : start + BLOCK] for path, each in values.items()}
            yield Chunk(_key(here.rate, base, start), (sampler.scenario, sampler.reading, these, 1, True))

    done = sampler.crew.run("what to tighten", counted, chunks(), len(starts))
    if not done.whole:
        raise StoppedError
    found = join([unpacked(done.results[_key(here.rate, base, start)]) for start in starts])
    inputs = np.stack([values[path] for path in sampler.spread.paths], axis=-1).reshape(REPLICATES, -1, d)
    failing = {(each.rule, each.subject): each.estimate.failing for each in here.rules}
    told = []
    for name, margin in zip(found.names, found.margins, strict=True):
        numbers = _numbers(margin)
        result = None if numbers is None else indices(numbers.reshape(REPLICATES, -1), inputs)
        if result is not None:
            told.append(Sensitivity(*name, result, float(np.mean(~np.isfinite(margin)))))
    return tuple(sorted(told, key=lambda each: (-failing.get((each.rule, each.subject), 0), each.spare)))


def _key(rate: float, base: int, start: int) -> str:
    return f"indices {rate!r} {base} {start}"


def _numbers(margin: Array) -> Array | None:
    """A margin with the worst that is a number where there is none; None where there is none at all."""
    finite = margin[np.isfinite(margin)]
    if not finite.size:
        return None
    return np.clip(np.where(np.isnan(margin), finite.min(), margin), finite.min(), finite.max())
