"""Many variants of one scenario at once: values set by path, every rule's margin as an array."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Reading, Readings, running_needs, turn
from crankclock.rules import Rule, Subject
from crankclock.scenario.build import build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.paths import value_at as value_at
from crankclock.scenario.paths import with_values as with_values
from crankclock.scenario.schema import Scenario
from crankclock.studies.margins import Margin, Unjudged, margins

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

CHUNK: Mapping[Reading, int] = {"hand": 5_000, "rigid": 5_000, "running": 1_000}
"""Variants worked out at a time, so that memory does not grow with their number."""


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
    turns = _turning(scenario, values)
    if turns.all():
        return _joined([_judged(each) for each in turned(scenario, values, reading, rules)])
    # Where none turns, the scenario as it is says which rules there are; it has itself been checked to turn.
    sound = {path: np.broadcast_to(each, turns.shape)[turns] for path, each in values.items()} if turns.any() else {}
    return _with_stalls(evaluate(scenario, sound, reading, rules), turns)


def _turning(scenario: Scenario, values: Mapping[str, Array]) -> Mask:
    """Variants whose crank can turn at all, shape (n,); only a flywheel, clutch or brake ever keeps it from that."""
    count = max((np.size(each) for each in values.values()), default=1)
    press = scenario.press
    if press.flywheel is None and press.mode != "single-stroke":
        return np.ones(count, dtype=bool)
    crank = build(resolve(with_values(scenario, values))[0]).crank
    return np.broadcast_to(np.isfinite(np.asarray(crank.turn_time, dtype=float)), (count,))


def _with_stalls(found: Variants, turns: Mask) -> Variants:
    """The variants that turn among those that do not, which fail every rule."""

    def spread(part: Array | Mask, stalled: float | bool) -> Array:
        out = np.full(turns.shape, stalled, dtype=float)
        if turns.any():
            out[turns] = part
        return out

    rows = tuple(
        Row(
            row.rule,
            row.subject,
            spread(row.margin, np.nan),
            spread(row.allowance, np.nan),
            spread(row.fails, True) > 0.0,
            spread(row.tight, False) > 0.0,
        )
        for row in found.rows
    )
    return Variants(turns.size, found.reading, rows, found.unjudged)


@dataclass(frozen=True)
class Turned:
    """Some of the variants, turned over: their cycles, and what every rule measures in them."""

    count: int
    reading: Reading
    readings: Readings
    found: list[Margin | Unjudged]

    def wide(self, value: object) -> Array:
        """A figure of theirs as an array of shape (count,)."""
        return np.broadcast_to(np.asarray(value, dtype=float), (self.count,))


def turned(
    scenario: Scenario,
    values: Mapping[str, Array],
    reading: Reading | None = None,
    rules: Collection[str] | None = None,
) -> Iterator[Turned]:
    """The cycles behind `evaluate`, a chunk of variants at a time; parameters and errors as there."""
    count = max((np.size(each) for each in values.values()), default=1)
    chosen: Reading = reading or ("rigid" if running_needs(build(resolve(scenario)[0])) else "running")
    wide = {path: np.broadcast_to(each, (count,)) for path, each in values.items()}
    if any(path != "press.rate" for path in wide):
        # Each slide, sensor or strip is asked about heights of its own: these are then spread over the variants too.
        wide.setdefault("stripper.travel", np.full(count, scenario.stripper.travel))
    size = CHUNK[chosen]
    for at in range(0, count, size):
        these = {path: each[at : at + size] for path, each in wide.items()}
        machine = build(resolve(with_values(scenario, these))[0])
        readings = turn(machine, running=chosen == "running")
        yield Turned(min(size, count - at), chosen, readings, margins(readings, chosen, rules=rules))


def _judged(part: Turned) -> Variants:
    def flags(value: object) -> Mask:
        return np.broadcast_to(np.asarray(value, dtype=bool), (part.count,))

    rows = tuple(
        Row(
            each.rule,
            each.subject,
            part.wide(each.value),
            part.wide(each.allowance),
            flags(each.fails),
            flags(each.tight),
        )
        for each in part.found
        if isinstance(each, Margin)
    )
    return Variants(part.count, part.reading, rows, tuple(each for each in part.found if isinstance(each, Unjudged)))


def _joined(parts: list[Variants]) -> Variants:
    """Chunks after one another; a rule that one of them could not judge is unjudged, and fails where it failed.

    Empties the list, so that what is joined does not lie in memory twice.
    """
    if len(parts) == 1:
        return parts[0]
    keys = dict.fromkeys((row.rule.name, row.subject) for part in parts for row in part.rows)
    by_part = [{(row.rule.name, row.subject): row for row in part.rows} for part in parts]
    unjudged = {(each.rule.name, each.subject): each for part in parts for each in part.unjudged}
    counts, reading, rows = [part.count for part in parts], parts[0].reading, []
    parts.clear()
    for key in keys:
        known = next(rows_[key] for rows_ in by_part if key in rows_)
        pieces = [
            rows_.pop(key) if key in rows_ else _blank(known, count)
            for rows_, count in zip(by_part, counts, strict=True)
        ]
        rows.append(
            Row(
                known.rule,
                known.subject,
                np.concatenate([piece.margin for piece in pieces]),
                _as_one([piece.allowance for piece in pieces]),
                np.concatenate([piece.fails for piece in pieces]),
                np.concatenate([piece.tight for piece in pieces]),
            )
        )
    return Variants(sum(counts), reading, tuple(rows), tuple(unjudged.values()))


def _as_one(pieces: list[Array]) -> Array:
    """One after another; what is one number throughout stays one number in memory."""
    if all(each.strides == (0,) and each[0] == pieces[0][0] for each in pieces):
        return np.broadcast_to(pieces[0][:1], (sum(each.size for each in pieces),))
    return np.concatenate(pieces)


def _blank(row: Row, count: int) -> Row:
    nothing, no = np.full(count, np.nan), np.zeros(count, dtype=bool)
    return Row(row.rule, row.subject, nothing, nothing, no, no)
