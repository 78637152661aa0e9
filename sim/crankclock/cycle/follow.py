"""A tap followed through a film: for spindles and strips whose way has no closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from crankclock.cycle.course import Places
from crankclock.cycle.film import Array, Film, Mask, Rows
from crankclock.parts.motor import MotorSpindle
from crankclock.parts.numbers import TIE, Floats
from crankclock.parts.strip import Strip
from crankclock.parts.tap import PressSpindle, Tap

_NEAR = 60e-6
"""A gap that turns back within this of the strip [m] between two moments is looked at more closely."""
_LOOKS = 3
_SPLIT = np.linspace(0.0, 1.0, 9)[:, None]
_ROUNDS = 4


class Drive(Protocol):
    """What turns the spindle."""

    def states(self, film: Film) -> Array:
        """What the drive remembers at each moment, shape (k, n)."""

    def lead(self, time: Array, places: Places, state: Array) -> Array:
        """Turns from home, and below 0 how far it is from turning, some while after a state without reversal."""

    def engaging(self, places: Places) -> Array:
        """Turns by which the drive itself is past the place where it engages; below 0 before it."""


@dataclass(frozen=True)
class PressDrive:
    """A press-driven spindle: play between drive and spindle, which follows only when that is taken up."""

    tap: Tap
    strip: Strip
    spindle: PressSpindle

    def travel(self, places: Places) -> Array:
        return np.asarray(
            self.spindle.travel(self.tap, self.strip, places.slide, places.underside, places.face), dtype=float
        )

    def states(self, film: Film) -> Array:
        travel = np.broadcast_to(self.travel(film.seen), film.time.shape)
        lost = self.spindle.lost_travel
        out = np.empty_like(travel)
        # Stroke after stroke: it came up with the drive, as far as that ever came.
        follows = np.minimum(np.maximum(travel.max(axis=0) - lost, travel[0] - lost), travel[0])
        for row, q in enumerate(travel):
            follows = np.minimum(np.maximum(follows, q - lost), q)
            out[row] = follows
        return out

    def lead(self, time: Array, places: Places, state: Array) -> Array:
        del time
        q = self.travel(places)
        follows = np.minimum(np.maximum(state, q - self.spindle.lost_travel), q)
        return np.asarray(self.spindle.gearing * (self.spindle.engage_height - follows))

    def engaging(self, places: Places) -> Array:
        return np.asarray(self.spindle.gearing * (self.spindle.engage_height - self.travel(places)))


@dataclass(frozen=True)
class MotorDrive:
    """A motor-driven spindle that first moves at a time [s]."""

    motor: MotorSpindle
    start: Floats

    def states(self, film: Film) -> Array:
        return np.zeros_like(film.time)

    def lead(self, time: Array, places: Places, state: Array) -> Array:
        del places, state
        return np.asarray(self.motor.turns(time - self.start))

    def engaging(self, places: Places) -> Array:
        return np.zeros_like(np.asarray(places.slide, dtype=float))


@dataclass(frozen=True)
class HandMotorDrive:
    """A motor-driven spindle with the press turned over by hand: in and out at one dial angle."""

    motor: MotorSpindle
    start: Floats

    def states(self, film: Film) -> Array:
        """Turns; the film has its moment three times, and the spindle is in at all but the first and the last."""
        now = film.time == self.start
        first, last = np.cumsum(now, axis=0) == 1, np.cumsum(now[::-1], axis=0)[::-1] == 1
        return np.where(now & ~first & ~last, self.motor.count, 0.0)

    def lead(self, time: Array, places: Places, state: Array) -> Array:
        del time, places
        return state

    def engaging(self, places: Places) -> Array:
        return np.zeros_like(np.asarray(places.slide, dtype=float))


class Followed:
    """A tap's gap and turns at every moment of a film.

    Attributes
    ----------
    film : Film
    gap, turns : array, shape (k, n)
        First thread to the face it enters [m]; turns from home.
    within : array of bool, shape (k, n)
        The first thread is in the strip; a tie is in.
    """

    def __init__(self, film: Film, tap: Tap, strip: Strip, drive: Drive) -> None:
        self.tap, self.strip, self.drive = tap, strip, drive
        self._see(film)
        self._look_closer()

    def _see(self, film: Film) -> None:
        self.film = film
        self.state = self.drive.states(film)
        self.gap, self.turns = self._reckon(film.time, film.seen, self.state)
        self.within: Mask = self.gap <= TIE

    def _reckon(self, time: Array, places: Places, state: Array) -> tuple[Array, Array]:
        turns = np.maximum(np.broadcast_to(self.drive.lead(time, places, state), time.shape), 0.0)
        rest = self.tap.rest_gap(self.strip, places.slide, places.underside, places.face)
        return np.asarray(rest - self.tap.pitch * turns), turns

    def _state(self, row: Rows) -> Array:
        """State at rows of shape (n,) or (m, n)."""
        return np.take_along_axis(self.state, np.atleast_2d(row), axis=0)

    def at(self, time: Array, row: Rows) -> tuple[Array, Array]:
        """Gap and turns at times (m, n) [s] that lie between a row of the film and the next."""
        return self._reckon(time, self.film.places(time), self._state(row))

    def lead(self, time: Array, row: Rows) -> Array:
        """As `Drive.lead`, at times (m, n) between a row and the next."""
        return np.broadcast_to(self.drive.lead(time, self.film.places(time), self._state(row)), time.shape)

    def along(self, time: Array) -> tuple[Array, Array]:
        """Gap and turns at times of shape (m, n) [s] within the film."""
        ends = self.film.time
        column = np.stack(
            [np.searchsorted(ends[:, k], time[:, k], side="right") - 1 for k in range(ends.shape[1])], axis=1
        )
        return self.at(time, np.clip(column, 0, ends.shape[0] - 1))

    def _look_closer(self) -> None:
        """Where the gap nearly touches 0 and turns back between two moments, see it there too."""
        gap = self.gap
        inner, before, after = gap[1:-1], gap[:-2], gap[2:]
        turns_back = np.where(inner > TIE, (inner <= before) & (inner <= after), (inner >= before) & (inner >= after))
        near = turns_back & (np.abs(inner) < _NEAR)
        if not near.any():
            return
        rank = np.cumsum(near, axis=0)
        moments = []
        for look in range(1, _LOOKS + 1):
            wanted = near & (rank == look)
            row = 1 + np.argmax(wanted, axis=0)
            sign = np.where(np.take_along_axis(gap, row[None], axis=0)[0] > TIE, 1.0, -1.0)
            time, _ = self.extreme(row, sign)
            moments.append(np.where(wanted.any(axis=0), time, np.nan))
        self._see(self.film.also_at(*moments))

    # -- single moments; rows have shape (n,) ---------------------------------------------------------------

    def pick(self, values: Array | Mask, row: Rows) -> Array:
        return np.asarray(np.take_along_axis(values, row[None], axis=0)[0])

    def extreme(self, row: Rows, sign: Floats, free: bool = False) -> tuple[Array, Array]:
        """Time and gap of the least (sign 1) or greatest (-1) gap next to a row; with `free`, while it is free."""
        last = self.film.time.shape[0] - 1
        before, after = np.maximum(row - 1, 0), np.minimum(row + 1, last)
        middle = self.pick(self.film.time, row)
        low, high = self.pick(self.film.time, before), self.pick(self.film.time, after)
        if free:
            low = np.where(self.pick(self.film.free, before), low, middle)
            high = np.where(self.pick(self.film.free, after), high, middle)
        best_time, best = middle, self.pick(self.gap, row)
        for _ in range(3):
            time = low + (high - low) * _SPLIT
            gap, _turns = self.at(time, np.where(time < middle, before, row))
            at = np.argmin(sign * gap, axis=0)
            found, when = (np.take_along_axis(each, at[None], axis=0)[0] for each in (gap, time))
            better = sign * found < sign * best
            best, best_time = np.where(better, found, best), np.where(better, when, best_time)
            width = (high - low) / (_SPLIT.size - 1)
            low, high = np.maximum(when - width, low), np.minimum(when + width, high)
        return best_time, best

    def first(self, flags: Mask, entering: bool = True) -> tuple[Rows, Mask]:
        """The row before a flag first rises (or falls), and whether it ever does."""
        change = ~flags[:-1] & flags[1:] if entering else flags[:-1] & ~flags[1:]
        return np.argmax(change, axis=0), np.asarray(change.any(axis=0))

    def last(self, flags: Mask) -> tuple[Rows, Mask]:
        """The row before a flag last falls, and whether it ever does."""
        change = flags[:-1] & ~flags[1:]
        return change.shape[0] - 1 - np.argmax(change[::-1], axis=0), np.asarray(change.any(axis=0))

    def crossing(self, row: Rows, there: Mask, level: Floats = TIE) -> Array:
        """Time [s] between a row and the next at which the gap passes a level [m]; nan where it is not there."""
        return self._narrow(row, there, lambda time: self.at(time, row)[0] - level)

    def turning(self, row: Rows, there: Mask) -> Array:
        """Time [s] between a row and the next at which the spindle starts or stops to be out of home."""
        return self._narrow(row, there, lambda time: self.lead(time, row))

    def engaging(self) -> Array:
        """Time [s] at which the drive first passes the place where it engages; nan where it never does."""
        past = np.broadcast_to(self.drive.engaging(self.film.seen), self.film.time.shape) > 0.0
        return self._narrow(*self.first(past), lambda time: self.drive.engaging(self.film.places(time)))

    def _narrow(self, row: Rows, there: Mask, value: Callable[[Array], Array]) -> Array:
        low, high = self.pick(self.film.time, row), self.pick(self.film.time, row + 1)
        start = value(low[None])[0] > 0.0
        for _ in range(_ROUNDS):
            time = low + (high - low) * _SPLIT
            past = (value(time) > 0.0) != start
            past[0], past[-1] = False, True
            at = np.argmax(past, axis=0)[None]
            low, high = (np.take_along_axis(time, at - k, axis=0)[0] for k in (1, 0))
        a, b = value(low[None])[0], value(high[None])[0]
        share = np.where(a != b, a / np.where(a != b, a - b, 1.0), 1.0)
        return np.where(there, low + (high - low) * np.clip(share, 0.0, 1.0), np.nan)
