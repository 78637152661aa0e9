"""Torque that breaks a tap: given, or estimated from the torsion of its core; and the clutch between.

No table of tap-breaking torques that could be trusted was found, so the estimate is rough and spans a wide
range. A breaking torque measured or given by the tap's maker replaces it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from crankclock.handbook.material_tables import Kind
from crankclock.handbook.threads import Thread
from crankclock.handbook.values import Floats, positive

SHEAR_STRENGTH = (1200e6, 1500e6, 2000e6)
"""Torsional strength of hardened high-speed steel, low, used and high [Pa]; from memory, no source found."""

CORE_SHARE: dict[Kind, tuple[float, float, float]] = {"cut": (0.5, 0.6, 0.7), "form": (0.8, 0.9, 1.0)}
"""Diameter of the round core that is as strong as the tap, over the thread's basic minor diameter.

Low, used and high, common practice: flutes leave little of a cutting tap; a forming tap has none but oil grooves.
"""


@dataclass(frozen=True)
class Breaking:
    """Torque that breaks a tap.

    Attributes
    ----------
    low, used, high : float or array, shape (n,)
        [N m]; one figure where it is given.
    basis : str
        Where it comes from.
    estimate : bool
        True unless it is given.
    """

    low: Floats
    used: Floats
    high: Floats
    basis: str
    estimate: bool


def breaking_torque(thread: Thread, kind: Kind, given: Floats | None = None) -> Breaking:
    """Torque that breaks a tap: as given, otherwise tau pi d^3 / 16 of its core.

    Parameters
    ----------
    thread : Thread
    kind : {"cut", "form"}
    given : float or array, shape (n,), optional
        Breaking torque of this tap [N m].

    Returns
    -------
    Breaking
        An estimate over a wide range where none is given.

    Raises
    ------
    FigureError
        A given torque that is not above 0.

    Examples
    --------
    >>> from crankclock.handbook.threads import parse
    >>> round(breaking_torque(parse("M6"), "cut").used, 1)
    7.6
    """
    if given is not None:
        positive(given, "breaking torque", "N m")
        return Breaking(given, given, given, "given", estimate=False)
    shares = CORE_SHARE[kind]
    low, used, high = (
        strength * polar_modulus(share * thread.minor_diameter)
        for strength, share in zip(SHEAR_STRENGTH, shares, strict=True)
    )
    basis = (
        f"estimate: torsion of a core of {shares[1]:g} ({shares[0]:g} to {shares[2]:g}) times the minor diameter at "
        f"{SHEAR_STRENGTH[1] / 1e6:.0f} ({SHEAR_STRENGTH[0] / 1e6:.0f} to {SHEAR_STRENGTH[2] / 1e6:.0f}) N/mm2"
    )
    return Breaking(low, used, high, basis, estimate=True)


def polar_modulus(diameter: Floats) -> Floats:
    """Polar section modulus of a round bar [m^3]: pi d^3 / 16, d in m."""
    return math.pi * diameter**3 / 16.0


def torque_margin(peak: Floats, breaking: Floats, clutch: Floats | None = None) -> Floats:
    """Margin [N m] of the order peak < clutch < breaking; without a clutch, of peak < breaking.

    Parameters
    ----------
    peak : float or array, shape (n,)
        Greatest torque on the tap [N m].
    breaking : float or array, shape (n,)
        Torque that breaks it [N m].
    clutch : float or array, shape (n,), optional
        Torque at which the clutch slips [N m].

    Returns
    -------
    float or array, shape (n,)
        The smaller of the two steps; below 0 where a clutch slips while tapping or not before the tap breaks.
    """
    if clutch is None:
        return breaking - peak
    return np.minimum(clutch - peak, breaking - clutch)[()]
