"""The greatest rate that passes, for many variants of a scenario at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Reading
from crankclock.rules import Subject
from crankclock.scenario.build import build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.paths import with_values
from crankclock.scenario.schema import Scenario
from crankclock.studies.rate_scan import CRANK
from crankclock.studies.variants import Array, Mask, Row, Variants, evaluate

Binding = tuple[str, Subject]
"""A rule by its name, and the tool it is about."""

POINTS = 81
"""Rates of the scan; a band narrower than the step between two of them can be missed."""
REFINED = 1e-3 / 60.0
"""How closely [strokes/s] the ends of a passing band are narrowed down."""
AT_ONCE = 40_000
"""Cycles worked out at a time."""
TOGETHER, MANY = 128, 32
"""Ends are narrowed down by as many sections as make about so many cycles at a time; by halves at least."""
BEYOND = 1e-6
"""A band that reaches the end of the span is asked what binds this share beyond it."""
BROKEN = 100.0
"""What a rule that is broken whatever its margin counts as, in allowances short."""
RATE, SPARE = 1, 2
"""Places of the ceiling, and of that with every allowance, after the floor."""
SCALES: Mapping[str, float] = {"angle": np.radians(5.0), "length": 0.3e-3, "time": 5e-3, "force": 100.0}
"""What a margin is measured in [SI] where it has no allowance."""


@dataclass(frozen=True)
class Ceilings:
    """The passing band of rates of each of n variants.

    Attributes
    ----------
    rate, floor : array, shape (n,)
        Ends [strokes/s] of the band that holds the scenario's own rate, else of the widest; nan where none passes.
    spare : array, shape (n,)
        Top [strokes/s] of the band in which no rule is below its allowance; nan where there is none.
    binds : tuple of tuple of Binding
        What gives way just above the band; empty where the span ends there and nothing does.
    short : array, shape (n,)
        How far the variant is from passing at its best rate, in allowances summed over the rules; 0 where it passes.
    step : float
        Between the scanned rates [strokes/s].
    cycles : int
        How many were worked out.
    """

    reading: Reading
    rate: Array
    floor: Array
    spare: Array
    binds: tuple[tuple[Binding, ...], ...]
    short: Array
    step: float
    cycles: int


def span_of(scenario: Scenario) -> tuple[float, float]:
    """The rates [strokes/s] to look at: the press's range, else from half to double the scenario's own rate."""
    rate, limits = float(scenario.press.rate), scenario.press.limits
    low = None if limits is None or limits.rate_min is None else float(limits.rate_min)
    high = None if limits is None or limits.rate_max is None else float(limits.rate_max)
    return (
        0.5 * min(rate, high or rate) if low is None else low,
        2.0 * max(rate, low or rate) if high is None else high,
    )


def ceilings(
    scenario: Scenario,
    values: Mapping[str, Array],
    span: tuple[float, float],
    reading: Reading | None = None,
    *,
    points: int = POINTS,
    refined: float = REFINED,
    brief: bool = False,
) -> Ceilings:
    """Scan the rates for each variant, then narrow down the ends of its passing band.

    Parameters
    ----------
    scenario : Scenario
        As validated.
    values : mapping of str to array, shape (n,)
        Values [SI] by the path of their key; empty: the scenario as it is, n = 1.
    span : (float, float)
        Least and greatest rate [strokes/s].
    reading : {"hand", "rigid", "running"}, optional
        As in `evaluate`.
    points : int
        Rates of the scan.
    refined : float
        How closely [strokes/s] the ends are narrowed down; the passing side counts.
    brief : bool
        Without `binds`, and `floor` no closer than the scan.

    Returns
    -------
    Ceilings
        Where a core rule is not judged nothing passes.
    """
    count = max((np.size(each) for each in values.values()), default=1)
    wide = {path: np.broadcast_to(each, (count,)) for path, each in values.items()}
    batch = max(1, AT_ONCE // points)
    parts = []
    for at in range(0, count, batch):
        bench = Bench(scenario, {path: each[at : at + batch] for path, each in wide.items()}, reading)
        parts.append(_some(bench, min(batch, count - at), span, points, refined, brief))
    rate, floor, spare, short = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("rate", "floor", "spare", "short")
    )
    binds = tuple(each for part in parts for each in part.binds)
    cycles = sum(part.cycles for part in parts)
    return Ceilings(parts[0].reading, rate, floor, spare, binds, short, parts[0].step, cycles)


@dataclass
class Bench:
    """Variants that are asked about at any rate.

    Attributes
    ----------
    values : mapping of str to array, shape (n,)
        Values [SI] by the path of their key.
    cycles : int
        How many were worked out so far.
    """

    scenario: Scenario
    values: Mapping[str, Array]
    reading: Reading | None
    cycles: int = 0

    def judge(self, which: NDArray[np.intp], rates: Array) -> Judged:
        """Variants by their place, each at a rate [strokes/s].

        Where the crank cannot turn, clutch, brake or flywheel not allowing the rate, nothing is worked out: it fails.
        """
        self.cycles += rates.size
        values = {**{path: each[which] for path, each in self.values.items()}, "press.rate": rates}
        crank = build(resolve(with_values(self.scenario, values))[0]).crank
        turns = np.isfinite(np.broadcast_to(np.asarray(crank.turn_time, dtype=float), rates.shape))
        if not turns.any():
            return Judged(None, turns)
        return Judged(
            evaluate(self.scenario, {path: each[turns] for path, each in values.items()}, self.reading), turns
        )


@dataclass(frozen=True)
class Judged:
    """What was found, for those of n variants at which the crank turns."""

    found: Variants | None
    turns: Mask

    def holds(self, spare: bool = False) -> Mask:
        """Variants that pass, with their allowances if wanted; none where a core rule is not judged."""
        if self.found is None:
            return self.turns
        bad = self.found.fails
        if spare:
            bad = np.logical_or.reduce([bad, *(row.tight for row in self.found.rows)])
        return self._wide(~bad & self.found.complete, False)

    def short(self) -> Array:
        """How far each variant is from passing, in allowances summed over the rules; 0 where it passes."""
        if self.found is None:
            return np.full(self.turns.shape, BROKEN)
        lacking = sum((_short(row) for row in self.found.rows), np.zeros(self.found.count))
        return self._wide(lacking if self.found.complete else lacking + BROKEN, BROKEN)

    def gives(self, place: int) -> tuple[Binding, ...]:
        """What fails of one variant."""
        if self.found is None or not self.turns[place]:
            return ((CRANK, None),)
        at = int(np.count_nonzero(self.turns[:place]))
        return tuple((row.rule.name, row.subject) for row in self.found.rows if row.fails[at])

    def _wide(self, values: NDArray[Any], missing: float | bool) -> NDArray[Any]:
        whole = np.full(self.turns.shape, missing)
        whole[self.turns] = values
        return whole


def _short(row: Row) -> Array:
    scale = np.where(row.allowance > 0.0, row.allowance, SCALES.get(row.rule.dimension, 1.0))
    lacking = -row.margin / scale
    # A margin that is not below 0 in a rule that fails says nothing: an event it needs cannot happen.
    lacking = np.where(np.isfinite(lacking) & (lacking > 0.0), np.minimum(lacking, BROKEN), BROKEN)
    return np.where(row.fails, lacking, 0.0)


def _some(bench: Bench, count: int, span: tuple[float, float], points: int, refined: float, brief: bool) -> Ceilings:
    own = float(bench.scenario.press.rate)
    rates = np.unique(np.linspace(*span, points))
    if span[0] < own < span[1]:
        rates = np.unique(np.append(rates, own))
    shape = (count, rates.size)
    scanned = bench.judge(np.repeat(np.arange(count), rates.size), np.tile(rates, count))
    band = _band(scanned.holds().reshape(shape), rates, own)
    easy = _band(scanned.holds(spare=True).reshape(shape), rates, own)
    edges = _edges(bench, rates, (band[0], band[1], easy[1]), refined, lower=not brief)
    floor, rate, spare = np.where(edges.there, edges.inside, np.nan)
    binds = [()] * count if brief else _binds(bench, edges)
    short = np.where(edges.there[RATE], 0.0, scanned.short().reshape(shape).min(axis=1))
    reading: Reading = bench.reading or (scanned.found.reading if scanned.found is not None else "rigid")
    step = (span[1] - span[0]) / max(points - 1, 1)
    return Ceilings(reading, rate, floor, spare, tuple(binds), short, step, bench.cycles)


@dataclass(frozen=True)
class _Edges:
    """Floor, ceiling, and ceiling with every allowance of n variants; arrays of shape (3, n).

    Attributes
    ----------
    inside, outside : array
        Rates [strokes/s] that pass and fail on either side of each.
    bounded, there : array of bool
        False where the span ends before anything fails; whether there is a band at all.
    """

    inside: Array
    outside: Array
    bounded: Mask
    there: Mask


def _edges(bench: Bench, rates: Array, places: tuple[NDArray[np.intp], ...], refined: float, *, lower: bool) -> _Edges:
    """The ends of the bands by their places in the scan, narrowed down between neighbours, the lower one if wanted."""
    ends = np.stack(places)
    there = ends >= 0
    ends = np.where(there, ends, 0)
    beyond = np.clip(ends + np.array([[-1], [1], [1]]), 0, rates.size - 1)
    inside, outside = rates[ends], rates[beyond]
    bounded = there & (beyond != ends) & np.array([[lower], [True], [True]])
    while np.any(wide := bounded & (np.abs(outside - inside) > refined)):
        which, variant = np.nonzero(wide)
        sections = max(2, min(MANY, TOGETHER // variant.size))
        share = np.arange(1, sections) / sections
        start, run = inside[which, variant], (outside - inside)[which, variant]
        asked = start[:, None] + share * run[:, None]
        judged = bench.judge(np.repeat(variant, sections - 1), asked.ravel())
        easy = np.repeat(which == SPARE, sections - 1)
        held = np.where(easy, judged.holds(spare=True), judged.holds()).reshape(asked.shape)
        passed = np.where(held.all(axis=1), sections - 1, np.argmin(held, axis=1))
        inside[which, variant] = start + passed / sections * run
        outside[which, variant] = start + (passed + 1) / sections * run
    return _Edges(inside, outside, bounded, there)


def _binds(bench: Bench, edges: _Edges) -> list[tuple[Binding, ...]]:
    """What gives way just above each band."""
    inside, outside, there = edges.inside[RATE], edges.outside[RATE], edges.there[RATE]
    binds: list[tuple[Binding, ...]] = [()] * there.size
    some = np.flatnonzero(there)
    if some.size:
        giving = bench.judge(some, np.where(edges.bounded[RATE], outside, inside * (1.0 + BEYOND))[some])
        for k, place in enumerate(some):
            binds[place] = giving.gives(k)
    return binds


def _band(good: Mask, rates: Array, own: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last place of the band of passing rates that holds `own`, else of the widest; -1 where none passes."""
    count, width = good.shape
    first, last = np.full(count, -1), np.full(count, -1)
    begun, widest = np.full(count, -1), np.full(count, -1.0)
    for place in range(width):
        begun = np.where(good[:, place], np.where(begun < 0, place, begun), -1)
        spread = np.where(begun >= 0, rates[place] - rates[begun], -1.0)
        spread = np.where((begun >= 0) & (rates[begun] <= own) & (own <= rates[place]), np.inf, spread)
        better = (spread > widest) | (np.isinf(spread) & (begun >= 0))
        first, last = np.where(better, begun, first), np.where(better, place, last)
        widest = np.maximum(widest, spread)
    return first, last
