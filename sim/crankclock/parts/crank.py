"""The crank: how dial angle and time belong together."""

from __future__ import annotations

from dataclasses import dataclass

from crankclock.parts.numbers import TURN, Floats


@dataclass(frozen=True)
class Crank:
    """A crank that turns evenly.

    Parameters
    ----------
    rate : float or array, shape (n,)
        Stroke rate [strokes/s].
    """

    rate: Floats

    @property
    def speed(self) -> Floats:
        """Crank speed [rad/s]."""
        return TURN * self.rate

    def after(self, angle: Floats, seconds: Floats) -> Floats:
        """Dial angle [rad] that is reached `seconds` [s] after `angle` [rad]."""
        return angle + self.speed * seconds

    def seconds(self, start: Floats, end: Floats) -> Floats:
        """Time [s] from dial angle `start` to dial angle `end` [rad]."""
        return (end - start) / self.speed
