"""Many variants of one scenario at once: values set by path, every rule's margin as an array."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Reading, running_needs, turn
from crankclock.parts.numbers import Floats
from crankclock.rules import Rule, Subject
from crankclock.scenario.build import build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.schema import Scenario
from crankclock.studies.margins import Margin, Unjudged, margins

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

CHUNK = 2_000
"""Variants worked out at a time, so that memory does not grow with their number."""


def value_at(scenario: Scenario, path: str) -> object:
    """What a scenario holds at a key's path, such as "tap.m4.drive.gearing"; None where it is not given.

    Raises
    ------
    KeyError
        There is no such key.
    """
    table: object = scenario
    for step in path.split("."):
        if isinstance(table, dict):
            table = table[step]
        elif table is not None and step in type(table).model_fields:  # type: ignore[attr-defined]
            table = getattr(table, step)
        else:
            raise KeyError(path)
    return table


def with_values(scenario: Scenario, values: Mapping[str, Floats]) -> Scenario:
    """A copy of a scenario with keys set [SI]; tables on the way to a key must be there.

    Raises
    ------
    KeyError
        There is no such key.
    """
    copy = scenario.model_copy(deep=True)
    for path, value in values.items():
        above, _, last = path.rpartition(".")
        value_at(copy, path)
        table = value_at(copy, above) if above else copy
        if isinstance(table, dict):
            raise KeyError(path)
        setattr(table, last, value)
    return copy


@dataclass(frozen=True)
class Row:
    """One rule's margins over the variants; arrays of shape (n,).

    Attributes
    ----------
    margin, allowance : array
        The worse of the readings that count, and what it should be [SI]; nan where an event cannot happen.
    fails, tight : array of bool
    """

    rule: Rule
    subject: Subject
    margin: Array
    allowance: Array
    fails: Mask
    tight: Mask


@dataclass(frozen=True)
class Variants:
    """Every rule over n variants.

    Attributes
    ----------
    reading : {"hand", "rigid", "running"}
        The reading that was chosen.
    rows : tuple of Row
        The rules that are judged.
    unjudged : tuple of Unjudged
        Rules that lack data; the same for every variant.
    """

    count: int
    reading: Reading
    rows: tuple[Row, ...]
    unjudged: tuple[Unjudged, ...]

    @property
    def fails(self) -> Mask:
        """Variants that break any rule."""
        return np.asarray(np.logical_or.reduce([np.zeros(self.count, bool), *(row.fails for row in self.rows)]))

    @property
    def complete(self) -> bool:
        """Whether every core rule that applies is judged."""
        return not any(each.rule.core for each in self.unjudged)


def evaluate(
    scenario: Scenario,
    values: Mapping[str, Array],
    reading: Reading | None = None,
    rules: Collection[str] | None = None,
) -> Variants:
    """Judge many variants of a scenario.

    Parameters
    ----------
    scenario : Scenario
        As validated; defaults that depend on a varied key follow it.
    values : mapping of str to array, shape (n,)
        Values [SI] by the path of their key.
    reading : {"hand", "rigid", "running"}, optional
        By default running where the scenario has the data, else rigid.
    rules : collection of str, optional
        Names of the rules to judge; all by default.

    Returns
    -------
    Variants

    Raises
    ------
    KeyError
        A path names no key.
    """
    count = max((np.size(each) for each in values.values()), default=1)
    chosen: Reading = reading or ("rigid" if running_needs(build(resolve(scenario)[0])) else "running")
    wide = {path: np.broadcast_to(each, (count,)) for path, each in values.items()}
    parts = []
    for at in range(0, count, CHUNK):
        these = {path: each[at : at + CHUNK] for path, each in wide.items()}
        parts.append(_chunk(scenario, these, min(CHUNK, count - at), chosen, rules))
    rows = tuple(_joined([part.rows[k] for part in parts]) for k in range(len(parts[0].rows)))
    return Variants(count, chosen, rows, parts[0].unjudged)


def _chunk(
    scenario: Scenario, values: Mapping[str, Array], count: int, reading: Reading, rules: Collection[str] | None
) -> Variants:
    machine = build(resolve(with_values(scenario, values))[0])
    found = margins(turn(machine, running=reading == "running"), reading, rules=rules)

    def wide(value: object) -> NDArray[np.generic]:
        return np.broadcast_to(np.asarray(value), (count,))

    rows = tuple(
        Row(
            each.rule,
            each.subject,
            np.asarray(wide(each.value), dtype=float),
            np.asarray(wide(each.allowance), dtype=float),
            np.asarray(wide(each.fails), dtype=bool),
            np.asarray(wide(each.tight), dtype=bool),
        )
        for each in found
        if isinstance(each, Margin)
    )
    return Variants(count, reading, rows, tuple(each for each in found if isinstance(each, Unjudged)))


def _joined(rows: list[Row]) -> Row:
    first = rows[0]
    if len(rows) == 1:
        return first
    return Row(
        first.rule,
        first.subject,
        np.concatenate([row.margin for row in rows]),
        np.concatenate([row.allowance for row in rows]),
        np.concatenate([row.fails for row in rows]),
        np.concatenate([row.tight for row in rows]),
    )
