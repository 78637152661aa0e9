"""Two causes at once, each too little to break the cycle alone."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Reading
from crankclock.scenario.case import OpenedCase
from crankclock.studies.breakage_causes import Cause, Kind
from crankclock.studies.breakage_collisions import HARMS, Collision
from crankclock.studies.breakage_fit import Fit, weigh
from crankclock.studies.breakage_profile import (
    Profile,
    Profiles,
    all_collisions,
    all_events,
    nominal_values,
    spread_values,
)
from crankclock.studies.variants import turned

Array = NDArray[np.float64]
Progress = Callable[[str, int, int], None]

SHARES = (0.35, 0.65, 0.95)
"""Shares of each cause's least severity, or of its range where it breaks nothing alone, that are tried together."""
MOST = 16
"""Causes that are paired: those that the measurements and the single fits speak for most."""
RARER = 0.05
"""How much rarer two causes together are than one: common practice, no source."""


@dataclass(frozen=True)
class Pair:
    """Two causes that together break the cycle.

    Attributes
    ----------
    fit : Fit
        Its profile's severities are numbers of the combinations that fail.
    causes : pair of Cause
    severities : pair of float
        Of the likeliest combination [SI].
    """

    fit: Fit
    causes: tuple[Cause, Cause]
    severities: tuple[float, float]


@dataclass(frozen=True)
class _Both(Cause):
    """Two causes as one, its severity being the number of a combination."""

    pair: tuple[Cause, Cause] | None = None
    combinations: tuple[tuple[float, float], ...] = ()

    @property
    def kinds(self) -> tuple[Kind, ...]:
        assert self.pair is not None
        return (self.pair[0].kind, self.pair[1].kind)

    def values(self, severity: Array) -> dict[str, Array]:
        assert self.pair is not None
        chosen = np.array(self.combinations)[np.rint(severity).astype(int)].reshape(-1, 2)
        one, other = self.pair
        return {**one.values(chosen[:, 0]), **other.values(chosen[:, 1])}


def pairs(
    profiles: Profiles,
    opened: OpenedCase,
    order: Sequence[Profile],
    told: Mapping[str, float],
    reading: Reading | None,
    events: Collection[str],
    progress: Progress,
) -> tuple[Pair, ...]:
    """Pairs that break the cycle where neither cause does alone, the best first.

    Parameters
    ----------
    profiles : Profiles
    opened : OpenedCase
    order : sequence of Profile
        The causes the evidence speaks for most, first.
    told : mapping of str to float
        Severities [SI] that measurements tell, by the cause's name; tried too.
    """
    levels = {each.cause.name: _levels(each, told.get(each.cause.name)) for each in order}
    chosen = [each.cause for each in order if levels[each.cause.name]][:MOST]
    both = [_both(one, other, levels) for one, other in combinations(chosen, 2)]
    both = [each for each in both if each is not None]
    broken = frozenset(each.key for each in profiles.before)
    found: list[Pair] = []
    size = 30
    for at in range(0, len(both), size):
        progress("pairs", at, len(both))
        group = [each for each in both[at : at + size] if each is not None]
        pieces = [each.values(np.arange(float(len(each.combinations)))) for each in group]
        values = spread_values(nominal_values(group), pieces)
        parts = list(turned(profiles.scenario, values, reading, HARMS))
        seen = [each for each in all_collisions(parts, profiles.tap) if each.key not in broken]
        angles = all_events(parts, events)
        start = 0
        for each in group:
            end = start + len(each.combinations)
            at_these = {name: values[start:end] for name, values in angles.items()}
            found += _weighed(profiles, opened, each, [rule.part(start, end) for rule in seen], at_these)
            start = end
    progress("pairs", len(both), len(both))
    return tuple(sorted(found, key=lambda each: -each.fit.log_likelihood))


def _levels(each: Profile, told: float | None) -> tuple[float, ...]:
    """Severities too small to break the cycle alone."""
    cause = each.cause
    if not cause.nominal:
        return ()
    top = cause.most if each.least is None else each.least
    if cause.whole:
        return tuple(np.arange(1.0, top if each.least is not None else top + 1.0)[-3:])
    known = () if told is None or not 0.0 < told < top else (told,)
    return (*(share * top for share in SHARES), *known)


def _both(first: Cause, second: Cause, levels: Mapping[str, tuple[float, ...]]) -> _Both | None:
    if set(first.nominal) & set(second.nominal):
        return None
    together = tuple((a, b) for a in levels[first.name] for b in levels[second.name])
    return _Both(
        f"{first.name}+{second.name}", f"{first.title}, and {second.title}", first.kind, float(len(together)), True,
        {**first.nominal, **second.nominal}, {}, (), (first, second), together,
    )  # fmt: skip


def _weighed(
    profiles: Profiles, opened: OpenedCase, both: _Both, rules: Sequence[Collision], events: Mapping[str, Array]
) -> list[Pair]:
    fails = np.any([each.fails for each in rules], axis=0) if rules else np.zeros(len(both.combinations), dtype=bool)
    if not fails.any() or both.pair is None:
        return []
    at = np.flatnonzero(fails)
    kept = tuple(
        each.over(each.margin[at], each.fails[at], each.start[at], each.end[at], each.depth[at])
        for each in rules
        if each.fails.any()
    )
    angles = {name: values[at] for name, values in events.items()}
    prior = RARER * at.size / len(both.combinations)
    profile = Profile(both, float(at[0]), at.astype(float), kept, angles, prior)
    fit = weigh(profile, profiles, opened)
    severities = both.combinations[int(fit.severity)]
    return [Pair(fit, both.pair, severities)]
