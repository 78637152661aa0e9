"""What a search is after, as a score: the highest passing rate, the least stripper travel or the least change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from crankclock.cycle import Reading
from crankclock.studies.ceiling import Bench, Ceilings, Judged, ceilings
from crankclock.studies.space import Space
from crankclock.studies.variants import Array, Mask

Goal = Literal["rate", "travel", "change"]

TRAVEL = "stripper.travel"
LEVEL = 1e-4
"""Two rates closer than this share are equally good: the lesser change is then the better point."""
EASY = 1e-3
"""What a rate with every allowance counts beside one that merely passes: of equal ceilings the easier is the better."""
FAILS = 2.0
"""Scores of points that do not pass begin here."""


@dataclass(frozen=True)
class Quest:
    """A goal in a space, by one reading.

    Attributes
    ----------
    at : float or None
        The wanted rate [strokes/s]; None for the goal "rate".
    span : (float, float)
        The rates looked at [strokes/s].
    points, refined
        As in `ceilings`, for the search.
    tell : callable
        Told how many cycles were worked out since it was told last.
    known : dict
        Ceiling, and ceiling with every allowance [strokes/s], of points asked about for the goal "rate".
    """

    space: Space
    goal: Goal
    at: float | None
    reading: Reading
    span: tuple[float, float]
    points: int
    refined: float
    tell: Callable[[int], None]
    known: dict[bytes, tuple[float, float]] = field(default_factory=dict)

    def score(self, points: Array) -> Array:
        """Scores of points, shape (n,): the lower the better; at `FAILS` or more they do not pass."""
        change = self.space.change(points)
        if self.goal == "rate":
            found = self.ceilings(points, brief=True)
            passes, short = np.isfinite(found.rate), found.short
            rates = found.rate + EASY * np.nan_to_num(found.spare)
            self.known.update(
                ((point + 0.0).tobytes(), pair) for point, pair in zip(points, _pairs(found), strict=True)
            )
            value = np.where(passes, -rates / self.span[1], 0.0) + LEVEL * change
        else:
            judged = self.judge(points, np.full(points.shape[0], self.at))
            passes, short = judged.holds(), judged.short()
            value = change if self.goal == "change" else self._travel(points) + LEVEL * change
        return np.where(passes, value, FAILS + short / (1.0 + short))

    def gains(self, points: Array) -> Array:
        """What points gain for their change, shape (n, 2) or (n, 1), the more the better.

        The ceiling and the ceiling that keeps every allowance [strokes/s], 0 where there is none; or how little
        stripper travel they take, as a share of its range left.
        """
        if self.goal == "travel":
            return 1.0 - self._travel(points)[:, None]
        if self.goal == "rate" and all((point + 0.0).tobytes() in self.known for point in points):
            pairs = [self.known[(point + 0.0).tobytes()] for point in points]
        else:
            pairs = _pairs(self.ceilings(points, brief=True))
        return np.asarray(np.nan_to_num(np.array(pairs).reshape(-1, 2)))

    def _travel(self, points: Array) -> Array:
        """Stripper travel as a share of its range."""
        k = [key.path for key in self.space.keys].index(TRAVEL)
        key = self.space.keys[k]
        return np.asarray((points[:, k] - key.low) / (key.high - key.low))

    def ceilings(self, points: Array, brief: bool = False) -> Ceilings:
        found = ceilings(
            self.space.scenario,
            self.space.values(points),
            self.span,
            self.reading,
            points=self.points,
            refined=self.refined,
            brief=brief,
        )
        self.tell(found.cycles)
        return found

    def judge(self, points: Array, rates: Array) -> Judged:
        """Points, each at its own rate [strokes/s]."""
        bench = Bench(self.space.scenario, self.space.values(points), self.reading)
        found = bench.judge(np.arange(points.shape[0]), rates)
        self.tell(bench.cycles)
        return found

    def passes(self, scores: Array) -> Mask:
        return np.asarray(scores < FAILS)


def _pairs(found: Ceilings) -> list[tuple[float, float]]:
    return list(zip(found.rate.tolist(), found.spare.tolist(), strict=True))
