"""Pilots: locate, then clamp, then work; and the rolls that open for them."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from crankclock.cycle import Cycle, Span
from crankclock.parts.numbers import Flags, Floats
from crankclock.rules.base import (
    Measured,
    Missing,
    Rule,
    Subject,
    Words,
    greatest,
    least,
    punches,
    spoken,
    taps,
)
from crankclock.rules.feed import first_entry, span_of


def _with_pilots(cycle: Cycle) -> Iterable[Subject]:
    return (None,) if cycle.machine.pilots else ()


def _with_pilots_and_tools(cycle: Cycle) -> Iterable[Subject]:
    return (None,) if cycle.machine.pilots and (taps(cycle) or punches(cycle)) else ()


def _with_release(cycle: Cycle) -> Iterable[Subject]:
    return (None,) if cycle.machine.pilots or cycle.rolls is not None else ()


def _located(cycle: Cycle) -> tuple[Floats, Floats, Flags]:
    """First and last location [rad], and where some pilot is never located by coming down."""
    bodies = [pilot.body for pilot in cycle.motion.pilots.values()]
    starts = [body.start for body in bodies]
    lost: Flags = np.asarray(False)
    for body in bodies:
        lost = lost | np.asarray(body.already) | np.asarray(body.never)
    return least(np.nan, *starts), greatest(np.nan, *starts), lost


def _never_located(cycle: Cycle) -> str:
    names = [name for name, pilot in cycle.motion.pilots.items() if pilot.body.already or pilot.body.never]
    many = len(names) > 1
    return f"Pilot{'s' if many else ''} {', '.join(names)} never locate{'' if many else 's'} the strip"


def _before_clamp(cycle: Cycle, _: Subject) -> Measured | Missing:
    _first, last, lost = _located(cycle)
    clamped = cycle.motion.clamped
    broken = lost | np.asarray(clamped.already) | np.asarray(clamped.never)
    margin = np.where(broken, np.nan, clamped.start - last)
    return Measured(margin, broken, start=clamped.start, end=last)


def _say_before_clamp(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    clamped = cycle.motion.clamped
    if np.any(found.broken):
        if clamped.already or clamped.never:
            return "The stripper never comes down to clamp the strip, so nothing is located before it."
        return f"{_never_located(cycle)}: it is clamped wherever the feed left it."
    _first, last, _lost = _located(cycle)
    if float(found.margin) < 0.0:
        return (
            f"The stripper clamps the strip at {words.deg(clamped.start)}, but the last pilot has it located only at "
            f"{words.deg(last)}, {words.lag(cycle, found.margin)} later: it pulls on a clamped strip."
        )
    return (
        f"The last pilot has located the strip at {words.deg(last)}, {words.lag(cycle, found.margin)} before it is "
        f"clamped at {words.deg(clamped.start)}."
    )


def _before_tools(cycle: Cycle, _: Subject) -> Measured | Missing:
    first, already = first_entry(cycle, [*punches(cycle), *taps(cycle)])
    _first, last, lost = _located(cycle)
    broken = lost | already | np.isnan(first)
    return Measured(np.where(broken, np.nan, first - last), broken, start=first, end=last)


def _say_before_tools(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    if np.any(found.broken):
        _first, _last, lost = _located(cycle)
        if lost:
            return f"{_never_located(cycle)}: tools work on a strip that lies wherever the feed left it."
        if np.isnan(found.start if found.start is not None else np.nan):
            return "No tap or punch ever comes down into the strip."
        return "A tool is already in the strip at top dead centre, before any pilot."
    first, last = float(found.start if found.start is not None else np.nan), found.end
    who = next(spoken(each) for each in [*punches(cycle), *taps(cycle)] if float(span_of(cycle, each).start) == first)
    assert last is not None
    if float(found.margin) < 0.0:
        return (
            f"{who.capitalize()} meets the strip at {words.deg(first)}, {words.lag(cycle, found.margin)} before the "
            f"last pilot has located it at {words.deg(last)}: the hole is out of place."
        )
    return (
        f"The last pilot has located the strip at {words.deg(last)}, {words.lag(cycle, found.margin)} before {who} "
        f"meets it at {words.deg(first)}."
    )


def _first_and_last(spans: list[Span]) -> tuple[Floats, Floats]:
    """First entry and last leave [rad] of pilots or their bodies; nan where one is in at TDC or none comes in."""
    stuck: Flags = np.asarray(False)
    for span in spans:
        stuck = stuck | np.asarray(span.already)
    first = least(np.nan, *(span.start for span in spans))
    last = greatest(np.nan, *(span.end for span in spans))
    return np.where(stuck, np.nan, first), np.where(stuck, np.nan, last)


def _needs_release(cycle: Cycle) -> Missing:
    return Missing(("feeder",) if cycle.machine.feeder is None else ("feeder.pilot_release",))


def _rolls_open(cycle: Cycle, _: Subject) -> Measured | Missing:
    if cycle.rolls is None:
        return _needs_release(cycle)
    pilots = cycle.motion.pilots.values()
    entered, _left = _first_and_last([pilot.tip for pilot in pilots])
    located, _unlocated = _first_and_last([pilot.body for pilot in pilots])
    opened = cycle.rolls[0]
    margin = np.minimum(opened - entered, located - opened)
    return Measured(margin, np.isnan(margin), start=entered, end=located)


def _say_rolls_open(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    assert cycle.rolls is not None
    opened = words.deg(cycle.rolls[0])
    if np.any(found.broken):
        return f"The rolls open at {opened}, but no pilot comes down into the strip to hold and locate it then."
    assert found.start is not None
    assert found.end is not None
    enters, locates = words.deg(found.start), words.deg(found.end)
    if float(found.margin) < 0.0:
        early = float(cycle.rolls[0]) < float(found.start)
        what = (
            f"before the first pilot tip enters at {enters}: nothing holds the strip"
            if early
            else f"after the first pilot is full in at {locates}: it drags the strip against closed rolls"
        )
        return f"The rolls open at {opened}, {words.lag(cycle, found.margin)} {what}."
    return f"The rolls open at {opened}, between the first pilot's tip at {enters} and its full diameter at {locates}."


def _rolls_close(cycle: Cycle, _: Subject) -> Measured | Missing:
    if cycle.rolls is None or cycle.feed is None:
        return _needs_release(cycle)
    _entered, left = _first_and_last([pilot.tip for pilot in cycle.motion.pilots.values()])
    _first, located, _lost = _located(cycle)
    closed, nearest = cycle.rolls[1], np.minimum(left, cycle.feed.start)
    # Closed again before the last pilot has located, they are as good as never opened.
    margin = np.fmin(nearest - closed, closed - located)
    return Measured(margin, np.isnan(nearest), start=closed, end=nearest)


def _say_rolls_close(cycle: Cycle, _: Subject, found: Measured, words: Words) -> str:
    assert cycle.rolls is not None
    assert cycle.feed is not None
    closed = words.deg(cycle.rolls[1])
    if np.any(found.broken):
        return f"The rolls close at {closed}, but no pilot comes into the strip and leaves it again."
    _entered, left = _first_and_last([pilot.tip for pilot in cycle.motion.pilots.values()])
    _first, located, _lost = _located(cycle)
    if float(cycle.rolls[1]) < float(located):
        early = words.lag(cycle, located - cycle.rolls[1])
        return (
            f"The rolls close at {closed}, {early} before the last pilot is full in at {words.deg(located)}: it drags "
            f"the strip against closed rolls."
        )
    if float(found.margin) < 0.0:
        late = "the last pilot leaves" if float(left) <= float(cycle.feed.start) else "the feed starts"
        when = words.deg(min(float(left), float(cycle.feed.start)))
        return (
            f"The rolls close at {closed}, {words.lag(cycle, found.margin)} after {late} at {when}: for that long "
            f"nothing holds the strip in place."
        )
    return f"The rolls close at {closed}, with the pilots in until {words.deg(left)}."


RULES = (
    Rule("pilots-before-clamp", "angle", _with_pilots, _before_clamp, _say_before_clamp, core=True),
    Rule("pilots-before-tools", "angle", _with_pilots_and_tools, _before_tools, _say_before_tools, core=True),
    Rule("rolls-open-on-pilots", "angle", _with_release, _rolls_open, _say_rolls_open, timed=True),
    Rule("rolls-close-before-pilots-leave", "angle", _with_release, _rolls_close, _say_rolls_close, timed=True),
)
