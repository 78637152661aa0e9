"""The failing cycle in the order it happened, and the die section at its key moments."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Cycle
from crankclock.parts.numbers import TURN
from crankclock.studies.breakage_fit import Fit
from crankclock.studies.check import Check
from crankclock.studies.traces import traces

GIVES = "the tap gives"
KEY_EVENTS = ("stripper.clamped", "tap.touch", "tap.full", "stripper.unclamped", "tap.leave", "feed.start")
"""Moments that are drawn, with that at which the tap gives."""
MOST_MOMENTS = 6
SAME_MOMENT = np.radians(0.5)


@dataclass(frozen=True)
class Step:
    """One thing that happens.

    Attributes
    ----------
    event : str
    angle : float
        Dial angle [rad].
    seconds : float or None
        Since the TDC that starts the stroke [s].
    slide, depth, strip : float
        Slide height, depth of the first thread (negative: clear) and height of the strip's underside [m].
    fed : float or None
        How far this stroke's feed has moved the strip [m].
    """

    event: str
    angle: float
    seconds: float | None
    slide: float
    depth: float
    strip: float
    fed: float | None


@dataclass(frozen=True)
class Moment:
    """The die section at one moment: heights above the die face [m].

    Attributes
    ----------
    event : str
    angle : float
        Dial angle [rad].
    underside, face : float
        Of the strip, and of the stripper.
    fed : float
        How far the strip has moved.
    taps, tools : mapping of str to float
        Tips: of the taps' points, and of pilots and punches.
    """

    event: str
    angle: float
    underside: float
    face: float
    fed: float
    taps: Mapping[str, float]
    tools: Mapping[str, float]


def steps(check: Check, lead: Fit) -> tuple[Step, ...]:
    """Every event of a cycle in its order, and where the tap gives.

    Parameters
    ----------
    check : Check
        The cycle as it ran.
    lead : Fit
        The cause by which it ran so.
    """
    tap = lead.likeliest.tap
    happens = [(each.id, each.angle, each.seconds) for each in check.events if each.angle is not None]
    found = [_step(check.cycle, tap, *each) for each in happens]
    at = float(lead.likeliest.angle[0])
    if np.isfinite(at):
        found.append(_step(check.cycle, tap, GIVES, at, float(check.machine.crank.seconds(0.0, at))))
    return tuple(sorted(found, key=lambda each: each.angle))


def _step(cycle: Cycle, tap: str, event: str, angle: float, seconds: float | None) -> Step:
    places, feeder, feed = cycle.at(np.mod(angle, TURN)), cycle.machine.feeder, cycle.feed
    fed = None if feeder is None or feed is None else float(feeder.covered(feed, angle))
    depth = -float(cycle.motion.taps[tap].along(angle)[0])
    return Step(event, angle, seconds, float(places.slide), depth, float(places.underside), fed)


def moments(check: Check, lead: Fit) -> tuple[Moment, ...]:
    """The die section at the moments that tell most, in order; at most six."""
    tap = lead.likeliest.tap
    wanted = [each.replace("tap.", f"tap:{tap}.") for each in KEY_EVENTS]
    angles = {each.id: each.angle for each in check.events if each.angle is not None}
    chosen = [(name, angles[name]) for name in wanted if name in angles]
    at = float(lead.likeliest.angle[0])
    if np.isfinite(at):
        chosen = [each for each in chosen if abs(each[1] - at) > SAME_MOMENT][: MOST_MOMENTS - 1]
        chosen.append((GIVES, at))
    curves = traces(check.cycle, 0.1)
    found = []
    for name, angle in sorted(chosen, key=lambda each: each[1])[:MOST_MOMENTS]:
        k = round(float(np.mod(angle, TURN)) / TURN * (curves.angle.size - 1))
        found.append(
            Moment(
                name,
                angle,
                float(curves.underside[k]),
                float(curves.stripper[k]),
                0.0 if curves.fed is None else float(curves.fed[k]),
                {each: float(trace.tip[k]) for each, trace in curves.taps.items()},
                {each: float(tip[k]) for each, tip in curves.tools.items()},
            )
        )
    return tuple(found)
