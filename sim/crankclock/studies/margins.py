"""Every rule's margin over every variant, by hand and at speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Cycle, Reading, Readings
from crankclock.parts.numbers import Flags, Floats
from crankclock.rules import RULES, Measured, Missing, Rule, Subject


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
    by_reading : tuple of (Cycle, Measured)
        The readings that count, the chosen one first.
    """

    rule: Rule
    subject: Subject
    value: Floats
    allowance: Floats
    fails: Flags
    tight: Flags
    by_reading: tuple[tuple[Cycle, Measured], ...]


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
    judged: list[tuple[Cycle, Measured]] = []
    for cycle in cycles:
        measured = rule.measure(cycle, subject)
        if isinstance(measured, Missing):
            return Unjudged(rule, subject, measured)
        judged.append((cycle, measured))
    value: Floats = judged[0][1].margin
    fails: Flags = rule.fails(judged[0][1])
    tight: Flags = rule.tight(*judged[0])
    for cycle, measured in judged[1:]:
        value = np.minimum(value, measured.margin)
        fails = fails | rule.fails(measured)
        tight = tight | rule.tight(cycle, measured)
    return Margin(rule, subject, value, rule.allowed(*judged[0]), fails, tight & ~np.asarray(fails), tuple(judged))
