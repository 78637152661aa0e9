"""Values of the motion along a turn: where they pass zero, their least and greatest.

Between two samples a value is known to be smooth, not to be monotone. Where its slope could take it to zero and
back, or where it peaks, more of the exact motion is looked at.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .motion import Motion
from .system import Array, BoolArray, IntArray

_INNER = np.linspace(0.0, 1.0, 9)
_DEPTH = 2
_PEAKS = 3

Value = Callable[[Motion], Array]
At = Callable[[Array], Motion]


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


def crossings(at: At, value: Value, times: Array, values: Array) -> Crossings:
    """Where a value passes zero.

    Parameters
    ----------
    at : callable
        The motion at times of shape (k, n) [s].
    value : callable
        From a `Motion` of shape (k, n) to an array of that shape.
    times, values : ndarray, shape (k, n)
        Samples, rising in time, among them every contact change; nan at the end.
    """
    n = times.shape[-1]
    found = np.concatenate(_brackets(at, value, times, values, _DEPTH), axis=1)
    found = found[:, np.lexsort(found[1::-1])]
    variant = found[0].astype(np.intp)
    low, high, rising = (padded(variant, part, n) for part in found[1:])
    return Crossings(_narrow(at, value, low, high, rising), rising == 1.0)


def _looked_at(at: At, value: Value, low: Array, high: Array) -> tuple[Array, Array]:
    """Times from low to high, on a new first axis, and the value there."""
    times = low + (high - low) * _INNER.reshape(-1, *np.ones(low.ndim, dtype=int))
    return times, value(at(times.reshape(-1, times.shape[-1]))).reshape(times.shape)


def _brackets(at: At, value: Value, times: Array, values: Array, depth: int) -> list[Array]:
    """Where the sign changes along axis 0: variant, low, high, rising; shape (4, m) in parts."""
    near = _near_zero(times, values) if depth else np.zeros(values[1:].shape, dtype=bool)
    over = values > 0.0
    change = np.nonzero((over[1:] != over[:-1]) & ~np.isnan(times[1:]) & ~near)
    later = (change[0] + 1, *change[1:])
    out = [np.array([change[-1], times[change], times[later], over[later]])]
    if np.any(near):
        variant, *place = np.nonzero(np.moveaxis(near, -1, 0))
        low = padded(variant, times[(*place, variant)], times.shape[-1])
        high = padded(variant, times[(place[0] + 1, *place[1:], variant)], times.shape[-1])
        out += _brackets(at, value, *_looked_at(at, value, low, high), depth - 1)
    return out


def _near_zero(times: Array, values: Array) -> BoolArray:
    """Intervals along axis 0 that the steepest slope about them could take to zero."""
    gap = np.diff(times, axis=0)
    slope = np.abs(np.diff(values, axis=0)) / np.maximum(gap, 1e-300)
    steep = slope.copy()
    np.fmax(steep[1:], slope[:-1], out=steep[1:])
    np.fmax(steep[:-1], slope[1:], out=steep[:-1])
    size = np.abs(values)
    return np.asarray(np.minimum(size[1:], size[:-1]) < steep * gap)


def _narrow(at: At, value: Value, low: Array, high: Array, rising: Array) -> Array:
    """Root in each bracket: a finer bracket, then the chord."""
    times, known = _looked_at(at, value, low, high)
    past = (known > 0.0) == rising
    past[-1] = True
    after = np.maximum(np.argmax(past, axis=0), 1)[None]
    low, high = (np.take_along_axis(times, place, axis=0)[0] for place in (after - 1, after))
    a, b = (np.take_along_axis(known, place, axis=0)[0] for place in (after - 1, after))
    share = np.where(a != b, a / np.where(a != b, a - b, 1.0), 0.5)
    return np.asarray(low + (high - low) * np.clip(share, 0.0, 1.0))


def greatest(at: At, value: Value, times: Array, values: Array) -> Array:
    """Greatest of a value, shape (n,), its three highest peaks among the samples (k, n) followed up; nan if none."""
    values = np.where(np.isnan(values), -np.inf, values)
    best = values.max(axis=0)
    peaks = values.copy()
    peaks[1:-1][(values[1:-1] < values[:-2]) | (values[1:-1] < values[2:])] = -np.inf
    tops = []
    for _ in range(_PEAKS):
        tops.append(np.argmax(peaks, axis=0))
        np.put_along_axis(peaks, tops[-1][None], -np.inf, axis=0)
    top = np.array(tops)
    low = np.take_along_axis(times, np.maximum(top - 1, 0), axis=0)
    high = np.take_along_axis(times, np.minimum(top + 1, times.shape[0] - 1), axis=0)
    for _ in range(2):
        times, values = _looked_at(at, value, low, high)
        values = np.where(np.isnan(values), -np.inf, values)
        best = np.maximum(best, values.max(axis=(0, 1)))
        place = np.clip(np.argmax(values, axis=0)[None], 1, times.shape[0] - 2)
        low, middle, high = (np.take_along_axis(times, place + k, axis=0)[0] for k in (-1, 0, 1))
    a, b, c = (np.take_along_axis(values, place + k, axis=0)[0] for k in (-1, 0, 1))
    bend = 2.0 * b - a - c
    share = 0.5 * np.where(bend > 0.0, c - a, 0.0) / np.where(bend > 0.0, bend, 1.0)
    vertex = value(at(middle + np.clip(share, -1.0, 1.0) * (high - middle)))
    best = np.maximum(best, np.where(np.isnan(vertex), -np.inf, vertex).max(axis=0))
    return np.where(np.isfinite(best), best, np.nan)


def padded(variant: IntArray, values: Array, n: int) -> Array:
    """Values in order of variant to shape (m, n), nan at the end."""
    rank = np.arange(variant.size) - np.searchsorted(variant, variant)
    out = np.full((int(rank.max()) + 1 if rank.size else 0, n), np.nan)
    out[rank, variant] = values
    return out


def first_of(values: Array, wanted: BoolArray) -> Array:
    """First wanted of rising values (m, n); nan if none."""
    found = np.where(wanted, values, np.inf).min(axis=0, initial=np.inf)
    return np.where(np.isfinite(found), found, np.nan)


def last_of(values: Array, wanted: BoolArray) -> Array:
    """Last wanted of rising values (m, n); nan if none."""
    found = np.where(wanted, values, -np.inf).max(axis=0, initial=-np.inf)
    return np.where(np.isfinite(found), found, np.nan)
