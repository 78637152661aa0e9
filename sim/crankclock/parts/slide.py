"""The slide: height over the dial angle, and back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from crankclock.parts.numbers import Floats


class Slide(Protocol):
    """What the rest of the program asks of any slide.

    Heights are measured above nominal BDC [m], dial angles from TDC in the direction of rotation [rad].
    """

    @property
    def top(self) -> Floats:
        """Height at TDC [m]."""

    @property
    def bottom(self) -> Floats:
        """Height at BDC [m]; below zero where the press runs deeper than nominal."""

    @property
    def bdc(self) -> Floats:
        """Dial angle of BDC [rad]."""

    def height(self, angle: Floats) -> Floats:
        """Height [m] at a dial angle [rad]."""

    def motion(self, angle: Floats) -> tuple[Floats, Floats, Floats]:
        """Height [m], its first [m/rad] and second [m/rad2] derivative at a dial angle [rad]."""

    def passes(self, height: Floats) -> tuple[Floats, Floats]:
        """Dial angles [rad] at which the slide passes a height [m] going down and going up.

        A height outside the stroke is taken as the nearer dead centre: ask `top` and `bottom` first.
        """

    def peak_speed(self, start: Floats, end: Floats) -> Floats:
        """Greatest `|dy/da|` [m/rad] from dial angle `start` to `end` [rad], both on the same way."""

    def peak_acceleration(self, start: Floats, end: Floats) -> Floats:
        """Greatest `|d2y/da2|` [m/rad2] from dial angle `start` to `end` [rad]."""


COARSE, FINE = 41, 9
"""Points of the two scans that find a peak: over the whole span, then about the best one."""
ROUND = 21
"""Enough of them over the whole span for an eccentric: peaks to 1e-7 of their value."""


def scan_peak(curve: Callable[[Floats], Floats], start: Floats, end: Floats, coarse: int = COARSE) -> Floats:
    """Greatest value of a smooth curve over a span.

    Parameters
    ----------
    curve : callable
        Takes values with a leading axis of points.
    start, end : float or array, shape (n,)
        The span, in the curve's own unit.
    coarse : int
        Points of the first scan: enough that the greatest hump shows as such.

    Returns
    -------
    float or array, shape (n,)
        The best of the samples and of the curve where a parabola through the best three has its top.
    """
    values = _samples(curve, start, end, coarse)
    step = (end - start) / (coarse - 1)
    best = start + np.argmax(values, axis=0) * step
    low, high = np.maximum(best - step, start), np.minimum(best + step, end)
    near = _samples(curve, low, high, FINE)
    inner = np.clip(np.argmax(near, axis=0), 1, FINE - 2)
    left, mid, right = (np.take_along_axis(near, (inner + k)[None, ...], axis=0)[0] for k in (-1, 0, 1))
    bend = left - 2.0 * mid + right
    lean = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    vertex = curve(np.minimum(np.maximum(low + (inner + lean) * (high - low) / (FINE - 1), low), high))
    peak: Floats = np.maximum(np.maximum(values.max(axis=0), near.max(axis=0)), vertex)
    return peak


def _samples(curve: Callable[[Floats], Floats], start: Floats, end: Floats, count: int) -> NDArray[np.float64]:
    share = np.linspace(0.0, 1.0, count).reshape((-1,) + (1,) * np.ndim(np.asarray(start) + np.asarray(end)))
    return np.asarray(curve(start + share * (end - start)))


@dataclass(frozen=True)
class Eccentric:
    """Eccentric slide, in line or offset, with closed-form inverse.

    With crank radius r, rod l and offset e the slide stands `D = sqrt(l2 - (r sin p - e)2) - r cos p` below the
    crank, p being the crank angle from straight up. The dial starts at true TDC, where crank and rod fold.

    Parameters
    ----------
    stroke : float or array, shape (n,)
        Stroke [m].
    rod : float or array, shape (n,), or None
        Connecting rod [m]; None for an infinitely long one.
    offset : float or array, shape (n,)
        Offset of the slide's line from the crank [m]; positive: the downstroke takes more than half a turn.
        Without a rod it has no meaning and must be 0.
    shift : float or array, shape (n,)
        BDC shift [m]; positive runs deeper.

    Notes
    -----
    Crank radius from stroke: with P, Q the greatest and least D, P - Q = S and P2 - Q2 = 4 l r give
    r2 = S2/4 (1 - e2 / (l2 - S2/4)). Textbook slider-crank; checked against published figures in
    tests/checks/test_slide_published.py.
    """

    stroke: Floats
    rod: Floats | None = None
    offset: Floats = 0.0
    shift: Floats = 0.0

    @property
    def top(self) -> Floats:
        return self.stroke - self.shift

    @property
    def bottom(self) -> Floats:
        return -self.shift

    @cached_property
    def radius(self) -> Floats:
        """Crank radius [m]."""
        half = 0.5 * self.stroke
        if self.rod is None:
            return half
        return half * np.sqrt(1.0 - self.offset**2 / (self.rod**2 - half**2))

    @cached_property
    def lead(self) -> Floats:
        """Crank angle from straight up at TDC [rad]."""
        if self.rod is None:
            return 0.0
        return -np.arcsin(self.offset / (self.rod - self.radius))

    @cached_property
    def bdc(self) -> Floats:
        if self.rod is None:
            return np.pi
        return np.pi - np.arcsin(self.offset / (self.rod + self.radius)) - self.lead

    @cached_property
    def _reach(self) -> Floats:
        """Distance of the slide below the crank at BDC [m]."""
        if self.rod is None:
            return 0.0
        return np.sqrt((self.rod + self.radius) ** 2 - self.offset**2)

    def height(self, angle: Floats) -> Floats:
        if self.rod is None:
            return self.radius * (1.0 + np.cos(angle)) - self.shift
        p = angle + self.lead
        side = self.radius * np.sin(p) - self.offset
        return self._reach - self.shift + self.radius * np.cos(p) - np.sqrt(self.rod**2 - side**2)

    def motion(self, angle: Floats) -> tuple[Floats, Floats, Floats]:
        y, dy, d2y = self._derivatives(angle, 2)
        return y, dy, d2y

    def _derivatives(self, angle: Floats, order: int) -> list[Floats]:
        """Height and its derivatives over the dial angle up to an order of 3."""
        p = angle + self.lead
        across, along = self.radius * np.sin(p), self.radius * np.cos(p)
        if self.rod is None:
            plain: list[Floats] = [self.radius + along - self.shift, -across, -along, across]
            return plain[: order + 1]
        side = across - self.offset
        rod_drop = np.sqrt(self.rod**2 - side**2)
        drop1 = -side * along / rod_drop
        found: list[Floats] = [self._reach - self.shift + along - rod_drop, -across - drop1]
        if order > 1:
            drop2 = -(along**2 - side * across + drop1**2) / rod_drop
            found.append(-along - drop2)
        if order > 2:
            found.append(across - (3.0 * along * across + side * along - 3.0 * drop1 * drop2) / rod_drop)
        return found

    def passes(self, height: Floats) -> tuple[Floats, Floats]:
        above = np.minimum(np.maximum(height + self.shift, 0.0), self.stroke)
        below = self.stroke - above
        if self.rod is None:
            swing = 2.0 * np.arctan2(np.sqrt(above), np.sqrt(below))
            return np.pi - swing, np.pi + swing
        # Half-angle form of the cosine rule in the triangle crank - rod - line to the slide (length `line`):
        # exact near the dead centres, where the arc cosine loses half its digits.
        reach, rod, r = self._reach, self.rod, self.radius
        drop = reach - above
        line = np.sqrt(drop**2 + self.offset**2)
        near = above * (reach + drop) / (rod + r + line) * (rod - r + line)
        far = below * (drop + reach - self.stroke) / (line + rod - r) * (line + rod + r)
        swing = 2.0 * np.arctan2(np.sqrt(near), np.sqrt(far))
        centre = np.pi - np.arctan2(self.offset, drop) - self.lead
        return centre - swing, centre + swing

    @cached_property
    def _fastest(self) -> tuple[Floats, Floats]:
        """Dial angles [rad] of greatest speed going down and going up (d2y/da2 = 0)."""
        if self.rod is None:
            return 0.5 * np.pi, 1.5 * np.pi
        square = np.arctan2(self.rod, self.radius)  # crank square to the rod: near the fastest point
        found = []
        for angle in (np.pi - square - self.lead, np.pi + square - self.lead):
            for _ in range(5):
                _, _, d2y, d3y = self._derivatives(angle, 3)
                angle = angle - d2y / d3y
            found.append(angle)
        return found[0], found[1]

    def peak_speed(self, start: Floats, end: Floats) -> Floats:
        down, up = self._fastest
        fastest = np.where(np.asarray(start) < self.bdc, down, up)
        inside = np.minimum(np.maximum(fastest, start), end)
        speeds = [np.abs(self._derivatives(angle, 1)[1]) for angle in (start, inside, end)]
        return np.maximum(np.maximum(speeds[0], speeds[1]), speeds[2])

    def peak_acceleration(self, start: Floats, end: Floats) -> Floats:
        return scan_peak(lambda angle: np.abs(self.motion(angle)[2]), start, end, ROUND)
