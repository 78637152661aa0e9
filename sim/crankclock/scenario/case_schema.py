"""Every key a case file may hold: what was found at the press after a tap broke. All of it may be left out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import PlainValidator

from crankclock.scenario.fields import (
    Angle,
    AngleFromZero,
    Choice,
    ForceFromZero,
    GearingAboveZero,
    In,
    Length,
    LengthAboveZero,
    LengthFromZero,
    Number,
    RateAboveZero,
    SpeedAboveZero,
    Text,
    TimeFromZero,
    key,
    refuse,
)
from crankclock.scenario.schema import Table


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise refuse(value, "true or false, without quotes")
    return value


Flag = Annotated[bool, PlainValidator(_flag)]
Count = Annotated[float, Number(0, 1000, whole=True)]
Strokes = Annotated[float, Number(0, 1e9, whole=True)]
Noise = Annotated[float, In("angle", above=0.0, exact=True)]


class Stop(Table):
    rate: RateAboveZero | None = key("Stroke rate at which it happened.")
    angle: AngleFromZero | None = key("Dial angle where the press came to rest.")


class Break(Table):
    tap: Annotated[str, Text("the name of a tap of the scenario")] | None = key("Which tap broke.")
    angle: AngleFromZero | None = key("Dial angle at which the tap broke.")
    event: Annotated[str, Text('an event such as "feed.start" or "tap:m4.leave"')] | None = key(
        "Event of the cycle at which the tap broke, where no angle is known."
    )
    noise: Noise | None = key("How well the angle is known, as a standard deviation; 3 deg by default.")
    fragment: LengthFromZero | None = key("How deep the fragment's first thread is past the face it entered.")
    fracture: Annotated[str, Choice(("twisted", "bent"))] | None = key(
        "The fracture's face: spiral (twisted off), or flat and leaning (bent off)."
    )


class Found(Table):
    tap_broken: Flag | None = key("Whether the tap itself broke; false where only thread or part came out wrong.")
    thread: Annotated[str, Choice(("oval", "torn", "short", "clean"))] | None = key("The last threaded hole.")
    strip_lifted: Flag | None = key("Whether the strip was lifted with the tap.")
    pilot_holes_drawn: Flag | None = key("Whether the pilot holes are drawn long.")
    mark_beside_hole: Flag | None = key("Whether the tap left a mark beside its hole.")
    chips_packed: Flag | None = key("Whether chips, flakes or welded metal fill the tap's flutes.")
    burr: Flag | None = key("Whether the hole to be threaded has a burr.")
    slug: Flag | None = key("Whether a slug lay on the die or the strip.")
    lubrication: Annotated[str, Choice(("oiled", "dry"))] | None = key("The hole and tap, as found.")
    springs_lost: Count | None = key("How many stripper springs are broken, missing or flat.")
    tap_strokes: Strokes | None = key("Holes this tap had threaded.")
    tap_life: Strokes | None = key("Holes a tap lasts here as a rule; used with tap_strokes.")
    feed_short: Flag | None = key("Whether the strip lay short of, or past, its feed length.")
    backlash_felt: Flag | None = key("Whether the spindle has more play by hand than it should.")


class Measured(Table):
    thickness: LengthAboveZero | None = key("Stock thickness.")
    lift: LengthFromZero | None = key("Strip lift.")
    hole: LengthAboveZero | None = key("Diameter of the hole before tapping.")
    stripper_travel: LengthFromZero | None = key("Stripper travel.")
    spring_force: ForceFromZero | None = key("Force of one stripper spring at the stripper's free position.")
    lifter_force: ForceFromZero | None = key("Force of all lifters at feed height.")
    feed_start: Angle | None = key("Dial angle of the feed's start command.")
    feed_latency: TimeFromZero | None = key("Time from the command to the strip's first motion.")
    feed_speed: SpeedAboveZero | None = key("Speed of the feeder.")
    feed_length: LengthAboveZero | None = key("Feed length.")
    release_latency: TimeFromZero | None = key("Latency of the pilot release's valve.")
    pilot_penetration: Length | None = key("Pilot tip below the die face at nominal BDC.")
    bdc_shift: Length | None = key("How much deeper than nominal the slide comes.")
    rest_clearance: Length | None = key("Tap: rest clearance.")
    engage_height: Length | None = key("Tap: height at which the spindle starts to turn.")
    gearing: GearingAboveZero | None = key("Tap: turns per length of travel.")
    backlash: AngleFromZero | None = key("Tap: backlash at the spindle.")


class Changed(Table):
    rate: Flag | None = key("The stroke rate.")
    press: Flag | None = key("The press, or its shut height.")
    coil: Flag | None = key("The coil of strip.")
    feeder: Flag | None = key("The feeder, its start, length or valves.")
    stripper: Flag | None = key("The stripper or its springs; a regrind.")
    lifters: Flag | None = key("The lifters.")
    pilots: Flag | None = key("The pilots, or the pilot release.")
    tap: Flag | None = key("The tap, or its setting.")
    drive: Flag | None = key("The tapping head, its gears or its engagement.")
    hole: Flag | None = key("The punch of the hole.")
    lubrication: Flag | None = key("The lubricant or its supply.")


class Case(Table):
    """What was found after a tap broke."""

    title: Annotated[str, Text("a title")] | None = key("What happened.")
    stop: Stop | None = key("Where the press stopped.")
    broke: Break | None = key("How and when the tap broke.")
    found: Found | None = key("What was seen.")
    observed: dict[str, AngleFromZero] | None = key(
        'Dial angles of events read off the running press, such as "tap:m4.leave" = "262 deg".'
    )
    measured: Measured | None = key("What was measured; a value as the scenario has it counts as evidence too.")
    changed: Changed | None = key("What was changed lately; false: certainly not.")


MEASURED_KEYS: Mapping[str, str] = {
    "thickness": "strip.thickness",
    "lift": "strip.lift",
    "hole": "tap.{tap}.hole",
    "stripper_travel": "stripper.travel",
    "spring_force": "stripper.spring.{spring}.force",
    "lifter_force": "strip.lifter_force",
    "feed_start": "feeder.start",
    "feed_latency": "feeder.latency",
    "feed_speed": "feeder.speed",
    "feed_length": "strip.pitch",
    "release_latency": "feeder.pilot_release.latency",
    "pilot_penetration": "pilot.{pilot}.penetration",
    "bdc_shift": "press.bdc_shift",
    "rest_clearance": "tap.{tap}.rest_clearance",
    "engage_height": "tap.{tap}.drive.engage_height",
    "gearing": "tap.{tap}.drive.gearing",
    "backlash": "tap.{tap}.drive.backlash",
}
"""The scenario's key that each measurement is of; {tap} is the tap that broke, {spring} and {pilot} the first ones."""
