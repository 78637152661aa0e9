"""Breakages with a planted cause: a disturbed cycle, and the evidence that it would leave, noisy and half withheld.

The breaking angle and the fragment's depth come from a cycle of the disturbed scenario of its own, not from the curves
that the study interpolates; traces are drawn with the probabilities that the study states, so that what is tried is
whether it reasons rightly from them, and whether the probabilities it gives are as often right as they say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.parts.numbers import TURN
from crankclock.scenario.case import MEASURED_KEYS, OpenedCase, fitted, measured_path, measured_value
from crankclock.scenario.case_schema import Break, Case, Changed, Found, Measured, Stop
from crankclock.scenario.load import open_scenario
from crankclock.scenario.paths import value_at, with_values
from crankclock.scenario.schema import Scenario
from crankclock.studies.breakage import event_ids, grouped, probabilities, weighed
from crankclock.studies.breakage_causes import causes
from crankclock.studies.breakage_collisions import HARMS, collisions
from crankclock.studies.breakage_profile import Profile, Profiles, profiles
from crankclock.studies.breakage_traces import BENT, BY_CAUSE, CHANGED, ERRORS, INCIDENTAL, SEEN, THREAD
from crankclock.studies.variants import turned

WITHHELD = 0.4
NOISE = np.radians(3.0)
MEASURED = 6
"""Keys that are measured, at random, before some are withheld."""
SOFT = (
    "stripper.spring.main.count=3",
    "stripper.spring.main.force=450 N",
    "stripper.spring.main.end_force=650 N",
    "strip.properties.specific_cutting_force=2300 MPa",
    "tap.m4.kind=cut",
    "tap.m4.hole=3.3 mm",
    "tap.m4.wear=1.2",
    "tap.m4.rest_clearance=0.2 mm",
    "feeder.speed=6 m/min",
)
"""The shelf bracket with little to spare in springs, torque, height and feed: causes of nearly every kind break it."""
CUT = ("tap.m4.kind=cut", "tap.m4.hole=3.3 mm", "tap.m4.wear=1.2")
LIGHT = ("stripper.spring.main.force=900 N", "strip.properties.cutting_speed=80 m/min")
SCENARIOS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("shelf-bracket", ()),
    ("shelf-bracket", SOFT),
    ("shelf-bracket", CUT),
    ("extruded-hole-flange-up", ()),
    ("hinge-nothing-to-spare", ()),
    ("seat-plate-from-below", ()),
    ("gauge-plate-own-motor", ()),
    ("deep-tray-on-lifters", ()),
    ("thin-cover-bounces", LIGHT),
    ("two-taps-on-the-stripper", ()),
    ("link-drive-quick-return", ()),
)
"""Shipped scenarios, some with settings, in which nothing breaks as drawn."""
VARIED = ("press.rate", "stripper.travel", "strip.thickness", "strip.mass", "stripper.mass", "strip.lifter_force")


@dataclass(frozen=True)
class Verdict:
    """What was planted, and where it was ranked.

    Attributes
    ----------
    rank : int
        Of the planted cause's group, from 1; 99 where it is not among the suspects.
    stated : float
        Probability given to the first group.
    first : str
        The first cause of the first group.
    hit : bool
        Whether the first group holds the planted cause.
    """

    scenario: str
    planted: str
    rank: int
    stated: float
    first: str
    hit: bool


def varied(name: str, settings: tuple[str, ...], random: np.random.Generator) -> Scenario:
    """A shipped scenario with its values varied by a few per cent."""
    scenario = open_scenario(name, settings).resolved()[0]
    values = {}
    for path in VARIED:
        value = value_at(scenario, path)
        if value is not None:
            values[path] = value * (1.0 + 0.03 * random.uniform(-1.0, 1.0))
    return with_values(scenario, values)


def planted_profiles(name: str, settings: tuple[str, ...], random: np.random.Generator) -> Profiles:
    """All causes of a varied scenario that holds as drawn."""
    for _ in range(20):
        scenario = varied(name, settings, random)
        tap = next(iter(scenario.tap))
        holds = not any(each.fails.any() for each in collisions(next(turned(scenario, {}, None, HARMS)), tap))
        if holds:
            return profiles(scenario, tap, causes(scenario, tap), events=events_of(scenario, tap))
    raise AssertionError(f"{name} never holds when varied")


def events_of(scenario: Scenario, tap: str) -> tuple[str, ...]:
    """Events that a log of the press tells: feed, rolls, stripper, strip and the tap that broke."""
    there = event_ids(scenario)
    wanted = [f"tap:{tap}.{each}" for each in ("engage", "touch", "leave", "home")]
    wanted += ["feed.start", "feed.end", "rolls.open", "rolls.close"]
    wanted += ["stripper.touch", "stripper.clamped", "stripper.unclamped", "strip.settled"]
    return tuple(each for each in wanted if each in there)


def plant(found: Profiles, profile: Profile, random: np.random.Generator) -> OpenedCase:
    """A case as the cause would leave it."""
    cause, least = profile.cause, profile.least
    assert least is not None
    severity = float(random.uniform(least, cause.most))
    if cause.whole:
        severity = float(random.integers(int(least), int(cause.most) + 1))
    values = cause.values(np.array([severity]))
    part = next(turned(found.scenario, values, None, HARMS))
    failing = [each for each in collisions(part, found.tap) if each.fails[0]]
    if not failing:
        return plant(found, profile, random)
    first = min(failing, key=lambda each: float(each.moment[0]))
    broke: dict[str, object] = {"tap": found.tap}
    if np.isfinite(first.angle[0]):
        span = float(first.end[0] - first.start[0])
        broke["angle"] = float(np.mod(first.start[0] + span * random.uniform() + NOISE * random.normal(), TURN))
        depth = max(float(first.depth[0]), 0.0)
        broke["fragment"] = max(depth + (3e-4 + 0.1 * depth) * random.normal(), 0.0)
    harm, kind = first.harm, cause.kind.name
    broke["fracture"] = "bent" if random.uniform() < BENT[harm.name] else "twisted"
    row = THREAD[harm.name]
    seen: dict[str, object] = {"thread": random.choice(list(row), p=list(row.values()))}
    seen |= {name: bool(random.uniform() < chances[harm.name]) for name, chances in SEEN.items()}
    seen["tap_broken"] = bool(random.uniform() < harm.breaks)
    own = {name: bool(random.uniform() < chances.get(kind, other)) for name, (other, chances) in BY_CAUSE.items()}
    seen |= {name: own[name] for name in ("burr", "slug", "feed_short", "backlash_felt")}
    seen["lubrication"] = "dry" if own["dry"] else "oiled"
    if found.scenario.stripper.spring:
        lost = cause.nominal[cause.key] - values[cause.key][0] if kind == "spring-lost" else 0.0
        seen["springs_lost"] = float(lost)
    changed = {
        name: bool(random.uniform() < CHANGED[0 if cause.kind.about == name else 1]) for name in Changed.model_fields
    }
    angles = part.readings.chosen(part.reading).events()
    observed = {
        name: float(np.mod(float(part.wide(angles[name])[0]) + NOISE * random.normal(), TURN))
        for name in found.drawn
        if np.isfinite(part.wide(angles[name])[0])
    }
    rate = _measured(found.scenario, found.tap, "rate", values, random)
    kept = [_withheld(each, random) for each in (broke, seen, _measurements(found, values, random), changed)]
    case = Case.model_construct(
        title=None,
        stop=Stop.model_construct(**_whole(Stop, _withheld({"rate": rate}, random))),
        broke=Break.model_construct(**_whole(Break, {**kept[0], "tap": found.tap})),
        found=Found.model_construct(**_whole(Found, kept[1])),
        observed=_withheld(observed, random),
        measured=Measured.model_construct(**_whole(Measured, kept[2])),
        changed=Changed.model_construct(**_whole(Changed, kept[3])),
    )
    return fitted("planted", case, found.scenario)


def _whole(table: type, some: dict[str, object]) -> dict[str, object]:
    return {name: some.get(name) for name in table.model_fields}  # type: ignore[attr-defined]


def _withheld(table: dict[str, object], random: np.random.Generator) -> dict[str, object]:
    return {name: value for name, value in table.items() if random.uniform() >= WITHHELD}


def _measurements(found: Profiles, values: dict[str, np.ndarray], random: np.random.Generator) -> dict[str, object]:
    there = [name for name in MEASURED_KEYS if measured_value(name, found.scenario, found.tap) is not None]
    some = random.permutation(there)[:MEASURED]
    return {name: _measured(found.scenario, found.tap, name, values, random) for name in some}


def _measured(
    scenario: Scenario, tap: str, name: str, values: dict[str, np.ndarray], random: np.random.Generator
) -> float:
    path = "press.rate" if name == "rate" else measured_path(name, scenario, tap)
    drawn = float(scenario.press.rate) if name == "rate" else measured_value(name, scenario, tap)
    assert drawn is not None
    true = float(values[path][0]) if path in values else drawn
    fixed, share = ERRORS[name]
    if random.uniform() < INCIDENTAL:
        wide = max(abs(drawn), 20.0 * (fixed + share * abs(drawn)))
        return true + wide * random.uniform(-0.5, 0.5)
    return true + (fixed + share * abs(true)) * float(random.normal())


def judged(found: Profiles, opened: OpenedCase, planted: str, scenario: str) -> Verdict:
    """Where the study ranks the planted cause."""
    fits = weighed(found, opened)
    shares = probabilities(fits, len(found.causes))
    suspects = grouped(fits, list(shares[:-1]))
    names = [[each.profile.cause.name for each in suspect.fits] for suspect in suspects]
    rank = next((k for k, group in enumerate(names, 1) if planted in group), 99)
    lead = suspects[0]
    return Verdict(scenario, planted, rank, lead.probability, lead.lead.profile.cause.name, planted in names[0])


def trial(cases: int, each: int, seed: int = 0) -> list[Verdict]:
    """So many cases, `each` of them on one varied scenario; causes are planted in turn, so that all come up."""
    random = np.random.default_rng(seed)
    verdicts: list[Verdict] = []
    count: dict[str, int] = {}
    turn_ = 0
    while len(verdicts) < cases:
        name, settings = SCENARIOS[turn_ % len(SCENARIOS)]
        turn_ += 1
        found = planted_profiles(name, settings, random)
        able = [profile for profile in found.causes if profile.least is not None and profile.collisions]
        for _ in range(min(each, cases - len(verdicts))):
            least = min(count.get(profile.cause.kind.name, 0) for profile in able)
            rare = [profile for profile in able if count.get(profile.cause.kind.name, 0) == least]
            chosen = rare[int(random.integers(len(rare)))]
            count[chosen.cause.kind.name] = count.get(chosen.cause.kind.name, 0) + 1
            verdicts.append(judged(found, plant(found, chosen, random), chosen.cause.name, name))
    return verdicts


def calibration(verdicts: list[Verdict], parts: int = 5) -> list[tuple[int, float, float]]:
    """Cases in order of the probability stated, in as many equal parts: count, mean stated, share that was right."""
    ordered = sorted(verdicts, key=lambda each: each.stated)
    pieces = [piece for piece in np.array_split(np.arange(len(ordered)), parts) if piece.size]
    return [
        (
            int(piece.size),
            float(np.mean([ordered[k].stated for k in piece])),
            float(np.mean([ordered[k].hit for k in piece])),
        )
        for piece in pieces
    ]
