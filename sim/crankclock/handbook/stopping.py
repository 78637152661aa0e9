"""Stopping: by how much the crank runs on, and the safety distances that two standards reckon from it.

The distances are figures for reference. Each comes in a record with the standard it is of and the statement
that the standard and a qualified person decide, so that it is not shown alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from crankclock.handbook.values import Floats, from_zero, positive, require

INCH = 0.0254

HAND_SPEED = 63.0 * INCH
"""Hand speed constant of 29 CFR 1910.217(c)(3): 63 in/s [m/s]."""

HAND_APPROACH = 2.0
"""Approach speed K of ISO 13855 for hands and arms [m/s]."""

BODY_APPROACH = 1.6
"""Approach speed K of ISO 13855 for a walking body, and for hands at larger distances [m/s]."""

OSHA = "29 CFR 1910.217(c)(3)"
ISO = "ISO 13855"


@dataclass(frozen=True)
class SafetyDistance:
    """A reference figure for guarding; show all of it or none.

    Parameters
    ----------
    distance : float or array, shape (n,)
        Least distance from the safeguard to the point of operation [m].
    formula : str
        How it was reckoned.
    standard : str
        Which standard's formula it is.
    decides : str
        Who decides: a sentence.
    """

    distance: Floats
    formula: str
    standard: str
    decides: str


def stopping_angle(rate: Floats, delay: Floats, braking: Floats, measured_at: Floats) -> Floats:
    """Crank angle from the signal to rest at even deceleration: 6 N (delay + braking N / (2 M)) degrees.

    N is the stroke rate and M the one at which the braking was measured, both a minute; the brake's
    deceleration is the same at both.

    Parameters
    ----------
    rate : float or array, shape (n,)
        Stroke rate [1/s].
    delay : float or array, shape (n,)
        Signal to brake [s].
    braking : float or array, shape (n,)
        Brake to rest, measured at `measured_at` [s].
    measured_at : float or array, shape (n,)
        Stroke rate [1/s].

    Returns
    -------
    float or array, shape (n,)
        [rad].

    Raises
    ------
    FigureError
        A time or the rate is below 0, or `measured_at` not above 0.
    """
    _stop(rate, delay, braking, measured_at)
    return 2.0 * math.pi * rate * (delay + 0.5 * braking * rate / measured_at)


def stopping_time(rate: Floats, delay: Floats, braking: Floats, measured_at: Floats) -> Floats:
    """Return the time from the signal to rest at even deceleration [s]: delay + braking N / M.

    Parameters, shapes and errors as `stopping_angle`.
    """
    _stop(rate, delay, braking, measured_at)
    return delay + braking * rate / measured_at


def osha_stopping_distance(stopping: Floats) -> SafetyDistance:
    """Ds = 63 in/s x Ts, of a press that can be stopped during its stroke; 29 CFR 1910.217(c)(3)(iii)(e), (vii)(c).

    Parameters
    ----------
    stopping : float or array, shape (n,)
        Stopping time of the press Ts, measured at about the 90 deg position of the crank [s].

    Returns
    -------
    SafetyDistance

    Raises
    ------
    FigureError
        The time is below 0.
    """
    from_zero(stopping, "stopping time", "s")
    return _reference(HAND_SPEED * stopping, "Ds = 63 in/s x Ts", OSHA)


def osha_trip_time(rate: Floats, engaging_points: Floats) -> Floats:
    """Longest time from tripping a full-revolution clutch to the die closed: (1/2 + 1/N) T, (viii)(c).

    Parameters
    ----------
    rate : float or array, shape (n,)
        Stroke rate, one in T [1/s].
    engaging_points : float or array, shape (n,)
        Of the clutch in one revolution, N: a whole number.

    Returns
    -------
    float or array, shape (n,)
        Tm [s].

    Raises
    ------
    FigureError
        The rate is not above 0, or the engaging points are no whole number from 1.
    """
    positive(rate, "stroke rate", "/s")
    points = np.asarray(engaging_points)
    whole = (points >= 1) & (points == np.floor(points)) & np.isfinite(points)
    require(whole, engaging_points, "engaging points", "", "a whole number from 1")
    return (0.5 + 1.0 / engaging_points) / rate


def osha_trip_distance(rate: Floats, engaging_points: Floats) -> SafetyDistance:
    """Dm = 63 in/s x Tm, of a two-hand trip on a full-revolution clutch; 29 CFR 1910.217(c)(3)(viii)(c).

    Parameters and errors as `osha_trip_time`.
    """
    distance = HAND_SPEED * osha_trip_time(rate, engaging_points)
    return _reference(distance, "Dm = 63 in/s x Tm, Tm = (1/2 + 1/N) x time of one revolution", OSHA)


def iso_distance(stopping: Floats, intrusion: Floats, approach: float = HAND_APPROACH) -> SafetyDistance:
    """S = K T + C, the general form of ISO 13855 up to its 2010 edition.

    Parameters
    ----------
    stopping : float or array, shape (n,)
        Of the whole system, from the safeguard's response to rest, T [s].
    intrusion : float or array, shape (n,)
        How far one can reach in before the safeguard sees it, C [m].
    approach : {2.0, 1.6}
        K [m/s]: `HAND_APPROACH` or `BODY_APPROACH`. Which one counts, the standard says.

    Returns
    -------
    SafetyDistance

    Raises
    ------
    FigureError
        A time or intrusion below 0, or another approach speed.
    """
    from_zero(stopping, "stopping time", "s")
    from_zero(intrusion, "intrusion distance", "m")
    known = approach in (HAND_APPROACH, BODY_APPROACH)
    require(known, approach, "approach speed", "m/s", f"{HAND_APPROACH:g} or {BODY_APPROACH:g}")
    formula = f"S = K T + C, K = {1e3 * approach:.0f} mm/s"
    return _reference(approach * stopping + intrusion, formula, ISO)


def _reference(distance: Floats, formula: str, standard: str) -> SafetyDistance:
    decides = f"A figure for reference only: {standard} in force and a qualified person decide."
    return SafetyDistance(distance, formula, standard, decides)


def _stop(rate: Floats, delay: Floats, braking: Floats, measured_at: Floats) -> None:
    from_zero(rate, "stroke rate", "/s")
    from_zero(delay, "delay", "s")
    from_zero(braking, "braking time", "s")
    positive(measured_at, "stroke rate of the braking time", "/s")
