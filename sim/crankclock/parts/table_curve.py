"""A smooth closed curve through a table of one turn that goes the way its rows go and rests where they rest."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from crankclock.parts.numbers import TURN, Floats

Array = NDArray[np.float64]
Indices = NDArray[np.intp]
Flagged = NDArray[np.bool_]

STENCIL = 5
"""Neighbouring rows whose quartic gives slope and curvature at a row."""


@dataclass(frozen=True)
class Curve:
    """Piecewise quintic over one turn.

    Parameters
    ----------
    angle, height : array, shape (k,)
        Joints [rad], rising within one turn, and the height there [m]; the dead centres are among them.
    pieces : array, shape (k, 6)
        Height [m] over the piece after each joint, in rising powers of the share of it gone by.
    """

    angle: Array
    height: Array
    pieces: Array

    @cached_property
    def width(self) -> Array:
        """Length of the piece after each joint [rad]."""
        return _widths(self.angle)

    def at(self, angle: Floats) -> tuple[Floats, Floats, Floats]:
        """Height [m] and its two derivatives [m/rad], [m/rad2] at dial angles [rad] of any shape."""
        past = np.mod(np.asarray(angle) - self.angle[0], TURN)
        k = np.clip(np.searchsorted(self.angle - self.angle[0], past, side="right") - 1, 0, self.angle.size - 1)
        h = self.width[k]
        share, c = (past - (self.angle[k] - self.angle[0])) / h, self.pieces[k]
        first, second = derivative(c), derivative(derivative(c))
        return value(c, share), value(first, share) / h, value(second, share) / h**2

    def rest(self, *, top: bool) -> tuple[int, int]:
        """First and last joint of the dead centre at the top or at the bottom; one and the same without dwell."""
        level = self.height.max() if top else self.height.min()
        there = self.height == level
        first = np.flatnonzero(there & ~np.roll(there, 1))[0]
        last = np.flatnonzero(there & ~np.roll(there, -1))[0]
        return int(first), int(last)


def value(c: Array, share: Floats) -> Array:
    """Polynomials with coefficients (..., d) at shares (...)."""
    found = c[..., -1]
    for j in reversed(range(c.shape[-1] - 1)):
        found = found * share + c[..., j]
    return np.asarray(found)


def derivative(c: Array) -> Array:
    """Coefficients of the derivative over the share."""
    return np.asarray(c[..., 1:] * np.arange(1, c.shape[-1]))


def part(c: Array, low: Array, width: Array) -> Array:
    """Coefficients of polynomials (k, d) over the shares from low to low + width (k,)."""
    rows, factor = [], np.ones_like(low)
    for j in range(c.shape[-1]):
        rows.append(value(c, low) * factor)
        factor = factor * width / (j + 1)
        c = derivative(c)
    return np.stack(rows, axis=-1)


def crossing(c: Array) -> Array:
    """Share of the piece at which each polynomial (..., d) crosses 0, given ends that lie on either side of it.

    Each is followed until it stands still and no further, so that it does not depend on the others.
    """
    found = np.full(c.shape[:-1], 0.5)
    falls = np.where(value(c, 1.0) < value(c, 0.0), -1.0, 1.0).ravel()
    c = np.asfortranarray(c.reshape(-1, c.shape[-1]))
    slopes, at = np.asfortranarray(derivative(c)), np.arange(falls.size)
    low, high, share = np.zeros(falls.size), np.ones(falls.size), found.ravel()
    for _ in range(100):
        now, slope = value(c, share), value(slopes, share)
        short = now * falls < 0.0
        low, high = np.where(short, share, low), np.where(short, high, share)
        step = share - np.divide(now, slope, out=np.full_like(now, np.inf), where=slope != 0.0)
        step = np.where((step >= low) & (step <= high), step, 0.5 * (low + high))
        moves = np.abs(step - share) > 1e-14
        found.flat[at] = step
        if not np.any(moves):
            break
        at, falls, low, high, share = (each[moves] for each in (at, falls, low, high, step))
        c, slopes = (np.asfortranarray(each[moves]) for each in (c, slopes))
    return found


def fit(angle: Array, height: Array) -> Curve:
    """The curve through the rows of a table.

    Parameters
    ----------
    angle, height : array, shape (k,)
        Dial angles [rad] rising within one turn, and heights [m] that fall on one way and rise on the other; equal
        neighbours are a dwell.

    Notes
    -----
    Slope and curvature at a row are those of the quartic through five neighbouring rows, taken from its own side of
    a dwell; the slope at a dwell is 0. They are cut back where a piece would turn back: its Bezier points 0, m/5,
    2 m/5 + b/20 from either end are kept in order, which is enough since a Bezier curve crosses no line more often
    than its points do. A piece in which the slide turns between rows is let be while its points turn once.
    """
    rise, width = _next(height) - height, _widths(angle)
    way = np.sign(rise)
    before, turning = np.roll(way, 1), np.roll(way, 1) * way < 0.0
    slope, bend = _from_neighbours(angle, height, rise == 0.0)
    slope = np.where(turning & (np.abs(slope) <= 1e-9 * width * np.abs(bend)), 0.0, slope)  # it turns at the row
    passed = before * way > 0.0
    slope = np.where(passed, way * np.maximum(way * slope, 0.0), np.where(turning, slope, 0.0))
    ends = np.where(turning & (slope != 0.0), bend, _ordered_ends(slope, bend, width, way))
    while True:
        slope, ends = _ordered_middles(rise, slope, ends, width)
        backward = _backward(rise, slope, ends, width)
        spoiled = turning & (slope != 0.0) & (backward | np.roll(backward, 1))
        if not spoiled.any():
            break
        slope = np.where(spoiled, 0.0, slope)
        ends = np.where(spoiled, _ordered_ends(slope, bend, width, way), ends)
    turns = np.flatnonzero(turning & (slope != 0.0))
    onward = slope[turns] * rise[turns] < 0.0
    return _with_dead_centres(angle, height, _pieces(rise, slope, ends, width), np.where(onward, turns, turns - 1))


def _next(values: Array) -> Array:
    return np.roll(values, -1)


def _widths(angle: Array) -> Array:
    return np.diff(angle, append=angle[0] + TURN)


def _from_neighbours(angle: Array, height: Array, flat: Flagged) -> tuple[Array, Array]:
    """Slope and curvature at each row from the quartic through it and its neighbours."""
    k, reach = angle.size, STENCIL - 1
    here = np.arange(k)
    before = np.cumprod([~flat[(here - 1 - j) % k] for j in range(reach)], axis=0).sum(axis=0)
    after = np.cumprod([~flat[(here + j) % k] for j in range(reach)], axis=0).sum(axis=0)
    own_side = np.minimum(np.maximum(-2, -before), after - reach)
    first = np.where(before + after >= reach, own_side, -2)
    rows = here[:, None] + first[:, None] + np.arange(STENCIL)
    across = angle[rows % k] + TURN * (rows // k) - angle[:, None]
    scale = across[:, -1] - across[:, 0]
    powers = (across / scale[:, None])[..., None] ** np.arange(STENCIL)
    c = np.linalg.solve(powers, (height[rows % k] - height[:, None])[..., None])[..., 0]
    return c[:, 1] / scale, 2.0 * c[:, 2] / scale**2


def _ordered_ends(slope: Array, bend: Array, width: Array, way: Array) -> Array:
    """Curvature before and after each row, shape (2, k), cut back so that next to the row each piece keeps its way.

    It is one value but at a dwell, where it is 0 on the dwell's side.
    """
    before, back = np.roll(way, 1), np.roll(width, 1)
    most, least = 4.0 * np.abs(slope) / back, -4.0 * np.abs(slope) / width
    into, out = before * np.minimum(before * bend, most), way * np.maximum(way * bend, least)
    both = np.where(before == way, way * np.clip(way * bend, least, most), 0.0)
    return np.where(before == way, both, [into, out])


def _ordered_middles(rise: Array, slope: Array, ends: Array, width: Array) -> tuple[Array, Array]:
    """Slope and curvature scaled down where the middle of a piece without turn would run backward."""
    way = np.sign(rise)
    middle = _bezier_steps(rise, slope, ends, width)[2] * way
    short = (middle < 0.0) & ~_turns_within(way, slope)
    share = np.divide(way * rise, way * rise - middle, out=np.ones_like(rise), where=short)
    scale = np.minimum(share, np.roll(share, 1))
    return slope * scale, ends * scale


def _turns_within(way: Array, slope: Array) -> Flagged:
    """Pieces within which the slide turns."""
    return np.asarray((way * slope < 0.0) | (way * _next(slope) < 0.0))


def _backward(rise: Array, slope: Array, ends: Array, width: Array) -> Flagged:
    """Pieces that run backward: their Bezier points turn, or turn more than once where the slide turns within."""
    way = np.sign(rise)
    steps = _bezier_steps(rise, slope, ends, width) * way
    turns = (np.diff(np.sign(steps), axis=0) != 0.0).sum(axis=0)
    return np.asarray(np.where(_turns_within(way, slope), turns > 1, steps.min(axis=0) < -1e-12 * np.abs(rise)))


def _bezier_steps(rise: Array, slope: Array, ends: Array, width: Array) -> Array:
    """Height from each Bezier point of a piece to the next, shape (5, k)."""
    m0, m1, b0, b1 = width * slope, width * _next(slope), width**2 * ends[1], width**2 * _next(ends[0])
    outer, inner = [m0 / 5.0, m1 / 5.0], [m0 / 5.0 + b0 / 20.0, m1 / 5.0 - b1 / 20.0]
    return np.array([outer[0], inner[0], rise - sum(outer) - sum(inner), inner[1], outer[1]])


def _pieces(rise: Array, slope: Array, ends: Array, width: Array) -> Array:
    """The quintics by value, slope and curvature at both ends; without their heights to start from."""
    m0, m1, b0, b1 = width * slope, width * _next(slope), width**2 * ends[1], width**2 * _next(ends[0])
    third = 10.0 * rise - 6.0 * m0 - 4.0 * m1 - 1.5 * b0 + 0.5 * b1
    fourth = -15.0 * rise + 8.0 * m0 + 7.0 * m1 + 1.5 * b0 - b1
    fifth = 6.0 * rise - 3.0 * (m0 + m1) - 0.5 * (b0 - b1)
    return np.stack([np.zeros_like(rise), m0, 0.5 * b0, third, fourth, fifth], axis=-1)


def _with_dead_centres(angle: Array, height: Array, pieces: Array, turns: Indices) -> Curve:
    """The curve with a joint where each of some pieces turns between rows, cut in two there."""
    pieces[:, 0] = height
    turns = turns % angle.size
    whole = pieces[turns]
    share = crossing(derivative(whole))
    pieces[turns] = part(whole, np.zeros_like(share), share)
    joints = np.insert(angle, turns + 1, angle[turns] + share * _widths(angle)[turns])
    heights = np.insert(height, turns + 1, value(whole, share))
    pieces = np.insert(pieces, turns + 1, part(whole, share, 1.0 - share), axis=0)
    joints = np.mod(joints, TURN)
    first = -int(np.argmin(joints))
    return Curve(np.roll(joints, first), np.roll(heights, first), np.roll(pieces, first, axis=0))
