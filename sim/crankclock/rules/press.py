"""The press: how far it opens, and the rates it may run at."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from crankclock.cycle import Cycle
from crankclock.parts.numbers import TURN, Floats
from crankclock.rules.base import Measured, Missing, Rule, Subject, Words, hanging, least, line, standing, tools
from crankclock.rules.feed import span_of, tap_room


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


RULES = (
    Rule("open-height", "length", _to_open_for, _open_height, _say_open_height, allowance="clearance"),
    Rule("press-rating", "rate", line, _rating, _say_rating, allowance="none"),
)
