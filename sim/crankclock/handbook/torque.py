"""Tapping torque: two published formulas for cutting taps, and the published ratio for forming taps.

The first formula is used and the second brackets it; each has its own table of specific cutting forces. Wear
and lubrication are named factors, common practice without a published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from crankclock.handbook.holes import percent_of_thread, usual_drill
from crankclock.handbook.material_tables import CORRECTIONS, Kind
from crankclock.handbook.materials import Force
from crankclock.handbook.thread_tables import FINE, UNF
from crankclock.handbook.threads import Thread
from crankclock.handbook.values import Floats, positive

Names: TypeAlias = str | NDArray[np.str_]

FIRST = "kc P^2 D / 8000 (lubero.de)"
SECOND = "tan 30 deg kc K (D - D0)^2 (D + 2 D0) / 24000 (Yamawa general catalogue)"

HALF_FLANK_ANGLE = math.radians(30.0)
"""Thread half angle of ISO metric and Unified threads [rad], the theta of the second formula."""

FORM_RATIO_LOW, FORM_RATIO_HIGH = 2.0, 3.0
"""Forming torque over cutting torque: two to three times. Yamawa general catalogue 2022-2023, Technical-7."""

FORM_RATIO_USED = 3.0
"""The upper end, since a wrong pass breaks the tap."""

WEAR_NEW, WEAR_DULL = 1.0, 1.5
"""Torque of a worn tap over that of a new one: to about 1.5 when it should be changed; common practice."""

LUBRICATION_OIL, LUBRICATION_DRY = 1.0, 1.5
"""Torque in a dry hole over that with tapping oil: to about 1.5; common practice."""


@dataclass(frozen=True)
class Torque:
    """Torque with the whole chamfer at work, bracketed.

    Attributes
    ----------
    low, used, high : float or array, shape (n,)
        [N m]; low <= used <= high.
    low_from, high_from : str or array of str, shape (n,)
        Formula that gave each end; `FIRST` always gave `used`.
    notes : tuple of str
        What was assumed, and why a formula could not be applied.
    estimate : bool
        True where a ratio or a nearest row of a table stands in for a published figure.
    """

    low: Floats
    used: Floats
    high: Floats
    low_from: Names
    high_from: Names
    notes: tuple[str, ...]
    estimate: bool


def first_torque(diameter: Floats, pitch: Floats, force: Floats) -> Floats:
    """Torque of a cutting tap [N m]: kc P^2 D / 8000 with kc in N/mm2, P and D in mm. Source: lubero.de.

    Parameters
    ----------
    diameter, pitch : float or array, shape (n,)
        Nominal diameter D and pitch P of the thread [m].
    force : float or array, shape (n,)
        Specific cutting force kc of this formula's own table [Pa].

    Examples
    --------
    >>> round(first_torque(6e-3, 1e-3, 2300e6), 3)
    1.725
    """
    return force * pitch**2 * diameter / 8.0


def second_torque(diameter: Floats, hole: Floats, force: Floats, correction: Floats) -> Floats:
    """Torque of a cutting tap [N m]: tan(theta) kc K (D - D0)^2 (D + 2 D0) / 24000, in N/mm2 and mm.

    Source: Yamawa general catalogue 2016-2017, technical pages, tapping torque, p. 777; theta is the thread's
    half angle.

    Parameters
    ----------
    diameter, hole : float or array, shape (n,)
        Nominal diameter D and hole D0 before tapping, smaller than D [m].
    force : float or array, shape (n,)
        Specific cutting force kc of this formula's own table [Pa].
    correction : float or array, shape (n,)
        K for the style of tap, from `CORRECTIONS`.

    Examples
    --------
    >>> round(second_torque(8e-3, 6.8e-3, 4000e6, 1.35), 2)
    4.04
    """
    area = math.tan(HALF_FLANK_ANGLE) * (diameter - hole) ** 2
    return force * correction * area * (diameter + 2.0 * hole) / 24.0


def cut_torque(thread: Thread, force: Force, hole: Floats | None = None) -> Torque:
    """Torque of a cutting tap: the first formula, between the least and the greatest of both formulas.

    The second is taken for every style of tap in its table, from spiral-pointed to bottoming, because the
    style is not known here.

    Parameters
    ----------
    thread : Thread
    force : Force
        Of the strip's material.
    hole : float or array, shape (n,), optional
        Diameter before tapping [m]; the usual drill where none is given.

    Returns
    -------
    Torque
        Low, used and high are one where the second formula cannot be applied.

    Raises
    ------
    HoleError
        A hole as large as the thread, or one that gives over 100 % of thread.
    """
    used = first_torque(thread.diameter, thread.pitch, force.first)
    if hole is None:
        hole = usual_drill(thread).diameter
    percent_of_thread(thread, np.asarray(hole, dtype=np.float64))
    if force.second is None:
        notes = (f"not bracketed: {force.second_source}",)
        return Torque(used, used, used, FIRST, FIRST, notes, force.estimate)
    least, greatest = _corrections(thread, force)
    below = second_torque(thread.diameter, hole, force.second, least)
    above = second_torque(thread.diameter, hole, force.second, greatest)
    return Torque(
        np.minimum(used, below)[()],
        used,
        np.maximum(used, above)[()],
        np.where(below < used, SECOND, FIRST)[()],
        np.where(above > used, SECOND, FIRST)[()],
        (f"second formula with K {least:g} to {greatest:g} over all styles of tap; kc: {force.second_source}",),
        force.estimate,
    )


def form_torque(thread: Thread, force: Force) -> Torque:
    """Torque of a forming tap: two to three times that of a cutting tap in the usual drill; an estimate.

    Source: Yamawa general catalogue 2022-2023, Technical-7. How it depends on the percent of thread is not
    known, so the hole does not enter; a smaller hole takes more.

    Parameters
    ----------
    thread : Thread
    force : Force
        Of the strip's material.

    Returns
    -------
    Torque
        From `FORM_RATIO_LOW` times the cutting tap's low to `FORM_RATIO_HIGH` times its high, used
        `FORM_RATIO_USED` times its used.
    """
    cut = cut_torque(thread, force)
    ratio = f"estimate: {FORM_RATIO_LOW:g} to {FORM_RATIO_HIGH:g} times a cutting tap's torque"
    return Torque(
        FORM_RATIO_LOW * cut.low,
        FORM_RATIO_USED * cut.used,
        FORM_RATIO_HIGH * cut.high,
        cut.low_from,
        cut.high_from,
        (*cut.notes, f"{ratio}, {FORM_RATIO_USED:g} used; the hole's percent of thread is not counted"),
        estimate=True,
    )


def tap_torque(
    thread: Thread,
    kind: Kind,
    force: Force,
    hole: Floats | None = None,
    wear: Floats = WEAR_NEW,
    lubrication: Floats = LUBRICATION_OIL,
) -> Torque:
    """Torque of a tap of either kind as it is found in the die: worn by a factor, lubricated by a factor.

    Parameters
    ----------
    thread : Thread
    kind : {"cut", "form"}
    force : Force
        Of the strip's material.
    hole : float or array, shape (n,), optional
        Diameter before tapping [m]; counts for a cutting tap only.
    wear : float or array, shape (n,)
        `WEAR_NEW` to `WEAR_DULL`.
    lubrication : float or array, shape (n,)
        `LUBRICATION_OIL` to `LUBRICATION_DRY`.

    Returns
    -------
    Torque

    Raises
    ------
    HoleError
        As `cut_torque`, for a cutting tap.
    FigureError
        A factor that is not above 0.
    """
    positive(wear, "wear factor")
    positive(lubrication, "lubrication factor")
    new = cut_torque(thread, force, hole) if kind == "cut" else form_torque(thread, force)
    factor = wear * lubrication
    if np.all(np.asarray(factor) == 1.0):
        assumed = "new tap and tapping oil assumed"
    else:
        assumed = "times wear and lubrication factors; common practice"
    low, used, high = factor * new.low, factor * new.used, factor * new.high
    return Torque(low, used, high, new.low_from, new.high_from, (*new.notes, assumed), new.estimate)


def _corrections(thread: Thread, force: Force) -> tuple[float, float]:
    """Least and greatest K over the styles of tap, for this family of materials and series of thread."""
    fine = thread.series in (FINE, UNF)
    rows = [row for row in CORRECTIONS if row.family == force.family]
    printed = [value for value in (row.fine if fine else row.coarse for row in rows) if value is not None]
    return min(printed), max(printed)
