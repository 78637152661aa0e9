"""How flat it is about a point: how far each key may move, and how the ceiling runs over each key."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.studies.ceiling import Binding, Judged
from crankclock.studies.quest import Quest
from crankclock.studies.rate_scan import CRANK
from crankclock.studies.variants import Array, Mask

MOVES, CLOSER, ROUNDS = 32, 8, 2
"""Moves to either side, then sections that the first bad one is narrowed down by, so many times."""
ACROSS = 9
"""Values of a range a profile is told at."""


@dataclass(frozen=True)
class Freedom:
    """How far a key may move either way, all others kept, before a rule fails or one more turns tight.

    Attributes
    ----------
    low, high : float
        The last good values [SI].
    below, above : tuple of Binding
        What gives way beyond them; empty where the range ends.
    """

    path: str
    low: float
    high: float
    below: tuple[Binding, ...]
    above: tuple[Binding, ...]


@dataclass(frozen=True)
class Profile:
    """The ceiling [strokes/s] over the values of one key [SI], all others kept; nan where no rate passes."""

    path: str
    values: Array
    ceilings: Array

    @property
    def effect(self) -> float:
        """By how much the key moves the ceiling [strokes/s]; where no rate passes it counts as 0."""
        rates = np.where(np.isfinite(self.ceilings), self.ceilings, 0.0)
        return float(rates.max() - rates.min())


def profiles(quest: Quest, point: Array) -> tuple[Profile, ...]:
    """The ceiling over each key about a point, the key of most effect first."""
    found = []
    for k, key in enumerate(quest.space.keys):
        values = np.array(key.values) if key.values else key.legal(np.linspace(key.low, key.high, ACROSS))
        values = np.unique(np.append(values, point[k]))
        moved = np.repeat(point[None, :], values.size, axis=0)
        moved[:, k] = values
        found.append(Profile(key.path, values, quest.ceilings(moved, brief=True).rate))
    return tuple(sorted(found, key=lambda each: -each.effect))


def freedoms(quest: Quest, point: Array, rate: float) -> tuple[Freedom, ...]:
    """How far each key may move about a point that holds at a rate [strokes/s]; shape (k,)."""
    tight = _tight(quest.judge(point[None, :], np.array([rate])))
    ways = [_Way(k, float(point[k]), _moves(quest, k, point[k], end)) for k in range(point.size) for end in (-1, 1)]
    for round_ in range(ROUNDS + 1):
        asked = [(way, value) for way in ways for value in way.moves]
        if not asked:
            break
        points = np.repeat(point[None, :], len(asked), axis=0)
        for row, (way, value) in enumerate(asked):
            points[row, way.key] = value
        judged = quest.judge(points, np.full(len(asked), rate))
        bad, row = _bad(judged, tight), 0
        for way in ways:
            count = len(way.moves)
            way.take(bad[row : row + count], [_gives(judged, k, tight) for k in range(row, row + count)])
            row += count
            closer = not quest.space.keys[way.key].values and round_ < ROUNDS
            way.moves = (
                np.linspace(way.good, way.bad, CLOSER + 1)[1:-1] if closer and way.bad is not None else way.moves[:0]
            )
    return tuple(
        Freedom(key.path, ways[2 * k].good, ways[2 * k + 1].good, ways[2 * k].gives, ways[2 * k + 1].gives)
        for k, key in enumerate(quest.space.keys)
    )


@dataclass
class _Way:
    """One key moved one way: the last good value, the first bad one and what gives there, and values to ask about."""

    key: int
    good: float
    moves: Array
    bad: float | None = None
    gives: tuple[Binding, ...] = ()

    def take(self, bad: Mask, gives: list[tuple[Binding, ...]]) -> None:
        """Learn which of the moves are bad."""
        if bad.any():
            first = int(np.argmax(bad))
            self.bad, self.gives = float(self.moves[first]), gives[first]
        else:
            first = len(self.moves)
        if first:
            self.good = float(self.moves[first - 1])


def _moves(quest: Quest, k: int, here: float, way: int) -> Array:
    """Values of a key from here outward to the end of its range or list."""
    key = quest.space.keys[k]
    if key.values:
        listed = np.array(key.values)
        beyond = listed[(listed - here) * way > 0.0]
        return np.sort(beyond)[::way]
    end = key.low if way < 0 else key.high
    return np.linspace(here, end, MOVES + 1)[1:] if (end - here) * way > 0.0 else np.empty(0)


def _tight(judged: Judged) -> set[Binding]:
    """What is tight of the first variant."""
    if judged.found is None:
        return set()
    return {(row.rule.name, row.subject) for row in judged.found.rows if row.tight[0]}


def _bad(judged: Judged, tight: set[Binding]) -> Mask:
    """Variants that fail, or of which something is tight that was not."""
    bad = ~judged.holds()
    if judged.found is not None:
        for row in judged.found.rows:
            if (row.rule.name, row.subject) not in tight:
                bad[judged.turns] |= row.tight
    return bad


def _gives(judged: Judged, place: int, tight: set[Binding]) -> tuple[Binding, ...]:
    """What fails of a variant, else what is newly tight."""
    if judged.found is None or not judged.turns[place]:
        return ((CRANK, None),)
    at = int(np.count_nonzero(judged.turns[:place]))
    rows = [(row, (row.rule.name, row.subject)) for row in judged.found.rows]
    failing = tuple(name for row, name in rows if row.fails[at])
    return failing or tuple(name for row, name in rows if row.tight[at] and name not in tight)
