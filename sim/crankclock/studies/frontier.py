"""From a search to the points that are suggested: scanned finely, tidied, and each checked as a whole cycle."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from crankclock.errors import InputError
from crankclock.scenario.load import validated
from crankclock.studies.ceiling import Binding
from crankclock.studies.check import Check, check, plain
from crankclock.studies.quest import EASY, FAILS, LEVEL, TRAVEL, Quest
from crankclock.studies.search import Archive, Effort, combinations, search
from crankclock.studies.settings import grain, setting
from crankclock.studies.variants import Array

log = logging.getLogger(__name__)

RIGID, RUNNING = 25, 13
"""Rates scanned for each point of the search."""
FINE, FINEST = 1.0 / 60.0, 401
"""And the step for a point that is suggested, as a sweep's [strokes/s], and at most so many rates."""
CLOSE, COARSE = 0.01 / 60.0, 0.05 / 60.0
"""How closely ceilings are narrowed down in the search [strokes/s], rigid and running."""
EFFORTS = {"rigid": Effort(2048), "hand": Effort(2048), "running": Effort(64, evolve=False, starts=2)}
SCOUT, SEEDS, FEW = Effort(1024), 32, 256
"""For the running reading a rigid search goes first; its best points are then judged, and lists so short wholly."""
SHOWN = 7
"""Points of the frontier that are told."""
SHARES = np.linspace(0.0, 1.0, 9)
APART = 0.005
"""Two points of the frontier gain different amounts where they are further apart than this share."""
BESIDE = 0.02
"""A point that gains as much as the best for no less change than this beside it is not told."""
SURE, ROUNDS = 4, 10
"""Leading points of a search that are scanned finely at a time, and how often at most."""


@dataclass(frozen=True)
class Point:
    """A suggested point; every one was checked as a whole cycle.

    Attributes
    ----------
    values : tuple of float
        Of the varied keys [SI].
    settings : tuple of str
        What to set, besides the rate.
    change : float
        How much of the ranges it uses, in the mean over the keys: 0 the present, 1 from end to end.
    rate : float
        Stroke rate it was checked at [strokes/s].
    ceiling, spare : float or None
        Its passing rates: greatest, and greatest with every allowance.
    binds : tuple of Binding
        What gives way just above the ceiling.
    check : Check
    """

    values: tuple[float, ...]
    settings: tuple[str, ...]
    change: float
    rate: float
    ceiling: float | None
    spare: float | None
    binds: tuple[Binding, ...]
    check: Check


def finely(quest: Quest) -> Quest:
    """The same quest by rates, with a scan as fine as a sweep's."""
    points = min(FINEST, int((quest.span[1] - quest.span[0]) / FINE) + 1)
    return replace(quest, goal="rate", points=max(points, quest.points), refined=0.1 * quest.refined, known={})


@dataclass(frozen=True)
class Finder:
    """A quest, and the points whose ceilings were scanned finely."""

    quest: Quest
    fine: Quest
    scanned: Archive
    base: Check

    def score(self, points: Array) -> Array:
        """Scores for the goal "rate" by the fine scan."""
        return self.scanned.ask(self.fine.score, points)

    def rates(self, point: Array) -> tuple[float | None, float | None]:
        """Ceiling, and ceiling with every allowance [strokes/s], of a point by the fine scan."""
        self.score(point[None, :])
        rate, spare = self.fine.known[(point + 0.0).tobytes()]
        return plain(rate), plain(spare)

    def binds(self, point: Array, ceiling: float | None) -> tuple[Binding, ...]:
        """What gives way just above the ceiling."""
        if ceiling is None:
            return ()
        return self.quest.judge(point[None, :], np.array([ceiling + self.fine.refined])).gives(0)


def searched(finder: Finder, seed: int) -> Archive:
    """All points asked about by the quest's reading, the leading ones scanned finely."""
    quest = finder.quest
    space, effort, first = quest.space, EFFORTS[quest.reading], None
    if quest.reading == "running" and combinations(space) > FEW:
        scout = replace(quest, reading="rigid", points=RIGID, refined=CLOSE, known={})
        found = search(space, scout.score, seed, SCOUT)
        front = _undominated(scout, found)
        first = np.concatenate([found.best(SEEDS), front[:: max(1, len(front) // SEEDS)]])
        if np.isfinite(combinations(space)):
            archive = Archive(len(space.keys))
            archive.ask(quest.score, first)
            return _sure(finder, archive)
    return _sure(finder, search(space, quest.score, seed, effort, first))


def _sure(finder: Finder, archive: Archive) -> Archive:
    """Score the leading points by a finer scan, until the best of all is one of them."""
    known = set[int]()
    for _ in range(ROUNDS if finder.quest.goal == "rate" else 0):
        leading = np.argsort(archive.scores, kind="stable")[:SURE]
        if int(leading[0]) in known:
            break
        asked = [int(k) for k in leading if int(k) not in known]
        archive.scores[asked] = finder.score(archive.points[asked])
        known.update(asked)
    return archive


def _undominated(quest: Quest, archive: Archive) -> Array:
    """Points that pass, each clearly better in some respect than all with less change, from the least change on."""
    passing = archive.points[quest.passes(archive.scores)]
    if not passing.size:
        return passing
    change = quest.space.change(passing)
    if quest.goal == "change":
        near = np.argsort(change, kind="stable")
        near = near[:: max(1, len(near) // (2 * SEEDS))]
        passing, change = passing[near], change[near]
    return np.asarray(passing[_climbing(change, quest.gains(passing))])


def _climbing(change: Array, gains: Array) -> list[int]:
    """Places in order of change, each gaining clearly more in some respect than every one before."""
    kept: list[int] = []
    for k in np.lexsort((-gains[:, 0], change)):
        more = gains[k] - gains[kept] > APART * np.abs(gains[k])
        if more.any(axis=1).all():
            kept.append(int(k))
    return kept


def frontier(finder: Finder, archive: Archive) -> tuple[tuple[Point, ...], int]:
    """The points to suggest, from the least change on, each checked; and how many the check refused."""
    quest = finder.quest
    if archive.scores.min() >= FAILS:
        return (), 0
    front = _undominated(quest, archive)
    places = np.unique(np.linspace(0, len(front) - 1, SHOWN).round().astype(int))
    points = _tidied(finder, archive, np.concatenate([front[places], archive.best()]))
    points = np.unique(points, axis=0)
    found = [_point(finder, point) for point in points]
    held = [each for each in found if each is not None]
    if not held:
        return (), len(found)
    change = np.array([each.change for each in held])
    gains = np.array([_gains(quest, each) for each in held])
    best = held.index(best_of(quest, held))
    close = (np.abs(change - change[best]) < BESIDE) & np.all(gains > gains[best] - APART * np.abs(gains[best]), axis=1)
    kept = {*(k for k in _climbing(change, gains) if not close[k]), best}
    return tuple(held[k] for k in sorted(kept, key=lambda k: change[k])), len(found) - len(held)


def _gains(quest: Quest, point: Point) -> tuple[float, ...]:
    """What a checked point gains, as `Quest.gains` has it."""
    if quest.goal == "travel":
        return (float(quest.gains(np.array([point.values]))[0, 0]),)
    return point.ceiling or 0.0, point.spare or 0.0


def best_of(quest: Quest, points: Sequence[Point]) -> Point:
    """The point that serves the goal best; of equal ones the easier, then the one of less change."""

    def badness(point: Point) -> tuple[float, float]:
        if quest.goal == "change":
            return point.change, 0.0
        if quest.goal == "travel":
            return -_gains(quest, point)[0], point.change
        return LEVEL * point.change - ((point.ceiling or 0.0) + EASY * (point.spare or 0.0)) / quest.span[1], 0.0

    return min(points, key=badness)


def _tidied(finder: Finder, archive: Archive, points: Array) -> Array:
    """Points with every key as near to its present value as the goal allows; where a finer scan agrees."""
    if finder.quest.goal == "change":
        return points
    tidy = np.array([_back(finder.quest, archive, point) for point in points])
    if finder.quest.goal == "rate":
        better = finder.score(tidy) <= finder.score(points)
        tidy = np.where(better[:, None], tidy, points)
    return tidy


def _back(quest: Quest, archive: Archive, point: Array) -> Array:
    """The point with one key after the other moved back to its present value, as far as the score lets it."""
    space = quest.space
    order = np.argsort([-abs(point[k] - space.now[k]) / key.width for k, key in enumerate(space.keys)], kind="stable")
    for k in order:
        if quest.goal == "travel" and space.keys[k].path == TRAVEL:
            continue
        back = np.repeat(point[None, :], SHARES.size, axis=0)
        back[:, k] = space.now[k] + SHARES * (point[k] - space.now[k])
        back[:-1] = space.legal(back)[:-1]
        scores = archive.ask(quest.score, back)
        point = back[int(np.argmin(np.round(scores, 9)))]
    return point


def _point(finder: Finder, values: Array) -> Point | None:
    """A point with its finer ceiling, checked as a whole; None where it does not hold."""
    quest, base = finder.quest, finder.base
    ceiling, spare = finder.rates(values)
    if quest.goal == "rate" and ceiling is None:
        return None
    step = grain("rate", base.units)
    rate = quest.at if quest.at is not None else np.floor((ceiling or 0.0) / step + 1e-9) * step
    settings = quest.space.settings(values)
    loaded = base.loaded
    asked = (*loaded.overrides, *settings, setting("press.rate", float(rate), "rate", base.units))
    try:
        result = check(validated(loaded.source, asked), base.reading, base.units)
    except InputError as wrong:
        log.info("%s: %s", settings, wrong)
        return None
    if result.verdict not in ("pass", "tight"):
        log.info("%s: %s by the whole check", asked, result.verdict)
        return None
    change = float(quest.space.change(values[None, :])[0])
    return Point(
        tuple(float(each) for each in values),
        settings,
        change,
        float(rate),
        ceiling,
        spare,
        finder.binds(values, ceiling),
        result,
    )
