"""After a tap broke: how, when in the cycle, most likely why, and what to look at next."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Reading, running_needs, turn
from crankclock.errors import InputError, Problem
from crankclock.parts.numbers import TURN
from crankclock.scenario.build import build
from crankclock.scenario.case import OpenedCase, open_case
from crankclock.scenario.load import Loaded
from crankclock.scenario.paths import with_values
from crankclock.scenario.schema import Scenario
from crankclock.studies.breakage_causes import Cause, Kind, causes, untried
from crankclock.studies.breakage_collisions import HARMS
from crankclock.studies.breakage_fit import UNEXPLAINED, Fit, fit, own_terms, weigh
from crankclock.studies.breakage_next import Look, looks
from crankclock.studies.breakage_pairs import Pair, pairs
from crankclock.studies.breakage_profile import Profile, Profiles, all_collisions, profiles, silent
from crankclock.studies.check import Check, check
from crankclock.studies.variants import turned
from crankclock.units import System

log = logging.getLogger(__name__)
Array = NDArray[np.float64]
Progress = Callable[[str, int, int], None]

SAME_ANGLE = np.radians(3.0)
SAME_FACTOR = 1.5
"""Causes whose collisions lie closer than this, and whose every term of evidence differs by less, look the same."""
WORTH_NAMING = 0.005
"""Probability below which a cause is not told on its own."""
SPEAKS = float(np.log(5.0))
"""Logarithm of the factor from which something found points to a cause."""
HINT_STEPS = 201
TOLD = 3
"""Suspects that are told of at length."""
AS_DRAWN = Kind(
    "as-drawn", "nothing more than what is drawn", (), "count", 1.0, "", "it breaks every stroke",
    "check the scenario: it breaks as it stands",
)  # fmt: skip


@dataclass(frozen=True)
class Suspect:
    """Causes with the same signature, the likeliest first.

    Attributes
    ----------
    fits : tuple of Fit
    shares : tuple of float
        Probability of each.
    """

    fits: tuple[Fit, ...]
    shares: tuple[float, ...]

    @property
    def probability(self) -> float:
        return sum(self.shares)

    @property
    def lead(self) -> Fit:
        return self.fits[0]


@dataclass(frozen=True)
class Breakage:
    """The causes of a breakage, ranked.

    Attributes
    ----------
    profiles : Profiles
        At the rate of the case where the cycle holds there.
    suspects : tuple of Suspect
        The likeliest first.
    pairs : tuple of (Pair, float), or None
        Pairs with their probability among all; None where they were not asked for.
    unexplained : float
        Probability that the cause is none of these.
    looks : tuple of Look
    idle_hints : tuple of str
        Causes that something found or measured speaks for, and that break nothing.
    cycles : tuple of Check
        The cycle as it ran by each of the first suspects, or first by the likeliest pair.
    lead : Fit or None
        What the first of them is by; None where nothing breaks the cycle.
    units : {"metric", "inch"}
    seed : int
        Echoed; nothing here is drawn at random.
    """

    loaded: Loaded
    opened: OpenedCase
    profiles: Profiles
    suspects: tuple[Suspect, ...]
    pairs: tuple[tuple[Pair, float], ...] | None
    unexplained: float
    looks: tuple[Look, ...]
    idle_hints: tuple[str, ...]
    cycles: tuple[Check, ...]
    lead: Fit | None
    units: System
    seed: int

    @property
    def untried(self) -> tuple[str, ...]:
        """Causes that cannot be tried, each with the reason."""
        return untried(self.profiles.scenario, self.opened.tap)

    @property
    def explained(self) -> bool:
        """Whether what is in the table explains the case better than nothing does."""
        return bool(self.suspects or self.pairs) and self.unexplained < 0.5


def breakage(
    loaded: Loaded,
    case: str,
    reading: Reading | None = None,
    units: System | None = None,
    with_pairs: bool = False,
    seed: int = 0,
    progress: Progress = silent,
) -> Breakage:
    """Find the likeliest causes of a breakage.

    Parameters
    ----------
    loaded : Loaded
        The scenario as drawn.
    case : str
        Path of the case file, or the name of a shipped one.
    reading : {"hand", "rigid", "running"}, optional
        By default running where the scenario has the data for it, else rigid.
    with_pairs : bool
        Also try two causes at once.
    seed : int
        Echoed in reports.
    progress : callable

    Raises
    ------
    InputError
        With every problem of the case file, or the running reading is asked for and cannot be.
    """
    drawn, _ = loaded.resolved()
    lacks = running_needs(build(drawn)) if reading == "running" else ()
    if lacks:
        raise InputError([Problem(key, "nothing", "this key, which the running reading needs") for key in lacks])
    opened = open_case(case, drawn, event_ids(drawn))
    scenario = at_its_rate(drawn, opened, reading)
    events = asked_events(opened)
    found = profiles(scenario, opened.tap, causes(scenario, opened.tap), reading, events, progress)
    fits = list(weighed(found, opened))
    together = _pairs(found, opened, fits, reading, events, progress) if with_pairs else None
    return _ranked(loaded, found, opened, fits, together, reading, units, seed)


def event_ids(scenario: Scenario) -> frozenset[str]:
    """Ids of every event of a scenario."""
    return frozenset(turn(build(scenario), running=False).rigid.events())


def asked_events(opened: OpenedCase) -> tuple[str, ...]:
    """Events that the case says anything about."""
    broke = opened.case.broke
    named = [] if broke is None or broke.event is None else [broke.event]
    return tuple(dict.fromkeys([*named, *(opened.case.observed or {})]))


def at_its_rate(scenario: Scenario, opened: OpenedCase, reading: Reading | None) -> Scenario:
    """The scenario at the rate of the case, where nothing breaks for that alone."""
    stop = opened.case.stop
    if stop is None or stop.rate is None or abs(float(stop.rate) / float(scenario.press.rate) - 1.0) < 1e-3:
        return scenario
    rates = np.array([float(scenario.press.rate), float(stop.rate)])
    found = all_collisions(turned(scenario, {"press.rate": rates}, reading, HARMS), opened.tap)
    worse = any(bool(each.fails[1]) and not bool(each.fails[0]) for each in found)
    log.info("the case's rate %s", "breaks the cycle" if worse else "is taken for every cause")
    return scenario if worse else with_values(scenario, {"press.rate": float(stop.rate)})


def weighed(found: Profiles, opened: OpenedCase) -> tuple[Fit, ...]:
    """Every cause that can have been, the likeliest first; what breaks as drawn counts as one."""
    fits = list(fit(found, opened))
    if found.before:
        cause = Cause("as-drawn", AS_DRAWN.title, AS_DRAWN, 1.0, True, {}, {})
        fits.append(weigh(Profile(cause, 0.0, np.zeros(1), found.before, found.drawn), found, opened))
    return tuple(sorted(fits, key=lambda each: -each.log_likelihood))


def probabilities(fits: Sequence[Fit], count: int, together: Sequence[Pair] = ()) -> Array:
    """Probability of every fit, then of every pair, then of "unexplained"; `count` causes are as likely beforehand."""
    logs = [each.log_likelihood - np.log(count) + np.log1p(-UNEXPLAINED) for each in fits]
    of_pairs = max(count * (count - 1) / 2.0, 1.0)
    logs += [each.fit.log_likelihood - np.log(of_pairs) + np.log1p(-UNEXPLAINED) for each in together]
    logs.append(float(np.log(UNEXPLAINED)))
    weight = np.exp(np.array(logs) - max(logs))
    return np.asarray(weight / weight.sum())


def _pairs(
    found: Profiles,
    opened: OpenedCase,
    fits: Sequence[Fit],
    reading: Reading | None,
    events: tuple[str, ...],
    progress: Progress,
) -> tuple[Pair, ...]:
    """Paired first: what measurements speak for, whether it breaks anything alone or not; then the best single fits."""
    ranks = {each.profile.cause.name: each.log_likelihood for each in fits}
    hints = {each.cause.name: hint(each, found, opened) for each in found.causes}
    order = sorted(found.causes, key=lambda each: (-hints[each.cause.name][0], -ranks.get(each.cause.name, -np.inf)))
    told = {name: severity for name, (size, severity) in hints.items() if size > SPEAKS}
    return pairs(found, opened, order, told, reading, events, progress)


def hint(profile: Profile, found: Profiles, opened: OpenedCase) -> tuple[float, float]:
    """How far what was measured or seen of a cause itself speaks for it.

    Returns
    -------
    float
        Logarithm of the likelihood against that of "unexplained", at the severity that suits it best.
    float
        That severity [SI].
    """
    cause = profile.cause
    severity = np.linspace(0.0, cause.most, HINT_STEPS) if not cause.whole else np.arange(0.0, cause.most + 1.0)
    total = np.zeros(severity.size)
    for values, alone in own_terms(found, opened, cause, severity).values():
        total = total + np.log(np.maximum(values, 1e-300) / alone)
    best = int(np.argmax(total))
    return float(np.round(total[best], 6)), float(severity[best])


def grouped(fits: Sequence[Fit], shares: Sequence[float]) -> tuple[Suspect, ...]:
    """Causes with the same signature together; the likeliest group first."""
    groups: list[list[int]] = []
    for k, each in enumerate(fits):
        home = next((group for group in groups if same_signature(fits[group[0]], each)), None)
        if home is None:
            groups.append([k])
        else:
            home.append(k)
    found = [Suspect(tuple(fits[k] for k in group), tuple(float(shares[k]) for k in group)) for group in groups]
    return tuple(sorted(found, key=lambda each: -each.probability))


def same_signature(one: Fit, other: Fit) -> bool:
    """Whether nothing that is known tells two causes apart: what breaks, where on the dial, and every term."""
    first, second = one.likeliest, other.likeliest
    if first.harm is not second.harm or first.tap != second.tap:
        return False
    off = float(np.mod(first.angle[0] - second.angle[0] + 0.5 * TURN, TURN) - 0.5 * TURN)
    if abs(off) > SAME_ANGLE:
        return False
    terms = {each.name: each.factor for each in other.terms}
    return all(abs(np.log(each.factor / terms[each.name])) < np.log(SAME_FACTOR) for each in one.terms)


def _ranked(
    loaded: Loaded,
    found: Profiles,
    opened: OpenedCase,
    fits: Sequence[Fit],
    together: tuple[Pair, ...] | None,
    reading: Reading | None,
    units: System | None,
    seed: int,
) -> Breakage:
    all_pairs = together or ()
    count = len(found.causes) + bool(found.before)
    shares = probabilities(fits, count, all_pairs)
    singles, rest = shares[: len(fits)], shares[len(fits) : -1]
    suspects = grouped(fits, list(singles))
    system: System = units or ("inch" if found.scenario.units == "inch" else "metric")
    named = [k for k, share in enumerate(singles) if share > WORTH_NAMING]
    asked = looks(found, opened, [fits[k] for k in named], [*(float(singles[k]) for k in named), float(shares[-1])])
    top = all_pairs[0].fit if all_pairs and (not fits or rest.max() > suspects[0].probability) else None
    lead = top or (suspects[0].lead if suspects else None)
    told = [*([] if top is None else [top]), *(each.lead for each in suspects[:TOLD])]
    ran = tuple(cycle_of(loaded, found, each, reading, system) for each in told)
    idle = tuple(
        each.cause.title for each in found.causes if each.least is None and hint(each, found, opened)[0] > SPEAKS
    )
    kept = None if together is None else tuple((pair, float(p)) for pair, p in zip(all_pairs, rest, strict=True))
    return Breakage(loaded, opened, found, suspects, kept, float(shares[-1]), asked, idle, ran, lead, system, seed)


def cycle_of(loaded: Loaded, found: Profiles, lead: Fit, reading: Reading | None, units: System) -> Check:
    """The cycle as it ran by a cause, at its likeliest severity."""
    values = {path: float(each[0]) for path, each in lead.profile.cause.values(np.array([lead.severity])).items()}
    ran = with_values(found.scenario, values)
    ran.title = f"{found.scenario.title or loaded.name} / as it ran: {lead.profile.cause.title}"
    return check(replace(loaded, scenario=ran), reading, units)
