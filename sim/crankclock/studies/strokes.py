"""Many strokes of the line in real time, with faults that strike: what is seen, what is hit, what gets past."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Reading, running_needs
from crankclock.errors import InputError, Problem
from crankclock.parts.numbers import TURN
from crankclock.scenario.build import Machine, build
from crankclock.scenario.defaults import Assumption
from crankclock.scenario.load import Loaded
from crankclock.scenario.schema import Scenario
from crankclock.studies.check import Verdict
from crankclock.studies.notes import press_notes
from crankclock.studies.strokes_faults import Fault, faults
from crankclock.studies.strokes_line import Entry, Outcome
from crankclock.studies.strokes_plan import Plans
from crankclock.studies.strokes_runs import Variant, Wish, all_runs, one_run, strikes_of, variant
from crankclock.studies.work import Crew
from crankclock.units import System

CAUTION = (
    "A planning model of faults that are named, not of those that are not. Nothing here is a safety device, proves "
    "one, or releases a press to run: the standards in force and qualified persons decide. Guards and lock-out stay on."
)

NOTES = (
    "The press starts at top dead centre, at its speed unless each stroke is started; the strip lies in its place.",
    "A sensor has to find what it watches for its response time within its window; it is judged when the window ends, "
    "and the control then takes the response and one whole scan, the most it can take.",
    "After the stop signal the crank runs on for the delay and is then braked evenly. A feed once commanded runs on.",
    "Every fault is as large as it is named; how often faults come, and that they come alone, is what you say.",
)
ALIKE = "Nothing here is by chance, so every run would be the same: one was made."


@dataclass(frozen=True)
class Agreement:
    """How the events of strokes without fault compare with those of `check`.

    Attributes
    ----------
    strokes, events : int
        How many were compared.
    most : float
        Greatest difference [rad].
    missing : int
        Events of `check` that such a stroke lacks.
    """

    strokes: int
    events: int
    most: float
    missing: int


@dataclass(frozen=True)
class Strokes:
    """The runs, and the first of them in full.

    Attributes
    ----------
    first : Outcome
        The first run, with its log.
    verdict : str
        What `check` says of the cycle without faults.
    failing : tuple of str
        Rules that fail without any fault.
    restless : bool
        True where the line without any fault stops or hits something.
    variants : tuple of Variant
        With the sensors asked for, then without each of them, then without any.
    runs : int
        Runs made: one where nothing is by chance, since all would be alike.
    """

    loaded: Loaded
    wish: Wish
    reading: Reading
    units: System
    rate: float
    single: bool
    faults: tuple[Fault, ...]
    first: Outcome
    machine: Machine
    agreement: Agreement
    verdict: Verdict
    failing: tuple[str, ...]
    restless: bool
    variants: tuple[Variant, ...]
    runs: int
    assumed: tuple[Assumption, ...]
    whole: bool

    @property
    def told(self) -> tuple[Entry, ...]:
        """The log of the first run without the strokes in which nothing but the usual happens."""
        busy = {each.stroke for each in self.first.log if each.kind != "event"}
        return tuple(each for each in self.first.log if each.stroke in busy)

    @property
    def passed(self) -> tuple[Entry, ...]:
        """What tools, stripper and feed did between the stop signal and the slide's rest, or as it rested."""
        halt = self.first.halt
        if halt is None:
            return ()
        since, until = halt.rest.signal[1], halt.rest.rest[1]
        return tuple(each for each in self.first.log if each.kind == "event" and since <= each.time <= until)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader should know of how it was reckoned."""
        return (
            *NOTES,
            *(() if self.runs == self.wish.runs or not self.whole else (ALIKE,)),
            *(press_notes(self.machine)),
        )

    @staticmethod
    def dial(stroke: int, angle: float) -> float:
        """Dial angle [rad] from the TDC that starts a stroke, of one counted from the start of the run."""
        return angle - (stroke - 1) * TURN

    @property
    def title(self) -> str:
        return self.loaded.scenario.title or self.loaded.name

    @property
    def sound(self) -> bool:
        """True where every fault was tried and none got past, and the line without any runs as it should."""
        used = self.variants[0]
        held = all(each.struck.count and not each.escaped.count for each in used.tallies)
        return held and not used.late.count and not self.restless and self.verdict in ("pass", "tight")


def strokes(loaded: Loaded, wish: Wish, crew: Crew) -> Strokes:
    """Run the line.

    Parameters
    ----------
    loaded : Loaded
    wish : Wish
    crew : Crew
        Who works out the runs.

    Returns
    -------
    Strokes
        The same for the same seed, whoever worked.

    Raises
    ------
    InputError
        With every fault, sensor or missing table that makes it impossible.
    """
    scenario, assumed = loaded.resolved()
    reading = _reading(scenario, wish)
    units: System = wish.units or ("inch" if scenario.units == "inch" else "metric")
    asked = _asked(scenario, wish, reading)
    plans = Plans(scenario, reading, units)
    _in_the_strip(asked, plans)
    watching = tuple(name for name in scenario.sensor if name not in wish.without)
    trial = one_run(plans, (), [], 2, watching, logging=True, quiet=False)
    restless = trial.halt is not None or bool(trial.hits or trial.bad)
    by_chance = any(fault.stroke is None for fault in asked)
    first = one_run(plans, asked, strikes_of(asked, wish, 0), wish.strokes, watching, logging=True, quiet=False)
    runs = wish.runs if by_chance else 1
    sets = _sets(watching)
    found, whole = all_runs(scenario, wish, reading, units, asked, sets, runs, crew, quiet=not restless)
    return Strokes(
        loaded=loaded,
        wish=wish,
        reading=reading,
        units=units,
        rate=float(plans.crank.rate),
        single=scenario.press.mode == "single-stroke",
        faults=asked,
        first=first,
        machine=plans.nominal.cycle.machine,
        agreement=_agreement(plans, first, asked),
        verdict=plans.verdict,
        failing=tuple(sorted({rule for rule, _ in plans.broken})),
        restless=restless,
        variants=tuple(variant(each, k, asked, found, list(scenario.sensor)) for k, each in enumerate(sets)),
        runs=len(found["stopped"]),
        assumed=assumed,
        whole=whole,
    )


def _reading(scenario: Scenario, wish: Wish) -> Reading:
    lacks = running_needs(build(scenario))
    if wish.reading == "hand":
        raise InputError([Problem("--reading", '"hand"', '"rigid" or "running": strokes run in real time')])
    if wish.reading == "running" and lacks:
        raise InputError([Problem(key, "nothing", "this key, which the running reading needs") for key in lacks])
    return wish.reading or ("rigid" if lacks else "running")


def _asked(scenario: Scenario, wish: Wish, reading: Reading) -> tuple[Fault, ...]:
    """The faults, with all that is wrong with the wish told at once."""
    problems: list[Problem] = []
    for name in wish.without:
        if name not in scenario.sensor:
            known = " or ".join(scenario.sensor) or "nothing: the scenario has no sensor"
            problems.append(Problem("--without-sensor", f'"{name[:60]}"', known))
    watched = {name: sensor for name, sensor in scenario.sensor.items() if name not in wish.without}
    if watched and scenario.press.stop is None:
        problems.append(Problem("press.stop", "nothing", "the table [press.stop]: how the press stops on a sensor"))
    for name, sensor in watched.items():
        if sensor.watches == "feed" and scenario.feeder is None:
            problems.append(Problem(f"sensor.{name}.watches", '"feed"', "a scenario with a [feeder]"))
    found: tuple[Fault, ...] = ()
    try:
        found = faults(wish.faults, scenario, wish.strokes, running=reading == "running")
    except InputError as wrong:
        problems += wrong.problems
    if problems:
        raise InputError(problems)
    return found


def _in_the_strip(asked: tuple[Fault, ...], plans: Plans) -> None:
    """A tap breaks in the strip or not at all."""
    problems = []
    for fault in asked:
        if fault.kind != "tap-broken" or fault.value is None:
            continue
        span = plans.nominal.cycle.motion.taps[str(fault.name)].thread
        start, end = float(span.start), float(span.end)
        if not start <= fault.value <= end:
            want = f"an angle at which tap {fault.name} is in the strip"
            if np.isfinite(start):
                want += f", {np.degrees(start):.1f} to {np.degrees(end):.1f} deg"
            problems.append(Problem(f'--fault "{fault.text[:60]}"', f"{np.degrees(fault.value):.1f} deg", want))
    if problems:
        raise InputError(problems)


def _sets(watching: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """Sensors as asked, without each of them, and none."""
    less = [tuple(each for each in watching if each != gone) for gone in watching]
    return tuple(dict.fromkeys([watching, *less, ()]))


def _agreement(plans: Plans, outcome: Outcome, asked: tuple[Fault, ...]) -> Agreement:
    """Whole strokes before the first fault, and the angles of their events."""
    begun = min((stroke for _, stroke in outcome.struck), default=None) if asked else None
    events = [each for each in outcome.log if each.kind == "event" and (begun is None or each.stroke < begun)]
    if outcome.halt is not None:
        events = [each for each in events if each.time <= outcome.halt.rest.grip[1]]
    due = {name: float(angle) for name, angle in plans.nominal.cycle.events().items() if np.isfinite(angle)}
    most = max((abs(each.dial - due[f"{each.who}.{each.what}"]) for each in events), default=0.0)
    made = {each.stroke for each in events}
    whole = [each for each in made if outcome.halt is None or each < outcome.halt.stroke]
    counted = sum(each.stroke in whole for each in events)
    return Agreement(len(whole), len(events), most, len(whole) * len(due) - counted)
