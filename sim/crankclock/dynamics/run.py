"""One turn of the running reading: motion at any time, contact forces, located events."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib import import_module
from importlib.util import find_spec

import numpy as np
from numpy.typing import ArrayLike

from . import along, modes, stepping
from .along import Crossings, Value, first_of, last_of, padded
from .base import SlideMotion
from .blocks import Blocks, Tables, prepare
from .motion import Motion
from .system import NEAR_TOP, Array, IntArray, Side, System

# A time within this [cells] of a contact change lies after it, so that rounding never hides the jump of a force.
_AFTER = 1e-10
_ROUNDING = 1e-9  # of the period


@dataclass(frozen=True)
class Spans:
    """Spans per variant, in time, padded with nan at the end; shape (m, n) [s]."""

    start: Array
    end: Array


class Run:
    """One turn of every variant. Made by `run`.

    Times are seconds since top dead centre, shape (..., n). The motion is known from 0 to `reach`, which is the
    `period` or later; `samples`, spans and crossings are those of the turn alone.
    """

    def __init__(self, tables: Tables, log: stepping.Log) -> None:
        self._tables = tables
        self._log = log
        self.period = tables.base.period
        self._begins = log.cell + log.start
        self._first = np.searchsorted(log.variant, np.arange(self.period.size + 1))
        last = self._first[1:] - 1
        reach = (self._begins[last] + log.length[last]) * tables.base.cell_time
        self.reach = np.where(reach > self.period * (1.0 + _ROUNDING), reach, self.period)
        self._stride = 2.0 * tables.base.cells + 1.0
        self._keys = log.variant * self._stride + self._begins

    # -- motion ------------------------------------------------------------------------------------------

    def at(self, time: ArrayLike) -> Motion:
        """Motion at times of shape (..., n) or (..., 1) [s], from the exact solution; nan outside 0 to `reach`."""
        wide = np.asarray(time, dtype=float)
        slack = _ROUNDING * self.period
        wide = np.where((wide >= -slack) & (wide <= self.reach + slack), wide, np.nan)
        return self._motion(wide, self._states(wide))

    def _states(self, time: Array) -> Array:
        """States in metres and cells, shape (4, ..., n), at times (..., n)."""
        log = self._log
        cells = np.maximum(time / self._tables.base.cell_time, 0.0)
        block = self._block(cells).ravel()
        since = (cells.ravel() - self._begins[block])[:, None]
        return (
            Blocks(log.rates[block], log.coefficients[block]).states(since)[:, :, 0].T.reshape(modes.STATE, *time.shape)
        )

    def _block(self, cells: Array) -> IntArray:
        """Row of the block that holds each time."""
        variant = np.arange(self.period.size)
        keys = variant * self._stride + np.nan_to_num(cells) + _AFTER
        found = np.searchsorted(self._keys, keys, side="right") - 1
        return np.clip(found, self._first[:-1], self._first[1:] - 1)

    def _motion(self, time: Array, state: Sequence[Array] | Array) -> Motion:
        """Motion from times (..., n) and states (4, ..., n)."""
        t = self._tables
        return Motion(
            time=time,
            face=state[0] + t.bodies.thickness,
            face_speed=state[2] / t.base.cell_time,
            strip=state[1],
            strip_speed=state[3] / t.base.cell_time,
            bodies=t.bodies,
            base=t.base,
        )

    @cached_property
    def samples(self) -> Motion:
        """Motion at times close enough to show every swing, shape (k, n), padded with nan at the end."""
        return self._known if np.all(self.reach == self.period) else self._sampled(self.period)

    @cached_property
    def _known(self) -> Motion:
        """Samples of all that is known."""
        return self._sampled(self.reach)

    def _sampled(self, until: Array) -> Motion:
        time, *state = self._columns(until, range(modes.STATE))
        return self._motion(time, state)

    def _columns(self, until: Array, parts: Iterable[int]) -> list[Array]:
        """Times of the samples before and at `until`, and parts of the state there, each (k, n)."""
        log, n = self._log, self.period.size
        time = log.sample_time * self._tables.base.cell_time[log.sample_variant]
        inside = time < until[log.sample_variant]
        chosen = slice(None) if inside.all() else np.flatnonzero(inside)
        variant, time, state = log.sample_variant[chosen], time[chosen], log.sample_state[chosen]
        count = np.bincount(variant, minlength=n)
        # Each variant's samples lie side by side in memory, which is how they come.
        width = int(count.max()) + 1
        place = np.arange(variant.size) + np.repeat(np.arange(n) * width - (np.cumsum(count) - count), count)
        last, end = np.arange(n) * width + count, self._states(until)
        out = []
        for values, final in ((time, until), *((state[:, part], end[part]) for part in parts)):
            column = np.full(n * width, np.nan)
            column[place], column[last] = values, final
            out.append(column.reshape(n, width).T)
        return out

    # -- contacts ----------------------------------------------------------------------------------------

    def pressing(self, side: Side) -> Spans:
        """Spans in which a contact carries force, one that lasts to the end of the turn ending there."""
        log, n = self._log, self.period.size
        turn = np.flatnonzero(self._begins < self._tables.base.cells)
        variant, begins = log.variant[turn], self._begins[turn]
        closed = modes.CLOSED[log.mode[turn], side]
        same = variant[1:] == variant[:-1]
        before = np.concatenate([[False], closed[:-1] & same])
        after = np.concatenate([closed[1:] & same, [False]])
        cell = self._tables.base.cell_time[variant]
        starts = closed & ~before
        ends = closed & ~after
        return Spans(
            padded(variant[starts], (begins * cell)[starts], n),
            padded(variant[ends], ((begins + log.length[turn]) * cell)[ends], n),
        )

    # -- values along the turn ---------------------------------------------------------------------------

    def crossings(self, value: Value) -> Crossings:
        """Where a value of the motion, smooth between contact changes, passes zero within the turn.

        Parameters
        ----------
        value : callable
            `Motion` of shape (k, n) to an array of that shape; each row for itself.
        """
        return along.crossings(self.at, value, self.samples.time, value(self.samples))

    def extremes(self, value: Value, start: ArrayLike, end: ArrayLike) -> tuple[Array, Array]:
        """Least and greatest of a value, smooth between contact changes, from start to end, each shape (n,) [s].

        nan where either is nan.
        """
        samples = self._known
        ends = np.stack(np.broadcast_arrays(start, end, self.period)[:2]).astype(float)
        first, last = value(self.at(ends))
        early, late = samples.time < ends[0], ~(samples.time <= ends[1])
        times = np.where(early, ends[0], np.where(late, ends[1], samples.time))
        known = np.where(early, first, np.where(late, last, value(samples)))
        times, known = (np.vstack([a, b, c]) for a, b, c in ((ends[:1], times, ends[1:]), (first, known, last)))
        least = -along.greatest(self.at, lambda m: -value(m), times, -known)
        return least, along.greatest(self.at, value, times, known)

    # -- the running events ------------------------------------------------------------------------------

    @cached_property
    def events(self) -> dict[str, Array]:
        """stripper.touch, .clamped, .unclamped and strip.raised, .settled, shape (n,) [s]; nan: never."""
        press, die = self.pressing(Side.STRIPPER), self.pressing(Side.DIE)
        touch = first_of(press.start, press.start > 0.0)
        touch = np.where(np.any(press.start == 0.0, axis=0), np.nan, touch)
        clamped = first_of(np.maximum(die.start, touch), die.end > touch)
        unclamped = self._last_end(die, clamped)
        raised, settled = self._rise(unclamped, touch)
        return {
            "stripper.touch": touch,
            "stripper.clamped": clamped,
            "stripper.unclamped": unclamped,
            "strip.raised": raised,
            "strip.settled": settled,
        }

    def _last_end(self, die: Spans, clamped: Array) -> Array:
        """Last die-face force; one that never ends (a strip that lies on the die) with the stripper's."""
        press = self.pressing(Side.STRIPPER)
        last = last_of(die.end, die.end > clamped)
        lies = last >= self.period * (1.0 - 1e-12)
        return np.where(lies, last_of(press.end, press.end > clamped), last)

    def _rise(self, unclamped: Array, touch: Array) -> tuple[Array, Array]:
        level = np.asarray(self._tables.bodies.lift - NEAR_TOP)
        time, strip = self._columns(self.reach, [1])
        after = max(int(np.sum(time < unclamped, axis=0).min()) - 2, 0)
        found = along.crossings(self.at, lambda m: m.strip - level, time[after:], strip[after:] - level)
        finish = np.minimum(self.reach, self._next_touch(touch))
        up = np.where(found.rising & (found.time <= finish), found.time, np.nan)
        raised = np.where(self.at(unclamped).strip >= level, unclamped, first_of(up, up > unclamped))
        last = last_of(up, up > raised)
        stays = self.at(finish).strip >= level
        return raised, np.where(stays, np.where(np.isnan(last), raised, last), np.nan)

    def _next_touch(self, touch: Array) -> Array:
        """When the stripper next meets the strip [s]: that still moves, and may be up against it before its time."""
        log = self._log
        meets = np.flatnonzero((self._begins >= self._tables.base.cells) & modes.CLOSED[log.mode, Side.STRIPPER])
        times = self._begins[meets] * self._tables.base.cell_time[log.variant[meets]]
        first = self.period + np.where(np.isnan(touch), 0.0, touch)
        np.minimum.at(first, log.variant[meets], times)
        return first

    def held(self, play: float | Array, around: float | Array) -> Spans:
        """The span with the strip within `play` [m] of the die face around a time; nan: not held then."""
        around, play = np.asarray(around, dtype=float), np.asarray(play, dtype=float)
        found = self.crossings(lambda m: np.asarray(m.strip - play))
        inside = self.at(around).strip <= play
        start = last_of(found.time, ~found.rising & (found.time <= around))
        end = first_of(found.time, found.rising & (found.time > around))
        start = np.where(np.isnan(start), 0.0, start)
        end = np.where(np.isnan(end), self.period, end)
        return Spans(np.where(inside, start, np.nan), np.where(inside, end, np.nan))


def fast_available() -> bool:
    """Whether the optional extra `fast` (numba) is installed."""
    return find_spec("numba") is not None


def run(system: System, slide: SlideMotion, period: ArrayLike, cells: int = 12, fast: bool = False) -> Run:
    """Carry stripper and strip through one turn from rest at top dead centre.

    A strip that has not settled by the end of the turn is carried on into the next one, the slide's motion
    repeating, no further than to the stripper's next touch.

    Parameters
    ----------
    system : System
    slide : callable
        Times since top dead centre [s], shape (m, n) in [0, period], to slide height above nominal BDC [m] and
        its speed dy/dt [m/s]; further items are ignored. Called once.
    period : array_like, shape (n,)
        Time of the turn [s].
    cells : int
        Equal times in the turn, over each of which the slide's motion is one polynomial. 12 do for an
        eccentric whose crank speed varies smoothly; a motion that is smooth in pieces only needs more.
    fast : bool
        Compiled, for thousands of variants: a process spends a third of a second on loading it, the first one on a
        machine half a minute on compiling it. Needs the extra `fast`.

    Raises
    ------
    ValueError
        Where a number makes no sense.
    RuntimeError
        Where no equilibrium is found or contacts change without end.
    ImportError
        Where `fast` is asked for and not installed.
    """
    times = np.atleast_1d(np.asarray(period, dtype=float))
    if not np.all(np.isfinite(times) & (times > 0.0)):
        raise ValueError("the period of a turn must be positive and finite")
    tables = prepare(system, slide, times, cells)
    march = import_module(".fast", __package__).march if fast else stepping.march
    return Run(tables, march(tables, stepping.at_rest(tables)))
