"""Coil springs of round wire: rate and stress from the wire, and springs that share a load."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from crankclock.handbook.values import FigureError, Floats, from_zero, positive, require


def coil_rate(wire: Floats, mean_diameter: Floats, coils: Floats, shear_modulus: Floats) -> Floats:
    """Rate of a coil spring of round wire: G d^4 / (8 D^3 n), EN 13906-1.

    Parameters
    ----------
    wire : float or array, shape (n,)
        Wire diameter d [m].
    mean_diameter : float or array, shape (n,)
        Of the coil, wire centre to wire centre, D [m].
    coils : float or array, shape (n,)
        Active coils n.
    shear_modulus : float or array, shape (n,)
        G [Pa].

    Returns
    -------
    float or array, shape (n,)
        [N/m].

    Raises
    ------
    FigureError
        A value is not above 0, or the coil is not wider than its wire.

    Examples
    --------
    >>> round(coil_rate(6e-3, 36e-3, 10, 81.37e9) / 1e3, 3)
    28.253
    """
    _coil(wire, mean_diameter)
    positive(coils, "active coils")
    positive(shear_modulus, "shear modulus", "Pa")
    return shear_modulus * wire**4 / (8.0 * mean_diameter**3 * coils)


def curvature_factor(index: Floats) -> Floats:
    """Return by how much the inside of a coil is stressed more than a straight bar: (w + 0.5) / (w - 0.75).

    EN 13906-1 (from memory), which is the Bergstraesser factor (4 w + 2) / (4 w - 3).

    Parameters
    ----------
    index : float or array, shape (n,)
        Spring index w = D / d.

    Returns
    -------
    float or array, shape (n,)

    Raises
    ------
    FigureError
        The index is not above 1.
    """
    require(np.isfinite(index) & (np.asarray(index) > 1.0), index, "spring index", "", "above 1")
    return (index + 0.5) / (index - 0.75)


def shear_stress(force: Floats, wire: Floats, mean_diameter: Floats) -> Floats:
    """Return the shear stress at the inside of a coil: k 8 D F / (pi d^3), EN 13906-1.

    Parameters
    ----------
    force : float or array, shape (n,)
        F [N].
    wire, mean_diameter : float or array, shape (n,)
        d and D as for `coil_rate` [m].

    Returns
    -------
    float or array, shape (n,)
        With the curvature factor k, as it counts for repeated loading [Pa].

    Raises
    ------
    FigureError
        The force is below 0, a diameter not above 0, or the coil not wider than its wire.
    """
    _coil(wire, mean_diameter)
    from_zero(force, "force", "N")
    return curvature_factor(mean_diameter / wire) * 8.0 * mean_diameter * force / (math.pi * wire**3)


def nested(
    force: Floats, rates: Sequence[Floats], gaps: Sequence[Floats]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Share a force between springs of which some are met later than others.

    Parameters
    ----------
    force : float or array, shape (n,)
        On all of them together [N].
    rates : sequence of m floats or arrays, shape (n,)
        Rate of each spring [N/m].
    gaps : sequence of m floats or arrays, shape (n,)
        How far the longest must go before each is met; 0 for the longest [m].

    Returns
    -------
    deflections, forces : array, shape (m,) or (m, n)
        Of each spring [m], [N].

    Raises
    ------
    FigureError
        Rates and gaps differ in number, a rate is not above 0, a gap or the force is below 0, or no gap is 0.
    """
    if not rates or len(rates) != len(gaps):
        raise FigureError(f"{len(rates)} rates and {len(gaps)} gaps: expected one of each for every spring")
    whole, *laid = np.broadcast_arrays(force, *rates, *gaps)
    rate, gap = np.array(laid[: len(rates)], dtype=float), np.array(laid[len(rates) :], dtype=float)
    from_zero(whole, "force", "N")
    positive(rate, "spring rate", "N/m")
    from_zero(gap, "gap", "m")
    require(np.min(gap, axis=0) == 0.0, np.min(gap, axis=0), "least gap", "m", "0, of the spring met first")
    # The force over the travel is convex, so the springs met are those that give the least travel.
    order = np.argsort(gap, axis=0)
    rate_met, gap_met = np.take_along_axis(rate, order, axis=0), np.take_along_axis(gap, order, axis=0)
    travels = (whole + np.cumsum(rate_met * gap_met, axis=0)) / np.cumsum(rate_met, axis=0)
    deflections = np.maximum(np.min(travels, axis=0) - gap, 0.0)
    return deflections, rate * deflections


def _coil(wire: Floats, mean_diameter: Floats) -> None:
    positive(wire, "wire diameter", "m")
    positive(mean_diameter, "mean coil diameter", "m")
    require(np.asarray(mean_diameter) > wire, mean_diameter, "mean coil diameter", "m", "wider than its wire")
