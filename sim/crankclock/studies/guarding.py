"""Guarding arithmetic of two standards from the stopping time at the rate: figures for reference, not for use."""

from __future__ import annotations

from dataclasses import dataclass

from crankclock.cycle import Cycle
from crankclock.handbook.stopping import (
    BODY_APPROACH,
    HAND_APPROACH,
    SafetyDistance,
    iso_distance,
    osha_stopping_distance,
    stopping_time,
)
from crankclock.parts.numbers import TURN

NOT_FOR_USE = (
    "Nothing here sets a guarding distance. The stopping time is worked out from the scenario, not measured on the "
    "press; the standards in force and a qualified person decide where a safeguard stands."
)
MEASURED = "the standard wants Ts measured on the press, at about the 90 deg position of the crank"
LEFT_OUT = (
    "the standard adds C, how far one reaches in before the safeguard responds, counts the safeguard's own time in T, "
    "and says which K holds"
)


@dataclass(frozen=True)
class Reference:
    """What a standard's formula makes of the stopping time.

    Attributes
    ----------
    figure : SafetyDistance
    part : str
        What of the formula the figure is.
    lacks : str
        What stands between that and the standard's distance.
    """

    figure: SafetyDistance
    part: str
    lacks: str


@dataclass(frozen=True)
class Guarding:
    """Guarding arithmetic at the scenario's rate; show `NOT_FOR_USE` with it.

    Attributes
    ----------
    rate : float
        Stroke rate [strokes/s].
    stopping : float
        From the signal to rest, the control's scan with it, at the crank's greatest speed in the turn [s].
    references : tuple of Reference
    """

    rate: float
    stopping: float
    references: tuple[Reference, ...]


def guarding(cycle: Cycle) -> Guarding | None:
    """The guarding arithmetic of a cycle of single values; None where nothing is known of how the press stops."""
    stop, crank = cycle.machine.scenario.press.stop, cycle.machine.crank
    if stop is None:
        return None
    fastest = crank.peak_speed(0.0, TURN) / TURN
    time = float(stop.scan + stopping_time(fastest, stop.delay, stop.braking, stop.measured_at))
    references = (
        Reference(osha_stopping_distance(time), "Ds", MEASURED),
        Reference(iso_distance(time, 0.0, HAND_APPROACH), "K T alone", LEFT_OUT),
        Reference(iso_distance(time, 0.0, BODY_APPROACH), "K T alone", LEFT_OUT),
    )
    return Guarding(float(crank.rate), time, references)
