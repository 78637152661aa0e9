"""The press and its sensors: how far it opens, the rates it may run at, and whether it stops in time."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from crankclock.cycle import Cycle
from crankclock.parts.feeder import next_after
from crankclock.parts.numbers import TURN, Floats
from crankclock.rules.base import Measured, Missing, Rule, Subject, Words, hanging, least, line, standing, tools
from crankclock.rules.feed import span_of, tap_room
from crankclock.scenario.schema import Sensor


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


def _open_height(cycle: Cycle, _: Subject) -> Measured:
    room = _stripper_room(cycle)
    for subject in tools(cycle):
        room = np.minimum(room, _tool_room(cycle, subject))
    broken = np.asarray(False)
    for subject in tools(cycle):
        broken = broken | np.asarray(span_of(cycle, subject).already)
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
        risen = np.minimum(
            cycle.at(0.0 * machine.slide.top).underside, strip.lift
        )  # less than the lift where the stripper never lets it rise
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
        return cycle.motion.settled
    return span_of(cycle, what).start


def _protected(cycle: Cycle, what: str) -> Floats | None:
    """Dial angle [rad] at which what a sensor protects is reached; None where it cannot be told.

    A feed once commanded runs whether or not the crank stops, so its command counts, not its first motion.
    """
    feeder = cycle.machine.feeder
    if what == "feed":
        return None if feeder is None else feeder.stroke(cycle.machine.crank, by_hand=True).start
    if what == "stripper":
        return cycle.motion.touching.start
    return span_of(cycle, what).start


def _stopping(cycle: Cycle) -> Floats | None:
    """Stopping angle [rad] at even deceleration: 6 N (delay + braking N / (2 measured_at)), N in strokes/min.

    A crank that turns unevenly is taken at the greatest speed in the turn.
    """
    stop, crank = cycle.machine.scenario.press.stop, cycle.machine.crank
    if stop is None:
        return None
    speed = crank.peak_speed(0.0, TURN)
    return speed * (stop.delay + 0.5 * stop.braking * speed / (TURN * stop.measured_at))


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
    judged = cycle.machine.crank.after(_first_from(sensor.off, begins), sensor.response + stop.scan)
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
    window = cycle.machine.crank.seconds(sensor.on, next_after(sensor.off, sensor.on))
    return Measured(window - sensor.response, limit=window)


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
    Rule("stop-in-time", "angle", _sensors, _stop_in_time, _say_stop_in_time),
    Rule("sensor-dwell", "time", _sensors, _dwell, _say_dwell, allowance="share"),
)
