"""Runs of the line with several sets of sensors, and what they come to: shares, with how sure they are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from crankclock.cycle import Reading
from crankclock.scenario.schema import Scenario
from crankclock.studies.store import Result
from crankclock.studies.strokes_faults import Fault
from crankclock.studies.strokes_line import Line, Outcome
from crankclock.studies.strokes_plan import Plans
from crankclock.studies.work import Chunk, Crew
from crankclock.units import System

RUN = ("stopped", "nuisance", "late", "spoilt")
"""What is counted of a run; `Variant` has them in this order."""
CHUNK = 50
"""Runs worked out at a time; it does not depend on how many work."""
SURE = 0.95
"""Confidence of the intervals: exact binomial ones (Clopper and Pearson), quantiles of beta distributions."""

Counts = dict[str, NDArray[np.int64]]


@dataclass(frozen=True)
class Wish:
    """What is asked.

    Attributes
    ----------
    strokes, runs : int
        Strokes of a run, and how many runs.
    faults : sequence of str
        As `strokes_faults` writes them.
    without : sequence of str
        Sensors that are not looked at.
    seed : int
        Of the random numbers.
    """

    strokes: int = 200
    faults: Sequence[str] = ()
    runs: int = 1
    seed: int = 0
    without: Sequence[str] = ()
    reading: Reading | None = None
    units: System | None = None


@dataclass(frozen=True)
class Share:
    """How many of how many, with the exact binomial interval of the probability behind it."""

    count: int
    of: int

    @property
    def interval(self) -> tuple[float, float] | None:
        """Confidence interval at `SURE`; None where nothing was tried."""
        if self.of == 0:
            return None
        tail, missed = 0.5 * (1.0 - SURE), self.of - self.count
        low = 0.0 if self.count == 0 else float(betaincinv(self.count, missed + 1, tail))
        high = 1.0 if missed == 0 else float(betaincinv(self.count + 1, missed, 1.0 - tail))
        return low, high


@dataclass(frozen=True)
class Tally:
    """What came of one fault over the runs.

    Attributes
    ----------
    struck : Share
        Runs in which it struck.
    escaped : Share
        Of these, runs in which it got past: parts were spoilt in later strokes, or spoilt and nobody noticed.
    bad, further, hits : int
        Bad parts; those made after the stroke in which it struck; hits of one thing on another.
    seen : mapping
        Runs stopped on it, by sensor.
    nuisance : int
        Runs it stopped with nothing wrong.
    """

    fault: Fault
    struck: Share
    escaped: Share
    bad: int
    further: int
    hits: int
    seen: Mapping[str, int]
    nuisance: int


@dataclass(frozen=True)
class Variant:
    """All runs with some of the sensors.

    Attributes
    ----------
    watching : tuple of str
        The sensors looked at.
    stopped, nuisance, late, spoilt : Share
        Runs that were stopped; stopped with nothing wrong; stopped on a fault but not before what the sensor protects;
        in which a bad part was made.
    """

    watching: tuple[str, ...]
    tallies: tuple[Tally, ...]
    stopped: Share
    nuisance: Share
    late: Share
    spoilt: Share

    @property
    def by_chance(self) -> bool:
        """Whether any fault comes by chance, so that shares say something of a probability."""
        return any(each.fault.stroke is None for each in self.tallies)


def strikes_of(asked: tuple[Fault, ...], wish: Wish, run: int) -> list[list[int]]:
    """Strokes at which each fault strikes in a run; a fault's chance does not depend on the others or on sensors."""
    seeds = (np.random.SeedSequence(wish.seed, spawn_key=(run, k)) for k in range(len(asked)))
    return [fault.strikes(wish.strokes, np.random.default_rng(seed)) for fault, seed in zip(asked, seeds, strict=True)]


def one_run(
    plans: Plans,
    asked: tuple[Fault, ...],
    strikes: list[list[int]],
    count: int,
    watching: tuple[str, ...],
    *,
    logging: bool,
    quiet: bool,
) -> Outcome:
    return Line(plans, asked, strikes, count, frozenset(watching), logging=logging, quiet=quiet).run()


def all_runs(
    scenario: Scenario,
    wish: Wish,
    reading: Reading,
    units: System,
    asked: tuple[Fault, ...],
    sets: tuple[tuple[str, ...], ...],
    runs: int,
    crew: Crew,
    *,
    quiet: bool,
) -> tuple[dict[str, NDArray[np.int64]], bool]:
    """Every run with every set of sensors, and whether all were made."""
    starts = range(0, runs, CHUNK)
    chunks = (
        Chunk(str(at), (scenario, wish, reading, units, asked, sets, at, min(CHUNK, runs - at), quiet)) for at in starts
    )
    done = crew.run("runs", batch, chunks, len(starts))
    if not done.results:
        empty = batch(scenario, wish, reading, units, asked, sets, 0, 0, quiet)
        return dict(empty), done.whole
    parts = [done.results[key] for key in sorted(done.results, key=int)]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}, done.whole


def batch(
    scenario: Scenario,
    wish: Wish,
    reading: Reading,
    units: System,
    asked: tuple[Fault, ...],
    sets: tuple[tuple[str, ...], ...],
    first: int,
    count: int,
    quiet: bool,
) -> Result:
    """Some runs, each with every set of sensors.

    Returns
    -------
    Result
        Arrays of shape (count, sets) for a run, and (count, sets, faults) for a fault of a run; "seen" is the number
        of the sensor that stopped the press on it, -1 for none.
    """
    plans = Plans(scenario, reading, units)
    sensors = list(scenario.sensor)
    per_run = {name: np.zeros((count, len(sets)), np.int64) for name in RUN}
    names = ("struck", "bad", "further", "hits", "seen", "false")
    per_fault = {name: np.zeros((count, len(sets), len(asked)), np.int64) for name in names}
    for run in range(count):
        strikes = strikes_of(asked, wish, first + run)
        for k, watching in enumerate(sets):
            outcome = one_run(plans, asked, strikes, wish.strokes, watching, logging=False, quiet=quiet)
            halt = outcome.halt
            per_run["stopped"][run, k] = halt is not None
            per_run["nuisance"][run, k] = halt is not None and not halt.causes
            per_run["late"][run, k] = halt is not None and bool(halt.causes) and halt.reached
            per_run["spoilt"][run, k] = bool(outcome.bad)
            for fault in range(len(asked)):
                for name, value in zip(names, _counts(outcome, fault, sensors), strict=True):
                    per_fault[name][run, k, fault] = value
    return {**per_run, **per_fault}


def _counts(outcome: Outcome, fault: int, sensors: list[str]) -> tuple[int, int, int, int, int, int]:
    """Of one fault: struck, bad parts, those of later strokes, hits, sensor that saw it, nuisance stop."""
    bad = {(stroke, since) for stroke, causes in outcome.bad for k, since in causes if k == fault}
    hits = sum(any(k == fault for k, _ in causes) for _, causes in outcome.hits)
    halt, seen, false = outcome.halt, -1, 0
    if halt is not None and any(k == fault for k, _ in halt.causes):
        seen = sensors.index(halt.sensor)
    if halt is not None and not halt.causes and any(k == fault for k, _ in halt.own):
        false = 1
    struck = int(any(k == fault for k, _ in outcome.struck))
    further = {stroke for stroke, since in bad if stroke > since}
    return struck, len({stroke for stroke, _ in bad}), len(further), hits, seen, false


def variant(
    watching: tuple[str, ...],
    k: int,
    asked: tuple[Fault, ...],
    found: Mapping[str, NDArray[np.int64]],
    sensors: list[str],
) -> Variant:
    runs = len(found["stopped"])
    tallies = tuple(_tally(fault, found, k, number, sensors) for number, fault in enumerate(asked))
    return Variant(watching, tallies, *(Share(int(found[name][:, k].sum()), runs) for name in RUN))


def _tally(fault: Fault, found: Mapping[str, NDArray[np.int64]], k: int, number: int, sensors: list[str]) -> Tally:
    mine = {name: array[:, k, number] for name, array in found.items() if array.ndim == 3}
    struck, bad, seen = mine["struck"] > 0, mine["bad"] > 0, mine["seen"]
    escaped = struck & ((mine["further"] > 0) | (bad & (seen < 0)))
    by_sensor = {name: int((seen == index).sum()) for index, name in enumerate(sensors)}
    return Tally(
        fault=fault,
        struck=Share(int(struck.sum()), len(struck)),
        escaped=Share(int(escaped.sum()), int(struck.sum())),
        bad=int(mine["bad"].sum()),
        further=int(mine["further"].sum()),
        hits=int(mine["hits"].sum()),
        seen=by_sensor,
        nuisance=int(mine["false"].sum()),
    )
