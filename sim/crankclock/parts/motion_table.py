"""The slide whose motion is a table of dial angles and heights: measured, or programmed into a servo press."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from crankclock.parts.numbers import TIE, TURN, Floats
from crankclock.parts.table_curve import Array, Curve, Indices, crossing, derivative, fit, part, value

Points = tuple[tuple[float, float], ...]


def one_turn(points: Points) -> tuple[Array, Array]:
    """The rows of a table in the order of the dial.

    Parameters
    ----------
    points : tuple of pairs
        Dial angle [rad], rising over at most one turn, and height [m].

    Returns
    -------
    angle, height : array, shape (k,)
        From dial 0 on, each angle once: a last row a turn after the first is dropped. A height within a tie of the
        row before is made equal to it, so that a dwell is exactly flat.
    """
    rows = np.array(points, dtype=np.float64)
    if rows[-1, 0] - rows[0, 0] > TURN - 1e-9:
        rows = rows[:-1]
    rows[:, 0] = np.mod(rows[:, 0], TURN)
    rows = np.roll(rows, -int(np.argmin(rows[:, 0])), axis=0)
    for k in range(-1, len(rows) - 1):
        if abs(rows[k + 1, 1] - rows[k, 1]) <= TIE:
            rows[k + 1, 1] = rows[k, 1]
    return rows[:, 0], rows[:, 1]


@dataclass(frozen=True)
class _Way:
    """One way of the slide, its joints from the top end on.

    Attributes
    ----------
    angle, height : array, shape (k,)
        Dial angle [rad], and height [m], falling or level.
    pieces : array, shape (k - 1, 6)
        Height between a joint and the one below it, over the share of the piece in the dial's direction.
    start, width : array, shape (k - 1,)
        Where those pieces start on the dial, and their lengths [rad].
    """

    angle: Array
    height: Array
    pieces: Array
    start: Array
    width: Array

    def passing(self, height: Array) -> Array:
        """Dial angle [rad] of the highest place that is no higher than a height [m], within the way's reach."""
        below = np.asarray(np.searchsorted(-self.height, -height))
        k = np.clip(below, 1, self.height.size - 1)
        angle = np.array(self.angle[np.minimum(below, k)])
        between = (below > 0) & (self.height[k] != height)
        piece = k[between] - 1
        c = self.pieces[piece]
        c[:, 0] -= height[between]
        angle[between] = self.start[piece] + crossing(c) * self.width[piece]
        return angle


class _Peaks:
    """Greatest of a curve's extremes over any span of the dial."""

    def __init__(self, angle: Array, size: Array) -> None:
        order = np.argsort(angle)
        self.angle = np.concatenate([angle[order], angle[order] + TURN])
        rows = [np.tile(size[order], 2)]
        while 2 ** len(rows) <= self.angle.size:
            rows.append(np.maximum(rows[-1], np.roll(rows[-1], -(2 ** (len(rows) - 1)))))
        self.best = np.array(rows)  # row j: the best of 2**j extremes from each on

    def within(self, start: Floats, end: Floats) -> Array:
        """Greatest extreme from start to end [rad], at most a turn on; 0 where there is none."""
        first = np.mod(start, TURN)
        low = np.searchsorted(self.angle, first)
        count = np.searchsorted(self.angle, first + (np.asarray(end) - start), side="right") - low
        row = np.frexp(np.maximum(count, 1).astype(np.float64))[1] - 1
        last = self.angle.size - 1
        left, right = np.minimum(low, last), np.clip(low + count - 2**row, 0, last)
        return np.where(count > 0, np.maximum(self.best[row, left], self.best[row, right]), 0.0)


@dataclass(frozen=True)
class MotionTable:
    """Slide that moves by a table.

    Between the rows runs a piecewise quintic, twice continuously differentiable, that goes the way the rows go and
    stands still where two neighbouring rows say the same height (a dwell). The dial is the table's; its highest
    place, or some angle of a dwell at the top, must be at dial 0. Two rows of one height either side of a dead centre
    are a dwell, so where there is none a table should have a row at the dead centre or near it on one side.

    Parameters
    ----------
    points : tuple of pairs
        Dial angle [rad], rising over at most one turn, and height above nominal BDC [m]. The last row may repeat the
        first, a turn later.
    shift : float or array, shape (n,)
        BDC shift [m]; positive runs deeper.

    Notes
    -----
    `bdc` is the middle of a dwell at the bottom. A height at which the slide dwells is passed where the dwell begins
    going down and where it ends going up: the longest span in which the slide is no higher.

    How well an eccentric (stroke 120 mm, rod 480 mm) comes back from rows every 5 / 10 / 15 deg: height within 2e-8 /
    7e-7 / 5e-6 of the stroke, speed within 3e-6 / 5e-5 / 3e-4, acceleration within 2e-4 / 2e-3 / 5e-3 of its peak.
    Where the acceleration itself jumps (a trapezoid law) it is overshot by up to 16 %, and by more where a dwell
    begins between rows: on the safe side. Rows rounded to 0.01 mm scatter the acceleration by 7 % at 5 deg, by 20 %
    at 3 deg and by more than its peak at 1 deg, which the scenario refuses.
    """

    points: Points
    shift: Floats = 0.0

    @cached_property
    def curve(self) -> Curve:
        """The motion without BDC shift."""
        return fit(*one_turn(self.points))

    @property
    def top(self) -> Floats:
        return float(self.curve.height.max()) - self.shift

    @property
    def bottom(self) -> Floats:
        return float(self.curve.height.min()) - self.shift

    @cached_property
    def tdc(self) -> float:
        """Dial angle [rad] of TDC: 0 where the table is right, else where it should be."""
        first, last = (float(self.curve.angle[k]) for k in self.curve.rest(top=True))
        first -= TURN if first > last or last > np.pi else 0.0
        last -= TURN if last > np.pi else 0.0
        return min(max(0.0, first), last)

    @cached_property
    def dwell(self) -> tuple[float, float]:
        """Dial angles [rad] at which the slide comes to the bottom and leaves it; the same without dwell."""
        first, last = (float(self.curve.angle[k]) for k in self.curve.rest(top=False))
        return first, last + TURN if last < first else last

    @property
    def bdc(self) -> Floats:
        return 0.5 * (self.dwell[0] + self.dwell[1])

    @cached_property
    def _ways(self) -> tuple[_Way, _Way]:
        """The way down and the way up."""
        curve = self.curve
        k = curve.angle.size
        high, low = curve.rest(top=True), curve.rest(top=False)
        down = (high[1] + np.arange((low[0] - high[1]) % k + 1)) % k
        up = (high[0] - np.arange((high[0] - low[1]) % k + 1)) % k
        return self._way(down, down[:-1], self.tdc), self._way(up, up[1:], self.tdc + TURN)

    def _way(self, joints: Indices, pieces: Indices, end: float) -> _Way:
        """A way through joints, whose top end is told as the dial angle `end`."""
        curve = self.curve
        angle = np.mod(curve.angle - self.tdc + TIE, TURN) - TIE + self.tdc
        told = np.concatenate([[end], angle[joints[1:]]])
        return _Way(told, curve.height[joints], curve.pieces[pieces], angle[pieces], curve.width[pieces])

    @cached_property
    def _levels(self) -> Array:
        """Heights at which the slide dwells [m]."""
        height = self.curve.height
        return np.unique(height[height == np.roll(height, -1)])

    def height(self, angle: Floats) -> Floats:
        return self.curve.at(angle)[0] - self.shift

    def motion(self, angle: Floats) -> tuple[Floats, Floats, Floats]:
        y, dy, d2y = self.curve.at(angle)
        return y - self.shift, dy, d2y

    def passes(self, height: Floats) -> tuple[Floats, Floats]:
        curve = self.curve.height
        level = np.clip(np.asarray(height + self.shift), curve.min(), curve.max())
        if self._levels.size:
            near = self._levels[np.minimum(np.searchsorted(self._levels, level - TIE), self._levels.size - 1)]
            level = np.where(np.abs(near - level) <= TIE, near, level)
        down, up = self._ways
        return down.passing(level)[()], up.passing(level)[()]

    @cached_property
    def _extremes(self) -> tuple[_Peaks, _Peaks]:
        """Extremes of speed and acceleration: where acceleration and jerk are 0, and at joints."""
        curve = self.curve
        bend = derivative(derivative(curve.pieces))
        jerk = derivative(bend)
        half, square = jerk[:, 1], jerk[:, 1] ** 2 - 4.0 * jerk[:, 2] * jerk[:, 0]
        q = -0.5 * (half + np.copysign(np.sqrt(np.maximum(square, 0.0)), half))
        with np.errstate(divide="ignore", invalid="ignore"):
            shares = np.sort(np.nan_to_num(np.clip([q / jerk[:, 2], jerk[:, 0] / q], 0.0, 1.0)), axis=0)
        joints = np.stack([np.zeros_like(q), *shares, np.ones_like(q)])
        sharpest = value(bend, joints) / curve.width**2
        low, wide = joints[:-1], np.diff(joints, axis=0)
        crosses = (sharpest[:-1] * sharpest[1:] < 0.0) & (wide > 0.0)
        span, piece = np.nonzero(crosses)
        start, length = low[span, piece], wide[span, piece]
        share = start + length * crossing(part(bend[piece], start, length))
        fastest = value(derivative(curve.pieces)[piece], share) / curve.width[piece]
        slope = curve.pieces[:, 1] / curve.width
        at = curve.angle + joints * curve.width
        return (
            _Peaks(
                np.mod(np.concatenate([curve.angle, curve.angle[piece] + share * curve.width[piece]]), TURN),
                np.abs(np.concatenate([slope, fastest])),
            ),
            _Peaks(np.mod(at.ravel(), TURN), np.abs(sharpest.ravel())),
        )

    def peak_speed(self, start: Floats, end: Floats) -> Floats:
        return self._peak(0, start, end)

    def peak_acceleration(self, start: Floats, end: Floats) -> Floats:
        return self._peak(1, start, end)

    def _peak(self, which: int, start: Floats, end: Floats) -> Floats:
        ends = [np.abs(self.motion(angle)[which + 1]) for angle in (start, end)]
        return np.maximum(np.maximum(*ends), self._extremes[which].within(start, end))
