"""The feed and the tools: the strip may move only while nothing is in it and it lies on its lifters."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from crankclock.cycle import Cycle, Span
from crankclock.parts.feeder import FeedStroke
from crankclock.parts.numbers import TIE, TURN, Flags, Floats
from crankclock.rules.base import (
    Measured,
    Missing,
    Rule,
    Subject,
    Words,
    hanging,
    least,
    line,
    spoken,
    standing,
    tools,
)

NO_FEEDER = Missing(("feeder",))
ZERO_ROOM = 1e-6
"""Room [m] below which a sentence speaks of none."""
STRIPPER_STAYS = "The stripper is on the strip even at top dead centre: it never rises to its feed height."


def span_of(cycle: Cycle, subject: str) -> Span:
    """The span in which a tool is in the strip."""
    group, name = subject.split(":", 1)
    motion = cycle.motion
    if group == "pilot":
        return motion.pilots[name].tip
    if group == "punch":
        return motion.punches[name]
    return motion.taps[name].thread


def depth_at(cycle: Cycle, subject: str, angle: Floats) -> Floats:
    """How deep [m] a tool is in the strip at a dial angle [rad]; negative where it is clear."""
    group, name = subject.split(":", 1)
    if group == "tap":
        return -cycle.motion.taps[name].along(angle)[0]
    machine, places = cycle.machine, cycle.at(angle)
    tool = (machine.pilots if group == "pilot" else machine.punches)[name]
    return places.underside + machine.strip.thickness - tool.tip(places.slide, places.face)


def first_entry(cycle: Cycle, subjects: Iterable[str]) -> tuple[Floats, np.ndarray]:
    """Earliest entry [rad] of some tools, and where one is in at TDC."""
    first: Floats = np.nan
    already = np.asarray(False)
    for subject in subjects:
        span = span_of(cycle, subject)
        first = np.fmin(first, span.start)
        already = already | span.already
    return first, already


def _ends_in_time(cycle: Cycle, _: Subject) -> Measured | Missing:
    if cycle.feed is None:
        return NO_FEEDER
    first, already = first_entry(cycle, tools(cycle))
    touching = cycle.motion.touching
    meets = least(first, touching.start) + TURN
    margin = np.where(already | touching.already | touching.never, np.nan, meets - cycle.feed.end)
    return Measured(margin, already | touching.already | touching.never, start=meets, end=cycle.feed.end)


def _first_down(cycle: Cycle) -> str:
    """What comes down on the strip first, for a sentence."""
    best, name = cycle.motion.touching.start, "the stripper"
    for subject in tools(cycle):
        span = span_of(cycle, subject)
        if float(span.start) < float(best):
            best, name = span.start, spoken(subject)
    return name


def _say_ends_in_time(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    feed = cycle.feed
    assert feed is not None
    if np.any(found.broken):
        inside = [spoken(each) for each in tools(cycle) if span_of(cycle, each).already]
        if not inside and cycle.motion.touching.never:
            return "The stripper never comes down on the strip, so nothing ends the feed window: the strip is not held."
        what = f"{', '.join(inside)} still in it" if inside else "the stripper still on it"
        return f"The strip can never be fed: at top dead centre it has {what}."
    who, meets = _first_down(cycle), float(found.start if found.start is not None else np.nan)
    if meets <= float(feed.start):
        return (
            f"{who.capitalize()} comes down on the strip at {words.deg(meets)}, before the feed has even started at "
            f"{words.deg(feed.start)}; it ends {words.lag(cycle, found.margin)} too late."
        )
    if float(found.margin) < 0.0:
        moved = _feeder_covered(cycle, meets)
        return (
            f"{who.capitalize()} comes down on the strip at {words.deg(meets)} while it is still moving: the feed "
            f"ends at {words.deg(feed.end)}, {words.lag(cycle, found.margin)} too late, with "
            f"{words.length(cycle.machine.scenario.strip.pitch - moved)} still to go."
        )
    return (
        f"The feed has ended at {words.deg(feed.end)}, {words.lag(cycle, found.margin)} before {who} meets the "
        f"strip at {words.deg(meets)}."
    )


def _feeder_covered(cycle: Cycle, angle: Floats) -> Floats:
    """How far [m] the strip has moved at a dial angle [rad]."""
    feeder, feed = cycle.machine.feeder, cycle.feed
    assert feeder is not None
    assert feed is not None
    return feeder.covered(feed, angle)


def _starts_after_tools(cycle: Cycle, subject: Subject) -> Measured | Missing:
    if cycle.feed is None:
        return NO_FEEDER
    assert subject is not None
    span = span_of(cycle, subject)
    broken = np.asarray(span.already) | np.asarray(span.never)
    return Measured(cycle.feed.start - span.end, broken, start=cycle.feed.start, end=span.end)


def _say_starts_after_tools(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    assert subject is not None
    feed, span = cycle.feed, span_of(cycle, subject)
    assert feed is not None
    who = spoken(subject)
    if span.already:
        return f"{who.capitalize()} is still in the strip at top dead centre: the feed tears the strip or the tool."
    if span.never:
        return f"{who.capitalize()} never enters the strip: it does no work."
    if float(found.margin) < 0.0:
        deep = max(float(depth_at(cycle, subject, feed.start)), 0.0)
        moved = _feeder_covered(cycle, span.end)
        past = words.length(deep)
        return (
            f"The feed starts at {words.deg(feed.start)} with {who} still {past} past the face it enters; it "
            f"leaves at {words.deg(span.end)}, {words.lag(cycle, found.margin)} later, and by then the strip has "
            f"moved {words.length(moved)}{_by_hand_travel(cycle)}."
        )
    return (
        f"{who.capitalize()} leaves the strip at {words.deg(span.end)}, {words.lag(cycle, found.margin)} before the "
        f"feed starts at {words.deg(feed.start)}."
    )


def _by_hand_travel(cycle: Cycle) -> str:
    return " (by hand the feed takes no dial angle)" if cycle.reading == "hand" else ""


def _starts_after_lift(cycle: Cycle, _: Subject) -> Measured | Missing:
    if cycle.feed is None:
        return NO_FEEDER
    raised, settled = cycle.motion.touching, cycle.motion.settled
    broken = np.asarray(raised.already) | raised.never | np.isnan(settled)
    return Measured(cycle.feed.start - settled, broken, start=cycle.feed.start, end=settled)


def _say_starts_after_lift(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    feed, raised, settled = cycle.feed, cycle.motion.touching, cycle.motion.settled
    assert feed is not None
    if np.any(found.broken):
        return _never_raised(cycle)
    rests = "settles there" if float(settled) > float(raised.end) else "is let up there"
    if float(found.margin) < 0.0:
        low = np.abs(cycle.machine.strip.lift - cycle.at(feed.start).underside)
        return (
            f"The feed starts at {words.deg(feed.start)} with the strip still {words.length(low)} off its feed "
            f"height; it {rests} at {words.deg(settled)}, "
            f"{words.lag(cycle, found.margin)} later, and by then it has moved "
            f"{words.length(_feeder_covered(cycle, settled))}{_by_hand_travel(cycle)}."
        )
    return (
        f"The strip lies at its feed height from {words.deg(settled)}, {words.lag(cycle, found.margin)} before "
        f"the feed starts at {words.deg(feed.start)}."
    )


def _never_raised(cycle: Cycle) -> str:
    raised = cycle.motion.touching
    why = "the lifters do not get it there before the stripper comes down again"
    if raised.already:
        why = "the stripper never lets it go"
    elif raised.never:
        why = "the stripper never comes down on it"
    return f"The strip is never raised to its feed height to stay: {why}."


def _slip(cycle: Cycle, _: Subject) -> Measured | Missing:
    feed, scenario = cycle.feed, cycle.machine.scenario
    if feed is None or scenario.feeder is None:
        return NO_FEEDER
    if feed.peak_acceleration is None:
        return Missing(("feeder.kind",), f'a "{scenario.feeder.kind}" feeder does not tell its acceleration')
    if scenario.feeder.slip is None:
        return Missing(("feeder.slip",))
    return Measured(scenario.feeder.slip - feed.peak_acceleration, limit=scenario.feeder.slip)


def _say_slip(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    feed, limit = cycle.feed, found.limit
    assert feed is not None
    assert feed.peak_acceleration is not None
    assert limit is not None
    peak = words.say(feed.peak_acceleration, "acceleration")
    holds = words.say(limit, "acceleration")
    if float(found.margin) < 0.0:
        return f"The strip slips in the feeder: it is accelerated at {peak} and grips up to {holds}."
    return f"The strip is accelerated at up to {peak}; it slips from {holds}."


def tap_room(cycle: Cycle, name: str, angle: Floats) -> Floats:
    """Room [m] at a dial angle [rad] between a tap's point and what stands or hangs on its side of the strip."""
    machine, tap = cycle.machine, cycle.machine.taps[name]
    flange = tap.height - machine.strip.thickness if tap.flange_toward else 0.0
    beyond = standing(cycle) if tap.side == "above" else hanging(cycle)
    return flange - depth_at(cycle, f"tap:{name}", angle) - tap.point - beyond


def _free_height(cycle: Cycle, angle: Floats) -> Floats:
    """Room [m] between stripper and what stands above the strip at a dial angle [rad]; what presses leaves none."""
    places = cycle.at(angle)
    return np.maximum(places.face - places.underside - cycle.machine.strip.thickness, 0.0) - standing(cycle)


def _stays_down(cycle: Cycle) -> Flags:
    """Whether the stripper keeps the strip from its feed height even at TDC, whatever give the plates have."""
    machine = cycle.machine
    return np.asarray(cycle.motion.touching.already) | (machine.strip.touch_height >= machine.slide.top - TIE)


def _stripper_clears(cycle: Cycle, _: Subject) -> Measured | Missing:
    feed = cycle.feed
    if feed is None:
        return NO_FEEDER
    start, end = (_free_height(cycle, angle) for angle in (feed.start, feed.end))
    return Measured(np.minimum(start, end), _stays_down(cycle), start=feed.start, end=feed.end)


def _while_fed(feed: FeedStroke, words: Words) -> str:
    if float(feed.end) > float(feed.start):
        return f"while the strip is fed ({words.deg(feed.start)} to {words.deg(feed.end)})"
    return f"at the feed's start, {words.deg(feed.start)}"


def _say_stripper_clears(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    feed = cycle.feed
    assert feed is not None
    if np.any(found.broken):
        return STRIPPER_STAYS
    above, span = standing(cycle), _while_fed(feed, words)
    if float(found.margin) < 0.0:
        return (
            f"What stands {words.length(above)} above the strip runs into the stripper {span}: "
            f"{words.length(-found.margin)} too little room."
        )
    if float(found.margin) < ZERO_ROOM:
        return f"The stripper leaves no room above the strip {span}."
    what = "what stands above the strip" if above else "the strip"
    return f"The stripper stays at least {words.length(found.margin)} clear of {what} {span}."


def _with_tools(cycle: Cycle) -> Iterable[Subject]:
    return (None,) if tools(cycle) else ()


def _tools_room(cycle: Cycle, angle: Floats) -> Floats:
    """Least room [m] at a dial angle [rad] between tools and what stands or hangs on their side of the strip.

    Where nothing does, a tool is judged by when it leaves, not here.
    """
    machine, above, below = cycle.machine, standing(cycle), hanging(cycle)
    places = cycle.at(angle)
    room: Floats = np.inf
    if not (np.any(np.asarray(above) > 0.0) or np.any(np.asarray(below) > 0.0)):
        return room
    for tool in (*machine.pilots.values(), *machine.punches.values()):
        clear = tool.tip(places.slide, places.face) - places.underside - machine.strip.thickness - above
        room = np.where(np.asarray(above) > 0.0, np.minimum(room, clear), room)
    for name, tap in machine.taps.items():
        beyond = above if tap.side == "above" else below
        room = np.where(np.asarray(beyond) > 0.0, np.minimum(room, tap_room(cycle, name, angle)), room)
    return room


def _tools_clear(cycle: Cycle, _: Subject) -> Measured | Missing:
    feed = cycle.feed
    if feed is None:
        return NO_FEEDER
    room = np.minimum(_tools_room(cycle, feed.start), _tools_room(cycle, feed.end))
    # Nothing on the side of any tool: as much room as the slide has.
    return Measured(np.minimum(room, cycle.machine.slide.top), start=feed.start, end=feed.end)


def _say_tools_clear(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    feed = cycle.feed
    assert feed is not None
    span = _while_fed(feed, words)
    if float(found.margin) < 0.0:
        return (
            f"What stands or hangs on the strip runs into a tool {span}: {words.length(-found.margin)} too little room."
        )
    if not standing(cycle) and not hanging(cycle):
        return "Nothing stands above or hangs below the strip for a tool to meet."
    return f"Tools stay at least {words.length(found.margin)} clear of what stands or hangs on the strip {span}."


def _strip_clears(cycle: Cycle, _: Subject) -> Measured | Missing:
    strip = cycle.machine.scenario.strip
    below = hanging(cycle)
    idle = np.asarray(below) <= 0.0
    return Measured(strip.lift - below, _stays_down(cycle), idle=idle)


def _say_strip_clears(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    if np.any(found.broken):
        return STRIPPER_STAYS
    strip = cycle.machine.scenario.strip
    hang, lift = words.length(hanging(cycle)), words.length(strip.lift)
    if float(found.margin) < 0.0:
        return f"What hangs {hang} below the strip drags over the die: the strip is lifted by {lift} only."
    return f"The strip is lifted by {lift}; {hang} hangs below it."


def window(cycle: Cycle) -> tuple[Floats, Floats, FeedStroke] | None:
    """The feed window [rad]: from the last thing out to the first thing in of the next stroke; nan if none."""
    if cycle.feed is None:
        return None
    touching = cycle.motion.touching
    opens, closes = cycle.motion.settled, touching.start + TURN
    blocked = np.asarray(touching.already) | touching.never | np.isnan(opens)
    for subject in tools(cycle):
        span = span_of(cycle, subject)
        blocked = blocked | span.already
        opens, closes = np.fmax(opens, span.end), np.fmin(closes, span.start + TURN)
    return np.where(blocked, np.nan, opens), np.where(blocked, np.nan, closes), cycle.feed


RULES = (
    Rule("feed-ends-in-time", "angle", line, _ends_in_time, _say_ends_in_time, core=True, timed=True),
    Rule("feed-starts-after-tools", "angle", tools, _starts_after_tools, _say_starts_after_tools, True, True),
    Rule("feed-starts-after-lift", "angle", line, _starts_after_lift, _say_starts_after_lift, True, True),
    Rule("feed-slip", "acceleration", line, _slip, _say_slip, allowance="share"),
    Rule("strip-clears-die", "length", line, _strip_clears, _say_strip_clears, allowance="clearance"),
    Rule(
        "stripper-clears-strip",
        "length",
        line,
        _stripper_clears,
        _say_stripper_clears,
        timed=True,
        allowance="clearance",
    ),
    Rule(
        "tools-clear-features",
        "length",
        _with_tools,
        _tools_clear,
        _say_tools_clear,
        timed=True,
        allowance="clearance",
    ),
)
