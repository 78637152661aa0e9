"""Curves of one turn over the dial, sampled from the parts themselves: for drawing, and as a check on the events.

Events are found in `cycle`; nothing here uses them, so a curve that disagrees with an event shows that one of the
two is wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Cycle, RunningCourse
from crankclock.dynamics import Motion, Side
from crankclock.handbook.torque_course import torque_at
from crankclock.parts.numbers import TIE, TURN, Floats
from crankclock.parts.tap import Tap
from crankclock.rules.torque import kind_of, torque_of

NO_TURN = 1e-9
"""Share of its peak below which a spindle's speed is rounding."""
JUMP = 1e-8
"""How long before a contact changes [turns] its force is read to show a jump."""
PARTED = 2e-6
"""Bodies that part by less [m] have not bounced: so near to a graze the running reading does not see."""

Curve = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class TapTrace:
    """A tap over the dial; arrays of shape (k,).

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
    torque : array or None
        Torque on the tap, without sign [N m]: an estimate, the higher end of its bracket; None where the strip's
        material has no cutting force.
    """

    gap: Curve
    tip: Curve
    turns: Curve
    speed: Curve
    inside: Mask
    cutting: Mask
    torque: Curve | None


@dataclass(frozen=True)
class Forces:
    """Contact forces over one turn of the running reading; arrays of shape (m,), finer than the other curves.

    Attributes
    ----------
    angle : array
        Dial angles [rad].
    stripper, die : array
        Force between stripper and strip, and between strip and die face [N].
    bounces : tuple of (start, end)
        Dial spans [rad] in which, between the stripper's first touch and the last force on the die face, the
        stripper is off the strip or, once it was on it, the strip is off the die face, and they really part.
    """

    angle: Curve
    stripper: Curve
    die: Curve
    bounces: tuple[tuple[float, float], ...]


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
        Each tap.
    fed, fed_before : array or None
        How far [m] this stroke's feed has moved the strip, and how far the feed of the stroke before has, the
        end of which may lie past TDC; None without a feeder.
    forces : Forces or None
        In the running reading.
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
    forces: Forces | None


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
    places = cycle.at(angle)
    slide, underside, stripper = (np.asarray(each) for each in (places.slide, places.underside, places.face))
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
        taps={name: _tap(cycle, name, angle, underside) for name in machine.taps},
        fed=fed,
        fed_before=before,
        forces=_forces(cycle, angle),
    )


def _forces(cycle: Cycle, angle: Curve) -> Forces | None:
    course = cycle.motion.course
    if not isinstance(course, RunningCourse):
        return None
    # Samples between the dial's steps show every swing, so that no peak is cut off; either side of where a contact
    # closes or opens, so that no jump of a force is drawn as a slope.
    pressing = [course.run.pressing(side) for side in (Side.STRIPPER, Side.DIE)]
    jumps = np.concatenate([time[:, 0] for each in pressing for time in (each.start, each.end)])
    samples = [np.asarray(course.crank.seconds(0.0, angle)), course.run.samples.time[:, 0]]
    time = np.concatenate([*samples, jumps, jumps - JUMP * course.run.period[0]])
    time = np.unique(time[(time >= 0.0) & (time <= course.run.period[0])])
    motion = course.run.at(time[:, None])
    return Forces(
        angle=np.asarray(course.crank.angle_at(time), dtype=float),
        stripper=motion.contact_force(Side.STRIPPER)[:, 0],
        die=motion.contact_force(Side.DIE)[:, 0],
        bounces=_bounces(course),
    )


def _bounces(course: RunningCourse) -> tuple[tuple[float, float], ...]:
    """Gaps in the force on the strip from either side, those that overlap as one."""
    run = course.run
    last = run.events["stripper.unclamped"][0]

    def gaps(side: Side, opening: Callable[[Motion], Curve]) -> list[tuple[float, float]]:
        pressing = run.pressing(side)
        pairs = zip(pressing.end[:-1, 0], pressing.start[1:, 0], strict=True)
        found = [(float(end), float(start)) for end, start in pairs if end < start < last]
        return [each for each in found if opening(run.at(np.linspace(*each, 33)[:, None])).max() > PARTED]

    found = gaps(Side.STRIPPER, lambda m: m.face - m.strip - m.bodies.thickness)
    first = run.events["stripper.clamped"][0]
    found += [each for each in gaps(Side.DIE, lambda m: m.strip) if each[0] > first]
    joined: list[tuple[float, float]] = []
    for start, end in sorted(found):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return tuple((float(course.crank.angle_at(a)), float(course.crank.angle_at(b))) for a, b in joined)


def spans(angle: Curve, flags: Mask) -> tuple[tuple[float, float], ...]:
    """Dial spans [rad] over which a flag holds, to within a step; none is joined over TDC."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return tuple((float(angle[start]), float(angle[end - 1])) for start, end in edges.reshape(-1, 2))


def _fed(cycle: Cycle, angle: Curve) -> tuple[Curve | None, Curve | None]:
    feeder, feed = cycle.machine.feeder, cycle.feed
    if feeder is None or feed is None:
        return None, None
    return np.asarray(feeder.covered(feed, angle)), np.asarray(feeder.covered(feed, angle + TURN))


def _tap(cycle: Cycle, name: str, angle: Curve, underside: Curve) -> TapTrace:
    tap = cycle.machine.taps[name]
    along = cycle.motion.taps[name].along
    (gap, turns), (later_gap, later_turns) = (
        tuple(np.asarray(each) for each in along(at)) for at in (angle, angle + TURN)
    )
    before = later_turns > turns  # a motor's way that has not ended by TDC goes on in the next turn
    gap, turns = np.where(before, later_gap, gap), np.where(before, later_turns, turns)
    speed = np.gradient(turns, angle) * np.asarray(cycle.machine.crank.speed_at(angle))
    inside = np.asarray(gap <= TIE)
    return TapTrace(
        gap=gap,
        tip=np.asarray(_tip_height(tap, cycle.machine.strip.thickness, underside, gap)),
        turns=turns,
        speed=np.asarray(speed),
        inside=inside,
        cutting=inside & (speed > NO_TURN * np.abs(speed).max()),
        torque=_torque(cycle, name, gap, speed),
    )


def _torque(cycle: Cycle, name: str, gap: Curve, speed: Curve) -> Curve | None:
    given, tap, full = cycle.machine.scenario.tap[name], cycle.machine.taps[name], torque_of(cycle, name)
    if full is None:
        return None
    still = NO_TURN * np.abs(speed).max()
    ways = [
        torque_at(full.high, -gap, tap.height, given.chamfer, tap.pitch, kind_of(given), way) for way in ("in", "out")
    ]
    return np.asarray(np.where(speed > still, ways[0], np.where(speed < -still, ways[1], 0.0)))


def _tip_height(tap: Tap, thickness: Floats, underside: Curve, gap: Curve) -> Curve:
    """Height [m] of the point's tip; a flange toward the tap moves the face that it enters to the flange's end."""
    flange = tap.height - thickness if tap.flange_toward else 0.0
    if tap.side == "above":
        return np.asarray(underside + thickness + flange + gap - tap.point)
    return np.asarray(underside - flange - gap + tap.point)
