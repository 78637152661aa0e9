"""One turn of the running reading: motion at any time, contact forces, located events."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from . import modes, stepping
from .base import SlideMotion
from .blocks import Blocks, Tables, prepare
from .motion import Motion
from .system import NEAR_TOP, Array, BoolArray, IntArray, Side, System

# A time within this [cells] of a contact change lies after it, so that rounding never hides the jump of a force.
_AFTER = 1e-10
_ROUNDING = 1e-9  # of the period
_INNER = np.linspace(0.0, 1.0, 9)
_DEPTH = 2
_PEAKS = 3


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
        """States in metres and cells, shape (..., n, 4), at times (..., n)."""
        log = self._log
        cells = np.maximum(time / self._tables.base.cell_time, 0.0)
        block = self._block(cells).ravel()
        since = (cells.ravel() - self._begins[block])[:, None]
        return (
            Blocks(log.rates[block], log.coefficients[block]).states(since)[:, :, 0].reshape(*time.shape, modes.STATE)
        )

    def _block(self, cells: Array) -> IntArray:
        """Row of the block that holds each time."""
        variant = np.arange(self.period.size)
        keys = variant * self._stride + np.nan_to_num(cells) + _AFTER
        found = np.searchsorted(self._keys, keys, side="right") - 1
        return np.clip(found, self._first[:-1], self._first[1:] - 1)

    def _motion(self, time: Array, state: Array) -> Motion:
        """Motion from times (..., n) and states (..., n, 4)."""
        t = self._tables
        return Motion(
            time=time,
            face=state[..., 0] + t.bodies.thickness,
            face_speed=state[..., 2] / t.base.cell_time,
            strip=state[..., 1],
            strip_speed=state[..., 3] / t.base.cell_time,
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
        log, n = self._log, self.period.size
        time = log.sample_time * self._tables.base.cell_time[log.sample_variant]
        inside = time < until[log.sample_variant]
        variant = log.sample_variant[inside]
        count = np.bincount(variant, minlength=n)
        rank = np.arange(variant.size) - np.repeat(np.cumsum(count) - count, count)
        times = np.full((int(count.max()) + 1, n), np.nan)
        states = np.full((*times.shape, modes.STATE), np.nan)
        times[rank, variant], states[rank, variant] = time[inside], log.sample_state[inside]
        times[count, np.arange(n)], states[count, np.arange(n)] = until, self._states(until)
        return self._motion(times, states)

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
            _padded(variant[starts], (begins * cell)[starts], n),
            _padded(variant[ends], ((begins + log.length[turn]) * cell)[ends], n),
        )

    # -- values along the turn ---------------------------------------------------------------------------

    def crossings(self, value: Value) -> Crossings:
        """Where a value of the motion, smooth between contact changes, passes zero within the turn.

        Parameters
        ----------
        value : callable
            `Motion` of shape (k, n) to an array of that shape; each row for itself.
        """
        return self._crossings(value, self.samples)

    def _crossings(self, value: Value, samples: Motion) -> Crossings:
        n = self.period.size
        found = np.concatenate(self._brackets(value, samples.time, value(samples), _DEPTH), axis=1)
        found = found[:, np.lexsort(found[1::-1])]
        variant = found[0].astype(np.intp)
        low, high, rising = (_padded(variant, part, n) for part in found[1:])
        return Crossings(self._narrow(value, low, high, rising), rising == 1.0)

    def _brackets(self, value: Value, times: Array, values: Array, depth: int) -> list[Array]:
        """Where the sign changes along axis 0: variant, low, high, rising; shape (4, m) in parts.

        Between two samples that a value's slope may take to zero and back, more are taken.
        """
        near = _near_zero(times, values) if depth else np.zeros(values[1:].shape, dtype=bool)
        over = values > 0.0
        change = np.nonzero((over[1:] != over[:-1]) & ~np.isnan(times[1:]) & ~near)
        later = (change[0] + 1, *change[1:])
        out = [np.array([change[-1], times[change], times[later], over[later]])]
        if np.any(near):
            variant, *place = np.nonzero(np.moveaxis(near, -1, 0))
            low = _padded(variant, times[(*place, variant)], self.period.size)
            high = _padded(variant, times[(place[0] + 1, *place[1:], variant)], self.period.size)
            grid = low + (high - low) * _INNER[:, None, None]
            known = value(self.at(grid.reshape(-1, grid.shape[-1]))).reshape(grid.shape)
            out += self._brackets(value, grid, known, depth - 1)
        return out

    def _narrow(self, value: Value, low: Array, high: Array, rising: Array) -> Array:
        """Root in each bracket: a finer bracket, then the chord."""
        grid = low + (high - low) * _INNER[:, None, None]
        known = value(self.at(grid.reshape(-1, grid.shape[-1]))).reshape(grid.shape)
        past = (known > 0.0) == rising
        past[-1] = True
        after = np.maximum(np.argmax(past, axis=0), 1)[None]
        low, high = (np.take_along_axis(grid, place, axis=0)[0] for place in (after - 1, after))
        a, b = (np.take_along_axis(known, place, axis=0)[0] for place in (after - 1, after))
        share = np.where(a != b, a / np.where(a != b, a - b, 1.0), 0.5)
        return np.asarray(low + (high - low) * np.clip(share, 0.0, 1.0))

    def extremes(self, value: Value, start: ArrayLike, end: ArrayLike) -> tuple[Array, Array]:
        """Least and greatest of a value from start to end, each shape (n,) [s]; nan where either is nan.

        The value is smooth between contact changes. Its three highest and lowest samples at a swing's turn are
        followed up.
        """
        samples = self._known
        ends = np.stack(np.broadcast_arrays(start, end, self.period)[:2]).astype(float)
        first, last = value(self.at(ends))
        early, late = samples.time < ends[0], ~(samples.time <= ends[1])
        times = np.where(early, ends[0], np.where(late, ends[1], samples.time))
        known = np.where(early, first, np.where(late, last, value(samples)))
        times, known = (np.vstack([a, b, c]) for a, b, c in ((ends[:1], times, ends[1:]), (first, known, last)))
        return -self._greatest(lambda m: -value(m), times, -known), self._greatest(value, times, known)

    def _greatest(self, value: Value, times: Array, known: Array) -> Array:
        known = np.where(np.isnan(known), -np.inf, known)
        best = known.max(axis=0)
        peaks = known.copy()
        peaks[1:-1][(known[1:-1] < known[:-2]) | (known[1:-1] < known[2:])] = -np.inf
        tops = []
        for _ in range(_PEAKS):
            tops.append(np.argmax(peaks, axis=0))
            np.put_along_axis(peaks, tops[-1][None], -np.inf, axis=0)
        top = np.array(tops)
        low = np.take_along_axis(times, np.maximum(top - 1, 0), axis=0)
        high = np.take_along_axis(times, np.minimum(top + 1, times.shape[0] - 1), axis=0)
        for _ in range(2):
            grid = low + (high - low) * _INNER[:, None, None]
            found = value(self.at(grid.reshape(-1, grid.shape[-1]))).reshape(grid.shape)
            found = np.where(np.isnan(found), -np.inf, found)
            best = np.maximum(best, found.max(axis=(0, 1)))
            at = np.clip(np.argmax(found, axis=0)[None], 1, grid.shape[0] - 2)
            (low, middle, high), (a, b, c) = (
                [np.take_along_axis(part, at + k, axis=0)[0] for k in (-1, 0, 1)] for part in (grid, found)
            )
        bend = 2.0 * b - a - c
        share = 0.5 * np.where(bend > 0.0, c - a, 0.0) / np.where(bend > 0.0, bend, 1.0)
        found = value(self.at(middle + np.clip(share, -1.0, 1.0) * (high - middle)))
        best = np.maximum(best, np.where(np.isnan(found), -np.inf, found).max(axis=0))
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
        last = _last_of(die.end, die.end > clamped)
        lies = last >= self.period * (1.0 - 1e-12)
        return np.where(lies, _last_of(press.end, press.end > clamped), last)

    def _rise(self, unclamped: Array, touch: Array) -> tuple[Array, Array]:
        level = np.asarray(self._tables.bodies.lift - NEAR_TOP)
        found = self._crossings(lambda m: m.strip - level, self._known)
        finish = np.minimum(self.reach, self._next_touch(touch))
        up = np.where(found.rising & (found.time <= finish), found.time, np.nan)
        raised = np.where(self.at(unclamped).strip >= level, unclamped, _first_of(up, up > unclamped))
        last = _last_of(up, up > raised)
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
        start = _last_of(found.time, ~found.rising & (found.time <= around))
        end = _first_of(found.time, found.rising & (found.time > around))
        start = np.where(np.isnan(start), 0.0, start)
        end = np.where(np.isnan(end), self.period, end)
        return Spans(np.where(inside, start, np.nan), np.where(inside, end, np.nan))


def _near_zero(times: Array, values: Array) -> BoolArray:
    """Intervals along axis 0 that the steepest slope about them could take to zero."""
    gap = np.diff(times, axis=0)
    slope = np.abs(np.diff(values, axis=0)) / np.maximum(gap, 1e-300)
    steep = slope.copy()
    np.fmax(steep[1:], slope[:-1], out=steep[1:])
    np.fmax(steep[:-1], slope[1:], out=steep[:-1])
    size = np.abs(values)
    return np.asarray(np.minimum(size[1:], size[:-1]) < steep * gap)


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
