"""One turn of the crank: when each thing happens, by the hand and the rigid reading.

Everything that follows the slide rigidly is a piecewise straight function of slide height, so every event is
found in closed form: a crossing height, then the slide's own inverse. Nothing is read off a grid.

Order and ties stand here and nowhere else: heights within `TIE` of each other are equal and count as *in* (the
earlier enter, the later leave), angles run from the TDC that starts the stroke and are never wrapped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from crankclock.parts.feeder import FeedStroke
from crankclock.parts.numbers import TIE, Flags, Floats, stack
from crankclock.parts.slide import Slide
from crankclock.parts.tap import PressSpindle, Tap
from crankclock.scenario.build import Machine

Reading = Literal["hand", "rigid"]


@dataclass(frozen=True)
class Span:
    """When something is in, once a turn.

    Attributes
    ----------
    start, end : float or array, shape (n,)
        Dial angles [rad]; nan where it does not happen.
    already : bool or array
        True where it is in at TDC and so never enters.
    never : bool or array
        True where it never gets in.
    """

    start: Floats
    end: Floats
    already: Flags
    never: Flags


@dataclass(frozen=True)
class PilotPass:
    """A pilot's tip in the strip, and its full diameter (located)."""

    tip: Span
    body: Span


@dataclass(frozen=True)
class TapPass:
    """A tap's way through the hole; angles [rad] are nan where the event does not happen.

    Attributes
    ----------
    thread : Span
        From first touch to last leave.
    engage, through, full, home, retouch : float or array
        Dial angles [rad].
    depth : float or array
        Greatest depth of the first thread [m]; negative where it stays clear.
    held_depth : float or array
        Greatest depth [m] while the strip is clamped; minus infinity where it never is.
    clear : float or array
        Least clearance of the point [m] while the strip is not clamped; infinity where it always is.
    clear_at : float or array
        Dial angle [rad] of that least clearance.
    turns : float or array
        Turns from home to reversal.
    top_travel, lowest_travel : float or array
        Greatest drive travel coordinate [m] in the turn, and that at which the drive reverses.
    peak_speed_in_cut, peak_speed : float or array
        Greatest spindle speed while cutting, and either way [turns/s].
    """

    thread: Span
    engage: Floats
    through: Floats
    full: Floats
    home: Floats
    retouch: Floats
    depth: Floats
    held_depth: Floats
    clear: Floats
    clear_at: Floats
    turns: Floats
    top_travel: Floats
    lowest_travel: Floats
    peak_speed_in_cut: Floats
    peak_speed: Floats


@dataclass(frozen=True)
class Motion:
    """What the slide does to strip and tools: the same by hand and at speed while all is rigid."""

    touching: Span
    clamped: Span
    pilots: Mapping[str, PilotPass]
    punches: Mapping[str, Span]
    taps: Mapping[str, TapPass | None]


@dataclass(frozen=True)
class Cycle:
    """One reading of one turn.

    Attributes
    ----------
    feed : FeedStroke or None
    rolls : pair of float or array, or None
        Dial angles [rad] at which the rolls open and close.
    """

    reading: Reading
    machine: Machine
    motion: Motion
    feed: FeedStroke | None
    rolls: tuple[Floats, Floats] | None

    def events(self) -> dict[str, Floats]:
        """Dial angle [rad] of every event by its id, nan where it does not happen."""
        motion = self.motion
        found: dict[str, Floats] = {
            "stripper.touch": motion.touching.start,
            "stripper.clamped": motion.clamped.start,
            "stripper.unclamped": motion.clamped.end,
            "strip.raised": motion.touching.end,
            "strip.settled": motion.touching.end,
        }
        for name, pilot in motion.pilots.items():
            found[f"pilot:{name}.enter"] = pilot.tip.start
            found[f"pilot:{name}.located"] = pilot.body.start
            found[f"pilot:{name}.unlocated"] = pilot.body.end
            found[f"pilot:{name}.leave"] = pilot.tip.end
        for name, punch in motion.punches.items():
            found[f"punch:{name}.enter"] = punch.start
            found[f"punch:{name}.leave"] = punch.end
        for name, tap in motion.taps.items():
            if tap is not None:
                found |= _tap_events(name, tap)
        if self.feed is not None:
            found["feed.start"], found["feed.end"] = self.feed.start, self.feed.end
        if self.rolls is not None:
            found["rolls.open"], found["rolls.close"] = self.rolls
        return found


def _tap_events(name: str, tap: TapPass) -> dict[str, Floats]:
    return {
        f"tap:{name}.engage": tap.engage,
        f"tap:{name}.touch": tap.thread.start,
        f"tap:{name}.through": tap.through,
        f"tap:{name}.full": tap.full,
        f"tap:{name}.leave": tap.thread.end,
        f"tap:{name}.home": tap.home,
        f"tap:{name}.retouch": tap.retouch,
    }


@dataclass(frozen=True)
class Readings:
    """The same turn, turned over by hand and at the rate with a rigid mechanism."""

    hand: Cycle
    rigid: Cycle

    def chosen(self, reading: Reading) -> Cycle:
        return self.hand if reading == "hand" else self.rigid


def turn(machine: Machine) -> Readings:
    """Work out one turn of the crank.

    Parameters
    ----------
    machine : Machine
        Parts whose values are floats or arrays over variants.

    Returns
    -------
    Readings
    """
    motion = _motion(machine)

    def read(reading: Reading) -> Cycle:
        by_hand = reading == "hand"
        feeder, release = machine.feeder, machine.release
        feed = feeder.stroke(machine.crank, by_hand=by_hand) if feeder is not None else None
        rolls = release.angles(machine.crank, by_hand=by_hand) if release is not None else None
        return Cycle(reading, machine, motion, feed, rolls)

    return Readings(read("hand"), read("rigid"))


def _motion(machine: Machine) -> Motion:
    strip, slide = machine.strip, machine.slide
    heights: dict[str, Floats] = {"touching": strip.touch_height, "clamped": strip.clamp_height}
    for name, pilot in machine.pilots.items():
        heights[f"pilot:{name}"] = pilot.passing_height(strip)
        heights[f"body:{name}"] = pilot.passing_height(strip, pilot.nose)
    for name, punch in machine.punches.items():
        heights[f"punch:{name}"] = punch.passing_height(strip)
    spans = _spans(slide, heights)
    return Motion(
        touching=spans["touching"],
        clamped=spans["clamped"],
        pilots={name: PilotPass(spans[f"pilot:{name}"], spans[f"body:{name}"]) for name in machine.pilots},
        punches={name: spans[f"punch:{name}"] for name in machine.punches},
        taps={name: _tap_pass(machine, name) for name in machine.taps},
    )


def _spans(slide: Slide, heights: Mapping[str, Floats]) -> dict[str, Span]:
    """The span in which the slide is at or below each height, all in one call of the slide's inverse."""
    stacked = stack(*heights.values())
    already = stacked >= slide.top - TIE
    never = stacked < slide.bottom - TIE
    down, up = slide.passes(stacked)
    absent = already | never
    down, up = np.where(absent, np.nan, down), np.where(absent, np.nan, up)
    return {name: Span(down[k], up[k], already[k], never[k]) for k, name in enumerate(heights)}


@dataclass(frozen=True)
class _Path:
    """A tap's gap along one way of the slide: corner heights in the order they are passed, straight between."""

    height: NDArray[np.float64]
    gap: NDArray[np.float64]
    within: NDArray[np.bool_]

    def crossing(self, level: Floats = 0.0) -> NDArray[np.float64]:
        """Slide height [m] at which each leg passes a gap [m], for legs that do; an end of the leg otherwise."""
        start, end = self.gap[:-1] - level, self.gap[1:] - level
        fall = start - end
        share = np.where(fall != 0.0, start / np.where(fall != 0.0, fall, 1.0), 0.0)
        share = np.minimum(np.maximum(share, 0.0), 1.0)
        return self.height[:-1] + share * (self.height[1:] - self.height[:-1])


def _paths(machine: Machine, tap: Tap, spindle: PressSpindle) -> tuple[_Path, _Path]:
    """The tap's gap going down and going up."""
    slide, strip = machine.slide, machine.strip
    top, bottom = slide.top, slide.bottom
    lowest = spindle.travel(tap, strip, bottom, strip.underside(bottom), strip.stripper_face(bottom))

    def path(*corners: Floats, upward: bool) -> _Path:
        heights = np.sort(np.minimum(np.maximum(stack(bottom, *corners, top), bottom), top), axis=0)
        heights = heights if upward else heights[::-1]
        underside, face = strip.underside(heights), strip.stripper_face(heights)
        travel = spindle.travel(tap, strip, heights, underside, face)
        turns = spindle.turns_back(travel, lowest) if upward else spindle.turns(travel)
        gap = tap.rest_gap(strip, heights, underside, face) - tap.pitch * turns
        return _Path(heights, gap, gap <= TIE)

    def where(travel: Floats) -> Floats:
        return spindle.slide_height(tap, strip, travel)

    strip_corners = (strip.clamp_height, strip.touch_height)
    down = path(*strip_corners, where(spindle.engage_height), upward=False)
    follows = where(lowest + spindle.lost_travel)
    up = path(*strip_corners, follows, where(spindle.home_height), upward=True)
    return down, up


def _first(flags: NDArray[np.bool_], values: NDArray[np.float64], *, last: bool = False) -> Floats:
    """The value of the first (or last) leg that is flagged, nan where none is."""
    at = flags.shape[0] - 1 - np.argmax(flags[::-1], axis=0) if last else np.argmax(flags, axis=0)
    picked = np.take_along_axis(values, np.asarray(at)[None, ...], axis=0)[0]
    found: Floats = np.where(flags.any(axis=0), picked, np.nan)
    return found


def _tap_pass(machine: Machine, name: str) -> TapPass | None:
    """All of a press-driven tap's events; None for a motor-driven one."""
    tap, spindle, slide, strip = machine.taps[name], machine.spindles[name], machine.slide, machine.strip
    if spindle is None:
        return None
    down, up = _paths(machine, tap, spindle)
    cross_down, cross_up = slide.passes(down.crossing())[0], slide.passes(up.crossing())[1]
    angles = np.concatenate([cross_down, cross_up])
    entering = np.concatenate([~down.within[:-1] & down.within[1:], ~up.within[:-1] & up.within[1:]])
    leaving = np.concatenate([down.within[:-1] & ~down.within[1:], up.within[:-1] & ~up.within[1:]])
    already = down.within[0] | up.within[-1]
    never = ~(down.within.any(axis=0) | up.within.any(axis=0))
    again = entering & (np.cumsum(entering, axis=0) > np.where(already, 0, 1))
    absent = already | never
    thread = Span(
        np.where(absent, np.nan, _first(entering, angles)),
        np.where(absent, np.nan, _first(leaving, angles, last=True)),
        already,
        never,
    )
    travel = spindle.travel(tap, strip, down.height, strip.underside(down.height), strip.stripper_face(down.height))
    top_travel, lowest = travel.max(axis=0), travel[-1]
    turns = spindle.turns(lowest)
    engaged = slide.passes(spindle.slide_height(tap, strip, spindle.engage_height))[0]
    home = slide.passes(spindle.slide_height(tap, strip, spindle.home_height))[1]
    turns_at_all = (turns > 0.0) & (spindle.engage_height <= top_travel + TIE)
    comes_home = turns_at_all & (spindle.home_height <= top_travel + TIE)
    through = down.gap <= TIE - tap.height
    through_at = slide.passes(down.crossing(-tap.height))[0]
    depth, held_depth, full = _depths(machine, down, up)
    clear, clear_at = _clearance(machine, tap, down, up)
    in_cut, either_way = _peak_speeds(machine, spindle, tap, down, cross_down)
    return TapPass(
        thread=thread,
        engage=np.where(turns_at_all, engaged, np.nan),
        through=_first(~through[:-1] & through[1:], through_at),
        full=np.where(never, np.nan, full),
        home=np.where(comes_home, home, np.nan),
        retouch=_first(again, angles),
        depth=depth,
        held_depth=held_depth,
        clear=clear,
        clear_at=clear_at,
        turns=turns,
        top_travel=top_travel,
        lowest_travel=lowest,
        peak_speed_in_cut=in_cut,
        peak_speed=either_way,
    )


def _depths(machine: Machine, down: _Path, up: _Path) -> tuple[Floats, Floats, Floats]:
    """Greatest depth, greatest depth while clamped, and the dial angle of the former."""
    height = np.concatenate([down.height, up.height])
    depth = -np.concatenate([down.gap, up.gap])
    held = np.where(height <= machine.strip.clamp_height + TIE, depth, -np.inf).max(axis=0)
    deepest = depth.max(axis=0)
    at_bdc = down.gap[-1] <= -deepest + TIE
    reached = depth >= deepest - TIE
    ways = machine.slide.passes(height)
    legs = down.height.shape[0]
    angle = np.concatenate([ways[0][:legs], ways[1][legs:]])
    full = np.where(at_bdc, machine.slide.bdc, _first(reached, angle))
    return deepest, held, full


def _clearance(machine: Machine, tap: Tap, down: _Path, up: _Path) -> tuple[Floats, Floats]:
    """Least clearance of the point while the strip is not clamped, and its dial angle."""
    height = np.concatenate([down.height, up.height])
    free = height >= machine.strip.clamp_height - TIE
    gap = np.where(free, np.concatenate([down.gap, up.gap]), np.inf)
    least = gap.min(axis=0)
    ways = machine.slide.passes(height)
    legs = down.height.shape[0]
    angle = np.concatenate([ways[0][:legs], ways[1][legs:]])
    return least - tap.point, _first(gap <= least, angle)


def _peak_speeds(
    machine: Machine, spindle: PressSpindle, tap: Tap, down: _Path, crossing: NDArray[np.float64]
) -> tuple[Floats, Floats]:
    """Greatest spindle speed [turns/s] while the tap cuts (in the strip, turns growing), and either way.

    Where a head rides on the stripper or the lifters its drive travel stands still while the carrier moves with
    the slide; those stretches of the way lie outside its engagement or turn nothing and are left out.
    """
    slide, strip = machine.slide, machine.strip
    angles = slide.passes(down.height)[0]
    start = np.where(down.within[:-1], angles[:-1], crossing)
    end = np.where(down.within[1:], angles[1:], crossing)
    turning = _turning(machine, spindle, tap, down.height)
    cutting = (down.within[:-1] | down.within[1:]) & turning & (end > start)
    in_cut = np.where(cutting, slide.peak_speed(start, end), 0.0).max(axis=0)
    either = np.where(turning & (angles[1:] > angles[:-1]), slide.peak_speed(angles[:-1], angles[1:]), 0.0)
    lowest = spindle.travel(tap, strip, slide.bottom, strip.underside(slide.bottom), strip.stripper_face(slide.bottom))
    back = slide.passes(spindle.slide_height(tap, strip, lowest + spindle.lost_travel))[1]
    home = slide.passes(spindle.slide_height(tap, strip, spindle.home_height))[1]
    upward = np.where(spindle.turns(lowest) > 0.0, slide.peak_speed(back, np.maximum(back, home)), 0.0)
    factor = spindle.gearing * machine.crank.speed
    return factor * in_cut, factor * np.maximum(either.max(axis=0), upward)


def _turning(machine: Machine, spindle: PressSpindle, tap: Tap, height: NDArray[np.float64]) -> NDArray[np.bool_]:
    """True for each leg of the way down on which the spindle turns."""
    strip = machine.strip
    travel = spindle.travel(tap, strip, height, strip.underside(height), strip.stripper_face(height))
    turns = spindle.turns(travel)
    return np.asarray(turns[1:] - turns[:-1] > 0.0)
