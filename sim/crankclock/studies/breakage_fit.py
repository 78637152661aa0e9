"""How well each cause explains a case: a likelihood, term by term, integrated over the severity.

For a cause at one severity the rules that fail are taken as what may have broken the tap, those that come first as
the likelier. Evidence about the breaking (angle, fragment, traces) is averaged over them; measured values are held
against what the cause makes of them. A cause is taken to have been bad enough to break the cycle, every severity from
there on as likely: where plausible ranges end is a guess, and how far they reach beyond does not count. "Unexplained"
stands for all that is not in the table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.handbook.stopping import stopping_angle
from crankclock.parts.numbers import TURN
from crankclock.scenario.case import OpenedCase, given, measured_path, measured_value
from crankclock.scenario.case_schema import Case
from crankclock.studies.breakage_causes import Cause
from crankclock.studies.breakage_collisions import Collision
from crankclock.studies.breakage_profile import Profile, Profiles
from crankclock.studies.breakage_traces import BENT, BY_CAUSE, CHANGED, ERRORS, INCIDENTAL, SEEN, THREAD

Array = NDArray[np.float64]

FINE = 160
"""Severities over which the likelihood is integrated."""
UNEXPLAINED = 0.03
"""Probability, before anything is known, that the cause is not in the table: no source."""
NOISE = np.radians(3.0)
"""How well a breaking angle is known where the case does not say."""
OUTLIER = 0.03
"""Probability that an angle was read off altogether."""
EVENT_NOISE = np.radians(8.0)
STOP_NOISE = np.radians(20.0)
STOPPED_BY_IT = 0.6
"""Probability that the breaking itself stopped the press, within a stopping angle: common practice, no source."""
FRAGMENT_ERROR = (3e-4, 0.10)
DEEPEST = 8e-3
LATER = 0.3
"""Each further failing rule in the order of the cycle is this much less likely to be what broke the tap."""


@dataclass(frozen=True)
class Term:
    """One piece of evidence and how a cause explains it.

    Attributes
    ----------
    name : str
    factor : float
        Likelihood against that of "unexplained": above 1 speaks for the cause.
    """

    name: str
    factor: float


@dataclass(frozen=True)
class Fit:
    """A cause held against the case.

    Attributes
    ----------
    profile : Profile
    log_likelihood : float
        Against "unexplained", averaged over the severities that break the cycle; with the prior.
    severity : float
        The median of what the evidence leaves [SI].
    likeliest : Collision
        What then most likely broke the tap; arrays of shape (1,).
    harms : mapping of str to float
        Probability of each harm, had this been the cause.
    terms : tuple of Term
        At that severity.
    """

    profile: Profile
    log_likelihood: float
    severity: float
    likeliest: Collision
    harms: Mapping[str, float]
    terms: tuple[Term, ...]


@dataclass(frozen=True)
class _Fine:
    """A profile over fine severities, and every failing rule's weight there, (rules, m)."""

    severity: Array
    rules: tuple[Collision, ...]
    weight: Array
    events: Mapping[str, Array]


def fine(profile: Profile) -> _Fine:
    """A profile with its collisions interpolated between the severities that were looked at."""
    nodes = profile.severity
    whole = profile.cause.whole or nodes.size < 2
    severity = nodes if whole else np.linspace(nodes[0], nodes[-1], FINE)
    rules = tuple(_between(each, nodes, severity) for each in profile.collisions)
    fails = np.array([each.fails for each in rules])
    moment = np.array([each.moment for each in rules])
    order = np.argsort(np.argsort(np.where(fails, moment, np.inf), axis=0, kind="stable"), axis=0, kind="stable")
    weight = np.where(fails, LATER**order, 0.0)
    total = weight.sum(axis=0)
    events = {name: _read(each, nodes, severity) for name, each in profile.events.items()}
    return _Fine(severity, rules, weight / np.where(total > 0.0, total, 1.0), events)


def _between(each: Collision, nodes: Array, severity: Array) -> Collision:
    nearest = np.abs(nodes[:, None] - severity).argmin(axis=0)
    arrays = (_read(values, nodes, severity) for values in (each.start, each.end, each.depth))
    return each.over(each.margin[nearest], each.fails[nearest], *arrays)


def _read(values: Array, nodes: Array, severity: Array) -> Array:
    """Between the nodes on straight lines; the nearest where some are nan."""
    if np.isfinite(values).all():
        return np.asarray(np.interp(severity, nodes, values))
    return np.asarray(values[np.abs(nodes[:, None] - severity).argmin(axis=0)])


def fit(profiles: Profiles, opened: OpenedCase) -> tuple[Fit, ...]:
    """Hold every cause that can break the cycle against a case, the best first."""
    found = [weigh(each, profiles, opened) for each in profiles.causes if each.least is not None and each.collisions]
    return tuple(sorted(found, key=lambda each: -each.log_likelihood))


def weigh(profile: Profile, profiles: Profiles, opened: OpenedCase) -> Fit:
    """Hold one cause against a case."""
    seen = fine(profile)
    rule_terms, own_terms = terms_of(profiles, opened, profile.cause, seen)
    apart = [values for values, _ in rule_terms.values()]
    by_rule = seen.weight * np.prod(apart, axis=0) if apart else seen.weight
    over = by_rule.sum(axis=0) * np.prod([np.ones(seen.severity.size), *(own for own, _ in own_terms.values())], axis=0)
    best = int(np.searchsorted(np.cumsum(over), 0.5 * over.sum()))
    worst_first = int(np.argmax(by_rule[:, best]))
    shown = [Term(name, float(values[worst_first, best] / alone)) for name, (values, alone) in rule_terms.items()]
    shown += [Term(name, float(values[best] / alone)) for name, (values, alone) in own_terms.items()]
    alone = np.prod([1.0, *(each for _, each in rule_terms.values()), *(each for _, each in own_terms.values())])
    mean = float(over.mean()) / float(alone) * profile.prior
    return Fit(
        profile,
        float(np.log(max(mean, 1e-300))),
        float(seen.severity[best]),
        seen.rules[worst_first].part(best, best + 1),
        _harms(seen, by_rule * over / np.maximum(by_rule.sum(axis=0), 1e-300)),
        tuple(shown),
    )


def _harms(seen: _Fine, weight: Array) -> dict[str, float]:
    each = weight.sum(axis=1) / max(float(weight.sum()), 1e-300)
    found: dict[str, float] = {}
    for rule, share in zip(seen.rules, each, strict=True):
        found[rule.harm.name] = found.get(rule.harm.name, 0.0) + float(share)
    return found


Terms = dict[str, tuple[Array, float]]
"""Likelihoods by name, each with that of "unexplained"."""


def terms_of(profiles: Profiles, opened: OpenedCase, cause: Cause, seen: _Fine) -> tuple[Terms, Terms]:
    """Likelihoods by rule and severity, (rules, m), and by severity alone, (m,)."""
    case = opened.case
    own = own_terms(profiles, opened, cause, seen.severity)
    return _rule_terms(profiles, case, cause, seen), own | _observed(profiles, case, seen)


def _rule_terms(profiles: Profiles, case: Case, cause: Cause, seen: _Fine) -> Terms:
    found: Terms = {}
    broke = case.broke
    if broke is not None and broke.angle is not None:
        noise = float(NOISE if broke.noise is None else broke.noise)
        found["breaking angle"] = (_angles(seen, float(broke.angle), noise), 1.0 / TURN)
    if broke is not None and broke.event is not None:
        then = seen.events[broke.event]
        at = np.array([_near(then - each.angle, _widened(each, EVENT_NOISE), OUTLIER) for each in seen.rules])
        found[f"broke at {broke.event}"] = (at, 1.0 / TURN)
    if case.stop is not None and case.stop.angle is not None and profiles.scenario.press.stop is not None:
        stop = profiles.scenario.press.stop
        rate = cause.values(seen.severity).get("press.rate", np.array(profiles.scenario.press.rate))
        runs_on = stopping_angle(rate, stop.delay + (stop.scan or 0.0), stop.braking, stop.measured_at)
        off = [float(case.stop.angle) - runs_on - each.angle for each in seen.rules]
        found["stopping angle"] = (np.array([_near(each, STOP_NOISE, 1.0 - STOPPED_BY_IT) for each in off]), 1.0 / TURN)
    if broke is not None and broke.fragment is not None:
        found["fragment's depth"] = (_fragments(seen, float(broke.fragment)), 1.0 / DEEPEST)
    for name, chances, alone in _traces(case):
        found[name] = (np.array([np.full(seen.severity.size, chances[each.harm.name]) for each in seen.rules]), alone)
    if case.found is not None and case.found.tap_broken is not None:
        breaks = [each.harm.breaks if case.found.tap_broken else 1.0 - each.harm.breaks for each in seen.rules]
        alone = 0.7 if case.found.tap_broken else 0.3
        found["tap broken" if case.found.tap_broken else "tap whole"] = (
            np.array(breaks)[:, None] * np.ones(seen.severity.size), alone,
        )  # fmt: skip
    return found


def _observed(profiles: Profiles, case: Case, seen: _Fine) -> Terms:
    """Events whose angles were read at the press, against those of the disturbed cycle."""
    found: Terms = {}
    for name, angle in (case.observed or {}).items():
        alone, here = (
            np.where(np.isnan(at), OUTLIER / TURN, _near(float(angle) - at, NOISE, OUTLIER))
            for at in (profiles.drawn[name], seen.events[name])
        )
        found[f"{name} observed"] = (here, float(alone[0]))
    return found


def _widened(each: Collision, noise: float) -> Array:
    return np.sqrt(noise**2 + (each.end - each.start) ** 2 / 12.0)


def _near(off: Array, noise: Array | float, outlier: float) -> Array:
    """Density of an angle that lies `off` its place; an unknown place says nothing."""
    turned = np.mod(off + 0.5 * TURN, TURN) - 0.5 * TURN
    density = np.exp(-0.5 * (turned / noise) ** 2) / (noise * np.sqrt(TURN))
    found: Array = np.where(np.isnan(density), 1.0 / TURN, (1.0 - outlier) * density + outlier / TURN)
    return found


def _angles(seen: _Fine, angle: float, noise: float) -> Array:
    return np.array([_near(angle - each.angle, _widened(each, noise), OUTLIER) for each in seen.rules])


def _fragments(seen: _Fine, depth: float) -> Array:
    found = []
    for each in seen.rules:
        inside = np.maximum(each.depth, 0.0)
        error = FRAGMENT_ERROR[0] + FRAGMENT_ERROR[1] * inside
        density = np.exp(-0.5 * ((depth - inside) / error) ** 2) / (error * np.sqrt(TURN))
        found.append(np.where(np.isnan(density), 1.0 / DEEPEST, 0.95 * density + 0.05 / DEEPEST))
    return np.array(found)


def _traces(case: Case) -> list[tuple[str, Mapping[str, float], float]]:
    """Traces of the breaking that were found, the probability of each by harm, and that of "unexplained"."""
    found: list[tuple[str, Mapping[str, float], float]] = []
    if case.broke is not None and case.broke.fracture is not None:
        bent = case.broke.fracture == "bent"
        chances: Mapping[str, float] = {harm: c if bent else 1.0 - c for harm, c in BENT.items()}
        found.append((f"fracture {case.broke.fracture}", chances, 0.5))
    seen = given(case.found)
    if "thread" in seen:
        found.append((f"thread {seen['thread']}", {harm: row[seen["thread"]] for harm, row in THREAD.items()}, 0.25))
    for name, chances in SEEN.items():
        if name in seen:
            said = name.replace("_", " ") if seen[name] else f"no {name.replace('_', ' ')}"
            alone = float(np.mean(list(chances.values())))
            yes = bool(seen[name])
            found.append((said, {h: c if yes else 1.0 - c for h, c in chances.items()}, alone if yes else 1.0 - alone))
    return found


def own_terms(profiles: Profiles, opened: OpenedCase, cause: Cause, severity: Array) -> Terms:
    """What is measured or seen of the causes themselves."""
    found = _measured_terms(profiles, opened, cause, severity)
    one = np.ones(severity.size)
    for name, yes in seen_of_causes(opened.case).items():
        other, own = BY_CAUSE[name]
        chance, alone = max(own.get(kind.name, other) for kind in cause.kinds), other
        said = name.replace("_", " ") if yes else f"no {name.replace('_', ' ')}"
        found[said] = ((chance if yes else 1.0 - chance) * one, alone if yes else 1.0 - alone)
    lost = given(opened.case.found).get("springs_lost")
    if lost is not None:
        found[f"{lost:g} springs lost"] = _springs(cause, severity, float(lost))
    for name, changed in given(opened.case.changed).items():
        chance = CHANGED[0] if any(kind.about == name for kind in cause.kinds) else CHANGED[1]
        said = f"{name} changed lately" if changed else f"{name} not changed"
        found[said] = ((chance if changed else 1.0 - chance) * one, CHANGED[1] if changed else 1.0 - CHANGED[1])
    return found


def seen_of_causes(case: Case) -> dict[str, bool]:
    """What was looked at that points to causes rather than to harms."""
    seen = given(case.found)
    names: tuple[str, ...] = ("burr", "slug", "feed_short", "backlash_felt")
    found = {name: bool(seen[name]) for name in names if name in seen}
    if "lubrication" in seen:
        found["dry"] = seen["lubrication"] == "dry"
    if "tap_strokes" in seen and "tap_life" in seen:
        found["past_life"] = seen["tap_strokes"] > seen["tap_life"]
    return found


def _springs(cause: Cause, severity: Array, lost: float) -> tuple[Array, float]:
    """None is lost in most dies, one now and then."""
    usual = 0.88 if lost == 0 else 0.12 * 0.5**lost
    counts = {path: values for path, values in cause.values(severity).items() if path.endswith(".count")}
    if not counts:
        return np.full(severity.size, usual), usual
    gone = sum(np.asarray(cause.nominal[path] - values) for path, values in counts.items())
    return np.asarray(np.where(np.rint(gone) == lost, 0.9, 0.1 * 0.5 ** np.abs(gone - lost))), usual


def measurements(scenario_of: Profiles, opened: OpenedCase) -> dict[str, tuple[str, float]]:
    """What was measured: the scenario's key and the value [SI]."""
    scenario, found = scenario_of.scenario, {}
    stop = opened.case.stop
    if stop is not None and stop.rate is not None:
        found["rate"] = ("press.rate", float(stop.rate))
    for name, value in given(opened.case.measured).items():
        if measured_value(name, scenario, opened.tap) is not None:
            found[name] = (measured_path(name, scenario, opened.tap), float(value))
    return found


def _measured_terms(profiles: Profiles, opened: OpenedCase, cause: Cause, severity: Array) -> Terms:
    found: Terms = {}
    changed = cause.values(severity)
    for name, (path, value) in measurements(profiles, opened).items():
        drawn = profiles.scenario.press.rate if name == "rate" else measured_value(name, profiles.scenario, opened.tap)
        assert drawn is not None
        fixed, share = ERRORS[name]
        alone = _value(value, np.array([float(drawn)]), float(drawn), fixed, share)[0]
        said = f"{name.replace('_', ' ')} measured"
        if path in changed:
            found[said] = (_value(value, changed[path], float(drawn), fixed, share), float(alone))
        else:
            found[said] = (np.full(severity.size, alone), float(alone))
    return found


def _value(value: float, expected: Array, drawn: float, fixed: float, share: float) -> Array:
    error = fixed + share * np.abs(expected)
    density = np.exp(-0.5 * ((value - expected) / error) ** 2) / (error * np.sqrt(TURN))
    wide = max(abs(drawn), 20.0 * (fixed + share * abs(drawn)))
    return np.asarray((1.0 - INCIDENTAL) * density + INCIDENTAL / wide)
