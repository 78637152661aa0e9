"""Every rule's margin over every variant, by every reading."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Cycle, Reading, Readings
from crankclock.parts.numbers import Flags, Floats
from crankclock.rules import RULES, Measured, Missing, Rule, Subject
from crankclock.studies.contacts import Swing, swing

SLACK = 1e-12
"""A margin short of its allowance by less than this [SI] is not tight: rounding."""


@dataclass(frozen=True)
class Judged:
    """One reading's measurement, where it fails, and its allowance [SI]."""

    cycle: Cycle
    measured: Measured
    allowance: Floats
    fails: Flags


@dataclass(frozen=True)
class Margin:
    """One rule's margin for one subject.

    Attributes
    ----------
    value : float or array, shape (n,)
        The worse of the readings that count [SI]; nan where an event cannot happen.
    allowance : float or array, shape (n,)
        Below this the rule is tight [SI].
    fails, tight : bool or array
    by_reading : tuple of Judged
        The readings that count, the chosen one first.
    others : tuple of Judged
        Readings that are told but do not count.
    contacts : Swing or None
        What other contact values would make of it; None where that was not asked.
    """

    rule: Rule
    subject: Subject
    value: Floats
    allowance: Floats
    fails: Flags
    tight: Flags
    by_reading: tuple[Judged, ...]
    others: tuple[Judged, ...] = ()
    contacts: Swing | None = None


@dataclass(frozen=True)
class Unjudged:
    """A rule that applies and lacks data."""

    rule: Rule
    subject: Subject
    missing: Missing


def margins(
    readings: Readings,
    reading: Reading | None = None,
    contacts: Cycle | None = None,
    others: bool = False,
    rules: Collection[str] | None = None,
) -> list[Margin | Unjudged]:
    """Measure every rule that applies.

    Parameters
    ----------
    readings : Readings
        Floats or arrays over variants.
    reading : {"hand", "rigid", "running"}, optional
        The chosen reading; by default the one that knows most. Feed and pilot-release rules are measured by hand
        too, and the worse counts.
    contacts : Cycle, optional
        The running cycle of single values with other contact values, see `other_contacts`. A rule that passes and
        fails with any of them is tight.
    others : bool
        Also measure by the readings that do not count.
    rules : collection of str, optional
        Names of the rules to measure; all by default.
    """
    chosen = readings.chosen(reading or readings.best)
    rest = [cycle for cycle in readings.all().values() if cycle is not chosen] if others else []
    found: list[Margin | Unjudged] = []
    for rule in RULES:
        if rules is not None and rule.name not in rules:
            continue
        counting = (chosen, readings.hand) if rule.timed and chosen is not readings.hand else (chosen,)
        aside = [cycle for cycle in rest if cycle not in counting]
        found += [_margin(rule, subject, counting, aside, contacts) for subject in rule.subjects(chosen)]
    return found


def _judge(rule: Rule, subject: Subject, cycle: Cycle) -> Judged | Missing:
    measured = rule.measure(cycle, subject)
    if isinstance(measured, Missing):
        return measured
    return Judged(cycle, measured, rule.allowed(cycle, measured), rule.fails(measured))


def _margin(
    rule: Rule, subject: Subject, cycles: tuple[Cycle, ...], aside: list[Cycle], contacts: Cycle | None
) -> Margin | Unjudged:
    found = [_judge(rule, subject, cycle) for cycle in cycles]
    missing = next((each for each in found if isinstance(each, Missing)), None)
    judged = [each for each in found if isinstance(each, Judged)]
    if missing is not None:
        # One reading cannot be judged: another that fails is a failure all the same, and nothing less is known.
        judged = [each for each in judged if np.all(each.fails)]
        if not judged:
            return Unjudged(rule, subject, missing)
    value: Floats = judged[0].measured.margin
    fails: Flags = judged[0].fails
    tight: Flags = value < judged[0].allowance - SLACK
    for other in judged[1:]:
        value = np.minimum(value, other.measured.margin)
        fails = fails | other.fails
        tight = tight | (other.measured.margin < other.allowance - SLACK)
    told = _swing(rule, subject, contacts)
    if told is not None and told.failing:
        tight = np.asarray(tight) | True
    rest = [each for each in (_judge(rule, subject, cycle) for cycle in aside) if isinstance(each, Judged)]
    return Margin(
        rule,
        subject,
        value,
        judged[0].allowance,
        fails,
        tight & ~np.asarray(fails),
        tuple(judged),
        tuple(rest),
        told,
    )


def _swing(rule: Rule, subject: Subject, contacts: Cycle | None) -> Swing | None:
    judged = None if contacts is None else _judge(rule, subject, contacts)
    return None if judged is None or isinstance(judged, Missing) else swing(judged.measured.margin, judged.fails)
