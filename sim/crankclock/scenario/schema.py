"""Every key a scenario may hold, its dimension and its meaning.

Each key may be absent here: what is required, and what is taken where a key is left out, is decided in
`crosscheck` and `defaults`, so that one wrong key never hides another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict

from crankclock.handbook import threads
from crankclock.handbook.die_springs import DIE_SPRINGS, LoadClass
from crankclock.parts.numbers import Floats
from crankclock.scenario.fields import (
    AccelerationAboveZero,
    Angle,
    AngleFromZero,
    Choice,
    EnergyAboveZero,
    ForceFromZero,
    GearingAboveZero,
    In,
    InertiaAboveZero,
    InertiaFromZero,
    Length,
    LengthAboveZero,
    LengthFromZero,
    ListOf,
    MassAboveZero,
    Number,
    PowerAboveZero,
    PressureAboveZero,
    RateAboveZero,
    Rows,
    SpeedAboveZero,
    SpinAboveZero,
    StiffnessAboveZero,
    StiffnessFromZero,
    Text,
    TimeAboveZero,
    TimeFromZero,
    TorqueAboveZero,
    key,
)

MATERIALS = (
    "low-carbon-steel",
    "hsla-steel",
    "austenitic-stainless",
    "ferritic-stainless",
    "spring-steel",
    "aluminium-soft",
    "aluminium-hard",
    "copper",
    "brass",
    "bronze",
)
MATERIAL_WORDS = f"one of {', '.join(MATERIALS)}, or a name of your own with [strip.properties]"
LAW_NAMES = ("trapezoid", "cycloidal", "modified-sine", "modified-trapezoid", "3-4-5")
LOAD_CLASSES: Mapping[str, LoadClass] = MappingProxyType({each.replace(" ", "-"): each for each in DIE_SPRINGS})
"""Load classes of die springs as a file writes them."""

Rates = tuple[tuple[float, float], ...]
Points = tuple[tuple[float, float], ...]
Pitches = Annotated[Floats, Number(0, 30)]
WearFactor = Annotated[Floats, Number(1, 10)]
LubricationFactor = Annotated[Floats, Number(0.1, 10)]
Share = Annotated[Floats, Number(0, 1)]
Ratio = Annotated[Floats, Number(0, 1000, above=True)]
Coils = Annotated[Floats, Number(0, 1000, above=True)]
Strokes = Annotated[Floats, Number(1, 1e12, whole=True)]


class Table(BaseModel):
    """A table of the scenario: unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", arbitrary_types_allowed=True)


class Slide(Table):
    kind: Annotated[str, Choice(("eccentric", "drag-link", "table"))] = key("What drives the slide.", required=True)
    stroke: LengthAboveZero = key("Press stroke.", required=True)
    connecting_rod: LengthAboveZero | None = key("Connecting rod; left out: infinitely long.")
    offset: Length = key("Offset of the slide's line from the crank; positive: the downstroke takes longer.")
    ground: LengthAboveZero | None = key(
        "Drag-link: distance of the two fixed shafts, the shortest link. The slide's crank lies along the driven crank "
        "and its line along the line of the shafts: BDC where the driven crank points over the driving shaft, and of "
        "both ways to put the links together the one whose downstroke takes longer.",
        required="drag-link",
    )
    input: LengthAboveZero | None = key("Drag-link: driving crank.", required="drag-link")
    coupler: LengthAboveZero | None = key("Drag-link: coupler.", required="drag-link")
    output: LengthAboveZero | None = key("Drag-link: driven crank.", required="drag-link")
    points: Annotated[Points, Rows(("angle", "length"), least=3)] | None = key(
        "Table: dial angle and slide height above nominal BDC, one turn with TDC at 0 deg; two rows of one height are "
        "a dwell. This or file."
    )
    file: Annotated[str, Text("a file name")] | None = key(
        'Table: CSV file of dial angle and slide height, its first line naming the units: "angle [deg],height [mm]"; '
        "beside the file that names it. This or points."
    )


class PressLimits(Table):
    rate_min: RateAboveZero | None = key("Least stroke rate of the press.")
    rate_max: RateAboveZero | None = key("Greatest stroke rate of the press.")
    open_height: LengthAboveZero | None = key("How far the die opens, where that is less than the stroke.")


class Stop(Table):
    delay: TimeFromZero = key("Time from the stop signal to the brake's grip.", required=True)
    braking: TimeFromZero = key("Time from the brake's grip to rest, at the rate it was measured at.", required=True)
    measured_at: RateAboveZero = key("Stroke rate at which the braking time was measured.", required=True)
    scan: TimeFromZero = key("Scan time of the control.")


class SingleStroke(Table):
    engage: TimeAboveZero = key("Time in which the clutch brings the crank from rest to its speed.", required=True)
    pause: TimeFromZero = key("Time the press stands at the top between strokes.", required=True)


class Flywheel(Table):
    inertia: InertiaAboveZero = key("Moment of inertia of the flywheel about its own axis.", required=True)
    ratio: Ratio = key("Turns of the flywheel per turn of the crank.", required=True)
    work: EnergyAboveZero = key("Energy of all the work done in one stroke.", required=True)
    work_from: Angle = key("Dial angle at which the work begins; it is taken evenly over the angles.", required=True)
    work_to: Angle = key("Dial angle at which the work ends: next after work_from.", required=True)
    motor: PowerAboveZero | None = key("Power of the motor at the flywheel's speed, beyond what the idle press takes.")


class Press(Table):
    rate: RateAboveZero = key(
        "Stroke rate; in single-stroke mode the rate at which it would run on, clutch in.", required=True
    )
    mode: Annotated[str, Choice(("continuous", "single-stroke"))] = key(
        "Whether strokes follow each other without a stop, or each starts and stops at the top."
    )
    strokes_per_day: Strokes | None = key("Strokes made in a day: for how many days springs last.")
    bdc_shift: Length = key("How much deeper than nominal the slide comes: shut height, load or speed.")
    slide: Slide = key("The slide's motion.", required=True)
    limits: PressLimits | None = key("The press maker's limits.")
    stop: Stop | None = key("How the press stops.")
    single_stroke: SingleStroke | None = key("How single strokes start and follow each other; with that mode.")
    flywheel: Flywheel | None = key("The flywheel, where the press slows in the work; left out: it turns evenly.")


class Properties(Table):
    cutting_speed: SpeedAboveZero | None = key("Permitted cutting speed of the taps in this strip.")
    specific_cutting_force: PressureAboveZero | None = key("Specific cutting force.")


class Strip(Table):
    material: Annotated[str, Text(MATERIAL_WORDS)] = key("Strip material.", required=True)
    properties: Properties | None = key("Own material values.")
    thickness: LengthAboveZero = key("Stock thickness.", required=True)
    lift: LengthFromZero = key("Strip lift: how far the lifters raise the strip to feed.", required=True)
    pitch: LengthAboveZero = key("Progression: the feed length.", required=True)
    mass: MassAboveZero | None = key("Mass of the raised part of the strip.")
    lifter_force: ForceFromZero | None = key("Force of all lifters at feed height.")
    lifter_rate: StiffnessFromZero = key("Spring rate of all lifters together.")
    below: LengthFromZero = key("How far formed features hang below the strip.")
    above: LengthFromZero = key("How far formed features stand above the strip.")
    play: LengthFromZero = key("Within this of the die face the strip counts as held.")


class Spring(Table):
    kind: Annotated[str, Choice(("gas", "coil"))] = key("Kind of spring.", required=True)
    count: Annotated[float, Number(1, 1000, whole=True)] = key("How many of them.")
    force: ForceFromZero = key("Force of each at the stripper's free position: the preload.", required=True)
    rate: StiffnessAboveZero | None = key("Coil: spring rate of each; this, or wire, mean_diameter and coils.")
    wire: LengthAboveZero | None = key("Coil of round wire: wire diameter.")
    mean_diameter: LengthAboveZero | None = key("Coil of round wire: coil diameter, wire centre to wire centre.")
    coils: Coils | None = key("Coil of round wire: active coils.")
    modulus: PressureAboveZero = key(
        "Coil of round wire: shear modulus; where left out, that of patented cold-drawn spring steel wire, EN 10270-1."
    )
    load_class: Annotated[str, Choice(tuple(LOAD_CLASSES))] | None = key(
        "Coil: load class of a die spring, ISO 10243; with free_length and life its deflection is judged."
    )
    free_length: LengthAboveZero | None = key("Coil: length of the spring without load, out of the die.")
    life: Strokes | None = key("Coil: strokes a set of die springs is to last between changes.")
    end_force: ForceFromZero | None = key("Gas: isothermal force of each at full rated travel.", required="gas")
    travel: LengthAboveZero | None = key("Rated travel; a gas spring's end force belongs to it.", required="gas")
    exponent: Annotated[float, Number(1, 2)] = key("Gas: polytropic exponent; 1 isothermal, about 1.4 at speed.")
    speed: SpeedAboveZero | None = key("Gas: rated piston speed.")


class Stripper(Table):
    travel: LengthFromZero = key("Stripper travel: its compression at nominal BDC.", required=True)
    mass: MassAboveZero | None = key("Mass of the stripper.")
    clamp_force: ForceFromZero | None = key("Least force wanted on the strip while tapping.")
    spring: dict[str, Spring] = key("Stripper springs, by name.")


class Contact(Table):
    stiffness: StiffnessAboveZero = key("Stiffness of every one-sided contact.")
    damping: Annotated[float, Number(0.02, 10)] = key("Damping ratio of every one-sided contact.")


class Release(Table):
    open: Angle = key("Dial angle of the command that opens the rolls.", required=True)
    close: Angle = key("Dial angle of the command that closes them: next after open.", required=True)
    latency: TimeFromZero = key("Valve latency, each way.")


class Feeder(Table):
    kind: Annotated[str, Choice(("servo", "cam", "gripper", "rated"))] = key("Kind of feeder.", required=True)
    start: Angle = key("Dial angle of the start command.", required=True)
    latency: TimeFromZero = key("Time from the command to the strip's first motion.")
    speed: SpeedAboveZero | None = key("Servo: greatest speed; gripper: mean speed.", required="servo or gripper")
    acceleration: AccelerationAboveZero | None = key("Servo: greatest acceleration.", required="servo")
    settle: TimeFromZero = key("Time from the end of motion to rest in place.")
    law: Annotated[str, Choice(LAW_NAMES)] = key("Motion law of a servo or cam.")
    end: Angle | None = key("Cam: dial angle at which the length is fed, next after start.", required="cam")
    slip: AccelerationAboveZero | None = key("Strip acceleration at which it slips in the feeder.")
    rates: Annotated[Rates, Rows(("length", "rate"), above_zero=True)] | None = key(
        "Rated: feed length and the greatest stroke rate listed for it.", required="rated"
    )
    feed_angle: Annotated[float, In("angle", above=0.0)] | None = key(
        "Rated: the feed angle the list is stated for.", required="rated"
    )
    pilot_release: Release | None = key("Rolls that open for the pilots.")


class Pilot(Table):
    mount: Annotated[str, Choice(("slide", "stripper"))] = key("What carries it.", required=True)
    penetration: Length | None = key("Slide: tip below the die face at nominal BDC.", required="slide")
    projection: Length | None = key("Stripper: tip beyond the stripper face.", required="stripper")
    nose: LengthFromZero = key("Length of the nose, tip to full diameter.", required=True)


class Punch(Table):
    mount: Annotated[str, Choice(("slide", "stripper"))] = key("What carries it.", required=True)
    penetration: Length | None = key("Slide: tip below the die face at nominal BDC.", required="slide")
    projection: Length | None = key("Stripper: tip beyond the stripper face.", required="stripper")
    strip_force: ForceFromZero | None = key("Force the strip holds it with on the way out.")


class Drive(Table):
    kind: Annotated[str, Choice(("press", "motor"))] = key("What turns the spindle.", required=True)
    gearing: GearingAboveZero = key("Turns per length of travel.", required="press")
    gearings: Annotated[tuple[float, ...], ListOf(In("gearing", above=0.0, exact=True))] | None = key(
        "Gearings that can be had."
    )
    engage_height: Length = key(
        "Height above nominal BDC at which the spindle starts to turn on the way down, counted like what turns it: the "
        "slide over the die (die-mounted), over the stripper, or over the strip (lifter)."
    )
    travel: LengthAboveZero | None = key("Rated travel of the drive.")
    backlash: AngleFromZero = key("Backlash at the spindle.")
    inertia: InertiaFromZero | None = key("Inertia of all that turns, at the spindle.")
    speed_max: RateAboveZero | None = key("Greatest spindle speed.")
    acceleration_max: SpinAboveZero | None = key("Greatest spindle acceleration.")
    speed_step_max: RateAboveZero | None = key("Greatest speed step at engagement and backlash pick-up.")
    torque_max: TorqueAboveZero | None = key("Greatest torque of the drive.")
    clutch_torque: TorqueAboveZero | None = key("Torque at which the clutch slips.")
    reference: Annotated[str, Choice(("head", "die"))] = key(
        "What the slide's travel is counted against: the head's carrier or the die."
    )
    start: Angle | None = key("Motor: dial angle of the start command.", required="motor")
    latency: TimeFromZero = key("Motor: time from the command to the first motion.")
    speed: RateAboveZero | None = key("Motor: spindle speed.", required="motor")
    acceleration: SpinAboveZero | None = key("Motor: spindle acceleration.", required="motor")


class Tap(Table):
    thread: Annotated[str, Text('a thread such as "M4x0.7" or "1/4-20 UNC"', threads.parse)] = key(
        "Thread.", required=True
    )
    kind: Annotated[str, Choice(("form", "cut"))] = key("Forming or cutting tap.")
    chamfer: Pitches = key("Chamfer (lead) in pitches.", required=True)
    point: LengthFromZero = key("Unthreaded tip ahead of the first thread.")
    threaded_height: LengthAboveZero = key("Height of hole to be threaded.")
    extra_depth: LengthFromZero = key("Depth beyond threaded height and chamfer.")
    rest_clearance: Length = key(
        "At rest, first thread to: raised strip (die, above), die face (die, below), stripper face (stripper), "
        "entry face (lifter).",
        required=True,
    )
    mount: Annotated[str, Choice(("die", "stripper", "lifter"))] = key("What carries the head.", required=True)
    side: Annotated[str, Choice(("above", "below"))] = key("Side of the strip the tap enters from.")
    flange: Annotated[str, Choice(("away", "toward"))] = key("Where an extruded hole's flange points.")
    hole: LengthAboveZero | None = key("Diameter of the hole before tapping.")
    breaking_torque: TorqueAboveZero | None = key("Torque that breaks the tap.")
    coating: Annotated[str, Choice(("bare", "coated"))] = key("Whether the tap is coated, for its cutting speed.")
    wear: WearFactor | None = key("Torque factor for wear: 1 new, about 1.5 dull.")
    lubrication: LubricationFactor | None = key("Torque factor for lubrication: 1 oiled, about 1.5 dry.")
    float: LengthFromZero | None = key("Axial float of the tap.")
    thrust: ForceFromZero | None = key("Axial force of the tap on the strip.")
    drive: Drive = key("What turns the tap.", required=True)


class Sensor(Table):
    watches: Annotated[str, Text('a tool such as "tap:m4", "feed" or "strip"')] = key("What it watches.", required=True)
    on: Angle = key("Dial angle from which it is looked at.", required=True)
    off: Angle = key("Dial angle until which it is; a fault is judged there.", required=True)
    response: TimeFromZero = key("Response time.")
    protects: Annotated[str, Text('a tool such as "pilot:p1", "feed" or "stripper"')] | None = key(
        "What must not be reached if it reports a fault."
    )
    sensing_gap: LengthFromZero | None = key("Tap sensors: contact distance beyond the strip's far face.")


class Allowance(Table):
    angle: AngleFromZero = key("A margin in degrees below this is tight.")
    clearance: LengthFromZero = key("A margin in millimetres below this is tight.")
    share: Share = key("A margin below this share of its limit is tight, in other units.")


class Scenario(Table):
    """One press, die, strip and feeder."""

    title: Annotated[str, Text("a title")] | None = key("What the scenario is about.")
    units: Annotated[str, Choice(("metric", "inch"))] = key("How reports speak.")
    press: Press = key("The press.", required=True)
    strip: Strip = key("The strip.", required=True)
    stripper: Stripper = key("The stripper.", required=True)
    contact: Contact = key("Contacts of the running reading.")
    feeder: Feeder | None = key("The feeder.")
    pilot: dict[str, Pilot] = key("Pilots, by name.")
    punch: dict[str, Punch] = key("Punches, by name.")
    tap: dict[str, Tap] = key("Taps, by name.")
    sensor: dict[str, Sensor] = key("Sensors, by name.")
    allowance: Allowance = key("Margins below these are tight.")


def inner(annotation: Any) -> tuple[type[Table] | None, bool]:
    """The table class behind a field's annotation, and whether the field holds named tables."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation, False
    arguments = getattr(annotation, "__args__", ())
    if getattr(annotation, "__origin__", None) is dict:
        return inner(tuple(arguments)[-1])[0], True
    for argument in arguments:
        table, named = inner(argument)
        if table is not None:
            return table, named
    return None, False


def keys(table: type[Table] = Scenario, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Every key's path, names of things written `*`, with its field."""
    for name, field in table.model_fields.items():
        path = f"{prefix}{name}"
        yield path, field
        below, named = inner(field.annotation)
        if below is not None:
            yield from keys(below, f"{path}.*." if named else f"{path}.")


def required(field: Any) -> str | bool:
    """When a field is required: always (True), never (False) or for some kind (text)."""
    extra = field.json_schema_extra
    found: str | bool = extra.get("x-required", False) if isinstance(extra, dict) else False
    return found


def markers(field: Any) -> list[object]:
    """The markers that say how a field is read, also behind an optional annotation."""
    found = list(field.metadata)
    for argument in getattr(field.annotation, "__args__", ()):
        found += list(getattr(argument, "__metadata__", ()))
    return found
