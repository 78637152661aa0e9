"""A crank speed that varies within the turn, under torques that are constant by pieces.

A constant torque changes the square of the speed in proportion to the angle turned, and the speed itself in
proportion to the time. So over a piece of angle L, from speed w0 to w1, the time is 2 L / (w0 + w1), which is
2 (w1 - w0) / (d(w2)/da) and holds for an even speed as well; and after a time t of its T the crank has turned
t (w0 + w(t)) / 2 with w(t) = w0 + (w1 - w0) t / T.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crankclock.parts.numbers import TURN, Floats

SNAP = 1e-12
"""Within this share of a turn of the first knot, a dial angle stands on it: rounding must not skip a pause."""


@dataclass(frozen=True)
class _Piece:
    """One piece of a profile: where it begins after the first knot [rad], length [rad], squared speeds at both ends."""

    offset: Floats
    length: Floats
    before: Floats
    after: Floats

    @property
    def divisor(self) -> Floats:
        """The length [rad], and 1 for a piece of no length, over which nothing changes."""
        return np.where(np.asarray(self.length) == 0.0, 1.0, self.length)

    @property
    def time(self) -> Floats:
        """Time over the whole piece [s]."""
        return self.time_over(self.length)

    def square(self, turned: Floats) -> Floats:
        """Squared speed [rad2/s2] after an angle [rad] of the piece; exact at both ends."""
        share = turned / self.divisor
        return self.before * (1.0 - share) + self.after * share

    def time_over(self, turned: Floats) -> Floats:
        """Time [s] over the first angle [rad] of the piece."""
        both = np.sqrt(self.before) + np.sqrt(self.square(turned))
        moving = np.asarray(turned) != 0.0
        found: Floats = np.where(moving, 2.0 * turned / np.where(moving, both, 1.0), 0.0)
        return found

    def turned(self, seconds: Floats) -> Floats:
        """Angle [rad] of the piece turned in a time [s] from its beginning."""
        slow, whole = np.sqrt(self.before), self.time
        share = seconds / np.where(np.asarray(whole) == 0.0, 1.0, whole)
        return seconds * (slow + 0.5 * (np.sqrt(self.after) - slow) * share)


@dataclass(frozen=True)
class SpeedProfile:
    """Squared crank speed over one turn, straight between knots, the same turn after turn.

    Parameters
    ----------
    angles : tuple of float or array, each shape () or (n,)
        Dial angles [rad] of the knots, in order; the last is the first and a turn.
    squares : tuple of float or array, each shape () or (n,)
        Squared speed [rad2/s2] at each knot; nan for a variant that cannot turn so.
    pause : float or array, shape (n,)
        Time [s] the crank stands at the first knot before each turn.
    """

    angles: tuple[Floats, ...]
    squares: tuple[Floats, ...]
    pause: Floats = 0.0

    @cached_property
    def turn_time(self) -> Floats:
        """Time [s] over one turn, without the pause."""
        return sum((piece.time for piece in self._pieces), start=np.float64(0.0))

    @property
    def period(self) -> Floats:
        """Time [s] from one turn's beginning to the next, pause and all."""
        return self.turn_time + self.pause

    @cached_property
    def _pieces(self) -> tuple[_Piece, ...]:
        first, knots = self.angles[0], list(zip(self.angles, self.squares, strict=True))
        return tuple(
            _Piece(start - first, end - start, before, after) for (start, before), (end, after) in pairwise(knots)
        )

    def _found(self, angle: Floats) -> Iterator[tuple[NDArray[np.bool_], _Piece, Floats]]:
        """For each piece in turn: where the dial angle has reached it, and the angle turned within it [rad]."""
        _, within = self._split(angle, arriving=False)
        for piece in self._pieces:
            yield np.asarray(within >= piece.offset), piece, _clip(within - piece.offset, piece.length)

    def square_at(self, angle: Floats) -> Floats:
        """Squared speed [rad2/s2] at any dial angle [rad]."""
        found: Floats = np.float64(np.nan)
        for reached, piece, turned in self._found(angle):
            found = np.where(reached, piece.square(turned), found)
        return found

    def acceleration_at(self, angle: Floats) -> Floats:
        """Acceleration [rad/s2] at any dial angle [rad]; at a knot that of the piece that begins there."""
        found: Floats = np.float64(np.nan)
        for reached, piece, _ in self._found(angle):
            found = np.where(reached, 0.5 * (piece.after - piece.before) / piece.divisor, found)
        return found

    def departs(self, angle: Floats) -> Floats:
        """Time [s] at which a dial angle [rad] is left, from when the first knot is left; negative before it."""
        return self._elapsed(angle, arriving=False)

    def arrives(self, angle: Floats) -> Floats:
        """Time [s] at which a dial angle [rad] is reached, from when the first knot is left."""
        return self._elapsed(angle, arriving=True)

    def _elapsed(self, angle: Floats, *, arriving: bool) -> Floats:
        turns, within = self._split(angle, arriving=arriving)
        time = turns * self.period
        for piece in self._pieces:
            time = time + piece.time_over(_clip(within - piece.offset, piece.length))
        return np.where(np.isinf(angle), angle, time)

    def _split(self, angle: Floats, *, arriving: bool) -> tuple[Floats, Floats]:
        """Whole turns from the first knot, and the rest [rad]; on the knot itself, of the turn that ends or begins."""
        from_first = np.where(np.isinf(angle), 0.0, angle) - self.angles[0]
        turns = np.ceil(from_first / TURN - SNAP) - 1.0 if arriving else np.floor(from_first / TURN + SNAP)
        return turns, _clip(from_first - turns * TURN, TURN)

    def angle_at(self, time: Floats) -> Floats:
        """Dial angle [rad] at a time [s] from when the first knot is left; the inverse of `departs` and `arrives`."""
        lasting = np.where(np.isinf(time), 0.0, time)
        turns = np.floor(lasting / self.period)
        left = lasting - turns * self.period
        begun: Floats = 0.0
        angle = np.zeros(np.shape(left))
        for piece in self._pieces:
            angle = angle + piece.turned(_clip(left - begun, piece.time))
            begun = begun + piece.time
        angle = np.where(left >= self.turn_time, TURN, angle)
        return np.where(np.isinf(time), time, self.angles[0] + turns * TURN + angle)

    def peak_square(self, low: Floats, high: Floats) -> Floats:
        """Greatest squared speed [rad2/s2] from dial angle `low` to `high` [rad]: at an end or at a knot between."""
        peak = np.maximum(self.square_at(low), self.square_at(high))
        for angle, square in zip(self.angles[:-1], self.squares[:-1], strict=True):
            between = low + np.mod(angle - low, TURN) <= high
            peak = np.where(between, np.maximum(peak, square), peak)
        return peak

    def peak_acceleration(self, low: Floats, high: Floats) -> Floats:
        """Greatest `|acceleration|` [rad/s2] of the pieces that reach into `low` to `high` [rad]."""
        peak: Floats = np.float64(0.0)
        for piece in self._pieces:
            ends = low + np.mod(self.angles[0] + piece.offset + piece.length - low, TURN)
            reaches = ends - piece.length <= high + SNAP * TURN
            own = np.abs(0.5 * (piece.after - piece.before) / piece.divisor)
            peak = np.where(reaches, np.maximum(peak, own), peak)
        return peak


def _clip(value: Floats, most: Floats) -> Any:
    return np.minimum(np.maximum(value, 0.0), most)
