"""How fast it may run: every rule over a span of stroke rates, the rate ceiling, its floor and what binds there."""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.cycle import Reading, running_needs
from crankclock.errors import InputError, Problem
from crankclock.scenario.build import Machine, build
from crankclock.scenario.defaults import Assumption
from crankclock.scenario.load import Loaded
from crankclock.scenario.schema import Scenario
from crankclock.studies.ceiling import span_of
from crankclock.studies.margins import Unjudged
from crankclock.studies.notes import press_notes
from crankclock.studies.rate_contacts import OtherContacts, other_contacts
from crankclock.studies.rate_limits import Status, Swept, status_of, swept
from crankclock.studies.rate_scan import scan
from crankclock.studies.store import Header
from crankclock.studies.variants import Array
from crankclock.studies.work import Crew
from crankclock.units import System, show

log = logging.getLogger(__name__)
Verdict = Literal["pass", "fail", "incomplete"]

STEP, STEPS, MOST_STEPS = 1.0 / 60.0, 200, 20_000
"""Coarsest step of a scan [strokes/s], the fewest steps in its span, and the most that may be asked for."""


@dataclass(frozen=True)
class Sweep:
    """A swept scenario; the span [strokes/s] is scanned from `low` to `high` every `step`, or finer.

    Where the work was interrupted it is not `whole`: `high` is as far as it came, and what was not begun is missing.
    """

    loaded: Loaded
    machine: Machine
    reading: Reading
    units: System
    low: float
    high: float
    step: float
    readings: Mapping[Reading, Swept]
    contacts: OtherContacts | None
    assumed: tuple[Assumption, ...]
    notes: tuple[str, ...]
    whole: bool = True

    @property
    def title(self) -> str:
        return self.machine.scenario.title or self.loaded.name

    @property
    def rate(self) -> float:
        """The scenario's own stroke rate [strokes/s]."""
        return float(self.machine.crank.rate)

    @property
    def swept(self) -> Swept:
        """The span by the chosen reading."""
        return self.readings[self.reading]

    @property
    def unjudged(self) -> tuple[Unjudged, ...]:
        return self.swept.scan.unjudged

    @property
    def verdict(self) -> Verdict:
        """Whether some rate passes: where a core rule cannot be judged, or not all was done, none can be called so."""
        if not self.whole:
            return "incomplete"
        if not self.swept.passing:
            return "fail"
        return "incomplete" if any(each.rule.core for each in self.unjudged) else "pass"

    @property
    def status(self) -> Status | None:
        """At the scenario's own rate; a pass that other contact values turn is tight; None where it was not judged."""
        scanned, contacts = self.swept.scan, self.contacts
        if not self.whole:
            return None
        at = np.flatnonzero(scanned.rates == self.rate)
        if not at.size:
            return None
        found = status_of(bool(scanned.fails[at[0]]), bool(scanned.short[at[0]]))
        return "tight" if found == "pass" and contacts is not None and not contacts.hold(self.rate) else found


def sweep(
    loaded: Loaded,
    low: float | None = None,
    high: float | None = None,
    step: float | None = None,
    reading: Reading | None = None,
    units: System | None = None,
    crew: Crew | None = None,
) -> Sweep:
    """Judge a scenario over a span of stroke rates.

    Parameters
    ----------
    loaded : Loaded
    low, high : float, optional
        Ends of the span [strokes/s]; by default those the press may run at, else half and double the scenario's rate.
    step : float, optional
        Coarsest step of the scan [strokes/s]; by default 1 /min, finer in a span of less than 200 /min.
    reading : {"hand", "rigid", "running"}, optional
        By default running where the scenario has the data for it, else rigid. The rigid one stands beside running.
    units : {"metric", "inch"}, optional
        How reports speak; the scenario's own units by default.
    crew : Crew, optional
        Who does the work, by default this process; the answer does not depend on it.

    Returns
    -------
    Sweep
        What was found out, also where the work was interrupted.

    Raises
    ------
    KeyboardInterrupt
        The work was interrupted before anything was known.
    InputError
        A span that is none, too many steps, or a running reading that lacks keys.
    UnfinishedError
        The running reading cannot be worked out at one of the rates.
    """
    resolved, assumed = loaded.resolved()
    machine = build(resolved)
    bottom, top, apart = _span(machine, low, high, step)
    lacks = running_needs(machine)
    chosen = _reading(loaded, lacks, reading)
    rate = float(machine.crank.rate)
    steps = math.ceil((top - bottom) / apart * (1.0 - 1e-12))
    rates = np.linspace(bottom, top, steps + 1)
    apart = (top - bottom) / max(steps, 1)
    if bottom <= rate <= top:
        rates = np.union1d(rates, rate)
    log.info("%s: %d rates from %g to %g strokes/s", loaded.name, rates.size, bottom, top)
    readings, contacts, whole = _found(loaded.scenario, machine, rates, chosen, crew or Crew())
    system: System = units or ("inch" if resolved.units == "inch" else "metric")
    notes = (*loaded.notes, *_notes(loaded, machine, chosen, apart, lacks))
    top = float(readings[chosen].scan.rates[-1])
    return Sweep(loaded, machine, chosen, system, bottom, top, apart, readings, contacts, assumed, notes, whole)


def header(loaded: Loaded, reading: Reading | None) -> Header:
    """What kept results belong to; another span or step may be asked of the same file."""
    return {
        "study": "sweep",
        "input": loaded.source.digest,
        "overrides": " ".join(loaded.overrides),
        "reading": _reading(loaded, running_needs(build(loaded.resolved()[0])), reading),
    }


def _reading(loaded: Loaded, lacks: tuple[str, ...], wanted: Reading | None) -> Reading:
    if wanted == "running" and lacks:
        want = "this key, which the running reading needs"
        raise InputError([Problem(key, "nothing", want) for key in lacks], loaded.name)
    return wanted or ("rigid" if lacks else "running")


def _found(
    scenario: Scenario, machine: Machine, rates: Array, chosen: Reading, crew: Crew
) -> tuple[dict[Reading, Swept], OtherContacts | None, bool]:
    """The span by every reading, what other contact values make of it, and whether all of that was done."""
    rate, readings = float(machine.crank.rate), dict[Reading, Swept]()
    wanted: tuple[Reading, ...] = ("running", "rigid") if chosen == "running" else (chosen,)
    for reading in wanted:
        scanned = scan(scenario, rates, reading, crew)
        if scanned is not None:
            readings[reading] = swept(scanned, rate)
        if scanned is None or not scanned.whole:
            if not readings:
                raise KeyboardInterrupt
            return readings, None, False
    if chosen != "running":
        return readings, None, True
    try:
        return readings, other_contacts(scenario, machine, readings[chosen], rate, crew), True
    except KeyboardInterrupt:
        return readings, None, False


def _span(machine: Machine, low: float | None, high: float | None, step: float | None) -> tuple[float, float, float]:
    """The span and its step [strokes/s], with every way they can be wrong told."""
    least, most = span_of(machine.scenario)
    bottom, top = least if low is None else low, most if high is None else high
    if bottom > top or (bottom == top and (low, high) != (None, None)):
        given = f"{_said(bottom)} to {_said(top)}"
        raise InputError([Problem("--from, --to", given, "a span of rates, the lower one first")])
    apart = step or min(STEP, (top - bottom) / STEPS) or STEP
    if (top - bottom) / apart > MOST_STEPS:
        at_least = f"at least {60.0 * (top - bottom) / MOST_STEPS:.6g} /min in this span"
        raise InputError([Problem("--step", f"{60.0 * apart:.6g} /min", at_least)])
    return bottom, top, apart


def _said(rate: float) -> str:
    return show(rate, "rate", "metric")


def _notes(loaded: Loaded, machine: Machine, reading: Reading, step: float, lacks: tuple[str, ...]) -> list[str]:
    """What a reader should know about how the span was read."""
    every = f"{60.0 * step:.3g} /min"
    notes = [
        f"Scanned every {every}, and narrowed down wherever a rule turns. A band of rates narrower than that, in which "
        "a rule fails or holds, can lie unseen between two rates of the scan."
    ]
    if reading == "running":
        contact = machine.scenario.contact
        notes.append(
            "Running reading: stripper and strip as masses on springs and contacts; a bounce can make a rule jump. "
            f"Contact stiffness ({float(contact.stiffness) / 1e6:g} kN/mm) and damping ratio "
            f"({float(contact.damping):g}) are guesses with a large effect on bounce."
        )
    elif reading == "hand":
        notes.append("Turned over by hand: a pass by hand says nothing of the cycle at speed. Speeds are at the rate.")
    elif lacks:
        notes.append(
            "RIGID READING ONLY: springs, bounce and inertia at speed are not judged, and it is at speed that they "
            f"bind. For the running reading give {', '.join(lacks)}."
        )
    else:
        notes.append("Springs, bounce and the stripper's inertia at speed are not in the rigid reading.")
    notes += press_notes(machine)
    if machine.scenario.press.flywheel is not None and reading != "hand":
        notes.append("The flywheel's work is taken as the same at every rate.")
    if loaded.tolerances:
        notes.append("The tolerances given are not used: this is the nominal cycle.")
    return notes
