"""What may have gone wrong: one-parameter disturbances of the cycle as drawn, each over a plausible range.

No published statistics of causes were found. Ranges are what the trade meets (common practice), causes are taken as
equally likely before anything is known, and within a range every severity as likely as any other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from crankclock.scenario.paths import value_at
from crankclock.scenario.schema import Scenario

Array = NDArray[np.float64]
Way = Literal["add", "times", "among"]
PRACTICE = "common practice"
OTHER_GEARINGS = (0.8, 1.25)
"""Gearings fitted by mistake, as shares of the right one, where the scenario lists none that can be had."""


@dataclass(frozen=True)
class Effect:
    """How a disturbance changes one key.

    Attributes
    ----------
    path : str
        May hold `{tap}` or `{spring}`, or `*` for everything of its kind.
    way : {"add", "times", "among"}
        Value + factor x severity; value x (1 + factor x severity); or the other gearings, severity being their number.
    """

    path: str
    way: Way
    factor: float = 1.0


@dataclass(frozen=True)
class Kind:
    """One row of the table of causes.

    Attributes
    ----------
    name, title : str
    effects : tuple of Effect
        The first is the one that a measurement would show.
    dimension : str
        Of the severity; "share" for parts of a value, "count" for whole numbers.
    most : float
        End of the plausible range [SI].
    about : str
        The group of [changed] that covers it.
    trace : str
        What it typically leaves.
    look : str
        What to measure or look at.
    basis : str
        Where the range comes from.
    only : callable, optional
        Whether it can be in a scenario, for a tap.
    """

    name: str
    title: str
    effects: tuple[Effect, ...]
    dimension: str
    most: float
    about: str
    trace: str
    look: str
    basis: str = PRACTICE
    only: Callable[[Scenario, str], bool] | None = None


@dataclass(frozen=True)
class Cause:
    """A kind of cause in a scenario, for one tap or spring where it concerns one.

    Attributes
    ----------
    name : str
        Its kind's name, with the thing it concerns: "tap-long:m4".
    title : str
    most : float
        End of the range [SI]; a whole number where it counts.
    whole : bool
    nominal : mapping of str to float
        Every key it changes, with its value as drawn [SI].
    """

    name: str
    title: str
    kind: Kind
    most: float
    whole: bool
    nominal: Mapping[str, float]
    ways: Mapping[str, Effect]
    others: tuple[float, ...] = ()

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """Every kind of cause that it is made of."""
        return (self.kind,)

    @property
    def key(self) -> str:
        """The key that a measurement would show changed."""
        return next(iter(self.nominal))

    def values(self, severity: Array) -> dict[str, Array]:
        """Values [SI] of every key it changes, for severities of shape (n,)."""
        found = {}
        for path, value in self.nominal.items():
            effect = self.ways[path]
            if effect.way == "add":
                found[path] = value + effect.factor * severity
            elif effect.way == "times":
                found[path] = value * (1.0 + effect.factor * severity)
            else:
                choice = np.array([value, *self.others])
                found[path] = choice[np.clip(np.rint(severity).astype(int), 0, len(self.others))]
        return found

    def known(self, severity: float) -> float:
        """The value [SI] of its main key at a severity."""
        return float(self.values(np.array([severity]))[self.key][0])


def _die_above(scenario: Scenario, tap: str) -> bool:
    return scenario.tap[tap].mount == "die" and scenario.tap[tap].side == "above"


def _drive(kind: str) -> Callable[[Scenario, str], bool]:
    return lambda scenario, tap: scenario.tap[tap].drive.kind == kind


def _hole_counts(scenario: Scenario, tap: str) -> bool:
    """Whether the torque estimate counts the hole: for cutting taps, by the second of its two formulas only."""
    own = scenario.strip.properties is not None and scenario.strip.properties.specific_cutting_force is not None
    return scenario.tap[tap].kind == "cut" and not own


def _kind_of_spring(kind: str) -> Callable[[Scenario, str], bool]:
    return lambda scenario, spring: scenario.stripper.spring[spring].kind == kind


DEG = np.pi / 180.0
KINDS: tuple[Kind, ...] = (
    Kind("rate-raised", "stroke rate raised", (Effect("press.rate", "times"),), "share", 0.6, "rate",
         "all that takes time comes later on the dial; the stripper bounces", "count strokes over a minute"),
    Kind("spring-lost", "stripper springs lost", (Effect("stripper.spring.{spring}.count", "add", -1.0),), "count", 1e3,
         "stripper", "the strip is not held; it rises with the tap", "count the springs that carry"),
    Kind("preload-low", "stripper preload set too low", (Effect("stripper.spring.{spring}.force", "times", -1.0),),
         "share", 0.9, "stripper", "the stripper bounces or lets go early",
         "press one spring to its fitted length on a scale", only=_kind_of_spring("coil")),
    Kind("gas-lost", "gas pressure lost", (Effect("stripper.spring.{spring}.force", "times", -1.0),
         Effect("stripper.spring.{spring}.end_force", "times", -1.0)), "share", 0.8, "stripper",
         "the stripper bounces or lets go early", "put a gauge on the gas springs", only=_kind_of_spring("gas")),
    Kind("feed-early", "feed starts too early", (Effect("feeder.start", "add", -1.0),), "angle", 60 * DEG, "feeder",
         "oval hole, tap bent off toward the feed", "bar over and read the dial at the feed's start switch"),
    Kind("feed-late", "feed starts too late", (Effect("feeder.start", "add"),), "angle", 150 * DEG, "feeder",
         "pilots draw the strip the rest of the way", "bar over and read the dial at the feed's start switch"),
    Kind("valve-slow", "feeder's valve or drive slow to answer", (Effect("feeder.latency", "add"),), "time", 0.15,
         "feeder", "pilots draw the strip; the tap marks beside its hole",
         "time it from the signal to the first motion"),
    Kind("feeder-slow", "feeder slower than set", (Effect("feeder.speed", "times", -1.0),
         Effect("feeder.acceleration", "times", -1.0)), "share", 0.8, "feeder",
         "pilots draw the strip; the tap marks beside its hole", "measure the feed's time or air pressure"),
    Kind("feed-settles-late", "strip settles late after the feed", (Effect("feeder.settle", "add"),), "time", 0.15,
         "feeder", "pilots draw the strip; length varies", "watch the strip's end with a dial gauge or slow film"),
    Kind("feed-long", "feed length set too long", (Effect("strip.pitch", "times"),), "share", 0.5, "feeder",
         "the strip lies past its place; pilot holes drawn", "measure the feed length over ten strokes"),
    Kind("strip-slips", "strip slips in the feeder", (Effect("feeder.slip", "times", -1.0),), "share", 0.8, "feeder",
         "the strip lies short; pilot holes drawn", "mark the strip and feed it by hand: rolls, oil, pressure"),
    Kind("release-slow", "pilot release slow", (Effect("feeder.pilot_release.latency", "add"),), "time", 0.15, "pilots",
         "pilots drag the strip in closed rolls", "time the pilot release's valve"),
    Kind("pilots-short", "pilots short, worn or ground", (Effect("pilot.*.penetration", "add", -1.0),), "length", 0.02,
         "pilots", "the strip lies wherever the feed left it", "measure the pilots' length below the stripper"),
    Kind("stock-thick", "stock too thick", (Effect("strip.thickness", "times"),), "share", 0.2, "coil",
         "the tap meets the strip early", "measure the strip with a micrometer",
         "thickness tolerances of strip, and the next gauge by mistake: common practice"),
    Kind("stock-hard", "stock harder than ordered", (Effect("strip.properties.specific_cutting_force", "times"),),
         "share", 1.0, "coil", "tap twisted off", "test the strip's hardness"),
    Kind("lift-raised", "strip lifted higher than drawn", (Effect("strip.lift", "add"),), "length", 4e-3, "lifters",
         "the strip meets the tap on its way up or down", "measure the strip's height over the die at rest"),
    Kind("lifters-weak", "lifters weak or stuck", (Effect("strip.lifter_force", "times", -1.0),
         Effect("strip.lifter_rate", "times", -1.0)), "share", 0.95, "lifters", "the strip drags over the die",
         "press the lifters down on a scale"),
    Kind("lifters-stiff", "lifters too strong", (Effect("strip.lifter_force", "times"),
         Effect("strip.lifter_rate", "times")), "share", 6.0, "lifters", "the strip is thrown up, or not held down",
         "press the lifters down on a scale"),
    Kind("stripper-travel-lost", "stripper travel lost to regrinds", (Effect("stripper.travel", "times", -1.0),),
         "share", 0.6, "stripper", "torn thread, strip lifted with the tap",
         "measure the stripper's travel from its bolts' heads"),
    Kind("bdc-deep", "slide comes too deep", (Effect("press.bdc_shift", "add"),), "length", 6e-3, "press",
         "the drive bottoms", "lead wire at bottom dead centre, or read the shut height"),
    Kind("bdc-high", "slide stays too high", (Effect("press.bdc_shift", "add", -1.0),), "length", 6e-3, "press",
         "the last threads are not full", "lead wire at bottom dead centre, or read the shut height"),
    Kind("tap-long", "tap set too long", (Effect("tap.{tap}.rest_clearance", "add", -1.0),), "length", 8e-3, "tap",
         "the tap meets the strip before it is held", "measure the tap's projection at home"),
    Kind("tap-short", "tap set too short", (Effect("tap.{tap}.rest_clearance", "add"),), "length", 8e-3, "tap",
         "the last threads are not full", "measure the tap's projection at home"),
    Kind("engages-early", "spindle engages too high", (Effect("tap.{tap}.drive.engage_height", "add"),), "length", 0.03,
         "drive", "the tap is not back before the strip rises", "bar over and read the slide height at engagement",
         only=_drive("press")),
    Kind("engages-late", "spindle engages too low", (Effect("tap.{tap}.drive.engage_height", "add", -1.0),), "length",
         0.03, "drive", "the last threads are not full", "bar over and read the slide height at engagement",
         only=_drive("press")),
    Kind("gearing-other", "other gearing fitted", (Effect("tap.{tap}.drive.gearing", "among"),), "count", 0.0, "drive",
         "depth wrong, or tap overspeeded", "count the spindle's turns over the stroke", only=_drive("press")),
    Kind("backlash-grown", "backlash grown", (Effect("tap.{tap}.drive.backlash", "add"),), "angle", 720 * DEG, "drive",
         "the tap leaves late", "turn the spindle back and forth by hand with a pointer", only=_drive("press")),
    Kind("motor-late", "spindle's motor slow to answer", (Effect("tap.{tap}.drive.latency", "add"),), "time", 0.15,
         "drive", "the tap leaves late", "time the motor from its command", only=_drive("motor")),
    Kind("motor-slow", "spindle's motor slower than set", (Effect("tap.{tap}.drive.speed", "times", -1.0),), "share",
         0.8, "drive", "the tap leaves late", "count the spindle's turns a minute", only=_drive("motor")),
    Kind("tap-dull", "tap dull", (Effect("tap.{tap}.wear", "add"),), "ratio", 2.0, "tap",
         "tap twisted off, rough flanks",
         "look at the tap's edges; compare its strokes with its life"),
    Kind("hole-dry", "hole dry", (Effect("tap.{tap}.lubrication", "add"),), "ratio", 2.0, "lubrication",
         "tap twisted off, welded flakes", "look whether lubricant reaches the hole at speed"),
    Kind("hole-small", "hole undersize", (Effect("tap.{tap}.hole", "times", -1.0),), "share", 0.12, "hole",
         "tap twisted off, tight thread", "gauge the hole before tapping", only=_hole_counts),
)  # fmt: skip
"""The causes that are weighed. Ranges: common practice where nothing else is said."""


def causes(scenario: Scenario, tap: str) -> tuple[Cause, ...]:
    """Every cause that can be in a scenario.

    Parameters
    ----------
    scenario : Scenario
        With its defaults resolved, so that what depends on a key as drawn stays where it was set.
    tap : str
        The tap that broke; causes that concern a tap are about this one.
    """
    return tuple(_causes(scenario, tap))


def _causes(scenario: Scenario, tap: str) -> Iterator[Cause]:
    springs = list(scenario.stripper.spring)
    for kind in KINDS:
        things = springs if "{spring}" in kind.effects[0].path else [tap]
        for thing in things:
            if kind.only is not None and not kind.only(scenario, thing):
                continue
            cause = _cause(scenario, kind, tap, thing)
            if cause is not None:
                yield cause


def untried(scenario: Scenario, tap: str) -> tuple[str, ...]:
    """Causes that cannot be tried, with the reason: a key that is not given, or a figure that does not count it."""
    there = {each.kind.name for each in causes(scenario, tap)}
    spring = next(iter(scenario.stripper.spring), None)
    found = []
    for kind in KINDS:
        if kind.name in there:
            continue
        if kind.only is _hole_counts:
            found.append(f"{kind.title} (the estimate of this tap's torque does not count the hole)")
            continue
        thing = spring if "{spring}" in kind.effects[0].path else tap
        path = kind.effects[0].path.format(tap=tap, spring=thing or "*")
        can_be = kind.only is None or (thing is not None and kind.only(scenario, thing))
        if can_be and all(_number(scenario, each) is None for each in _paths(scenario, path)):
            found.append(f"{kind.title} ({path} is not given)")
    return tuple(found)


def _cause(scenario: Scenario, kind: Kind, tap: str, thing: str) -> Cause | None:
    nominal: dict[str, float] = {}
    ways: dict[str, Effect] = {}
    for effect in (*kind.effects, *_also(scenario, kind.name, thing)):
        for path in _paths(scenario, effect.path.format(tap=tap, spring=thing)):
            value = _number(scenario, path)
            if value is not None:
                nominal[path], ways[path] = value, effect
    first = kind.effects[0].path
    if not nominal or next(iter(ways.values())) is not kind.effects[0]:
        return None
    named = f"{kind.name}:{thing}" if "{" in first else kind.name
    several = "{spring}" in first and len(scenario.stripper.spring) > 1
    title = f"{kind.title} ({thing})" if several or ("{tap}" in first and len(scenario.tap) > 1) else kind.title
    if kind.name == "spring-lost":
        most = nominal[f"stripper.spring.{thing}.count"] - 1.0
        return Cause(named, title, kind, most, True, nominal, ways) if most >= 1.0 else None
    if kind.name == "gearing-other":
        drive = scenario.tap[tap].drive
        had = drive.gearings or tuple(share * float(drive.gearing) for share in OTHER_GEARINGS)
        others = tuple(sorted((g for g in had if g != drive.gearing), key=lambda g: abs(g - float(drive.gearing))))
        return Cause(named, title, kind, float(len(others)), True, nominal, ways, others) if others else None
    idle = all(value == 0.0 and ways[path].way == "times" for path, value in nominal.items())
    return None if idle else Cause(named, title, kind, _most(kind, nominal), False, nominal, ways)


def _most(kind: Kind, nominal: Mapping[str, float]) -> float:
    if kind.name == "pilots-short":
        return min(kind.most, 0.9 * max(next(iter(nominal.values())), 1e-4))
    return kind.most


def _also(scenario: Scenario, name: str, thing: str) -> tuple[Effect, ...]:
    """What else a disturbance moves.

    A head over the strip is set to the raised strip, the stripper meets thick stock sooner, and a motor makes the turns
    it is set to: its depth follows from where the tap starts.
    """
    motors = {each for each, tap in scenario.tap.items() if tap.drive.kind == "motor"}
    if name in ("tap-long", "tap-short") and thing in motors:
        return (Effect(f"tap.{thing}.extra_depth", "add", 1.0 if name == "tap-long" else -1.0),)
    above = [f"tap.{each}.rest_clearance" for each in scenario.tap if _die_above(scenario, each)]
    if name == "lift-raised":
        return tuple(Effect(path, "add", -1.0) for path in above)
    if name == "stock-thick":
        thick = float(scenario.strip.thickness)
        heights = (f"tap.{each}.threaded_height" for each in scenario.tap)
        return (
            Effect("stripper.travel", "add", thick),
            *(Effect(path, "add", thick) for path in heights),
            *(Effect(path, "add", -thick) for path in above),
            *(Effect(f"tap.{each}.extra_depth", "add", -thick) for each in motors if not _die_above(scenario, each)),
        )
    return ()


def _paths(scenario: Scenario, path: str) -> Iterator[str]:
    head, star, tail = path.partition(".*.")
    if not star:
        yield path
        return
    named = value_at(scenario, head)
    for name in named if isinstance(named, dict) else ():
        yield f"{head}.{name}.{tail}"


def _number(scenario: Scenario, path: str) -> float | None:
    try:
        value = value_at(scenario, path)
    except KeyError:
        return None
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None
