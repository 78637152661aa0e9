"""The search itself: every point where they are few, else a quasi-random sample, evolution and a local refinement.

A score is asked for many points at once and nothing else is known of it. The same seed gives the same answer.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from crankclock.studies.space import Space
from crankclock.studies.variants import Array

Score = Callable[[Array], Array]
"""Points of shape (n, k) to n scores, the lower the better."""

GRID_LEAST, GRID_MOST = 7, 41
"""Values of each range in a full grid: no fewer, no more."""
POPULATION, GENERATIONS = 48, 40
SPREAD = 1e-6
"""Scores of a population closer than this have met."""
FIRST_STEP = 1.0 / 12.0
"""Of a range, for the local refinement; halved until it is what values are rounded to."""
STARTS = 3


@dataclass(frozen=True)
class Effort:
    """How much a search may ask.

    Attributes
    ----------
    points : int
        Of the grid or sample.
    evolve : bool
        With evolution after a sample.
    starts : int
        Points the local refinement starts from.
    """

    points: int
    evolve: bool = True
    starts: int = STARTS


class Archive:
    """Every point asked about, in order, and its score.

    Attributes
    ----------
    points : array, shape (n, k)
    scores : array, shape (n,)
    """

    def __init__(self, keys: int) -> None:
        self.points: Array = np.empty((0, keys))
        self.scores: Array = np.empty(0)
        self._places: dict[bytes, int] = {}

    def ask(self, score: Score, points: Array) -> Array:
        """Scores of points, kept; a point asked before is not asked again."""
        points = np.ascontiguousarray(points) + 0.0
        names = [point.tobytes() for point in points]
        first = {name: k for k, name in reversed(list(enumerate(names)))}
        fresh = [k for k, name in enumerate(names) if name not in self._places and first[name] == k]
        if fresh:
            self._places.update((names[k], len(self.scores) + at) for at, k in enumerate(fresh))
            self.points = np.concatenate([self.points, points[fresh]])
            self.scores = np.concatenate([self.scores, score(points[fresh])])
        return np.asarray(self.scores[[self._places[name] for name in names]])

    def best(self, count: int = 1) -> Array:
        """The best points, best first."""
        return np.asarray(self.points[np.argsort(self.scores, kind="stable")[:count]])


def search(space: Space, score: Score, seed: int, effort: Effort, first: Array | None = None) -> Archive:
    """Ask about points of a space until the best found cannot be bettered nearby.

    Parameters
    ----------
    space : Space
    score : callable
    seed : int
        Of the sample and the evolution.
    effort : Effort
    first : array, shape (m, k), optional
        Points to ask about besides.

    Returns
    -------
    Archive
        All that was asked; exhaustive where every key is a list.
    """
    archive = Archive(len(space.keys))
    archive.ask(score, space.legal(space.now[None, :]))
    if first is not None and first.size:
        archive.ask(score, space.legal(first))
    grid = _grid(space, effort.points)
    archive.ask(score, space.legal(_sample(space, effort.points, seed) if grid is None else grid))
    ranges = [k for k, key in enumerate(space.keys) if not key.values]
    if not ranges:
        return archive
    if grid is None and effort.evolve:
        _evolve(space, score, archive, seed)
    for start in _apart(space, archive, effort.starts):
        _refine(space, score, archive, start)
    return archive


def combinations(space: Space) -> float:
    """How many points there are where every key is a list; infinity where there is a range."""
    return float(math.prod(len(key.values) if key.values else math.inf for key in space.keys))


def _grid(space: Space, most: int) -> Array | None:
    """Every combination of listed values and of equal steps of each range; None where they are too many."""
    listed = math.prod(len(key.values) for key in space.keys if key.values)
    ranges = sum(not key.values for key in space.keys)
    if ranges == 0:
        steps = 0
    else:
        steps = min(int((most / listed) ** (1.0 / ranges) + 1e-9), GRID_MOST)
        if steps < GRID_LEAST:
            return None
    axes = [np.array(key.values) if key.values else np.linspace(key.low, key.high, steps) for key in space.keys]
    return np.array(list(itertools.product(*axes)))


def _sample(space: Space, count: int, seed: int) -> Array:
    """Quasi-random points (Sobol), scrambled with the seed; lists are taken in equal shares."""
    from scipy.stats import qmc

    unit = qmc.Sobol(len(space.keys), rng=seed).random_base2(int(math.log2(count)))
    return _from_unit(space, unit)


def _from_unit(space: Space, unit: Array) -> Array:
    """Points of the unit cube as points of the space."""
    columns = []
    for k, key in enumerate(space.keys):
        if key.values:
            place = np.minimum((unit[:, k] * len(key.values)).astype(int), len(key.values) - 1)
            columns.append(np.array(key.values)[place])
        else:
            columns.append(key.low + unit[:, k] * (key.high - key.low))
    return np.stack(columns, axis=1)


def _to_unit(space: Space, points: Array) -> Array:
    columns = []
    for k, key in enumerate(space.keys):
        if key.values:
            columns.append((np.searchsorted(key.values, points[:, k]) + 0.5) / len(key.values))
        else:
            columns.append((points[:, k] - key.low) / (key.high - key.low))
    return np.clip(np.stack(columns, axis=1), 0.0, 1.0)


def _evolve(space: Space, score: Score, archive: Archive, seed: int) -> None:
    """Differential evolution from the best points so far."""
    from scipy import optimize

    evolution: Any = optimize.differential_evolution

    def ask(unit: Array) -> Array:
        return archive.ask(score, space.legal(_from_unit(space, unit.T)))

    evolution(
        ask,
        [(0.0, 1.0)] * len(space.keys),
        init=_to_unit(space, archive.best(POPULATION)),
        maxiter=GENERATIONS,
        tol=0.0,
        atol=SPREAD,
        rng=seed,
        polish=False,
        updating="deferred",
        vectorized=True,
    )


def _apart(space: Space, archive: Archive, count: int) -> list[Array]:
    """The best points that are not close to a better one."""
    found: list[Array] = []
    unit = _to_unit(space, archive.points)
    for k in np.argsort(archive.scores, kind="stable"):
        if all(np.max(np.abs(unit[k] - _to_unit(space, other[None, :])[0])) > FIRST_STEP for other in found):
            found.append(archive.points[k])
        if len(found) == count:
            break
    return found


def _refine(space: Space, score: Score, archive: Archive, start: Array) -> None:
    """Walk from a point to the best of its neighbours, one or two ranges at a time, with ever smaller steps.

    Two at a time, because where two rules bind at once neither key alone gains anything.
    """
    ranges = [k for k, key in enumerate(space.keys) if not key.values]
    ways = [np.eye(len(space.keys))[k] * sign for k in ranges for sign in (1.0, -1.0)]
    ways += [one + other for one, other in itertools.combinations(ways, 2) if np.any(one + other)]
    steps = np.array([0.0 if key.values else key.high - key.low for key in space.keys])
    grain = np.array([key.step for key in space.keys])
    share, here = FIRST_STEP, start
    best = float(archive.ask(score, here[None, :])[0])
    while True:
        around = space.legal(here + np.array(ways) * np.maximum(share * steps, grain))
        found = archive.ask(score, around)
        k = int(np.argmin(found))
        if found[k] < best:
            here, best = around[k], float(found[k])
        elif np.all(share * steps <= grain):
            return
        else:
            share *= 0.5
