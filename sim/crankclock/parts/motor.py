"""A motor-driven spindle: so many turns in and the same way back, in real time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.parts.laws import trapezoid_time
from crankclock.parts.numbers import Floats


@dataclass(frozen=True)
class MotorSpindle:
    """A spindle with a motor of its own: it accelerates, runs, decelerates, reverses at once and comes back.

    Parameters
    ----------
    count : float or array, shape (n,)
        Turns from home to reversal.
    start : float or array, shape (n,)
        Dial angle [rad] of the start command.
    latency : float or array, shape (n,)
        Time [s] from the command to the first motion.
    speed : float or array, shape (n,)
        Greatest speed [turns/s].
    acceleration : float or array, shape (n,)
        Even acceleration and deceleration [turns/s2].

    Notes
    -----
    Each way is a trapezoid in speed, or a triangle where the way is too short to reach the full speed. At the
    reversal deceleration runs on as acceleration of the way back, so nothing steps.
    """

    count: Floats
    start: Floats
    latency: Floats
    speed: Floats
    acceleration: Floats

    @property
    def way_time(self) -> Floats:
        """Time of one way [s]."""
        return np.where(np.asarray(self.count) > 0.0, trapezoid_time(self.count, self.speed, self.acceleration), 0.0)

    @property
    def top_speed(self) -> Floats:
        """Greatest speed it really reaches [turns/s]."""
        return np.minimum(self.speed, np.sqrt(self.acceleration * self.count))

    @property
    def ramp_time(self) -> Floats:
        """Time of one ramp [s]."""
        return self.top_speed / self.acceleration

    def turns(self, since: Floats) -> Floats:
        """Turns from home at a time [s] since the first motion; 0 before and after."""
        inside = np.minimum(since, 2.0 * self.way_time - since)  # out mirrors in
        t = np.minimum(np.maximum(inside, 0.0), self.way_time)
        ramp, top = self.ramp_time, self.top_speed
        rising = 0.5 * self.acceleration * t * t
        even = top * (t - 0.5 * ramp)
        falling = self.count - 0.5 * self.acceleration * (self.way_time - t) ** 2
        return np.where(t <= ramp, rising, np.where(t <= self.way_time - ramp, even, falling))

    def rate(self, since: Floats) -> Floats:
        """Speed [turns/s] at a time [s] since the first motion, negative on the way back."""
        back = np.asarray(since) > self.way_time
        t = np.minimum(since, 2.0 * self.way_time - since)
        size = np.minimum(np.minimum(t, self.way_time - t) * self.acceleration, self.top_speed)
        return np.where(back, -1.0, 1.0) * np.maximum(size, 0.0)

    def peak_rate(self, start: Floats, end: Floats) -> Floats:
        """Greatest speed [turns/s] on the way in between two times [s] since the first motion."""
        ramp, way = self.ramp_time, self.way_time
        first, last = np.minimum(np.maximum(start, 0.0), way), np.minimum(np.maximum(end, 0.0), way)
        fastest = np.minimum(np.maximum(first, ramp), np.maximum(way - ramp, ramp))
        at = np.minimum(np.maximum(fastest, first), last)
        return np.where(np.asarray(last) > first, self.rate(at), 0.0)

    def corners(self) -> tuple[Floats, ...]:
        """Times [s] since the first motion at which its law changes."""
        ramp, way = self.ramp_time, self.way_time
        return 0.0 * way, ramp, way - ramp, way, way + ramp, 2.0 * way - ramp, 2.0 * way
