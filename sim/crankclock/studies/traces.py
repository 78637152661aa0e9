"""Curves of one turn over the dial, sampled from the parts themselves: for drawing, and as a check on the events.

Events are found in closed form in `cycle`; nothing here uses them, so a curve that disagrees with an event
shows that one of the two is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Cycle
from crankclock.parts.numbers import TIE, TURN, Floats
from crankclock.parts.tap import PressSpindle, Tap

NO_TURN = 1e-9
"""Share of its peak below which a spindle's speed is rounding."""

Curve = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class TapTrace:
    """A press-driven tap over the dial; arrays of shape (k,).

    Attributes
    ----------
    gap : array
        First thread to the face it enters [m]; positive: clear.
    tip : array
        Height [m] of the point's tip above the die face.
    turns : array
        Turns from home.
    speed : array
        Spindle speed [turns/s]; positive going in, negative coming out.
    inside, cutting : array of bool
        The thread is in the strip; it is and the turns grow.
    """

    gap: Curve
    tip: Curve
    turns: Curve
    speed: Curve
    inside: Mask
    cutting: Mask


@dataclass(frozen=True)
class Traces:
    """One turn over the dial; arrays of shape (k,).

    Attributes
    ----------
    angle : array
        Dial angles [rad] from 0 to one turn, both included.
    slide, stripper, underside, top : array
        Heights [m] above the die face of the slide (above nominal BDC), the stripper's face, the strip's
        underside and the strip's top.
    tools : mapping
        Tip height [m] of each pilot and punch by "pilot:NAME", "punch:NAME".
    taps : mapping
        Each press-driven tap; a motor-driven one is not in it.
    fed, fed_before : array or None
        How far [m] this stroke's feed has moved the strip, and how far the feed of the stroke before has, the
        end of which may lie past TDC; None without a feeder.
    """

    angle: Curve
    slide: Curve
    stripper: Curve
    underside: Curve
    top: Curve
    tools: Mapping[str, Curve]
    taps: Mapping[str, TapTrace]
    fed: Curve | None
    fed_before: Curve | None


def traces(cycle: Cycle, step_deg: float = 0.05) -> Traces:
    """Sample one cycle of single values (not an array over variants).

    Parameters
    ----------
    cycle : Cycle
    step_deg : float
        Step over the dial [deg]; the last step is shortened to end at a whole turn.

    Returns
    -------
    Traces
        Curves of shape (k,), k = 360 / step_deg + 1.

    Raises
    ------
    ValueError
        The step is not above 0.
    """
    if not step_deg > 0.0:
        raise ValueError(f"a step of {step_deg} deg over the dial is not above 0")
    machine = cycle.machine
    angle = np.linspace(0.0, TURN, 1 + int(np.ceil(360.0 / step_deg - 1e-9)))
    slide = np.asarray(machine.slide.height(angle))
    underside = np.asarray(machine.strip.underside(slide))
    stripper = np.asarray(machine.strip.stripper_face(slide))
    tools = {f"pilot:{name}": tool for name, tool in machine.pilots.items()}
    tools |= {f"punch:{name}": tool for name, tool in machine.punches.items()}
    fed, before = _fed(cycle, angle)
    return Traces(
        angle=angle,
        slide=slide,
        stripper=stripper,
        underside=underside,
        top=underside + machine.strip.thickness,
        tools={key: np.asarray(tool.tip(slide, stripper)) for key, tool in tools.items()},
        taps={
            name: _tap(cycle, machine.taps[name], spindle, angle)
            for name, spindle in machine.spindles.items()
            if spindle is not None
        },
        fed=fed,
        fed_before=before,
    )


def spans(angle: Curve, flags: Mask) -> tuple[tuple[float, float], ...]:
    """Dial spans [rad] over which a flag holds, to within a step; none is joined over TDC."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return tuple((float(angle[start]), float(angle[end - 1])) for start, end in edges.reshape(-1, 2))


def _fed(cycle: Cycle, angle: Curve) -> tuple[Curve | None, Curve | None]:
    feeder, feed = cycle.machine.feeder, cycle.feed
    if feeder is None or feed is None:
        return None, None
    return np.asarray(feeder.covered(feed, angle)), np.asarray(feeder.covered(feed, angle + TURN))


def _tap(cycle: Cycle, tap: Tap, spindle: PressSpindle, angle: Curve) -> TapTrace:
    machine = cycle.machine
    strip = machine.strip

    def travel(slide: Curve) -> Curve:
        found = spindle.travel(tap, strip, slide, strip.underside(slide), strip.stripper_face(slide))
        return np.asarray(found)

    slide = np.asarray(machine.slide.height(angle))
    underside, face = strip.underside(slide), strip.stripper_face(slide)
    along = travel(slide)
    lowest, highest = travel(np.asarray(machine.slide.bottom)), travel(np.asarray(machine.slide.top))
    left = spindle.turns_back(highest, lowest)  # a drive that is not home at the top starts down from there
    turning_in = np.maximum(spindle.turns(along), left)
    turns = np.where(angle <= machine.slide.bdc, turning_in, spindle.turns_back(along, lowest))
    gap = tap.rest_gap(strip, slide, underside, face) - tap.pitch * turns
    speed = np.gradient(turns, angle) * machine.crank.speed
    inside = np.asarray(gap <= TIE)
    return TapTrace(
        gap=np.asarray(gap),
        tip=np.asarray(_tip_height(tap, strip.thickness, np.asarray(underside), np.asarray(gap))),
        turns=turns,
        speed=np.asarray(speed),
        inside=inside,
        cutting=inside & (speed > NO_TURN * np.abs(speed).max()),
    )


def _tip_height(tap: Tap, thickness: Floats, underside: Curve, gap: Curve) -> Curve:
    """Height [m] of the point's tip; a flange toward the tap moves the face that it enters to the flange's end."""
    flange = tap.height - thickness if tap.flange_toward else 0.0
    if tap.side == "above":
        return np.asarray(underside + thickness + flange + gap - tap.point)
    return np.asarray(underside - flange - gap + tap.point)
