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
    ramp : float or array, shape (n,)
        Share of the motion taken by each ramp of a trapezoid.
    peak_acceleration : float or array, shape (n,), or None
        Greatest strip acceleration [m/s2]; None where the feeder's data do not tell.
    """

    start: Floats
    stop: Floats
    end: Floats
    ramp: Floats
    peak_acceleration: Floats | None


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
        wait = 0.0 * crank.speed if by_hand else self.latency * crank.speed
        start = next_after(self.start + wait, HALF_TURN)
        start = np.where(start - HALF_TURN >= TURN, start - TURN, start)
        if self.kind == "cam":
            assert self.stop is not None
            swing = next_after(self.stop, self.start) - self.start
            seconds = swing / crank.speed
        else:
            seconds = self.time()
            swing = 0.0 * start if by_hand else seconds * crank.speed
        stop = start + swing
        settle = 0.0 if by_hand else self.settle * crank.speed
        return FeedStroke(start, stop, stop + settle, self._ramp(seconds), self._peak_acceleration(seconds))

    def _ramp(self, seconds: Floats) -> Floats:
        """Share of the motion that each ramp of the trapezoid takes; a third where only the time is known."""
        if self.kind == "servo" and self.law == "trapezoid":
            assert self.speed is not None
            assert self.acceleration is not None
            return np.minimum(self.speed / self.acceleration / seconds, 0.5)
        return 1.0 / 3.0

    def _peak_acceleration(self, seconds: Floats) -> Floats | None:
        if self.kind in ("gripper", "rated"):
            return None
        if self.law != "trapezoid":
            return LAWS[self.law].acceleration_factor * self.length / seconds**2
        if self.kind == "servo":
            return self.acceleration
        return 4.5 * self.length / seconds**2

    def covered(self, stroke: FeedStroke, angle: Floats) -> Floats:
        """How far [m] the strip has moved at a dial angle [rad] counted like the stroke's start.

        Gripper and rated feeders do not tell their law; a one-third trapezoid is assumed for them.
        """
        swing = stroke.stop - stroke.start
        share = np.where(swing > 0.0, (angle - stroke.start) / np.where(swing > 0.0, swing, 1.0), np.inf)
        share = np.where(np.asarray(angle) < stroke.start, 0.0, share)
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
        wait = 0.0 * crank.speed if by_hand else self.latency * crank.speed
        opened = np.mod(self.open, TURN) + wait
        return opened, opened + next_after(self.close, self.open) - self.open
