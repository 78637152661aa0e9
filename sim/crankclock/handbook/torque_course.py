"""How a tap's torque runs over the depth, and what the spindle's inertia adds to it.

The course is an estimate for a graph over the dial angle and for strip thinner than the chamfer is long.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from crankclock.handbook.material_tables import Kind
from crankclock.handbook.values import Floats, positive

Way = Literal["in", "out"]

FRICTION_SHARE: dict[Kind, float] = {"cut": 0.2, "form": 0.5}
"""Friction of the threads in the finished hole, as a share of the full torque: turns the tap back against it.

Common practice, no published source; more for a forming tap, on which the strip springs back.
"""


def chamfer_share(depth: Floats, height: Floats, chamfer: Floats, pitch: Floats) -> Floats:
    """Share of the chamfer's work being done at a depth: it enters, works whole, and leaves on the far side.

    That torque rises while the chamfer enters, is level, and falls as it cuts through is described in the
    Yamawa general catalogue 2016-2017, technical pages, tapping torque. Each tooth of the chamfer is taken to
    deepen the groove alike, so the front teeth, where the groove of the basic profile is 3/4 P wide, do more
    than the last, where it is P/8: the front x of the chamfer does (12 x - 5 x^2) / 7 of the work. A chamfer
    is counted as one pitch at least, since all lands have entered only after a turn.

    Parameters
    ----------
    depth : float or array, shape (n,)
        Of the first thread below the face it entered [m]; below 0 before it touches.
    height : float or array, shape (n,)
        Threaded height [m].
    chamfer : float or array, shape (n,)
        In pitches.
    pitch : float or array, shape (n,)
        [m].

    Returns
    -------
    float or array, shape (n,)
        0 to 1; stays below 1 where the threaded height is shorter than the chamfer.
    """
    length = np.maximum(chamfer, 1.0) * pitch
    return _done(depth / length) - _done((depth - height) / length)


def peak_share(depth: Floats, height: Floats, chamfer: Floats, pitch: Floats) -> Floats:
    """Greatest `chamfer_share` on the way to the deepest point; same arguments and shapes."""
    return _done(np.minimum(depth, height) / (np.maximum(chamfer, 1.0) * pitch))


def torque_at(
    full: Floats, depth: Floats, height: Floats, chamfer: Floats, pitch: Floats, kind: Kind, way: Way
) -> Floats:
    """Torque at a depth, for a graph over the dial angle: an estimate of its course.

    Going in, the chamfer's share of the full torque, but no less than the friction of the threads in the
    hole; coming out, that friction alone, so never more than going in at the same depth.

    Parameters
    ----------
    full : float or array, shape (n,)
        Torque with the whole chamfer at work [N m].
    depth, height, chamfer, pitch : float or array, shape (n,)
        As `chamfer_share`.
    kind : {"cut", "form"}
    way : {"in", "out"}
        Turning in, or back out after reversal.

    Returns
    -------
    float or array, shape (n,)
        [N m]; on the way out against the other direction of turning.

    Raises
    ------
    FigureError
        A threaded height that is not above 0.
    """
    positive(height, "threaded height", "m")
    engaged = np.minimum(np.maximum(depth, 0.0), height) / height
    friction = FRICTION_SHARE[kind] * engaged
    if way == "out":
        return full * friction
    return full * np.maximum(chamfer_share(depth, height, chamfer, pitch), friction)


def inertia_torque(inertia: Floats, acceleration: Floats) -> Floats:
    """Torque [N m] that turns the spindle's inertia [kg m^2] at an acceleration [turns/s^2]: 2 pi I a.

    Friction and losses of the gears are not modelled.
    """
    return 2.0 * math.pi * inertia * np.abs(acceleration)


def _done(front: Floats) -> Floats:
    x = np.minimum(np.maximum(front, 0.0), 1.0)
    return x * (12.0 - 5.0 * x) / 7.0
