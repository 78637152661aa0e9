"""The stripper's springs, the lifters, and the force that holds the strip while a tap is in it."""

from __future__ import annotations

import numpy as np

from crankclock.cycle import Cycle, RunningCourse, running_needs
from crankclock.cycle.speeds import peak_slide_speed
from crankclock.dynamics import GRAVITY, Side, gas_law
from crankclock.handbook.gas_springs import STROKE_SHARE, STROKE_SOURCE
from crankclock.parts.numbers import TURN, Floats
from crankclock.rules.base import Measured, Missing, Rule, Subject, Words, line, taps
from crankclock.rules.feed import NO_FEEDER
from crankclock.scenario.schema import Spring

RUNNING_ONLY = "only the running reading tells it"


def _springs(cycle: Cycle) -> dict[str, Spring]:
    return cycle.machine.scenario.stripper.spring


def _spring_subjects(cycle: Cycle) -> list[str] | list[None]:
    return [f"spring:{name}" for name in _springs(cycle)] or [None]


def used_travel(cycle: Cycle, spring: Spring) -> Floats:
    """Spring travel used [m]: preload and stripper travel, with the BDC shift; running, with overshoot."""
    travel = cycle.machine.strip.travel - np.minimum(cycle.machine.slide.bottom, cycle.machine.strip.travel)
    course = cycle.motion.course
    if isinstance(course, RunningCourse):
        travel = np.maximum(travel, course.extremes(lambda m: m.compression)[1])
    if spring.kind == "coil":
        assert spring.rate is not None
        return spring.force / spring.rate + travel
    return travel


def overshoot(cycle: Cycle) -> str:
    """What a sentence says beside a spring travel used."""
    return "with overshoot" if cycle.reading == "running" else "overshoot at speed not counted"


def bdc_force(cycle: Cycle, spring: Spring) -> Floats:
    """Force [N] of all springs of a group at BDC, the plates not giving."""
    machine = cycle.machine
    pressed = machine.strip.travel - np.minimum(machine.slide.bottom, machine.strip.travel)
    if spring.kind == "coil":
        return spring.count * (spring.force + (spring.rate or 0.0) * pressed)
    assert spring.end_force is not None
    assert spring.travel is not None
    loss = (1.0 - spring.force / spring.end_force) / spring.travel
    law = (np.asarray(each, dtype=float) for each in (spring.count * spring.force, loss, spring.exponent, pressed))
    return gas_law(*law)[0]


def _spring_travel(cycle: Cycle, subject: Subject) -> Measured | Missing:
    if subject is None:
        return Missing(("stripper.spring",))
    name = subject.removeprefix("spring:")
    spring = _springs(cycle)[name]
    if spring.travel is None:
        return Missing((f"stripper.spring.{name}.travel",))
    return Measured(spring.travel - used_travel(cycle, spring), limit=spring.travel)


def _say_spring_travel(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    assert subject is not None
    name = subject.removeprefix("spring:")
    springs = _springs(cycle)
    used = words.length(used_travel(cycle, springs[name]))
    assert found.limit is not None
    rated, over = words.length(found.limit), "more than" if float(found.margin) < 0.0 else "within"
    told = f"Spring {name} is compressed by {used} ({overshoot(cycle)}), {over} its rated {rated}."
    if springs[name].kind == "gas" and 0.0 <= float(found.margin) < (1.0 - STROKE_SHARE) * float(found.limit):
        most = f"{100.0 * STROKE_SHARE:g} %"
        told += f" It is more than {most}, the most a gas spring should be used by: {STROKE_SOURCE}."
    return told


def _spring_speed(cycle: Cycle, subject: Subject) -> Measured | Missing:
    if subject is None:
        return Missing(("stripper.spring",))
    name = subject.removeprefix("spring:")
    spring = _springs(cycle)[name]
    if spring.speed is None:
        return Missing((f"stripper.spring.{name}.speed",))
    return Measured(spring.speed - _piston_speed(cycle), limit=spring.speed)


def _gas_springs(cycle: Cycle) -> list[str]:
    return [f"spring:{name}" for name, spring in _springs(cycle).items() if spring.kind == "gas"]


def _piston_speed(cycle: Cycle) -> Floats:
    """Greatest piston speed [m/s]: the slide's while the stripper clamps; running, with the stripper's own."""
    slide, clamped, course = cycle.machine.slide, cycle.motion.clamped, cycle.motion.course
    if isinstance(course, RunningCourse):
        least, most = course.extremes(lambda m: m.piston_speed)
        return np.maximum(most, -least)
    start = np.where(np.isnan(clamped.start), np.where(clamped.already, 0.0, slide.bdc), clamped.start)
    end = np.where(np.isnan(clamped.end), np.where(clamped.already, TURN, slide.bdc), clamped.end)
    machine = cycle.machine
    return np.maximum(peak_slide_speed(machine, start, slide.bdc), peak_slide_speed(machine, slide.bdc, end))


def _say_spring_speed(_: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    assert subject is not None
    assert found.limit is not None
    speed, limit = words.say(found.limit - found.margin, "speed"), words.say(found.limit, "speed")
    over = "more than" if float(found.margin) < 0.0 else "within"
    return f"Spring {subject.removeprefix('spring:')}'s piston moves at up to {speed}, {over} its rated {limit}."


def _lifters(cycle: Cycle, _: Subject) -> Measured | Missing:
    strip, stripper = cycle.machine.scenario.strip, cycle.machine.scenario.stripper
    needed = {
        "strip.lifter_force": strip.lifter_force,
        "strip.mass": strip.mass,
        "stripper.mass": stripper.mass,
        "stripper.spring": stripper.spring or None,
    }
    missing = tuple(key for key, value in needed.items() if value is None)
    if strip.lifter_force is None or strip.mass is None or stripper.mass is None or missing:
        return Missing(missing)
    preload: Floats = sum((each.count * each.force for each in stripper.spring.values()), 0.0)
    down = preload + (stripper.mass + strip.mass) * GRAVITY
    up = strip.lifter_force + strip.lifter_rate * strip.lift
    return Measured(down - up, limit=down)


def _say_lifters(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    del cycle
    force = words.say(abs(float(found.margin)), "force")
    if float(found.margin) < 0.0:
        return (
            f"The lifters push {force} harder than springs and weight hold down: the strip is not pressed on the die "
            f"when the stripper touches it, and the rigid reading is not valid."
        )
    return f"Springs and weight press the lifters down with {force} to spare."


def _running_only(cycle: Cycle) -> Missing | None:
    """What a rule lacks that only the running reading can judge; None in that reading."""
    if cycle.reading == "running":
        return None
    lacks = running_needs(cycle.machine)
    why = f"{RUNNING_ONLY}, which needs {', '.join(lacks)}" if lacks else RUNNING_ONLY
    return Missing(lacks, why)


def _forces_on_strip(cycle: Cycle) -> tuple[Floats, tuple[str, ...]]:
    """What pulls the strip up while tools work in it [N], and the keys that would have told more of it."""
    scenario = cycle.machine.scenario
    told = {f"punch.{name}.strip_force": punch.strip_force for name, punch in scenario.punch.items()}
    told |= {f"tap.{name}.thrust": tap.thrust for name, tap in scenario.tap.items()}
    up: Floats = 0.0
    for force in told.values():
        up = up + (0.0 if force is None else force)
    return up, tuple(key for key, force in told.items() if force is None)


def _least_clamp(cycle: Cycle, subject: Subject) -> Floats:
    """Least of the stripper's and the die face's force on the strip [N] while a tap is in it."""
    assert subject is not None
    course, thread = cycle.motion.course, cycle.motion.taps[subject.removeprefix("tap:")].thread
    assert isinstance(course, RunningCourse)
    # What lasts past the turn is told by other rules; here the strip is let go by then.
    end = np.minimum(thread.end, TURN)
    return course.extremes(
        lambda m: np.minimum(m.contact_force(Side.STRIPPER), m.contact_force(Side.DIE)), thread.start, end
    )[0]


def _clamp_force(cycle: Cycle, subject: Subject) -> Measured | Missing:
    lacking = _running_only(cycle)
    if lacking is not None:
        return lacking
    assert subject is not None
    least, thread = _least_clamp(cycle, subject), cycle.motion.taps[subject.removeprefix("tap:")].thread
    up, unknown = _forces_on_strip(cycle)
    wanted = cycle.machine.scenario.stripper.clamp_force
    unchecked = (*(("stripper.clamp_force",) if wanted is None else ()), *unknown)
    margin = least - up - (0.0 if wanted is None else wanted)
    # The allowance is a share of what is asked of the clamping, or of what there is where nothing is asked.
    asked = up + (0.0 if wanted is None else wanted)
    limit = np.where(np.asarray(asked) > 0.0, asked, np.abs(least))
    return Measured(margin, np.isnan(margin), limit, thread.start, thread.end, unchecked)


def _say_clamp_force(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    assert subject is not None
    who = subject.replace(":", " ")
    if np.any(found.broken):
        return f"There is no span in which {who} goes into the strip and comes out again, so nothing holds it then."
    least, wanted = _least_clamp(cycle, subject), cycle.machine.scenario.stripper.clamp_force
    up, _unknown = _forces_on_strip(cycle)
    parts = [f"{words.say(up, 'force')} pulls it up"] if float(up) > 0.0 else []
    parts += [f"{words.say(wanted, 'force')} is wanted"] if wanted is not None else []
    asked = f"; {' and '.join(parts)}" if parts else ""
    rest = f" Not given, so not counted: {', '.join(found.unchecked)}." if found.unchecked else ""
    if float(least) <= 0.0:
        return f"For some of the time that {who} is in the strip nothing clamps it: it is loose on the tap.{rest}"
    short = f", {words.say(-found.margin, 'force')} too little" if float(found.margin) < 0.0 else ""
    return f"At least {words.say(least, 'force')} clamps the strip while {who} is in it{asked}{short}.{rest}"


def _up_in_time(cycle: Cycle, _: Subject) -> Measured | Missing:
    lacking = _running_only(cycle)
    if lacking is not None:
        return lacking
    if cycle.feed is None:
        return NO_FEEDER
    margin = cycle.feed.start - cycle.motion.settled
    return Measured(margin, np.isnan(margin), start=cycle.feed.start, end=cycle.motion.settled)


def _say_up_in_time(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    settled, raised = cycle.motion.settled, cycle.motion.touching.end
    if np.any(found.broken):
        return "The strip does not come to rest at its feed height before the stripper meets it again."
    bounces = (
        f"first there at {words.deg(raised)}, it drops off again and stays from {words.deg(settled)}"
        if float(settled) > float(raised)
        else f"there from {words.deg(settled)}"
    )
    when = words.lag(cycle, found.margin)
    how = f"{when} after the feed has started" if float(found.margin) < 0.0 else f"{when} before the feed starts"
    return f"Lifters and masses bring the strip to its feed height: {bounces}, {how}."


RULES = (
    Rule("spring-travel", "length", _spring_subjects, _spring_travel, _say_spring_travel, allowance="clearance"),
    Rule("spring-speed", "speed", _gas_springs, _spring_speed, _say_spring_speed, allowance="share"),
    Rule("lifters-yield", "force", line, _lifters, _say_lifters, allowance="share"),
    Rule("clamp-force", "force", taps, _clamp_force, _say_clamp_force, allowance="share"),
    Rule("strip-up-in-time", "angle", line, _up_in_time, _say_up_in_time),
)
