"""Every rule's margin over every variant, by hand and at speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Cycle, Reading, Readings
from crankclock.parts.numbers import Flags, Floats
from crankclock.rules import RULES, Measured, Missing, Rule, Subject

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
    """

    rule: Rule
    subject: Subject
    value: Floats
    allowance: Floats
    fails: Flags
    tight: Flags
    by_reading: tuple[Judged, ...]


@dataclass(frozen=True)
class Unjudged:
    """A rule that applies and lacks data."""

    rule: Rule
    subject: Subject
    missing: Missing


def margins(readings: Readings, reading: Reading = "rigid") -> list[Margin | Unjudged]:
    """Measure every rule that applies.

    Parameters
    ----------
    readings : Readings
        Floats or arrays over variants.
    reading : {"hand", "rigid"}
        The chosen reading. Feed and pilot-release rules are measured by hand too, and the worse counts.
    """
    chosen = readings.chosen(reading)
    found: list[Margin | Unjudged] = []
    for rule in RULES:
        cycles = (chosen, readings.hand) if rule.timed and chosen is not readings.hand else (chosen,)
        for subject in rule.subjects(chosen):
            found.append(_margin(rule, subject, cycles))
    return found


def _margin(rule: Rule, subject: Subject, cycles: tuple[Cycle, ...]) -> Margin | Unjudged:
    judged: list[Judged] = []
    missing: Missing | None = None
    for cycle in cycles:
        measured = rule.measure(cycle, subject)
        if isinstance(measured, Missing):
            missing = measured
        else:
            judged.append(Judged(cycle, measured, rule.allowed(cycle, measured), rule.fails(measured)))
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
    return Margin(rule, subject, value, judged[0].allowance, fails, tight & ~np.asarray(fails), tuple(judged))
