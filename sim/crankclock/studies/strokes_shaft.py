"""The crankshaft over many strokes: it runs on, and once the brake grips it slows evenly and rests."""

from __future__ import annotations

import math
from dataclasses import dataclass

from crankclock.parts.crank import Crank
from crankclock.parts.numbers import TURN
from crankclock.scenario.schema import Stop
from crankclock.studies.strokes_plan import Moment

STANDS = 1e-9
"""Dial angle [rad] within which the crank stands at TDC."""


@dataclass(frozen=True)
class Rest:
    """How the crank came to rest: dial angles [rad] and times [s] from the start of the run.

    Attributes
    ----------
    signal, grip, rest : (float, float)
        Angle and time of the stop signal, of the brake's grip, of the rest.
    speed : float
        Crank speed at the grip [rad/s].
    """

    signal: tuple[float, float]
    grip: tuple[float, float]
    rest: tuple[float, float]
    speed: float


class Shaft:
    """The crank of a run.

    Parameters
    ----------
    crank : Crank
    stop : Stop or None
        How it is stopped; None where nothing can stop it.
    single : bool
        True where every stroke is started anew from TDC, so that after a stop signal none is.
    """

    def __init__(self, crank: Crank, stop: Stop | None, *, single: bool) -> None:
        self._crank, self._stop, self._single = crank, stop, single
        self._period = float(crank.period)
        self.stopped: Rest | None = None

    def when(self, stroke: int, moment: Moment) -> float:
        """Time [s] at which the dial angle of a moment of a stroke is passed; infinity where it never is."""
        free = (stroke - 1) * self._period + moment.seconds
        stop = self.stopped
        if stop is None or free <= stop.grip[1]:
            return free
        left = (stroke - 1) * TURN + moment.angle - stop.grip[0]
        whole = stop.rest[0] - stop.grip[0]
        if left > whole or whole <= 0.0:
            return math.inf
        # The slow-down is even: what is left of the way goes with the square of what is left of the time.
        lasts = stop.rest[1] - stop.grip[1]
        return stop.grip[1] + lasts * (1.0 - math.sqrt(1.0 - left / whole))

    def angle(self, time: float) -> float:
        """Dial angle [rad], counted on from the start of the run, at a time [s]."""
        stop = self.stopped
        if stop is None or time <= stop.grip[1]:
            turns = math.floor(time / self._period)
            return turns * TURN + float(self._crank.angle_at(time - turns * self._period))
        lasts, whole = stop.rest[1] - stop.grip[1], stop.rest[0] - stop.grip[0]
        if time >= stop.rest[1]:
            return stop.rest[0]
        return stop.rest[0] - whole * (1.0 - (time - stop.grip[1]) / lasts) ** 2

    def stop(self, signal: float) -> Rest:
        """Signal the stop at a time [s]: delay, then the brake's even deceleration."""
        assert self._stop is not None
        begun = self.angle(signal)
        grip = signal + float(self._stop.delay)
        top = math.ceil((begun - STANDS) / TURN) * TURN if self._single else math.inf
        if top - begun <= STANDS:  # it stands at TDC, and is not started again
            self.stopped = Rest((begun, signal), (top, signal), (top, signal), 0.0)
            return self.stopped
        gripped = self.angle(grip)
        if gripped >= top - STANDS:  # it has come to rest at TDC by itself meanwhile
            arrived = (round(top / TURN) - 1) * self._period + float(self._crank.turn_time)
            self.stopped = Rest((begun, signal), (top, arrived), (top, arrived), 0.0)
            return self.stopped
        speed = float(self._crank.speed_at(gripped % TURN))
        braking = float(self._stop.braking) / (TURN * float(self._stop.measured_at))
        rest = min(gripped + 0.5 * braking * speed**2, top)
        self.stopped = Rest((begun, signal), (gripped, grip), (rest, grip + braking * speed), speed)
        return self.stopped
