"""The press, the stripper's springs, the sensors, and what the running reading alone can judge."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from crankclock.cycle import Cycle
from crankclock.parts.feeder import next_after
from crankclock.parts.numbers import TURN, Floats
from crankclock.rules.base import Measured, Missing, Rule, Subject, Words, hanging, least, line, standing, taps, tools
from crankclock.rules.feed import span_of, tap_room
from crankclock.scenario.schema import Sensor, Spring

GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s2] (BIPM, The International System of Units)."""

RUNNING_ONLY = "the running reading is not computed by this version"


def _rating(cycle: Cycle, _: Subject) -> Measured | Missing:
    press = cycle.machine.scenario.press
    limits = press.limits
    low, high = (limits.rate_min, limits.rate_max) if limits is not None else (None, None)
    if low is None and high is None:
        return Missing(("press.limits.rate_min", "press.limits.rate_max"))
    margins = [press.rate - low] if low is not None else []
    margins += [high - press.rate] if high is not None else []
    unchecked = tuple(
        key for key, limit in (("press.limits.rate_min", low), ("press.limits.rate_max", high)) if limit is None
    )
    return Measured(least(*margins), unchecked=unchecked)


def _say_rating(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    rate = words.say(cycle.machine.scenario.press.rate, "rate")
    where = "outside" if float(found.margin) < 0.0 else "inside"
    rest = f" {found.unchecked[0]} is not given and was not checked." if found.unchecked else ""
    return (
        f"{rate} lies {words.say(abs(float(found.margin)), 'rate')} {where} the nearest end of the press's range.{rest}"
    )


def _open_height(cycle: Cycle, _: Subject) -> Measured | Missing:
    machine = cycle.machine
    room = _stripper_room(cycle)
    for subject in tools(cycle):
        group, name = subject.split(":", 1)
        if group == "tap" and machine.spindles[name] is None:
            return Missing((f"tap.{name}.drive",), "motor-driven spindles are not computed by this version")
        room = np.minimum(room, _tool_room(cycle, subject))
    broken = np.asarray(False)
    for subject in tools(cycle):
        span = span_of(cycle, subject)
        broken = broken | (np.asarray(span.already) if span is not None else False)
    return Measured(room, broken)


def _to_open_for(cycle: Cycle) -> Iterable[Subject]:
    return (None,) if tools(cycle) or np.all(np.isfinite(_stripper_room(cycle))) else ()


def _opened(cycle: Cycle) -> Floats:
    """Slide height [m] with the press open: TDC, or as far as the die opens."""
    limits, top = cycle.machine.scenario.press.limits, cycle.machine.slide.top
    return top if limits is None or limits.open_height is None else np.minimum(top, limits.open_height)


def _stripper_room(cycle: Cycle) -> Floats:
    """Room [m] between the stripper and what stands above the raised strip as far as the die opens.

    Where the die opens with the stroke, the feed rules judge it; here it counts only where it opens less.
    """
    limits = cycle.machine.scenario.press.limits
    if limits is None or limits.open_height is None:
        return np.inf
    return _opened(cycle) - cycle.machine.strip.touch_height - standing(cycle)


def _tool_room(cycle: Cycle, subject: str) -> Floats:
    """Room [m] at TDC between a tool's tip and the raised strip with what stands or hangs on the tool's side.

    The slide counts only as far up as the die opens.
    """
    machine, top = cycle.machine, _opened(cycle)
    group, name = subject.split(":", 1)
    if group == "tap":
        # At the end of the turn, so that a spindle that did not come home counts as far out as it stands.
        tap, strip = machine.taps[name], machine.strip
        room = tap_room(cycle, name, TURN)
        if tap.side == "below":
            return room
        if tap.mount == "stripper":
            room = room - (machine.slide.top - top)
        risen = strip.underside(machine.slide.top)  # less than the lift where the stripper never lets it rise
        return room + risen - strip.lift
    tool = (machine.pilots if group == "pilot" else machine.punches)[name]
    tip = tool.tip(top, machine.strip.stripper_face(top))
    return tip - machine.strip.lift - machine.strip.thickness - standing(cycle)


def _say_open_height(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    rooms = {each.replace(":", " "): float(_tool_room(cycle, each)) for each in tools(cycle)}
    rooms["the stripper"] = float(_stripper_room(cycle))
    nearest = min(rooms, key=lambda each: rooms[each])
    below = any(f"tap {name}" == nearest and tap.side == "below" for name, tap in cycle.machine.taps.items())
    beyond = hanging(cycle) if below else standing(cycle)
    over = f" with the {words.length(beyond)} that {'hangs below' if below else 'stands above'} it" if beyond else ""
    if float(found.margin) < 0.0 or np.any(found.broken):
        return (
            f"With the press open, {nearest} is still {words.length(-found.margin)} within the raised strip{over}: "
            f"the strip cannot pass."
        )
    return (
        f"With the press open, {nearest} comes closest: {words.length(found.margin)} clear of the raised strip{over}."
    )


def _springs(cycle: Cycle) -> dict[str, Spring]:
    return cycle.machine.scenario.stripper.spring


def _spring_subjects(cycle: Cycle) -> list[str] | list[None]:
    return [f"spring:{name}" for name in _springs(cycle)] or [None]


def _used_travel(cycle: Cycle, spring: Spring) -> Floats:
    """Spring travel used [m] by the rigid reading: preload and stripper travel, with the BDC shift."""
    travel = cycle.machine.strip.travel - np.minimum(cycle.machine.slide.bottom, cycle.machine.strip.travel)
    if spring.kind == "coil" and spring.rate is not None:
        return spring.force / spring.rate + travel
    return travel


def _spring_travel(cycle: Cycle, subject: Subject) -> Measured | Missing:
    if subject is None:
        return Missing(("stripper.spring",))
    name = subject.removeprefix("spring:")
    spring = _springs(cycle)[name]
    if spring.travel is None:
        return Missing((f"stripper.spring.{name}.travel",))
    return Measured(spring.travel - _used_travel(cycle, spring), limit=spring.travel)


def _say_spring_travel(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    assert subject is not None
    name = subject.removeprefix("spring:")
    used = words.length(_used_travel(cycle, _springs(cycle)[name]))
    assert found.limit is not None
    rated, over = words.length(found.limit), "more than" if float(found.margin) < 0.0 else "within"
    return f"Spring {name} is compressed by {used}, {over} its rated {rated}; overshoot at speed is not counted."


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
    """Greatest piston speed [m/s]: the slide's, from the stripper's clamping to its letting go."""
    slide, clamped = cycle.machine.slide, cycle.motion.clamped
    start = np.where(np.isnan(clamped.start), np.where(clamped.already, 0.0, slide.bdc), clamped.start)
    end = np.where(np.isnan(clamped.end), np.where(clamped.already, TURN, slide.bdc), clamped.end)
    peak = np.maximum(slide.peak_speed(start, slide.bdc), slide.peak_speed(slide.bdc, end))
    return peak * cycle.machine.crank.speed


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


def _running_only(cycle: Cycle, _subject: Subject) -> Missing:
    """What a rule lacks that only the running reading can judge: keys, and that reading itself."""
    strip, stripper = cycle.machine.scenario.strip, cycle.machine.scenario.stripper
    needed = {
        "strip.mass": strip.mass,
        "strip.lifter_force": strip.lifter_force,
        "stripper.mass": stripper.mass,
        "stripper.spring": stripper.spring or None,
    }
    return Missing(tuple(key for key, value in needed.items() if value is None), RUNNING_ONLY)


def _sensors(cycle: Cycle) -> list[str]:
    return [f"sensor:{name}" for name in cycle.machine.scenario.sensor]


def _sensor(cycle: Cycle, subject: Subject) -> tuple[str, Sensor]:
    assert subject is not None
    name = subject.removeprefix("sensor:")
    return name, cycle.machine.scenario.sensor[name]


def _begins(cycle: Cycle, what: str) -> Floats | None:
    """Dial angle [rad] from which something a sensor watches can be wrong; None where it cannot be told."""
    if what == "feed":
        return None if cycle.feed is None else cycle.feed.end
    if what == "strip":
        return cycle.motion.touching.end
    span = span_of(cycle, what)
    return None if span is None else span.start


def _protected(cycle: Cycle, what: str) -> Floats | None:
    """Dial angle [rad] at which what a sensor protects is reached; None where it cannot be told.

    A feed once commanded runs whether or not the crank stops, so its command counts, not its first motion.
    """
    feeder = cycle.machine.feeder
    if what == "feed":
        return None if feeder is None else feeder.stroke(cycle.machine.crank, by_hand=True).start
    if what == "stripper":
        return cycle.motion.touching.start
    span = span_of(cycle, what)
    return None if span is None else span.start


def _stopping(cycle: Cycle) -> Floats | None:
    """Stopping angle [rad] at even deceleration: 6 N (delay + braking N / (2 measured_at)), N in strokes/min."""
    stop = cycle.machine.scenario.press.stop
    if stop is None:
        return None
    crank = cycle.machine.crank
    return crank.speed * (stop.delay + 0.5 * stop.braking * crank.rate / stop.measured_at)


def _first_from(angle: Floats, start: Floats) -> Floats:
    """The first angle [rad] at or after `start` that shows the same dial reading as `angle`."""
    return start + np.mod(angle - start, TURN)


def _stop_in_time(cycle: Cycle, subject: Subject) -> Measured | Missing:
    """Counted from where the watched thing can first be wrong, so that a window that comes too late is seen."""
    name, sensor = _sensor(cycle, subject)
    stop, stopping = cycle.machine.scenario.press.stop, _stopping(cycle)
    if sensor.protects is None:
        return Missing((f"sensor.{name}.protects",))
    if stop is None or stopping is None:
        return Missing(("press.stop",))
    reached, begins = _protected(cycle, sensor.protects), _begins(cycle, sensor.watches)
    if reached is None:
        return Missing((f"sensor.{name}.protects",), f"{sensor.protects} has no dial angle in this cycle")
    begins = sensor.on if begins is None else begins
    judged = _first_from(sensor.off, begins) + cycle.machine.crank.speed * (sensor.response + stop.scan)
    # What it watches and protects alike is protected in its next stroke.
    hit = begins + TURN if sensor.protects == sensor.watches else _first_from(reached, begins)
    margin = hit - judged - stopping
    return Measured(margin, np.isnan(margin), start=judged, end=hit)


def _say_stop_in_time(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, sensor = _sensor(cycle, subject)
    assert sensor.protects is not None
    what = "the next feed" if sensor.protects == "feed" else sensor.protects.replace(":", " ")
    if np.any(found.broken):
        return f"Sensor {name} is to protect {what}, which never comes down on the strip in the cycle as it is."
    stopping = _stopping(cycle)
    assert stopping is not None
    assert found.start is not None
    assert found.end is not None
    rest = words.deg(found.start + stopping)
    acts = words.deg(found.start)
    base = f"On a fault seen by sensor {name} the control acts at {acts} and the slide is at rest at {rest}"
    if float(found.margin) < 0.0:
        return f"{base}, {words.lag(cycle, found.margin)} after {what} is due at {words.deg(found.end)}."
    return f"{base}, {words.lag(cycle, found.margin)} before {what} is due at {words.deg(found.end)}."


def _dwell(cycle: Cycle, subject: Subject) -> Measured:
    _name, sensor = _sensor(cycle, subject)
    window = next_after(sensor.off, sensor.on) - sensor.on
    return Measured(window / cycle.machine.crank.speed - sensor.response, limit=window / cycle.machine.crank.speed)


def _say_dwell(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, sensor = _sensor(cycle, subject)
    assert found.limit is not None
    lasts, needs = words.say(found.limit, "time"), words.say(sensor.response, "time")
    del cycle
    if float(found.margin) < 0.0:
        return f"Sensor {name}'s window lasts {lasts} at this rate, but it needs {needs} to respond: it sees nothing."
    return f"Sensor {name}'s window lasts {lasts} at this rate; it needs {needs} to respond."


RULES = (
    Rule("open-height", "length", _to_open_for, _open_height, _say_open_height, allowance="clearance"),
    Rule("press-rating", "rate", line, _rating, _say_rating, allowance="none"),
    Rule("spring-travel", "length", _spring_subjects, _spring_travel, _say_spring_travel, allowance="clearance"),
    Rule("spring-speed", "speed", _gas_springs, _spring_speed, _say_spring_speed, allowance="share"),
    Rule("lifters-yield", "force", line, _lifters, _say_lifters, allowance="share"),
    Rule("stop-in-time", "angle", _sensors, _stop_in_time, _say_stop_in_time),
    Rule("sensor-dwell", "time", _sensors, _dwell, _say_dwell, allowance="share"),
    Rule("clamp-force", "force", taps, _running_only, lambda *_: "", allowance="share"),
    Rule("strip-up-in-time", "angle", line, _running_only, lambda *_: ""),
)
