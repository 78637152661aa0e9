"""What extruding a hole can give: how high the flange gets from a strip, and which pierced hole it takes.

All of it rests on the volume balance of `flange_height`, so all of it is an estimate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.handbook.holes import HoleError, flange_height
from crankclock.handbook.threads import MILLIMETRE, Thread

WALLS = (1.0, 0.75, 0.5)
"""Flange walls to look at, as shares of the strip thickness: bent without thinning, to drawn down by half."""

SMALLEST_PUNCH = 1.0
"""Least diameter of a pierced hole, in strip thicknesses; common practice."""


@dataclass(frozen=True)
class Extrusion:
    """An extruded hole with one thickness of wall; an estimate.

    Parameters
    ----------
    wall : float
        Thickness of the flange wall [m].
    outer : float
        Outer diameter of the flange [m].
    left : float
        Wall left outside the thread's nominal diameter [m]; 0 or less: the thread cuts through.
    highest : float
        Height with the smallest hole that can be pierced, strip thickness included [m].
    full_thread : float or None
        Length of full thread in that height [m], one pitch less; None where the thread cuts through.
    pierced : float or None
        Hole to pierce for the height wanted [m]; None where none is wanted, the strip itself is as high, the
        strip does not give it, or the thread cuts through.
    """

    wall: float
    outer: float
    left: float
    highest: float
    full_thread: float | None
    pierced: float | None


def extrusions(thread: Thread, hole: float, thickness: float, height: float | None = None) -> tuple[Extrusion, ...]:
    """Estimate the extruded holes that a strip can give, for each of `WALLS`.

    Parameters
    ----------
    thread : Thread
    hole : float
        Tap hole, the inner diameter of the flange [m].
    thickness : float
        Of the strip [m].
    height : float, optional
        Wanted, strip thickness included [m].

    Returns
    -------
    tuple of Extrusion

    Raises
    ------
    HoleError
        The thickness is not above 0, or no hole that can be pierced is smaller than the tap hole.
    """
    smallest = SMALLEST_PUNCH * thickness
    if not 0.0 < smallest < hole:
        raise HoleError(
            f"strip thickness {thickness / MILLIMETRE:.4g} mm: expected above 0, and a hole of one thickness, the "
            f"smallest that is pierced, smaller than the tap hole ({hole / MILLIMETRE:.4g} mm)"
        )
    return tuple(_extrusion(thread, hole, thickness, share * thickness, height) for share in WALLS)


def pierced_hole(thickness: float, height: float, inner: float, outer: float) -> float | None:
    """Hole to pierce for a flange of a height: sqrt(Do^2 - H (Do^2 - Di^2) / t), the inverse of `flange_height`.

    Parameters
    ----------
    thickness : float
        Of the strip, t [m].
    height : float
        Strip thickness included, H [m].
    inner, outer : float
        Diameters of the flange, Di and Do [m].

    Returns
    -------
    float or None
        [m]; None where the height is no more than the strip's, or takes a smaller hole than can be pierced.
    """
    square = outer**2 - height * (outer**2 - inner**2) / thickness
    if height <= thickness or square < (SMALLEST_PUNCH * thickness) ** 2:
        return None
    return float(np.sqrt(square))


def _extrusion(thread: Thread, hole: float, thickness: float, wall: float, height: float | None) -> Extrusion:
    outer = hole + 2.0 * wall
    highest = float(flange_height(thickness, SMALLEST_PUNCH * thickness, hole, outer).height)
    left = (outer - thread.diameter) / 2.0
    if left <= 0.0:
        return Extrusion(wall, outer, left, highest, None, None)
    pierced = None if height is None else pierced_hole(thickness, height, hole, outer)
    return Extrusion(wall, outer, left, highest, max(highest - thread.pitch, 0.0), pierced)
