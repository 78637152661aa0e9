"""One turn of the running reading: motion at any time, contact forces, located events."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from . import modes, stepping
from .base import SlideMotion
from .blocks import Tables, prepare, solve
from .motion import Motion
from .system import NEAR_TOP, Array, BoolArray, IntArray, Side, System

# A time within this [cells] of a contact change lies after it, so that rounding never hides the jump of a force.
_AFTER = 1e-10
_ROUNDING = 1e-9  # of the period
_INNER = np.arange(1, 12) / 12


Value = Callable[[Motion], Array]


@dataclass(frozen=True)
class Crossings:
    """Zero crossings per variant, in time, padded with nan at the end.

    Parameters
    ----------
    time : ndarray, shape (m, n)
        [s].
    rising : ndarray of bool, shape (m, n)
        Whether the value rises through zero.
    """

    time: Array
    rising: BoolArray


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
        self._order = np.lexsort((log.cell + log.start, log.variant))
        self._begins = (log.cell + log.start)[self._order]
        self._first = np.searchsorted(log.variant[self._order], np.arange(self.period.size + 1))
        last = self._order[self._first[1:] - 1]
        self.reach = (self._begins[self._first[1:] - 1] + log.length[last]) * tables.base.cell_time

    # -- motion ------------------------------------------------------------------------------------------

    def at(self, time: ArrayLike) -> Motion:
        """Motion at times of shape (..., n) or (..., 1) [s], from the exact solution; nan outside 0 to `reach`."""
        n = self.period.size
        wide = np.asarray(time, dtype=float)
        known = (wide >= -_ROUNDING * self.period) & (wide <= self.reach + _ROUNDING * self.period)
        wide = np.where(known, wide, np.nan)
        variant = np.broadcast_to(np.arange(n), wide.shape).ravel()
        return self._motion(wide, self._evaluate(variant, wide.ravel()))

    def _evaluate(self, variant: IntArray, time: Array) -> Array:
        """State (k, 4), in metres and cells, at flat times (k,) [s]."""
        t = self._tables
        cells = np.nan_to_num(np.maximum(time / t.base.cell_time[variant], 0.0))
        block = self._order[self._block(variant, cells)]
        log = self._log
        begin = log.cell[block] + log.start[block]
        blocks = solve(t.modes.take(variant, log.mode[block]), log.state[block], log.force[block])
        state = blocks.states((cells - begin)[:, None])[:, 0]
        state[np.isnan(time)] = np.nan
        return state

    def _block(self, variant: IntArray, cells: Array) -> IntArray:
        """Row, in sorted order, of the block that holds each time."""
        span = 2.0 * self._tables.base.cells + 1.0
        keys = self._log.variant[self._order] * span + self._begins
        found = np.searchsorted(keys, variant * span + cells + _AFTER, side="right") - 1
        return np.clip(found, self._first[variant], self._first[variant + 1] - 1)

    def _motion(self, time: Array, state: Array) -> Motion:
        """Motion from flat states in the order of the times."""
        t = self._tables
        q, zs, q_speed, zs_speed = (part.reshape(time.shape) for part in state.T)
        slide, slide_speed = t.base.at(time)
        return Motion(
            time=time,
            slide=slide,
            slide_speed=slide_speed,
            face=q + t.bodies.thickness,
            face_speed=q_speed / t.base.cell_time,
            strip=zs,
            strip_speed=zs_speed / t.base.cell_time,
            bodies=t.bodies,
        )

    @cached_property
    def samples(self) -> Motion:
        """Motion at times close enough to show every swing, shape (k, n), padded with nan at the end."""
        return self._sampled(self._tables.base.cells)

    def _sampled(self, until: int) -> Motion:
        log, n = self._log, self.period.size
        cells = self._tables.base.cells
        variant = np.concatenate([log.sample_variant, log.variant])
        when = np.concatenate([log.sample_time, log.cell + log.start])
        state = np.concatenate([log.sample_state, log.state])
        order = np.lexsort((when, variant))
        order = order[when[order] < until]
        variant = variant[order]
        time = _padded(variant, when[order] * self._tables.base.cell_time[variant], n)
        states = np.stack([_padded(variant, part, n) for part in state[order].T])
        if until == cells:
            end = self._evaluate(np.arange(n), self.period)
            time = np.vstack([time, self.period])
            states = np.concatenate([states, end.T[:, None, :]], axis=1)
        return self._motion(time, states.reshape(4, -1).T)

    # -- contacts ----------------------------------------------------------------------------------------

    def pressing(self, side: Side) -> Spans:
        """Spans in which a contact carries force, one that lasts to the end of the turn ending there."""
        log, n = self._log, self.period.size
        order = self._order[self._begins < self._tables.base.cells]
        variant, begins = log.variant[order], (log.cell + log.start)[order]
        closed = modes.CLOSED[log.mode[order], side]
        same = variant[1:] == variant[:-1]
        before = np.concatenate([[False], closed[:-1] & same])
        after = np.concatenate([closed[1:] & same, [False]])
        cell = self._tables.base.cell_time[variant]
        starts = closed & ~before
        ends = closed & ~after
        return Spans(
            _padded(variant[starts], (begins * cell)[starts], n),
            _padded(variant[ends], ((begins + log.length[order]) * cell)[ends], n),
        )

    # -- values along the turn ---------------------------------------------------------------------------

    def crossings(self, value: Value) -> Crossings:
        """Where a smooth value of the motion passes zero within the turn.

        Parameters
        ----------
        value : callable
            `Motion` of shape (k, n) to an array of that shape; each row for itself.
        """
        return self._crossings(value, self.samples)

    def _crossings(self, value: Value, samples: Motion) -> Crossings:
        n = self.period.size
        times, values = self._closer(value, samples.time, value(samples))
        over = values > 0.0
        variant, row = np.nonzero(((over[1:] != over[:-1]) & ~np.isnan(times[1:])).T)
        low, high = (_padded(variant, times[row + k, variant], n) for k in (0, 1))
        rising = _padded(variant, over[row + 1, variant].astype(float), n) == 1.0
        return Crossings(self._narrow(value, low, high, rising), rising)

    def _closer(self, value: Value, times: Array, values: Array) -> tuple[Array, Array]:
        """Samples and, where the value may touch zero between two of them, some more there."""
        variant, row = np.nonzero(stepping.near_miss(times.T, -np.abs(values).T[:, :, None]))
        if variant.size == 0:
            return times, values
        low, high = times[row, variant], times[row + 1, variant]
        inner = low[:, None] + (high - low)[:, None] * _INNER
        more = _padded(np.repeat(variant, _INNER.size), inner.ravel(), self.period.size)
        times, values = np.vstack([times, more]), np.vstack([values, value(self.at(more))])
        order = np.argsort(times, axis=0)
        return np.take_along_axis(times, order, axis=0), np.take_along_axis(values, order, axis=0)

    def _narrow(self, value: Value, low: Array, high: Array, rising: Array) -> Array:
        """Root in each bracket by bisection with a secant guess in the middle of the sequence."""
        for _ in range(3):
            grid = low + (high - low) * np.linspace(0.0, 1.0, 9)[:, None, None]
            flat = grid.reshape(-1, grid.shape[-1])
            past = (value(self.at(flat)).reshape(grid.shape) > 0.0) == rising
            past[-1] = True
            first = np.maximum(np.argmax(past, axis=0), 1)[None]
            low = np.take_along_axis(grid, first - 1, axis=0)[0]
            high = np.take_along_axis(grid, first, axis=0)[0]
        a, b = value(self.at(low)), value(self.at(high))
        share = np.where(a != b, a / np.where(a != b, a - b, 1.0), 0.5)
        return np.asarray(low + (high - low) * np.clip(share, 0.0, 1.0))

    def extremes(self, value: Value, start: ArrayLike, end: ArrayLike) -> tuple[Array, Array]:
        """Least and greatest of a value from start to end, each shape (n,) [s]; nan where either is nan."""
        ends = np.stack(np.broadcast_arrays(start, end, self.period)[:2]).astype(float)
        known = np.vstack([value(self.samples), value(self.at(ends))])
        times = np.vstack([self.samples.time, ends])
        inside = (times >= ends[0]) & (times <= ends[1])
        order = np.argsort(np.where(inside, times, np.nan), axis=0)
        times = np.take_along_axis(np.where(inside, times, np.nan), order, axis=0)
        known = np.take_along_axis(known, order, axis=0)
        return -self._greatest(lambda m: -value(m), times, -known), self._greatest(value, times, known)

    def _greatest(self, value: Value, times: Array, known: Array) -> Array:
        best = np.full(self.period.shape, -np.inf)
        last = np.maximum(np.sum(~np.isnan(times), axis=0) - 1, 0)[None]
        for _ in range(2):
            found = np.where(np.isnan(times), -np.inf, known)
            best = np.maximum(best, found.max(axis=0))
            top = np.argmax(found, axis=0)[None]
            low = np.take_along_axis(times, np.maximum(top - 1, 0), axis=0)
            high = np.take_along_axis(times, np.minimum(top + 1, last), axis=0)
            times = low + (high - low) * np.linspace(0.0, 1.0, 33)[:, None]
            known, last = value(self.at(times)), np.full_like(last, 32)
        best = np.maximum(best, np.where(np.isnan(known), -np.inf, known).max(axis=0))
        return np.where(np.isfinite(best), best, np.nan)

    # -- the running events ------------------------------------------------------------------------------

    @cached_property
    def events(self) -> dict[str, Array]:
        """stripper.touch, .clamped, .unclamped and strip.raised, .settled, shape (n,) [s]; nan: never."""
        press, die = self.pressing(Side.STRIPPER), self.pressing(Side.DIE)
        touch = _first_of(press.start, press.start > 0.0)
        touch = np.where(np.any(press.start == 0.0, axis=0), np.nan, touch)
        clamped = _first_of(np.maximum(die.start, touch), die.end > touch)
        unclamped = self._last_end(die, clamped)
        raised, settled = self._rise(unclamped)
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
        last = _last_of(die.end, die.end > clamped)
        lies = last >= self.period * (1.0 - 1e-12)
        return np.where(lies, _last_of(press.end, press.end > clamped), last)

    def _rise(self, unclamped: Array) -> tuple[Array, Array]:
        level = np.asarray(self._tables.bodies.lift - NEAR_TOP)
        samples = self._sampled(2 * self._tables.base.cells)
        found = self._crossings(lambda m: m.strip - level, samples)
        up = np.where(found.rising, found.time, np.nan)
        raised = np.where(self.at(unclamped).strip >= level, unclamped, _first_of(up, up > unclamped))
        last = _last_of(up, up > raised)
        finish = np.where(np.isnan(samples.time), -np.inf, samples.time).max(axis=0)
        stays = self.at(finish).strip >= level
        return raised, np.where(stays, np.where(np.isnan(last), raised, last), np.nan)

    def held(self, play: float | Array, around: float | Array) -> Spans:
        """The span with the strip within `play` [m] of the die face around a time; nan: not held then."""
        around, play = np.asarray(around, dtype=float), np.asarray(play, dtype=float)
        found = self.crossings(lambda m: np.asarray(m.strip - play))
        inside = self.at(around).strip <= play
        start = _last_of(found.time, ~found.rising & (found.time <= around))
        end = _first_of(found.time, found.rising & (found.time > around))
        start = np.where(np.isnan(start), 0.0, start)
        end = np.where(np.isnan(end), self.period, end)
        return Spans(np.where(inside, start, np.nan), np.where(inside, end, np.nan))


def _padded(variant: IntArray, values: Array, n: int) -> Array:
    """Values in order of variant to shape (m, n), nan at the end."""
    rank = np.arange(variant.size) - np.searchsorted(variant, variant)
    out = np.full((int(rank.max()) + 1 if rank.size else 0, n), np.nan)
    out[rank, variant] = values
    return out


def _first_of(values: Array, wanted: BoolArray) -> Array:
    found = np.where(wanted, values, np.inf).min(axis=0, initial=np.inf)
    return np.where(np.isfinite(found), found, np.nan)


def _last_of(values: Array, wanted: BoolArray) -> Array:
    found = np.where(wanted, values, -np.inf).max(axis=0, initial=-np.inf)
    return np.where(np.isfinite(found), found, np.nan)


def run(system: System, slide: SlideMotion, period: ArrayLike, cells: int = 20) -> Run:
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
        Equal times in the turn, over each of which the slide's motion is one polynomial. 20 do for an
        eccentric at any speed the crank keeps smoothly; a motion that is smooth in pieces only needs more.

    Raises
    ------
    ValueError
        Where a number makes no sense.
    RuntimeError
        Where no equilibrium is found or contacts change without end.
    """
    times = np.atleast_1d(np.asarray(period, dtype=float))
    if not np.all(np.isfinite(times) & (times > 0.0)):
        raise ValueError("the period of a turn must be positive and finite")
    tables = prepare(system, slide, times, cells)
    return Run(tables, stepping.march(tables, stepping.at_rest(tables)))
