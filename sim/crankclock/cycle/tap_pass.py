"""A press-driven tap's way through its hole, in closed form.

Along each way of the slide the gap between first thread and strip is straight between a few corner heights: where
the strip is met and clamped, where the spindle engages, follows and comes home. Every event lies on such a leg.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle.passes import Span, TapPass
from crankclock.cycle.speeds import peak_slide_speed
from crankclock.parts.numbers import TIE, TURN, Floats, stack
from crankclock.parts.tap import PressSpindle, Tap
from crankclock.scenario.build import Machine

SAME = 1e-12
"""Two depths closer than this [m] are the same: a tap is fully down where it first gets that deep."""


@dataclass(frozen=True)
class _Way:
    """A tap on one way of the slide: corners in the order they are passed (leading axis), straight between.

    Attributes
    ----------
    height, angle : array
        Slide height [m] and dial angle [rad] of each corner.
    gap, turns, travel : array
        Gap of the first thread [m], turns of the spindle from home, drive travel coordinate [m].
    within : array of bool
        True at corners where the first thread is in the strip; a tie is in.
    """

    height: NDArray[np.float64]
    angle: NDArray[np.float64]
    gap: NDArray[np.float64]
    turns: NDArray[np.float64]
    travel: NDArray[np.float64]
    within: NDArray[np.bool_]

    def crossing(self, level: Floats = 0.0) -> NDArray[np.float64]:
        """Slide height [m] at which each leg passes a gap [m], for legs that do; else one end of the leg."""
        start, end = self.gap[:-1] - level, self.gap[1:] - level
        fall = start - end
        share = np.where(fall != 0.0, start / np.where(fall != 0.0, fall, 1.0), 0.0)
        share = np.minimum(np.maximum(share, 0.0), 1.0)
        return np.asarray(self.height[:-1] + share * (self.height[1:] - self.height[:-1]))


def _ways(machine: Machine, name: str, spindle: PressSpindle) -> tuple[_Way, _Way]:
    """The tap going down and going up, stroke after stroke: a spindle not home at TDC starts with what is left."""
    slide, strip, tap = machine.slide, machine.strip, machine.taps[name]
    top, bottom = slide.top, slide.bottom
    lowest, highest = (spindle.travel(tap, strip, y, strip.underside(y), strip.stripper_face(y)) for y in (bottom, top))
    left = spindle.turns_back(highest, lowest)

    def way(*drive_corners: Floats, upward: bool) -> _Way:
        corners = [spindle.slide_height(tap, strip, travel) for travel in drive_corners]
        heights = stack(bottom, strip.clamp_height, strip.touch_height, *corners, top)
        heights = np.sort(np.minimum(np.maximum(heights, bottom), top), axis=0)
        heights = heights if upward else heights[::-1]
        underside, face = strip.underside(heights), strip.stripper_face(heights)
        travel = spindle.travel(tap, strip, heights, underside, face)
        turns = spindle.turns_back(travel, lowest) if upward else np.maximum(spindle.turns(travel), left)
        gap = np.asarray(tap.rest_gap(strip, heights, underside, face) - tap.pitch * turns)
        angle = slide.passes(heights)[1 if upward else 0]
        return _Way(heights, np.asarray(angle), gap, np.asarray(turns), np.asarray(travel), gap <= TIE)

    down = way(spindle.engage_height - left / spindle.gearing, upward=False)
    return down, way(lowest + spindle.lost_travel, spindle.home_height, upward=True)


def _pick(flags: NDArray[np.bool_], values: NDArray[np.float64], *, last: bool = False) -> NDArray[np.float64]:
    """The value of the first (or last) leg that is flagged, nan where none is."""
    at = flags.shape[0] - 1 - np.argmax(flags[::-1], axis=0) if last else np.argmax(flags, axis=0)
    picked = np.take_along_axis(values, np.asarray(at)[None, ...], axis=0)[0]
    return np.where(flags.any(axis=0), picked, np.nan)


def press_pass(machine: Machine, name: str, spindle: PressSpindle, clamped: Span) -> TapPass:
    """All of a press-driven tap's events, the mechanism being rigid."""
    tap, slide, strip = machine.taps[name], machine.slide, machine.strip
    down, up = _ways(machine, name, spindle)
    crossing = np.concatenate([slide.passes(down.crossing())[0], slide.passes(up.crossing())[1]])
    entering, leaving = _both(down, up, entering=True), _both(down, up, entering=False)
    already = down.within[0] | up.within[-1]
    never = ~(down.within.any(axis=0) | up.within.any(axis=0))
    absent = already | never
    again = entering & (np.cumsum(entering, axis=0) > 1) & ~already
    through = down.gap <= TIE - tap.height
    top_travel, turns = down.travel.max(axis=0), down.turns[-1]
    turning = (turns > 0.0) & (spindle.engage_height <= top_travel + TIE)
    engage = slide.passes(spindle.slide_height(tap, strip, spindle.engage_height))[0]
    home = slide.passes(spindle.slide_height(tap, strip, spindle.home_height))[1]
    angle = np.concatenate([down.angle, up.angle])
    depth, held_depth, full = _depths(machine, down, up, angle)
    clear, clear_at = _clearance(machine, down, up, angle)
    in_cut, either_way = _peak_speeds(machine, spindle, down, up, crossing[: down.gap.shape[0] - 1])
    thread = Span(
        np.where(absent, np.nan, _pick(entering, crossing)),
        np.where(absent, np.nan, _pick(leaving, crossing, last=True)),
        already,
        never,
    )
    return TapPass(
        thread=thread,
        engage=np.where(turning, engage, np.nan),
        through=_pick(~through[:-1] & through[1:], np.asarray(slide.passes(down.crossing(-tap.height))[0])),
        full=np.where(never, np.nan, full),
        home=np.where(turning & (spindle.home_height <= top_travel + TIE), home, np.nan),
        retouch=_pick(again, crossing),
        depth=depth,
        held=clamped,
        held_depth=held_depth,
        clear=clear - tap.point,
        clear_at=clear_at,
        movement=_movement(machine, tap, thread),
        turns=turns,
        peak_speed_in_cut=in_cut,
        peak_speed=either_way,
        along=lambda angle: _along(machine, tap, spindle, angle),
        deeper=lambda depth: _deeper(machine, down, up, depth),
    )


def travel_ends(machine: Machine, name: str) -> tuple[Floats, Floats]:
    """Greatest drive travel coordinate [m] of a press-driven tap in a rigid mechanism, and where it reverses.

    It never falls while the slide rises, whatever carries the head.
    """
    spindle, tap, strip = machine.spindles[name], machine.taps[name], machine.strip
    assert isinstance(spindle, PressSpindle)
    top, bottom = (
        spindle.travel(tap, strip, y, strip.underside(y), strip.stripper_face(y))
        for y in (machine.slide.top, machine.slide.bottom)
    )
    return top, bottom


def _along(machine: Machine, tap: Tap, spindle: PressSpindle, angle: Floats) -> tuple[Floats, Floats]:
    """Gap [m] and turns at dial angles [rad]; past a turn the next one begins, whose end is its own end."""
    slide, strip = machine.slide, machine.strip
    within = angle - TURN * np.maximum(np.ceil(np.asarray(angle) / TURN) - 1.0, 0.0)

    def places(y: Floats) -> tuple[Floats, Floats, Floats]:
        return y, strip.underside(y), strip.stripper_face(y)

    lowest, highest = (spindle.travel(tap, strip, *places(y)) for y in (slide.bottom, slide.top))
    here = places(slide.height(within))
    travel = spindle.travel(tap, strip, *here)
    turning_in = np.maximum(spindle.turns(travel), spindle.turns_back(highest, lowest))
    turns = np.where(within <= slide.bdc, turning_in, spindle.turns_back(travel, lowest))
    return tap.rest_gap(strip, *here) - tap.pitch * turns, turns


def _deeper(machine: Machine, down: _Way, up: _Way, depth: Floats) -> tuple[Floats, Floats]:
    """Dial angles [rad] from which and to which the first thread is so deep [m]; nan: never."""
    inside = [way.gap <= TIE - depth for way in (down, up)]
    goes_in, comes_out = ~inside[0][:-1] & inside[0][1:], inside[1][:-1] & ~inside[1][1:]
    start = _pick(goes_in, np.asarray(machine.slide.passes(down.crossing(-depth))[0]))
    return start, _pick(comes_out, np.asarray(machine.slide.passes(up.crossing(-depth))[1]), last=True)


def _movement(machine: Machine, tap: Tap, thread: Span) -> Floats:
    """How far [m] the strip moves against what carries the head while the thread is in it; nan where it never is."""
    strip, slide = machine.strip, machine.slide
    if tap.mount == "lifter":
        return 0.0 * thread.start
    ends = [slide.height(angle) for angle in (thread.start, thread.end)]
    moved = [strip.underside(y) for y in ends]
    if tap.mount == "stripper":
        moved = [strip.stripper_face(y) - strip.thickness - z for y, z in zip(ends, moved, strict=True)]
    return np.maximum(moved[0], moved[1])


def _both(down: _Way, up: _Way, *, entering: bool) -> NDArray[np.bool_]:
    """Legs of both ways on which the first thread enters, or leaves, the strip."""
    if entering:
        return np.concatenate([~way.within[:-1] & way.within[1:] for way in (down, up)])
    return np.concatenate([way.within[:-1] & ~way.within[1:] for way in (down, up)])


def _depths(machine: Machine, down: _Way, up: _Way, angle: NDArray[np.float64]) -> tuple[Floats, Floats, Floats]:
    """Greatest depth, greatest depth while clamped [m], and the dial angle [rad] of the former."""
    height = np.concatenate([down.height, up.height])
    depth = -np.concatenate([down.gap, up.gap])
    held = np.where(height <= machine.strip.clamp_height + TIE, depth, -np.inf).max(axis=0)
    deepest = depth.max(axis=0)
    return deepest, held, _pick(depth >= deepest - SAME, angle)


def _clearance(machine: Machine, down: _Way, up: _Way, angle: NDArray[np.float64]) -> tuple[Floats, Floats]:
    """Least gap [m] while the strip is not clamped, and its dial angle [rad]."""
    free = np.concatenate([down.height, up.height]) >= machine.strip.clamp_height - TIE
    gap = np.where(free, np.concatenate([down.gap, up.gap]), np.inf)
    least = gap.min(axis=0)
    return least, _pick(gap <= least, angle)


def _peak_speeds(
    machine: Machine, spindle: PressSpindle, down: _Way, up: _Way, crossing: NDArray[np.float64]
) -> tuple[Floats, Floats]:
    """Greatest spindle speed [turns/s] while the tap cuts (in the strip, turns growing), and either way.

    A leg on which the spindle does not turn counts nothing; on one where it does, the drive travel is the slide's.
    """
    start = np.where(down.within[:-1], down.angle[:-1], crossing)
    end = np.maximum(start, np.where(down.within[1:], down.angle[1:], crossing))
    turning, back = down.turns[1:] > down.turns[:-1], up.turns[1:] < up.turns[:-1]
    cutting = (down.within[:-1] | down.within[1:]) & turning

    def peak(flags: NDArray[np.bool_], first: NDArray[np.float64], last: NDArray[np.float64]) -> Floats:
        if flags.ndim == 1 and np.ndim(machine.crank.rate):  # only the crank differs from variant to variant
            flags, first, last = flags[:, None], first[:, None], last[:, None]
        return np.asarray(np.where(flags, peak_slide_speed(machine, first, last), 0.0).max(axis=0))

    either = np.maximum(peak(turning, down.angle[:-1], down.angle[1:]), peak(back, up.angle[:-1], up.angle[1:]))
    return spindle.gearing * peak(cutting, start, end), spindle.gearing * either
