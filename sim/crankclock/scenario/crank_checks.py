"""What a flywheel and single strokes need, and may not say against the rest of the press."""

from __future__ import annotations

import math

from crankclock.errors import Problem
from crankclock.parts.flywheel import Flywheel
from crankclock.parts.numbers import TURN, Floats
from crankclock.parts.single_stroke import SingleStroke
from crankclock.scenario.build import flywheel, single_stroke
from crankclock.scenario.schema import Press, Table
from crankclock.units import show

SINGLE = "single-stroke"
NO_ANGLE = 1e-9
"""Dial angles closer than this [rad] are the same."""


def crank_problems(press: Press) -> list[Problem]:
    """All that keeps the crank from turning as the press says; none where a key it needs is missing."""
    wheel = None
    if press.flywheel is not None and _whole(press.flywheel):
        wheel = flywheel(press.flywheel)
        if abs(math.remainder(float(wheel.end - wheel.start), TURN)) < NO_ANGLE:
            given = _said(wheel.end, "angle")
            return [Problem("press.flywheel.work_to", given, "another angle than work_from: work takes some angle")]
    if press.mode == SINGLE:
        return _single(press, wheel)
    return _continuous(press, wheel) if wheel is not None and press.rate is not None else []


def crank_unused(press: Press) -> list[str]:
    """What is given for the other mode."""
    if press.single_stroke is None or press.mode == SINGLE:
        return []
    return [f'press.single_stroke is not used: it belongs to press.mode "{SINGLE}", this is "continuous"']


def _whole(table: Table) -> bool:
    """Tell whether every key of a table is there that must be; `motor` may be left out."""
    return all(getattr(table, name) is not None for name in type(table).model_fields if name != "motor")


def _said(value: Floats, dimension: str) -> str:
    return show(float(value), dimension, "metric")


def _continuous(press: Press, wheel: Flywheel) -> list[Problem]:
    speed = TURN * press.rate
    if wheel.power is not None and wheel.power < wheel.work * press.rate * (1.0 - 1e-12):
        least = f"at least {math.ceil(wheel.work * press.rate)} W: the work, once every turn at the rate"
        return [Problem("press.flywheel.motor", _watts(wheel.power), least)]
    return _stall(wheel, wheel.drawn(speed), speed) if not wheel.sound(press.rate) else []


def _stall(wheel: Flywheel, drawn: Floats, speed: Floats) -> list[Problem]:
    held = _said(wheel.held(speed), "energy")
    want = f"less than stalls the press: the flywheel holds {held} at the rate, the work draws {_said(drawn, 'energy')}"
    return [Problem("press.flywheel.work", _said(wheel.work, "energy"), want)]


def _watts(value: Floats) -> str:
    """A power to the watt or finer; reports show kilowatts, too coarse to tell two motors apart."""
    return f"{float(value):.6g} W"


def _single(press: Press, wheel: Flywheel | None) -> list[Problem]:
    found = [
        Problem(f"press.{name}", "nothing", f'the table [press.{name}], since press.mode is "{SINGLE}"')
        for name in ("single_stroke", "stop")
        if getattr(press, name) is None
    ]
    if found or press.rate is None or press.single_stroke is None or press.stop is None:
        return found
    if not _whole(press.single_stroke) or press.stop.braking is None or press.stop.measured_at is None:
        return []
    if press.stop.braking <= 0.0:
        given = _said(press.stop.braking, "time")
        return [Problem("press.stop.braking", given, "more than 0 ms: single strokes are braked")]
    stroke, rate = single_stroke(press), press.rate
    if stroke.engaged(rate) > stroke.brakes_at(TURN * rate):
        clutch, brake = (_said(each, "angle") for each in (stroke.engaged(rate), stroke.brakes_at(TURN * rate)))
        want = (
            f"a clutch that has the crank at speed ({clutch}) before the brake must grip to stop at the top ({brake})"
        )
        return [Problem("press.single_stroke.engage", _said(stroke.engage, "time"), want)]
    return _single_wheel(rate, stroke, wheel) if wheel is not None else []


def _single_wheel(rate: Floats, stroke: SingleStroke, wheel: Flywheel) -> list[Problem]:
    speed = TURN * rate
    if not stroke.holds(rate, wheel):
        return _stall(wheel, wheel.drawn(speed, stroke.due(wheel)), speed)
    if not stroke.in_reach(rate, wheel):
        start, end = (_said(each, "angle") for each in (wheel.start, wheel.end))
        want = f"work that begins with the clutch engaged ({_said(stroke.engaged(rate), 'angle')}) and ends before the "
        return [Problem("press.flywheel.work_from", f"{start}, to {end}", f"{want}brake grips to stop at the top")]
    if not stroke.restores(rate, wheel):
        assert wheel.power is not None
        want = "more power, or a longer press.single_stroke.pause: the flywheel is not at its speed for the next stroke"
        return [Problem("press.flywheel.motor", _watts(wheel.power), want)]
    return []
