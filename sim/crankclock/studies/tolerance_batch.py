"""One chunk of samples judged: how many fail each rule, and the margins themselves where they are wanted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Reading
from crankclock.errors import UnfinishedError
from crankclock.rules import Subject
from crankclock.scenario.schema import Scenario
from crankclock.studies.ceiling import Bench
from crankclock.studies.store import Result
from crankclock.studies.tolerance_sample import RATE, Array

Mask = NDArray[np.bool_]
Name = tuple[str, Subject]
"""A rule and its tool."""


@dataclass(frozen=True)
class Judged:
    """Rules over n samples; rules that lack data for any of them stand in `unjudged` only.

    Attributes
    ----------
    names, unjudged : tuple of Name
    margins : array, shape (rules, n)
        [SI]; nan where there is none.
    fails : array of bool, shape (rules, n)
        A margin that is none fails.
    broken : array of bool, shape (n,)
        Any rule fails, or the sample makes no cycle: a crank that cannot turn, or contacts without end.
    """

    names: tuple[Name, ...]
    unjudged: tuple[Name, ...]
    margins: Array
    fails: Mask
    broken: Mask


def judged(scenario: Scenario, reading: Reading, values: Mapping[str, Array]) -> Judged:
    """Judge samples; one that cannot be worked out fails every rule, and takes no other with it.

    Parameters
    ----------
    scenario : Scenario
        As validated; its derived defaults follow the samples.
    reading : {"hand", "rigid", "running"}
    values : mapping of str to array, shape (n,)
        Values [SI] by key path, the rate among them.
    """
    count = values[RATE].size
    others = {path: each for path, each in values.items() if path != RATE}
    try:
        asked = Bench(scenario, others, reading).judge(np.arange(count), values[RATE])
    except UnfinishedError:
        if count == 1:
            return _none(1)
        halves = (slice(0, count // 2), slice(count // 2, count))
        return join([judged(scenario, reading, {path: each[half] for path, each in values.items()}) for half in halves])
    if asked.found is None:
        return _none(count)
    names = tuple((row.rule.name, row.subject) for row in asked.found.rows)
    margins = np.full((len(names), count), np.nan)
    fails = np.ones((len(names), count), dtype=bool)
    broken = np.ones(count, dtype=bool)
    for k, row in enumerate(asked.found.rows):
        margins[k, asked.turns], fails[k, asked.turns] = row.margin, row.fails
    broken[asked.turns] = asked.found.fails
    unjudged = tuple((each.rule.name, each.subject) for each in asked.found.unjudged)
    return Judged(names, unjudged, margins, fails, broken)


def _none(count: int) -> Judged:
    return Judged((), (), np.empty((0, count)), np.empty((0, count), dtype=bool), np.ones(count, dtype=bool))


def join(parts: list[Judged]) -> Judged:
    """Samples one after the other: a rule that a part lacks data for is unjudged, one it does not know fails there."""
    unjudged = tuple(dict.fromkeys(name for part in parts for name in part.unjudged))
    names = tuple(dict.fromkeys(name for part in parts for name in part.names if name not in unjudged))
    rows = [(dict(zip(part.names, range(len(part.names)), strict=True)), part) for part in parts]
    count = sum(part.broken.size for part in parts)
    margins, fails = np.full((len(names), count), np.nan), np.ones((len(names), count), dtype=bool)
    at = 0
    for places, part in rows:
        for k, name in enumerate(names):
            if name in places:
                margins[k, at : at + part.broken.size] = part.margins[places[name]]
                fails[k, at : at + part.broken.size] = part.fails[places[name]]
        at += part.broken.size
    return Judged(names, unjudged, margins, fails, np.concatenate([part.broken for part in parts]))


def counted(scenario: Scenario, reading: Reading, values: Mapping[str, Array], parts: int, keep: bool) -> Result:
    """Failures among samples that come in equal parts, one after the other.

    Returns
    -------
    mapping of str to array
        `names` and `unjudged` of shape (rules, 2); `failing` (rules, parts) and `broken` (parts,), counts; `least`
        (rules,), the least margin [SI] that is a number. With `keep` all that `unpacked` needs too.
    """
    found = judged(scenario, reading, values)
    each = found.broken.size // parts
    with_number = np.where(np.isnan(found.margins), np.inf, found.margins)
    result: dict[str, NDArray[Any]] = {
        "names": _packed(found.names),
        "unjudged": _packed(found.unjudged),
        "failing": found.fails.reshape(len(found.names), parts, each).sum(axis=-1),
        "broken": found.broken.reshape(parts, each).sum(axis=-1),
        "least": with_number.min(axis=-1, initial=np.inf),
    }
    if keep:
        result |= {"margins": found.margins, "fails": found.fails, "samples_broken": found.broken}
    return result


def unpacked(result: Result) -> Judged:
    """The samples of a result that was kept."""
    return Judged(
        names_of(result["names"]),
        names_of(result["unjudged"]),
        result["margins"],
        result["fails"],
        result["samples_broken"],
    )


def _packed(names: tuple[Name, ...]) -> NDArray[np.str_]:
    return np.array([(rule, subject or "") for rule, subject in names], dtype=np.str_).reshape(-1, 2)


def names_of(packed: NDArray[Any]) -> tuple[Name, ...]:
    return tuple((str(rule), str(subject) or None) for rule, subject in packed)
