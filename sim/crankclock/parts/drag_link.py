"""The drag-link slide: an eccentric whose crank is dragged round by a four-bar."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from crankclock.parts.numbers import Floats
from crankclock.parts.slide import Eccentric, scan_peak

HUMPS = 181
"""Points of the scan for the greatest acceleration, which has several narrow humps a turn: every 2 deg."""


@dataclass(frozen=True)
class DragLink:
    """Slide of a press whose evenly turning shaft drives the slide's crank through a drag-link four-bar.

    The driving shaft stands at the origin, the driven one at (ground, 0). Both cranks turn round and round: the
    ground link is the shortest, and ground and the longest link together are shorter than the other two. The
    slide's crank lies along the driven crank, and its line is parallel to the line of the shafts, `offset` beside
    the driven one: dead centres where the driven crank lies along the line of the shafts, as the textbook's drag-link
    quick return has them. Of the two, BDC is where it points over the driving shaft: there it turns 1 - ground/output
    times as fast as the dial, at TDC 1 + ground/output. Of the two ways to put the links together it is the one
    whose downstroke takes longer.

    Parameters
    ----------
    stroke : float or array, shape (n,)
        Stroke [m].
    ground, input, coupler, output : float or array, shape (n,)
        Distance of the shafts, driving crank, coupler, driven crank [m].
    rod : float or array, shape (n,), or None
        Connecting rod [m]; None for an infinitely long one.
    offset : float or array, shape (n,)
        Offset of the slide's line from the driven shaft [m]; positive: the downstroke takes longer still.
    shift : float or array, shape (n,)
        BDC shift [m]; positive runs deeper.

    Notes
    -----
    In line, the dial angles at which the driven crank lies along the line of the shafts are angles of the triangles
    with sides input, coupler and output + ground or output - ground. With A, B the former and latter angle at the
    driving shaft, down and up take pi + |A - B| and pi - |A - B|; they are equal, and nothing is gained, where
    coupler2 + output2 = input2 + ground2. Textbook position and velocity equations of the four-bar; checked against
    an outside linkage solver in tests/checks/test_slides_published.py.
    """

    stroke: Floats
    ground: Floats
    input: Floats
    coupler: Floats
    output: Floats
    rod: Floats | None = None
    offset: Floats = 0.0
    shift: Floats = 0.0

    @cached_property
    def _driven(self) -> Eccentric:
        return Eccentric(self.stroke, self.rod, self.offset, self.shift)

    @property
    def top(self) -> Floats:
        return self._driven.top

    @property
    def bottom(self) -> Floats:
        return self._driven.bottom

    @cached_property
    def bdc(self) -> Floats:
        return self._dial_angle(self._driven.bdc)

    @cached_property
    def _side(self) -> Floats:
        """+1 where the driven crank runs ahead of the line to the driving crank's pin, else -1."""
        gain = self.coupler**2 + self.output**2 - self.input**2 - self.ground**2
        return np.where(np.asarray(gain) > 0.0, -1.0, 1.0)[()]

    @cached_property
    def _start(self) -> Floats:
        """Angle of the driving crank at TDC [rad], from the line of the shafts."""
        return self._driving(self._driven.lead)

    def _driving(self, driven: Floats) -> Floats:
        """Angle of the driving crank [rad] at an angle of the driven one, both from the line of the shafts."""
        across, along = self.ground * np.sin(driven), self.output + self.ground * np.cos(driven)
        line = np.hypot(across, along)
        return driven - np.arctan2(across, along) - self._side * corner(self.input, line, self.coupler)

    def _dial_angle(self, driven_dial: Floats) -> Floats:
        """Dial angle [rad] at a dial angle of the driven crank, which counts from TDC as well."""
        return self._driving(driven_dial + self._driven.lead) - self._start

    def _driven_motion(self, angle: Floats) -> tuple[Floats, Floats, Floats]:
        """Dial angle of the driven crank [rad] and its two derivatives over the dial angle."""
        driving = angle + self._start
        cos, sin = np.cos(driving), np.sin(driving)
        pin_x, pin_y = self.input * cos, self.input * sin
        line = np.hypot(pin_x - self.ground, pin_y)
        turned = np.arctan2(self.ground * sin, self.input - self.ground * cos)
        driven = driving + turned + self._side * corner(self.output, line, self.coupler)
        arm_x, arm_y = self.output * np.cos(driven), self.output * np.sin(driven)
        link_x, link_y = self.ground + arm_x - pin_x, arm_y - pin_y
        # The coupler's length stays: pins' velocities along it are equal, and so are, but for the centripetal
        # term of its own turning, their accelerations.
        lever = link_x * arm_y - link_y * arm_x
        first = (link_x * pin_y - link_y * pin_x) / lever
        slip_x, slip_y = pin_y - first * arm_y, first * arm_x - pin_x
        second = (
            link_x * pin_x + link_y * pin_y - first**2 * (link_x * arm_x + link_y * arm_y) + slip_x**2 + slip_y**2
        ) / lever
        return driven - self._driven.lead, first, second

    def height(self, angle: Floats) -> Floats:
        return self._driven.height(self._driven_motion(angle)[0])

    def motion(self, angle: Floats) -> tuple[Floats, Floats, Floats]:
        driven, first, second = self._driven_motion(angle)
        y, dy, d2y = self._driven.motion(driven)
        return y, dy * first, d2y * first**2 + dy * second

    def passes(self, height: Floats) -> tuple[Floats, Floats]:
        down, up = self._driven.passes(height)
        return self._dial_angle(down), self._dial_angle(up)

    def peak_speed(self, start: Floats, end: Floats) -> Floats:
        return scan_peak(lambda angle: np.abs(self.motion(angle)[1]), start, end)

    def peak_acceleration(self, start: Floats, end: Floats) -> Floats:
        return scan_peak(lambda angle: np.abs(self.motion(angle)[2]), start, end, HUMPS)


def corner(one: Floats, other: Floats, opposite: Floats) -> Floats:
    """Angle between two sides of a triangle.

    Parameters
    ----------
    one, other, opposite : float or array
        The sides about the angle and the one that faces it [m].

    Returns
    -------
    float or array
        Angle [rad]; in the half-angle form, which loses no digits where the triangle is flat.
    """
    near = (opposite - one + other) * (opposite + one - other)
    far = (one + other - opposite) * (one + other + opposite)
    return 2.0 * np.arctan2(np.sqrt(np.maximum(near, 0.0)), np.sqrt(np.maximum(far, 0.0)))
