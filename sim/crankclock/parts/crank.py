"""The crank: how dial angle and time belong together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.parts.numbers import TURN, Floats
from crankclock.parts.speed_profile import SpeedProfile


@dataclass(frozen=True)
class Crank:
    """A crank that turns evenly, or with a speed that varies within the turn.

    Dial angles may have leading axes before that of the variants. Where the crank stands at TDC between strokes, that
    dial angle lasts: a time is then counted from when a stroke leaves TDC, or to when it gets there.

    Parameters
    ----------
    rate : float or array, shape (n,)
        Stroke rate [strokes/s].
    profile : SpeedProfile or None
        The crank speed over a turn; None: it turns evenly at the rate.
    """

    rate: Floats
    profile: SpeedProfile | None = None

    @property
    def speed(self) -> Floats:
        """Crank speed [rad/s] at the stroke rate."""
        return TURN * self.rate

    @property
    def even(self) -> bool:
        """True where the crank turns evenly."""
        return self.profile is None

    @property
    def turn_time(self) -> Floats:
        """Time [s] from TDC to the next TDC while it turns; nan for a variant that cannot turn so."""
        return 1.0 / self.rate if self.profile is None else self.profile.turn_time

    @property
    def pause(self) -> Floats:
        """Time [s] it stands at TDC between strokes."""
        return 0.0 if self.profile is None else self.profile.pause

    @property
    def period(self) -> Floats:
        """Time [s] from the beginning of one stroke to that of the next, the pause with it."""
        return self.turn_time + self.pause

    def speed_at(self, angle: Floats) -> Floats:
        """Crank speed [rad/s] at a dial angle [rad]."""
        if self.profile is None:
            return self.speed + np.zeros(np.shape(angle))
        return np.sqrt(self.profile.square_at(angle))

    def acceleration_at(self, angle: Floats) -> Floats:
        """Crank acceleration [rad/s2] at a dial angle [rad]; where it jumps, the one that follows."""
        if self.profile is None:
            return 0.0 * self.speed + np.zeros(np.shape(angle))
        return self.profile.acceleration_at(angle)

    def peak_speed(self, start: Floats, end: Floats) -> Floats:
        """Greatest crank speed [rad/s] between two dial angles [rad]."""
        if self.profile is None:
            return self.speed + np.zeros(np.broadcast_shapes(np.shape(start), np.shape(end)))
        return np.sqrt(self.profile.peak_square(np.minimum(start, end), np.maximum(start, end)))

    def peak_acceleration(self, start: Floats, end: Floats) -> Floats:
        """Greatest crank acceleration or deceleration [rad/s2] between two dial angles [rad]."""
        if self.profile is None:
            return 0.0 * self.speed + np.zeros(np.broadcast_shapes(np.shape(start), np.shape(end)))
        return self.profile.peak_acceleration(np.minimum(start, end), np.maximum(start, end))

    def time_at(self, angle: Floats) -> Floats:
        """Time [s] by the clock at which a dial angle [rad] is left, from the TDC that starts the stroke.

        Negative before it, and unlike `seconds(0, angle)` with the pause counted there.
        """
        if self.profile is None:
            return angle / self.speed
        return self.profile.departs(angle) - self.profile.departs(0.0)

    def angle_at(self, seconds: Floats) -> Floats:
        """Dial angle [rad] a time [s] after the TDC that starts the stroke; it may be past a turn."""
        if self.profile is None:
            return self.speed * seconds
        return self.profile.angle_at(self.profile.departs(0.0) + seconds)

    def after(self, angle: Floats, seconds: Floats) -> Floats:
        """Dial angle [rad] that is reached `seconds` [s] after `angle` [rad]; the whole turn while it stands there."""
        if self.profile is None:
            return angle + self.speed * seconds
        return self.profile.angle_at(self.profile.departs(angle) + seconds)

    def seconds(self, start: Floats, end: Floats) -> Floats:
        """Time [s] from dial angle `start` to dial angle `end` [rad]; negative where `end` comes before.

        A pause counts where its TDC lies between the two angles, and not where it is one of them.
        """
        if self.profile is None:
            return (end - start) / self.speed
        low, high = np.minimum(start, end), np.maximum(start, end)
        between = np.maximum(self.profile.arrives(high) - self.profile.departs(low), 0.0)
        return np.sign(np.asarray(end) - start) * between
