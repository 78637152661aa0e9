"""The feeder and the release of its rolls on the pilots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.parts.crank import Crank
from crankclock.parts.laws import LAWS, trapezoid_covered, trapezoid_time
from crankclock.parts.numbers import TURN, Floats

HALF_TURN = 0.5 * TURN


def next_after(angle: Floats, start: Floats) -> Floats:
    """The first angle [rad] later than `start` that shows the same dial reading as `angle`."""
    return start + TURN - np.mod(start - angle, TURN)


@dataclass(frozen=True)
class FeedStroke:
    """One feed stroke as it lies on the dial.

    Attributes
    ----------
    start, stop, end : float or array, shape (n,)
        Dial angles [rad] where the strip begins to move, where it has covered its length, where it has settled.
    start_time, stop_time, end_time : float or array, shape (n,)
        The same by the clock: times [s] since the TDC that starts the stroke, at the crank's speed. They go on while
        the crank stands at the top.
    ramp : float or array, shape (n,)
        Share of the motion taken by each ramp of a trapezoid.
    peak_acceleration : float or array, shape (n,), or None
        Greatest strip acceleration [m/s2]; None where the feeder's data do not tell.
    clock : Crank or None
        The crank whose time the strip moves in; None where it moves with the dial: a cam, or turned over by hand.
    """

    start: Floats
    stop: Floats
    end: Floats
    start_time: Floats
    stop_time: Floats
    end_time: Floats
    ramp: Floats
    peak_acceleration: Floats | None
    clock: Crank | None = None

    def share(self, angle: Floats) -> Floats:
        """Share of the motion that is over at a dial angle [rad] counted like `start`: below 0 before, above 1 after.

        Where the crank stands at the top, the share at the moment it gets there.
        """
        if self.clock is None:
            done, whole = angle - self.start, self.stop - self.start
        else:
            done, whole = self.clock.seconds(0.0, angle) - self.start_time, self.stop_time - self.start_time
        share = np.where(whole > 0.0, done / np.where(whole > 0.0, whole, 1.0), np.inf)
        return np.where(done < 0.0, 0.0, share)


@dataclass(frozen=True)
class Feeder:
    """A feeder of any of the four kinds.

    Parameters
    ----------
    kind : {"servo", "cam", "gripper", "rated"}
    length : float or array, shape (n,)
        Feed length: the progression [m].
    start : float or array, shape (n,)
        Dial angle [rad] of the start command.
    latency, settle : float or array, shape (n,)
        Time [s] from command to motion, and from the end of the motion to rest.
    law : str
        "trapezoid" or a name in `laws.LAWS`.
    speed, acceleration : float or array, shape (n,), or None
        Limits [m/s], [m/s2] of a servo; for a gripper `speed` is the mean.
    stop : float or array, shape (n,), or None
        Dial angle [rad] where a cam has fed its length.
    rated_time : float or array, shape (n,), or None
        Time [s] a rated feeder takes over the length: feed angle over the greatest rate listed for it.
    """

    kind: Literal["servo", "cam", "gripper", "rated"]
    length: Floats
    start: Floats
    latency: Floats = 0.0
    settle: Floats = 0.0
    law: str = "trapezoid"
    speed: Floats | None = None
    acceleration: Floats | None = None
    stop: Floats | None = None
    rated_time: Floats | None = None

    def time(self) -> Floats:
        """Time [s] over the feed length by the feeder's limits; not for a cam, which is geared to the crank."""
        if self.kind == "servo":
            assert self.speed is not None
            assert self.acceleration is not None
            if self.law == "trapezoid":
                return trapezoid_time(self.length, self.speed, self.acceleration)
            return LAWS[self.law].time(self.length, self.speed, self.acceleration)
        if self.kind == "gripper":
            assert self.speed is not None
            return self.length / self.speed
        assert self.rated_time is not None
        return self.rated_time

    def stroke(self, crank: Crank, *, by_hand: bool) -> FeedStroke:
        """The feed stroke at the crank's rate, or turned over by hand, where nothing takes time.

        The start lies in [half a turn, one and a half turns): a feed belongs to the stroke whose tools it follows.
        """
        latency, settle = (0.0, 0.0) if by_hand else (self.latency, self.settle)
        moves = crank.after(self.start, latency)
        start = next_after(moves, HALF_TURN)
        start = np.where(start - HALF_TURN >= TURN, start - TURN, start)
        command = self.start + TURN * np.round((start - moves) / TURN)
        start_time = crank.time_at(command) + latency
        if self.kind == "cam":
            assert self.stop is not None
            swing = next_after(self.stop, self.start) - self.start
            stop = start + swing
            stop_time = crank.seconds(0.0, stop)
            seconds = swing / crank.peak_speed(start, stop)
            uneven = crank.peak_acceleration(start, stop) / swing
        else:
            seconds, uneven = self.time(), 0.0
            stop_time = start_time + (0.0 if by_hand else seconds)
            stop = start if by_hand else np.maximum(crank.angle_at(stop_time), start)
        end_time = stop_time + settle
        return FeedStroke(
            start=start,
            stop=stop,
            end=stop if by_hand else np.maximum(crank.angle_at(end_time), stop),
            start_time=start_time,
            stop_time=stop_time,
            end_time=end_time,
            ramp=self._ramp(seconds),
            peak_acceleration=self._peak_acceleration(seconds, uneven),
            clock=None if by_hand or self.kind == "cam" else crank,
        )

    def _ramp(self, seconds: Floats) -> Floats:
        """Share of the motion that each ramp of the trapezoid takes; a third where only the time is known."""
        if self.kind == "servo" and self.law == "trapezoid":
            assert self.speed is not None
            assert self.acceleration is not None
            return np.minimum(self.speed / self.acceleration / seconds, 0.5)
        return 1.0 / 3.0

    def _peak_acceleration(self, seconds: Floats, uneven: Floats) -> Floats | None:
        """Greatest strip acceleration [m/s2]; `uneven` is a cam's crank acceleration over its swing [1/s2].

        The greatest of both parts of a cam's, its law's at the greatest crank speed and the crank's own at the law's
        greatest speed, are added: they need not come together, so this is no less than the true one.
        """
        if self.kind in ("gripper", "rated"):
            return None
        if self.law != "trapezoid":
            law = LAWS[self.law]
            return self.length * (law.acceleration_factor / seconds**2 + law.speed_factor * uneven)
        if self.kind == "servo":
            return self.acceleration
        return self.length * (4.5 / seconds**2 + 1.5 * uneven)

    def covered(self, stroke: FeedStroke, angle: Floats) -> Floats:
        """How far [m] the strip has moved at a dial angle [rad] counted like the stroke's start.

        Gripper and rated feeders do not tell their law; a one-third trapezoid is assumed for them.
        """
        share = stroke.share(angle)
        if self.law == "trapezoid" or self.kind in ("gripper", "rated"):
            return self.length * trapezoid_covered(share, stroke.ramp)
        return self.length * LAWS[self.law].covered(share)


@dataclass(frozen=True)
class PilotRelease:
    """Rolls that open for the pilots.

    Parameters
    ----------
    open, close : float or array, shape (n,)
        Dial angles [rad] of the valve commands.
    latency : float or array, shape (n,)
        Valve latency [s], each way.
    """

    open: Floats
    close: Floats
    latency: Floats = 0.0

    def angles(self, crank: Crank, *, by_hand: bool) -> tuple[Floats, Floats]:
        """Dial angles [rad] at which the rolls open, after a command within the turn from TDC, and next close."""
        latency = 0.0 if by_hand else self.latency
        opens = np.mod(self.open, TURN)
        closes = opens + next_after(self.close, self.open) - self.open
        return crank.after(opens, latency), crank.after(closes, latency)
