"""The tap: clear of the strip while that is free to move, deep enough, home in time, and no faster than it bears."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.cycle import Cycle, TapPass, travel_ends
from crankclock.cycle.speeds import peak_slide_acceleration, slide_speed
from crankclock.handbook.materials import material
from crankclock.parts.motor import MotorSpindle
from crankclock.parts.numbers import TURN, Floats
from crankclock.parts.tap import PressSpindle
from crankclock.rules.base import Measured, Missing, Rule, Subject, Words, least, taps


def _of(cycle: Cycle, subject: Subject) -> tuple[str, TapPass]:
    assert subject is not None
    name = subject.removeprefix("tap:")
    return name, cycle.motion.taps[name]


def _press_taps(cycle: Cycle) -> list[str]:
    """Taps turned by the press."""
    return [f"tap:{name}" for name, spindle in cycle.machine.spindles.items() if isinstance(spindle, PressSpindle)]


def _motor_taps(cycle: Cycle) -> list[str]:
    """Taps turned by motors of their own."""
    return [each for each in taps(cycle) if each not in _press_taps(cycle)]


def _spindle(cycle: Cycle, subject: Subject) -> PressSpindle:
    spindle = cycle.machine.spindles[_of(cycle, subject)[0]]
    assert isinstance(spindle, PressSpindle)
    return spindle


def _clear(cycle: Cycle, subject: Subject) -> Measured:
    _name, tap = _of(cycle, subject)
    always_held = np.isinf(tap.clear)
    broken = ~np.isnan(tap.retouch) | np.asarray(tap.thread.already) | always_held
    return Measured(np.where(always_held, np.nan, tap.clear), broken, start=tap.clear_at, end=tap.clear_at)


def _say_clear(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, tap = _of(cycle, subject)
    if tap.thread.already:
        return f"Tap {name} is in the strip at top dead centre, where the strip is free."
    if not np.isnan(tap.retouch):
        again = words.deg(tap.retouch)
        if float(tap.retouch) < float(cycle.machine.slide.bdc):
            return (
                f"Tap {name} meets the strip before it is clamped, comes clear as the stripper presses it down, and "
                f"meets it again at {again}: the thread is started twice."
            )
        return (
            f"The strip rises against tap {name} again at {again}, after it had come clear: the tap is not back "
            f"before the lifters raise the strip."
        )
    if np.isnan(found.margin):
        return f"The strip is never free of the stripper, so tap {name} is never seen clear of it."
    if float(found.margin) < 0.0:
        return (
            f"Tap {name} reaches {words.length(-found.margin)} into the strip at {words.deg(tap.clear_at)}, while the "
            f"strip is free."
        )
    return (
        f"Tap {name} stays {words.length(found.margin)} clear of the strip while that is free; closest at "
        f"{words.deg(tap.clear_at)}."
    )


def _full_thread(cycle: Cycle, subject: Subject) -> Measured:
    name, tap = _of(cycle, subject)
    never = np.asarray(tap.thread.never) | np.isinf(tap.held_depth)
    margin = np.where(never, np.nan, tap.held_depth - cycle.machine.taps[name].wanted_depth)
    return Measured(margin, never, start=tap.full, end=tap.full)


def _say_full_thread(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, tap = _of(cycle, subject)
    part = cycle.machine.taps[name]
    if tap.thread.never:
        return f"Tap {name} never touches the strip: no thread is made."
    if np.any(found.broken):
        return f"The strip is never clamped, so tap {name} makes no thread in a held strip."
    want = f"{words.length(part.wanted_depth)} of threaded height and chamfer"
    if float(found.margin) < 0.0:
        return (
            f"Tap {name} goes {words.length(tap.held_depth)} deep into the clamped strip, "
            f"{words.length(-found.margin)} short of {want}: the last threads are not full."
        )
    return f"Tap {name} goes {words.length(tap.held_depth)} deep, {words.length(found.margin)} beyond {want}."


def _drive_travel(cycle: Cycle, subject: Subject) -> Measured:
    name, spindle = _of(cycle, subject)[0], _spindle(cycle, subject)
    rated = cycle.machine.scenario.tap[name].drive.travel
    top, lowest = travel_ends(cycle.machine, name)
    home = top - spindle.home_height
    if rated is None:
        return Measured(home, unchecked=(f"tap.{name}.drive.travel",))
    return Measured(least(home, rated - _used_travel(lowest, spindle)))


def _used_travel(lowest: Floats, spindle: PressSpindle) -> Floats:
    """Drive travel [m] from engagement to the deeper of nominal BDC and where the drive really reverses."""
    return np.maximum(spindle.engage_height - np.minimum(lowest, 0.0), 0.0)


def _say_drive_travel(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, spindle = _of(cycle, subject)[0], _spindle(cycle, subject)
    highest, lowest = travel_ends(cycle.machine, name)
    engage, top = words.length(_used_travel(lowest, spindle)), words.length(highest)
    if float(highest - spindle.home_height) < 0.0:
        return (
            f"Tap {name}'s spindle is not home when its drive stops rising: it needs "
            f"{words.length(spindle.home_height)} of travel with backlash and has {top}."
        )
    if float(found.margin) < 0.0:
        return (
            f"Tap {name} uses {engage} of drive travel, {words.length(-found.margin)} more than the drive is rated for."
        )
    rest = " The drive's rated travel is not given and was not checked." if found.unchecked else ""
    return f"Tap {name} uses {engage} of drive travel; {words.length(found.margin)} is left.{rest}"


@dataclass(frozen=True)
class _SpindleLimit:
    """A greatest value of the drive that a peak of the spindle is held against.

    Attributes
    ----------
    key : str
        The drive's key that holds the limit.
    dimension : str
    peak : callable
        The tap's peak [SI] by its name; asked for only where there is a limit.
    does : str
        What the spindle does, with `{peak}` in it.
    """

    key: str
    dimension: str
    peak: Callable[[Cycle, str], Floats]
    does: str

    def measure(self, cycle: Cycle, subject: Subject) -> Measured | Missing:
        name, _tap = _of(cycle, subject)
        limit = getattr(cycle.machine.scenario.tap[name].drive, self.key)
        if limit is None:
            return Missing((f"tap.{name}.drive.{self.key}",))
        return Measured(limit - self.peak(cycle, name), limit=limit)

    def say(self, cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
        name, _tap = _of(cycle, subject)
        assert found.limit is not None
        does = self.does.format(peak=words.say(found.limit - found.margin, self.dimension))
        over = "more than" if float(found.margin) < 0.0 else "within"
        return f"Tap {name}'s spindle {does}, {over} its {words.say(found.limit, self.dimension)}."


def cutting_speed(cycle: Cycle, name: str) -> Floats:
    """Greatest cutting speed [m/s] of a tap while it cuts."""
    return np.pi * cycle.machine.taps[name].diameter * cycle.motion.taps[name].peak_speed_in_cut


def _cut_speed(cycle: Cycle, subject: Subject) -> Measured | Missing:
    name, _tap = _of(cycle, subject)
    limit = _permitted(cycle, name)[0]
    if limit is None:
        return Missing(("strip.properties.cutting_speed",), "the strip's material has no cutting speed in the table")
    return Measured(limit - cutting_speed(cycle, name), limit=limit)


def _permitted(cycle: Cycle, name: str) -> tuple[Floats | None, str]:
    """Permitted cutting speed [m/s] of a tap and, where it is not the scenario's own, where it comes from."""
    strip, tap = cycle.machine.scenario.strip, cycle.machine.scenario.tap[name]
    own = strip.properties.cutting_speed if strip.properties is not None else None
    if own is not None:
        return own, ""
    row = material(strip.material)
    kind: Literal["cut", "form"] = "cut" if tap.kind == "cut" else "form"
    speed = None if row is None else row.cutting_speed(kind, tap.coating == "coated")
    if speed is None:
        return None, ""
    return speed.used, "an estimate of the handbook" if speed.estimate else f"by {speed.source}"


def _say_cut_speed(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, tap = _of(cycle, subject)
    speed = cutting_speed(cycle, name)
    assert found.limit is not None
    rpm = f"{60.0 * float(tap.peak_speed_in_cut):.0f} /min"
    limit = words.say(found.limit, "speed")
    tail = f", over the {limit} permitted" if float(found.margin) < 0.0 else f"; {limit} is permitted"
    source = _permitted(cycle, name)[1]
    told = f" ({source}; strip.properties.cutting_speed sets your own)" if source else ""
    return f"Tap {name} cuts at up to {words.say(speed, 'speed')} ({rpm}){tail}{told}."


def _speed_peak(cycle: Cycle, name: str) -> Floats:
    """Greatest spindle speed [turns/s], either way."""
    return cycle.motion.taps[name].peak_speed


def acceleration_peak(cycle: Cycle, name: str) -> Floats:
    """Greatest spindle acceleration [turns/s2] on the smooth arcs from engagement to reversal and back home."""
    tap, spindle = cycle.motion.taps[name], cycle.machine.spindles[name]
    if isinstance(spindle, MotorSpindle):
        return spindle.acceleration
    slide = cycle.machine.slide
    start = np.where(np.isnan(tap.engage), slide.bdc, tap.engage)
    end = np.where(np.isnan(tap.home), np.where(tap.turns > 0.0, TURN, slide.bdc), tap.home)
    return spindle.gearing * peak_slide_acceleration(cycle.machine, start, end)


def step_peak(cycle: Cycle, name: str) -> Floats:
    """Greatest step of spindle speed [turns/s].

    At engagement, where backlash is taken up on the way out, and, for a head on the lifters, where its drive
    travel stops and starts again because strip and slide move together. A motor starts without a step.
    """
    tap, spindle, machine = cycle.motion.taps[name], cycle.machine.spindles[name], cycle.machine
    if isinstance(spindle, MotorSpindle):
        return 0.0 * tap.peak_speed
    slide, strip, part = machine.slide, machine.strip, machine.taps[name]
    _top, lowest = travel_ends(machine, name)
    engage = np.where(np.isnan(tap.engage), slide.bdc, tap.engage)
    taken_up = slide.passes(spindle.slide_height(part, strip, lowest + spindle.lost_travel))[1]
    peak = np.maximum(slide_speed(machine, engage), slide_speed(machine, taken_up))
    if part.mount == "lifter" and spindle.reference == "head":
        still = strip.travel  # the drive travel while the strip goes down or up with the slide
        lifts = np.asarray(strip.lift) > 0.0
        turns_down = lifts & (still < spindle.engage_height)
        follows = spindle.turns_back(still, lowest) < spindle.turns(lowest)
        turns_up = lifts & follows & (still < spindle.home_height)
        for height in (strip.clamp_height, strip.touch_height):
            down, up = slide.passes(height)
            peak = np.maximum(peak, np.where(turns_down, slide_speed(machine, down), 0.0))
            peak = np.maximum(peak, np.where(turns_up, slide_speed(machine, up), 0.0))
    return spindle.gearing * peak


SPEED = _SpindleLimit("speed_max", "rate", _speed_peak, "turns at up to {peak}")
ACCELERATION = _SpindleLimit(
    "acceleration_max",
    "angular_acceleration",
    acceleration_peak,
    "accelerates at up to {peak} on its smooth arcs",
)
STEP = _SpindleLimit(
    "speed_step_max", "rate", step_peak, "speed steps by up to {peak} where it starts, stops or takes up backlash"
)


def _float(cycle: Cycle, subject: Subject) -> Measured | Missing:
    name, tap = _of(cycle, subject)
    limit = cycle.machine.scenario.tap[name].float
    if limit is None:
        return Missing((f"tap.{name}.float",))
    return Measured(limit - tap.movement, np.isnan(tap.movement), limit=limit)


def _say_float(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, tap = _of(cycle, subject)
    assert found.limit is not None
    if np.any(found.broken):
        return f"Tap {name} does not go in and out of the strip once, so its float cannot be enough."
    moved = words.length(tap.movement)
    over = "more than" if float(found.margin) < 0.0 else "within"
    return f"The strip moves {moved} while tap {name} is in it, {over} the tap's float of {words.length(found.limit)}."


def _home(cycle: Cycle, subject: Subject) -> Measured:
    name, tap = _of(cycle, subject)
    motor = cycle.machine.spindles[name]
    assert isinstance(motor, MotorSpindle)
    command = np.mod(motor.start, TURN) + TURN
    return Measured(command - tap.home, start=tap.home, end=command)


def _say_home(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, tap = _of(cycle, subject)
    assert found.end is not None
    if float(found.margin) < 0.0:
        return (
            f"Tap {name}'s spindle is home only at {words.deg(tap.home)}, {words.lag(cycle, found.margin)} after its "
            f"next start command at {words.deg(found.end)}: at this rate it cannot keep up."
        )
    return (
        f"Tap {name}'s spindle is home at {words.deg(tap.home)}, {words.lag(cycle, found.margin)} before its next "
        f"start command."
    )


RULES = (
    Rule("tap-clear-of-strip", "length", taps, _clear, _say_clear, core=True, allowance="clearance"),
    Rule("full-thread", "length", taps, _full_thread, _say_full_thread, core=True, allowance="none"),
    Rule("drive-travel", "length", _press_taps, _drive_travel, _say_drive_travel, allowance="clearance"),
    Rule("spindle-home-in-time", "angle", _motor_taps, _home, _say_home),
    Rule("cut-speed", "speed", taps, _cut_speed, _say_cut_speed, allowance="share"),
    Rule("spindle-speed", "rate", taps, SPEED.measure, SPEED.say, allowance="share"),
    Rule(
        "spindle-acceleration",
        "angular_acceleration",
        taps,
        ACCELERATION.measure,
        ACCELERATION.say,
        allowance="share",
    ),
    Rule("speed-step", "rate", taps, STEP.measure, STEP.say, allowance="share"),
    Rule("float", "length", taps, _float, _say_float, allowance="none"),
)
