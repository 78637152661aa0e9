"""Sensors: what they can see and for how long, and whether the press stops in time on what they report."""

from __future__ import annotations

import numpy as np

from crankclock.cycle import Cycle
from crankclock.parts.feeder import next_after
from crankclock.parts.numbers import TURN, Floats
from crankclock.rules.base import Measured, Missing, Rule, Subject, Words
from crankclock.rules.feed import span_of
from crankclock.scenario.schema import Sensor


def _sensors(cycle: Cycle) -> list[str]:
    return [f"sensor:{name}" for name in cycle.machine.scenario.sensor]


def _sensor(cycle: Cycle, subject: Subject) -> tuple[str, Sensor]:
    assert subject is not None
    name = subject.removeprefix("sensor:")
    return name, cycle.machine.scenario.sensor[name]


def wrong_from(cycle: Cycle, what: str) -> Floats | None:
    """Dial angle [rad] from which something a sensor watches can be wrong; None where it cannot be told."""
    if what == "feed":
        return None if cycle.feed is None else cycle.feed.end
    if what == "strip":
        return cycle.motion.settled
    contact = touched(cycle, what)
    return span_of(cycle, what).start if contact is None else contact[0]


def protected_from(cycle: Cycle, what: str) -> Floats | None:
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


def first_from(angle: Floats, start: Floats) -> Floats:
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
    reached, begins = protected_from(cycle, sensor.protects), wrong_from(cycle, sensor.watches)
    if reached is None:
        return Missing((f"sensor.{name}.protects",), f"{sensor.protects} has no dial angle in this cycle")
    begins = sensor.on if begins is None else begins
    judged = cycle.machine.crank.after(first_from(sensor.off, begins), sensor.response + stop.scan)
    # What it watches and protects alike is protected in its next stroke.
    hit = begins + TURN if sensor.protects == sensor.watches else first_from(reached, begins)
    margin = hit - judged - stopping
    return Measured(margin, np.isnan(margin), start=judged, end=hit)


def _say_best(cycle: Cycle, sensor: Sensor, found: Measured, words: Words) -> str:
    """What the best setting of the window could do: end just when the watched thing can first be told to be wrong."""
    crank, stop, stopping = cycle.machine.crank, cycle.machine.scenario.press.stop, _stopping(cycle)
    begins, hit = wrong_from(cycle, sensor.watches), found.end
    assert stop is not None
    assert stopping is not None
    if begins is None or hit is None or not np.isfinite(begins):
        return ""
    left = hit - begins
    spare = hit - crank.after(begins, sensor.response + stop.scan) - stopping
    if float(spare) >= 0.0:
        return f"A window that ends {words.deg(spare)} or less after {words.deg(begins)} would do."
    rate = _rate_that_stops(left, sensor.response + stop.scan + stop.delay, stop.braking / stop.measured_at)
    return (
        f"No setting of the sensor could stop the press in time at this rate: from {words.deg(begins)}, where a fault "
        f"can first be told, {words.deg(left)} are left. At about {words.say(rate, 'rate')} it could."
    )


def _rate_that_stops(left: Floats, wait: Floats, braking: Floats) -> Floats:
    """Stroke rate [strokes/s] at which waiting and braking together take an angle [rad].

    From 2 pi N (wait + braking N / 2) = left, `braking` being the braking time over the rate it was measured at; that
    the angle itself moves with the rate is left out.
    """
    turns = np.maximum(left, 0.0) / TURN
    # The root of (braking / 2) N^2 + wait N - turns = 0, in the form that also holds without braking.
    root = np.sqrt(wait * wait + 2.0 * braking * turns)
    whole = wait + root
    return np.where(whole > 0.0, 2.0 * turns / np.where(whole > 0.0, whole, 1.0), np.inf)


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
        late = words.lag(cycle, found.margin)
        return f"{base}, {late} after {what} is due at {words.deg(found.end)}. {_say_best(cycle, sensor, found, words)}"
    return f"{base}, {words.lag(cycle, found.margin)} before {what} is due at {words.deg(found.end)}."


def _level(cycle: Cycle, sensor: Sensor) -> Floats | None:
    """Depth of the first thread [m] at which a tap's point touches a tap sensor; None for any other sensor."""
    if sensor.sensing_gap is None or not sensor.watches.startswith("tap:"):
        return None
    tap = cycle.machine.taps[sensor.watches.removeprefix("tap:")]
    return tap.height - tap.point + sensor.sensing_gap


def touched(cycle: Cycle, what: str, sensor: Sensor | None = None) -> tuple[Floats, Floats] | None:
    """Dial angles [rad] from which and to which a tap touches its sensor; None where nothing says where that sits."""
    known = [sensor] if sensor is not None else list(cycle.machine.scenario.sensor.values())
    for each in known:
        level = _level(cycle, each)
        if each.watches == what and level is not None:
            return cycle.motion.taps[what.removeprefix("tap:")].deeper(level)
    return None


def _tap_sensors(cycle: Cycle) -> list[str]:
    """Sensors whose place beyond the strip is given."""
    sensors = cycle.machine.scenario.sensor
    return [f"sensor:{name}" for name, sensor in sensors.items() if _level(cycle, sensor) is not None]


def _gap(cycle: Cycle, subject: Subject) -> Measured:
    _name, sensor = _sensor(cycle, subject)
    name = sensor.watches.removeprefix("tap:")
    tap, passed = cycle.machine.taps[name], cycle.motion.taps[name]
    assert sensor.sensing_gap is not None
    return Measured(passed.depth + tap.point - tap.height - sensor.sensing_gap, start=passed.full, end=passed.full)


def _say_gap(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, sensor = _sensor(cycle, subject)
    assert sensor.sensing_gap is not None
    out = words.length(found.margin + sensor.sensing_gap)
    who = sensor.watches.replace(":", " ")
    gap = words.length(sensor.sensing_gap)
    if float(found.margin) < 0.0:
        return (
            f"Sensor {name} sits {gap} beyond the strip, but the point of {who} comes out by {out} at most: it never "
            f"sees a whole tap and stops the press every stroke."
        )
    return f"The point of {who} comes {out} out of the strip at full depth; sensor {name} sits {gap} beyond it."


def _seen(cycle: Cycle, sensor: Sensor) -> Floats:
    """Time [s] for which a sensor is actuated while it is looked at."""
    crank = cycle.machine.crank
    start, end = sensor.on, next_after(sensor.off, sensor.on)
    contact = touched(cycle, sensor.watches, sensor)
    if contact is None:
        return crank.seconds(start, end)
    best: Floats = 0.0
    for turn in (-TURN, 0.0, TURN):  # the window is looked at every turn; a contact may lie past its own
        first, last = np.maximum(contact[0], start + turn), np.minimum(contact[1], end + turn)
        best = np.fmax(best, np.where(last > first, crank.seconds(first, np.maximum(first, last)), 0.0))
    return best


def _dwell(cycle: Cycle, subject: Subject) -> Measured:
    _name, sensor = _sensor(cycle, subject)
    lasts = _seen(cycle, sensor)
    return Measured(lasts - sensor.response, limit=lasts)


def _say_dwell(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, sensor = _sensor(cycle, subject)
    assert found.limit is not None
    lasts, needs = words.say(found.limit, "time"), words.say(sensor.response, "time")
    what = f"Sensor {name}'s window lasts {lasts}"
    if touched(cycle, sensor.watches, sensor) is not None:
        what = f"Within its window sensor {name} is touched by {sensor.watches.replace(':', ' ')} for {lasts}"
    if float(found.margin) < 0.0:
        return f"{what} at this rate, but it needs {needs} to respond: it sees nothing."
    return f"{what} at this rate; it needs {needs} to respond."


RULES = (
    Rule("stop-in-time", "angle", _sensors, _stop_in_time, _say_stop_in_time),
    Rule("sensor-dwell", "time", _sensors, _dwell, _say_dwell, allowance="share"),
    Rule("sensor-gap", "length", _tap_sensors, _gap, _say_gap, allowance="clearance"),
)
