"""Stroke rates judged in chunks that others can work out: what one chunk gives, and many of them put together."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Reading
from crankclock.rules import RULES, Missing, Rule, Subject
from crankclock.scenario.build import build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.schema import Scenario
from crankclock.studies.margins import Unjudged
from crankclock.studies.store import Result
from crankclock.studies.variants import Array, Mask, evaluate, value_at, with_values
from crankclock.studies.work import Chunk, Crew

RATE = "press.rate"
SHARED, ALONE, QUICK = 64, 256, 1_000
"""Cycles of a chunk: running ones that are shared out or kept, those of one process, and those of other readings."""

BY_NAME = {rule.name: rule for rule in RULES}


@dataclass(frozen=True)
class Judged:
    """Rules over n cycles.

    Attributes
    ----------
    names : tuple of (Rule, Subject)
        The rules that are judged.
    margin, allowance : array, shape (rules, n)
        [SI]; nan where an event cannot happen or the crank cannot turn.
    fails, short : array of bool, shape (rules, n)
        Where they fail, and where they fail or are below their allowance.
    turns : array of bool, shape (n,)
        Whether the crank can make the stroke; where it cannot, every rule fails.
    unjudged : tuple of Unjudged
        Rules that lack data, at every rate.
    whole : bool
        False where the work was interrupted: the last of the cycles asked for may then be missing.
    """

    names: tuple[tuple[Rule, Subject], ...]
    margin: Array
    allowance: Array
    fails: Mask
    short: Mask
    turns: Mask
    unjudged: tuple[Unjudged, ...]
    whole: bool


@dataclass(frozen=True)
class Panel:
    """Judges cycles of one scenario by one reading, with a crew to do the work."""

    scenario: Scenario
    reading: Reading
    crew: Crew

    def judge(self, what: str, values: Mapping[str, Array]) -> Judged | None:
        """Judge cycles.

        Parameters
        ----------
        what : str
            What the work is, for those who wait.
        values : mapping of str to array, shape (n,)
            Values [SI] by key path, the rate among them, n at least 1.

        Returns
        -------
        Judged or None
            None where the work was interrupted before the first chunk.

        Raises
        ------
        UnfinishedError
            The running reading cannot be worked out for one of them, or the crew gave up.
        """
        size = QUICK if self.reading != "running" else ALONE if self.crew.alone else SHARED
        chunks = list(self._chunks(values, size))
        done = self.crew.run(what, judged, chunks, len(chunks))
        results = []
        for chunk in chunks:
            if chunk.key not in done.results:
                break
            results.append(done.results[chunk.key])
        return joined(results, done.whole) if results else None

    def _chunks(self, values: Mapping[str, Array], size: int) -> Iterator[Chunk]:
        """Parts as equal as can be, each named by what is asked in it, so that kept results never serve another."""
        for part in np.array_split(np.arange(values[RATE].size), math.ceil(values[RATE].size / size)):
            these = {path: each[part] for path, each in values.items()}
            digest = hashlib.sha256(repr(list(these)).encode())
            for each in these.values():
                digest.update(np.ascontiguousarray(each, dtype="<f8").tobytes())
            yield Chunk(f"{self.reading} {digest.hexdigest()[:32]}", (self.scenario, self.reading, these))


def judged(scenario: Scenario, reading: Reading, values: Mapping[str, Array]) -> Result:
    """Judge one chunk; cycles in which the crank cannot turn are not worked out.

    The scenario as it is always goes along, so that there is one cycle in which every rule can be told.

    Parameters
    ----------
    scenario : Scenario
        As validated; its own rate is one at which the crank turns.
    reading : {"hand", "rigid", "running"}
    values : mapping of str to array, shape (n,)

    Returns
    -------
    mapping of str to array
        As `Judged`, with rules by name.
    """
    crank = build(resolve(with_values(scenario, values))[0]).crank
    turns = np.isfinite(np.broadcast_to(np.asarray(crank.turn_time, dtype=float), values[RATE].shape))
    own = {path: np.asarray(value_at(scenario, path), dtype=float) for path in values}
    found = evaluate(scenario, {path: np.append(each[turns], own[path]) for path, each in values.items()}, reading)
    shape = (len(found.rows), turns.size)
    margin, allowance = np.full(shape, np.nan), np.full(shape, np.nan)
    fails, short = np.full(shape, True), np.full(shape, True)
    for k, row in enumerate(found.rows):
        margin[k, turns], allowance[k, turns] = row.margin[:-1], row.allowance[:-1]
        fails[k, turns], short[k, turns] = row.fails[:-1], (row.fails | row.tight)[:-1]
    lacking = [(e.rule.name, e.subject or "", "\n".join(e.missing.keys), e.missing.why) for e in found.unjudged]
    return {
        "names": np.array([(row.rule.name, row.subject or "") for row in found.rows], dtype=np.str_).reshape(-1, 2),
        "margin": margin,
        "allowance": allowance,
        "fails": fails,
        "short": short,
        "turns": turns,
        "unjudged": np.array(lacking, dtype=np.str_).reshape(-1, 4),
    }


def joined(results: list[Result], whole: bool) -> Judged:
    """Chunks after one another; a rule that one of them does not know fails there."""
    places = [{(str(rule), str(of)): k for k, (rule, of) in enumerate(each["names"])} for each in results]
    names = list(dict.fromkeys(name for each in places for name in each))

    def wide(array: str, missing: float | bool) -> NDArray[Any]:
        pieces = []
        for result, known in zip(results, places, strict=True):
            piece = np.full((len(names), result["turns"].size), missing)
            for k, name in enumerate(names):
                if name in known:
                    piece[k] = result[array][known[name]]
            pieces.append(piece)
        return np.concatenate(pieces, axis=1)

    lacking = dict.fromkeys(tuple(str(e) for e in row) for each in results for row in each["unjudged"])
    return Judged(
        names=tuple((BY_NAME[rule], subject or None) for rule, subject in names),
        margin=wide("margin", np.nan),
        allowance=wide("allowance", np.nan),
        fails=wide("fails", True),
        short=wide("short", True),
        turns=np.concatenate([each["turns"] for each in results]),
        unjudged=tuple(
            Unjudged(BY_NAME[rule], subject or None, Missing(tuple(keys.splitlines()), why))
            for rule, subject, keys, why in lacking
        ),
        whole=whole,
    )
