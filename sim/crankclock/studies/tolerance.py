"""How likely the cycle fails within its tolerances, up to which rate a risk is borne, and what to tighten."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.cycle import Reading, running_needs
from crankclock.errors import InputError, Problem
from crankclock.rules import RULES
from crankclock.scenario.build import build
from crankclock.scenario.defaults import Assumption, resolve
from crankclock.scenario.load import Loaded
from crankclock.scenario.paths import with_values
from crankclock.scenario.schema import Scenario
from crankclock.studies.ceiling import span_of
from crankclock.studies.store import Header
from crankclock.studies.tolerance_batch import Name
from crankclock.studies.tolerance_rates import (
    PILOT,
    REPLICATES,
    STEPS,
    AtRate,
    RateAtRisk,
    Sampler,
    StoppedError,
    Table,
    over_rates,
)
from crankclock.studies.tolerance_risk import least_supported, needed
from crankclock.studies.tolerance_sample import RATE, Spread, points, spread_of
from crankclock.studies.tolerance_sensitivity import Sensitivity, sensitivities
from crankclock.studies.variants import evaluate
from crankclock.studies.work import Crew
from crankclock.units import System, show

log = logging.getLogger(__name__)
Verdict = Literal["pass", "fail", "undecided", "incomplete"]

LEAST, MOST = 2**8, 2**24
MOST_KEPT = 2**19
"""Samples that are kept one by one; a sheet of a workbook has 2^20 rows."""

CORE = frozenset(rule.name for rule in RULES if rule.core)


@dataclass(frozen=True)
class Wish:
    """What is asked of a scenario's tolerances.

    Attributes
    ----------
    samples : int
        A power of two.
    risk : float
        Probability of failing that can be borne.
    low, high : float, optional
        Span of rates [strokes/s]; by default what the press may run at, else half to double the scenario's rate.
    keep : bool
        Also give every sample at the scenario's rate.
    """

    samples: int = 2**14
    risk: float = 1e-5
    seed: int = 0
    low: float | None = None
    high: float | None = None
    reading: Reading | None = None
    units: System | None = None
    keep: bool = False


@dataclass(frozen=True)
class Tolerances:
    """A scenario within its tolerances.

    Attributes
    ----------
    low, high : float
        Span of rates [strokes/s].
    supported : float
        The smallest risk that the samples asked for can show.
    wanted : int
        Samples that can show the risk asked for.
    nominal : dict
        Margin [SI] of every rule with all values nominal; nan where there is none.
    at_rate : AtRate or None
        At the scenario's rate; None where the work was interrupted before that was known.
    rates : tuple of AtRate
        Over the span and at the scenario's rate, rising; those not tried in full have fewer samples.
    rate_at_risk : RateAtRisk or None
        None where the work was interrupted.
    sensitivities : tuple of Sensitivity
        Rules whose margin varies at the scenario's rate: those that fail most often first, then those closest to it.
    unjudged : tuple of Name
        Rules that lack data.
    table : Table or None
        Every sample, where they were asked for.
    whole : bool
        False where the work was interrupted.
    """

    loaded: Loaded
    wish: Wish
    spread: Spread
    reading: Reading
    units: System
    low: float
    high: float
    supported: float
    wanted: int
    nominal: dict[Name, float]
    at_rate: AtRate | None
    rates: tuple[AtRate, ...]
    rate_at_risk: RateAtRisk | None
    sensitivities: tuple[Sensitivity, ...]
    unjudged: tuple[Name, ...]
    table: Table | None
    assumed: tuple[Assumption, ...]
    notes: tuple[str, ...]
    whole: bool

    @property
    def title(self) -> str:
        return self.loaded.scenario.title or self.loaded.name

    @property
    def rate(self) -> float:
        """The scenario's own [strokes/s]."""
        return float(self.loaded.scenario.press.rate)

    @property
    def complete(self) -> bool:
        """Whether every core rule is judged."""
        return not any(rule in CORE for rule, _ in self.unjudged)

    @property
    def verdict(self) -> Verdict:
        """At the scenario's rate: the risk is shown to be borne, or not to be, or the sample does not tell."""
        if self.at_rate is None or not self.complete:
            return "incomplete"
        if self.at_rate.overall.high <= self.wish.risk:
            return "pass"
        return "fail" if self.at_rate.overall.low > self.wish.risk else "undecided"

    @property
    def spare(self) -> float:
        """Standard deviations that the mean of a normally distributed margin is above 0 where it bears the risk."""
        from scipy.special import ndtri

        return max(-float(ndtri(self.wish.risk)), 0.0)

    @property
    def borne(self) -> bool:
        """Whether some rate is shown to bear the risk asked for."""
        found = self.rate_at_risk
        return self.complete and found is not None and found.rate is not None and found.risk <= self.wish.risk


def header(loaded: Loaded, wish: Wish) -> Header:
    """What kept results belong to; more samples, or another span, may be asked of the same file."""
    return {
        "study": "tolerance",
        "input": loaded.source.digest,
        "overrides": " ".join(loaded.overrides),
        "reading": _reading(loaded, wish),
        "seed": wish.seed,
    }


def tolerance(loaded: Loaded, wish: Wish, crew: Crew) -> Tolerances:
    """Sample a scenario's tolerances.

    Parameters
    ----------
    loaded : Loaded
        With a tolerance at least.
    wish : Wish
    crew : Crew
        Who does the work; the answer does not depend on it.

    Returns
    -------
    Tolerances
        What was found out, also where the work was interrupted.

    Raises
    ------
    InputError
        No tolerance, or a wish that cannot be.
    """
    check(loaded, wish)
    reading, spread, (low, high) = _reading(loaded, wish), spread_of(loaded), _span(loaded, wish)
    scenario = as_set(loaded)
    sampler = Sampler(scenario, reading, spread, wish.seed, wish.samples, crew)
    rate = float(loaded.scenario.press.rate)
    nominal = evaluate(scenario, {}, reading)
    table: Table | None = None
    at_risk: RateAtRisk | None = None
    told: tuple[Sensitivity, ...] = ()
    try:
        what = f"risk at {show(rate, 'rate', 'metric')}"
        if wish.keep:
            table = sampler.table(what, rate)
        else:
            sampler.look(what, [rate], sampler.each)
        told = sensitivities(sampler, sampler.known[rate])
        at_risk = over_rates(sampler, rate, low, high, max(wish.risk, least_supported(wish.samples)))
    except StoppedError:
        log.info("interrupted")
    known = sampler.known
    lacking = [(each.rule.name, each.subject) for each in nominal.unjudged]
    return Tolerances(
        loaded=loaded,
        wish=wish,
        spread=spread,
        reading=reading,
        units=wish.units or ("inch" if loaded.scenario.units == "inch" else "metric"),
        low=low,
        high=high,
        supported=least_supported(wish.samples),
        wanted=max(needed(wish.risk), LEAST),
        nominal={(row.rule.name, row.subject): float(row.margin[0]) for row in nominal.rows},
        at_rate=known.get(rate),
        rates=tuple(known[each] for each in sorted(known)),
        rate_at_risk=at_risk,
        sensitivities=told,
        unjudged=tuple(dict.fromkeys([*lacking, *(name for each in known.values() for name in each.unjudged)])),
        table=table,
        assumed=loaded.resolved()[1],
        notes=(*loaded.notes, *_notes(loaded, wish, spread, reading)),
        whole=at_risk is not None,
    )


def as_set(loaded: Loaded) -> Scenario:
    """The scenario with every engagement height that it leaves open set once, as for the nominal cycle.

    A die is set once and not anew for every part: were the height to follow each sample, no tolerance could ever
    leave a thread short.
    """
    resolved = loaded.resolved()[0]
    heights = {
        f"tap.{name}.drive.engage_height": resolved.tap[name].drive.engage_height for name in _open_heights(loaded)
    }
    return with_values(loaded.scenario, heights)


def _open_heights(loaded: Loaded) -> list[str]:
    """Press-driven taps whose engagement height the scenario leaves open."""
    taps = loaded.scenario.tap or {}
    return [name for name, tap in taps.items() if tap.drive.kind == "press" and tap.drive.engage_height is None]


def _reading(loaded: Loaded, wish: Wish) -> Reading:
    lacks = running_needs(build(loaded.resolved()[0]))
    if wish.reading == "running" and lacks:
        want = "this key, which the running reading needs"
        raise InputError([Problem(key, "nothing", want) for key in lacks], loaded.name)
    return wish.reading or ("rigid" if lacks else "running")


def _span(loaded: Loaded, wish: Wish) -> tuple[float, float]:
    least, most = span_of(loaded.scenario)
    return least if wish.low is None else wish.low, most if wish.high is None else wish.high


def check(loaded: Loaded, wish: Wish) -> None:
    """Refuse what cannot be asked, before any work is done.

    Raises
    ------
    InputError
        With everything that is wrong.
    """
    low, high = _span(loaded, wish)
    problems = []
    if not loaded.tolerances:
        want = 'a tolerance at least, such as strip.thickness = "1.50 mm ± 0.06 mm"'
        problems.append(Problem(loaded.name, "no tolerance", want))
    most = MOST_KEPT if wish.keep else MOST
    if not LEAST <= wish.samples <= most or wish.samples & (wish.samples - 1):
        each = " where each is written to a file" if wish.keep else ""
        want = f"a power of two from 2^{LEAST.bit_length() - 1} to 2^{most.bit_length() - 1}{each}"
        problems.append(Problem("--samples", str(wish.samples), want))
    if not 0.0 < wish.risk < 1.0:
        problems.append(Problem("--risk", f"{wish.risk:g}", "a probability between 0 and 1"))
    if low > high:
        given = f"{show(low, 'rate', 'metric')} to {show(high, 'rate', 'metric')}"
        problems.append(Problem("--from, --to", given, "a span of rates, the lower one first"))
    if problems:
        raise InputError(problems)
    _reading(loaded, wish)


def _notes(loaded: Loaded, wish: Wish, spread: Spread, reading: Reading) -> list[str]:
    """What a reader should know about how this was found."""
    few = max(wish.samples // PILOT, 16 * REPLICATES)
    notes = [
        f"Sampled quasi-randomly: {REPLICATES} Sobol sequences, each scrambled on its own, seed {wish.seed}. A normal "
        "tolerance has its mean in the middle of its limits, which are 3 standard deviations from it, and is cut off "
        "there; quantities vary independently of each other.",
        "Intervals are for 95 % confidence: Student's over the sequences, and where few samples fail or few pass no "
        "narrower than Clopper and Pearson's for so many independent samples. A sample that makes no cycle fails.",
        f"Over the span {STEPS + 1} rates are tried with {few:,} samples, and with all where it takes that to find the "
        "greatest that holds. Between two of them nothing is known.",
    ]
    if RATE in spread.paths:
        notes.append("At other rates the tolerance of press.rate goes with the rate, in proportion.")
    notes += [
        f"tap.{name}.drive.engage_height is not given: it is set once, for the nominal cycle, and does not follow the "
        "samples."
        for name in _open_heights(loaded)
    ]
    notes += [
        f"{path} is not given and follows each sample, as if set anew: {why}." for path, why in _following(loaded)
    ]
    return notes + _how_read(loaded, reading)


def _following(loaded: Loaded) -> list[tuple[str, str]]:
    """Defaults that depend on a toleranced key, with what they are."""
    spread = spread_of(loaded)
    values = spread.values(points(0, 0, 0, spread.size, 0, 2))
    _, assumed = resolve(with_values(as_set(loaded), values))
    return [(each.path, each.words) for each in assumed if isinstance(each.value, np.ndarray)]


def _how_read(loaded: Loaded, reading: Reading) -> list[str]:
    if reading == "running":
        return [
            "Running reading: contact stiffness and damping are guesses with a large effect on bounce, and vary here "
            "only where they have a tolerance. check tells how the verdict moves with them."
        ]
    if lacks := running_needs(build(loaded.resolved()[0])):
        return [
            "RIGID READING ONLY: springs, bounce and inertia at speed are not judged. For the running reading give "
            f"{', '.join(lacks)}."
        ]
    return [f"Springs, bounce and the stripper's inertia at speed are not in the {reading} reading."]
