"""How the passing range of stroke rates moves when the contact values, which are guesses, are halved and doubled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.rules import Subject
from crankclock.scenario.build import Machine
from crankclock.scenario.schema import Contact, Scenario
from crankclock.studies.contacts import CORNERS, Corner
from crankclock.studies.rate_batch import RATE, Judged, Panel
from crankclock.studies.rate_limits import Swept, range_about
from crankclock.studies.rate_scan import runs
from crankclock.studies.variants import Array, Mask
from crankclock.studies.work import Crew

RATES, FINER = 21, 16
"""Rates tried over the passing range, and parts into which the step is cut in which a rule gives way."""


@dataclass(frozen=True)
class OtherContacts:
    """The passing range that is left with all of them.

    Attributes
    ----------
    low, high : float or None
        Rates [strokes/s] between which every rule holds; None where there is none.
    step : float
        Distance [strokes/s] of the rates that are tried.
    failing : tuple of (rule, subject, Corner)
        What fails just above `high`, or anywhere where nothing is left; empty where the ceiling stays.
    """

    low: float | None
    high: float | None
    step: float
    failing: tuple[tuple[str, Subject, Corner], ...]

    def hold(self, rate: float) -> bool:
        """Whether a rate [strokes/s] lies in what is left."""
        return self.low is not None and self.high is not None and self.low <= rate <= self.high


def other_contacts(scenario: Scenario, machine: Machine, found: Swept, rate: float, crew: Crew) -> OtherContacts | None:
    """Try the passing range of a running sweep with every other choice of contact values.

    Parameters
    ----------
    scenario : Scenario
        As validated.
    machine : Machine
        As built of it, with the contact values in force.
    found : Swept
    rate : float
        The scenario's own stroke rate [strokes/s].
    crew : Crew

    Returns
    -------
    OtherContacts or None
        None where no rate passes.

    Raises
    ------
    KeyboardInterrupt
        The work was interrupted.
    """
    if found.ceiling is None or found.floor is None:
        return None
    rates = np.linspace(found.floor.rate, found.ceiling.rate, RATES)
    contact = machine.scenario.contact
    panel = Panel(scenario.model_copy(update={"contact": contact}), "running", crew)
    step, judged = float(rates[1] - rates[0]), _judged(panel, contact, rates, "other contact values")
    best = range_about(runs(rates, ~_fails(judged)), rate)
    if best is None:
        return OtherContacts(None, None, step, _failing(judged, np.full(RATES, True)))
    at = int(np.searchsorted(rates, best[1]))
    if at == RATES - 1:
        return OtherContacts(*best, step, ())
    finer = np.linspace(rates[at], rates[at + 1], FINER + 1)
    judged = _judged(panel, contact, finer, "other contact values, closer")
    first = int(np.argmax(_fails(judged)))  # the last of them fails
    return OtherContacts(best[0], float(finer[first - 1]), step, _failing(judged, np.arange(finer.size) == first))


def _judged(panel: Panel, contact: Contact, rates: Array, what: str) -> Judged:
    """Every rate with every corner."""
    values = {
        RATE: np.tile(rates, len(CORNERS)),
        "contact.stiffness": np.repeat([contact.stiffness * each.stiffness for each in CORNERS], rates.size),
        "contact.damping": np.repeat([contact.damping * each.damping for each in CORNERS], rates.size),
    }
    found = panel.judge(what, values)
    if found is None or not found.whole:
        raise KeyboardInterrupt
    return found


def _by_corner(flags: Mask) -> Mask:
    """Flags of shape (rules, corners, rates)."""
    return flags.reshape(flags.shape[0], len(CORNERS), -1)


def _fails(judged: Judged) -> Mask:
    """Rates at which any corner fails."""
    return np.asarray(_by_corner(judged.fails).any(axis=(0, 1)))


def _failing(judged: Judged, at: Mask) -> tuple[tuple[str, Subject, Corner], ...]:
    return tuple(
        (rule.name, subject, corner)
        for (rule, subject), fails in zip(judged.names, _by_corner(judged.fails), strict=True)
        for corner, bad in zip(CORNERS, fails, strict=True)
        if np.any(bad & at)
    )
