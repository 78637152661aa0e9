"""Holes for tapping: percent of thread, tap holes, the usual drill, and the extruded (flanged) hole."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from crankclock.handbook.thread_tables import DRILLS, UNC, UNF
from crankclock.handbook.threads import INCH, MILLIMETRE, Thread

Floats: TypeAlias = float | NDArray[np.float64]
Same = TypeVar("Same", float, NDArray[np.float64])

CUT_DEPTH = 0.75 * math.sqrt(3.0)
"""Diameter that a 100 % cut thread takes, in pitches: 3/2 H, so 1.299038 P."""

FORM_DEPTH = 0.68
"""Diameter by which the hole of a 100 % formed thread is smaller than nominal, in pitches."""

USUAL_PERCENT = 75.0
"""Percent of thread a tap drill is chosen for where no table names one; common practice."""


class HoleError(ValueError):
    """A hole that cannot carry the thread, or a percent of thread that cannot be had."""


@dataclass(frozen=True)
class TapDrill:
    """The usual drill before a cutting tap.

    Parameters
    ----------
    diameter : float
        [m].
    percent : float
        Percent of thread it leaves.
    source : str
        The table it was read from, or how it was computed.
    computed : bool
        True where no table names a drill; the diameter is then no stock size.
    """

    diameter: float
    percent: float
    source: str
    computed: bool


@dataclass(frozen=True)
class FlangeEstimate:
    """What a pierced hole may be expected to give when it is extruded; an estimate, not a measurement.

    Parameters
    ----------
    height : float or array, shape (n,)
        From the strip's far face to the rim, strip thickness included [m].
    wall : float or array, shape (n,)
        Thickness of the flange wall [m].
    basis : str
        What the estimate rests on.
    """

    height: Floats
    wall: Floats
    basis: str


def percent_of_thread(thread: Thread, hole: Same) -> Same:
    """Percent of thread a cutting tap leaves in a hole: 100 (D - d) / (1.299038 P).

    About 83 % is the basic minor diameter, the smallest a gauge accepts. Source: thread percentage formula of
    a tap maker's technical pages (scribd.com, document 327450604), there with the factor 0.01299.

    Parameters
    ----------
    thread : Thread
    hole : float or array, shape (n,)
        Diameter [m].

    Returns
    -------
    float or array, shape (n,)
        Above 0, at most 100.

    Raises
    ------
    HoleError
        The hole is not positive, not smaller than the thread, or so small that it gives over 100 %.

    Examples
    --------
    >>> from crankclock.handbook.threads import parse
    >>> round(percent_of_thread(parse("M8"), 6.8e-3), 2)
    73.9
    """
    return _percent(thread, hole, CUT_DEPTH)


def form_percent(thread: Thread, hole: Same) -> Same:
    """Percent of thread a forming tap raises from a hole: (D - d) / (0.0068 P).

    The inverse of `form_hole`; same arguments, shapes and errors as `percent_of_thread`.
    """
    return _percent(thread, hole, FORM_DEPTH)


def cut_hole(thread: Thread, percent: Same) -> Same:
    """Hole that leaves a cutting tap so many percent of thread: D - 0.01299038 percent P.

    The inverse of `percent_of_thread`, from the same source.

    Parameters
    ----------
    thread : Thread
    percent : float or array, shape (n,)
        Above 0, at most 100.

    Returns
    -------
    float or array, shape (n,)
        Diameter [m].

    Raises
    ------
    HoleError
        The percent is not above 0 or is over 100.
    """
    return _hole(thread, percent, CUT_DEPTH)


def form_hole(thread: Thread, percent: Same) -> Same:
    """Hole from which a forming tap raises so many percent of thread: D - 0.0068 percent P.

    The inverse of `form_percent`; same arguments, shapes and errors as `cut_hole`. Source: the forming tap
    formula as printed at datumcalc.com and in the tapping formulas of fmcarbide.com, there as P / 147.06.

    Examples
    --------
    >>> from crankclock.handbook.threads import parse
    >>> round(form_hole(parse("M3"), 65.0) * 1e3, 2)
    2.78
    """
    return _hole(thread, percent, FORM_DEPTH)


def usual_drill(thread: Thread) -> TapDrill:
    """Return the usual drill before a cutting tap, from the table where it has a row.

    Parameters
    ----------
    thread : Thread

    Returns
    -------
    TapDrill
        With its source; computed for `USUAL_PERCENT` of thread and marked so where no table names a drill.
    """
    row = DRILLS.get(thread.designation)
    if row is None:
        source = f"computed for {USUAL_PERCENT:g} % of thread, the percentage common practice"
        return TapDrill(cut_hole(thread, USUAL_PERCENT), USUAL_PERCENT, source, computed=True)
    diameter = row.diameter * (INCH if thread.series in (UNC, UNF) else MILLIMETRE)
    return TapDrill(diameter, percent_of_thread(thread, diameter), row.source, computed=False)


def extruded_height(thread: Thread, full_thread: Floats, unthreaded: Floats) -> Floats:
    """Height an extruded hole needs, strip thickness included, for a length of full thread.

    The length wanted, the height that can carry no thread, and one pitch, because a thread runs out over half
    a pitch at each face. Common practice, no published source.

    Parameters
    ----------
    thread : Thread
    full_thread : float or array, shape (n,)
        Length of full thread wanted [m].
    unthreaded : float or array, shape (n,)
        Height without wall for a full thread [m]: entry radius and ragged rim; 0 for square faces.

    Returns
    -------
    float or array, shape (n,)
        Height [m].

    Raises
    ------
    HoleError
        The length is not above 0 or the unthreaded height is below 0.
    """
    _require(full_thread, np.asarray(full_thread) > 0.0, "length of full thread", "above 0")
    _require(unthreaded, np.asarray(unthreaded) >= 0.0, "unthreaded height", "0 or more")
    return full_thread + unthreaded + thread.pitch


def flange_height(thickness: Floats, pierced: Floats, inner: Floats, outer: Floats) -> FlangeEstimate:
    """Estimate the height of an extruded hole from the ring of strip that is drawn into its flange.

    The ring of strip between pierced hole and flange outer diameter keeps its volume, so that
    H = t (Do^2 - d^2) / (Do^2 - Di^2). Entry radius, taper, and what the strip around gives or takes are
    neglected. Source: the volume balance of Ulintz, Hole Extrusions part 1, MetalForming, October 2011, there
    for H - t.

    Parameters
    ----------
    thickness : float or array, shape (n,)
        Of the strip, t [m].
    pierced : float or array, shape (n,)
        Diameter of the hole pierced before extruding, d [m].
    inner, outer : float or array, shape (n,)
        Diameters of the finished flange, Di (the tap hole) and Do [m].

    Returns
    -------
    FlangeEstimate

    Raises
    ------
    HoleError
        Not 0 < d < Di < Do, a thickness not above 0, or a wall thicker than the strip it is drawn from.
    """
    wall = (outer - inner) / 2.0
    pierceable = (np.asarray(pierced) > 0.0) & (np.asarray(pierced) < inner)
    drawable = np.asarray(wall) <= np.asarray(thickness) * (1 + 1e-9)
    _require(thickness, np.asarray(thickness) > 0.0, "strip thickness", "above 0")
    _require(pierced, pierceable, "pierced hole", "above 0 and smaller than the flange's inner diameter")
    _require(outer, np.asarray(wall) > 0.0, "flange outer diameter", "larger than its inner diameter")
    _require(wall, drawable, "flange wall", "no thicker than the strip")
    height = thickness * (outer**2 - pierced**2) / (outer**2 - inner**2)
    return FlangeEstimate(height, wall, "estimate: constant volume, uniform wall, no entry radius")


def _percent(thread: Thread, hole: Same, depth: float) -> Same:
    least = thread.diameter - depth * thread.pitch
    need = f"above 0 and smaller than {thread.designation} ({_length(thread.diameter)})"
    _require(hole, (np.asarray(hole) > 0.0) & (np.asarray(hole) < thread.diameter), "hole", need)
    need = f"at least {_length(least)}, which is 100 % of {thread.designation}"
    _require(hole, np.asarray(hole) >= least * (1 - 1e-12), "hole", need)
    return 100.0 * (thread.diameter - hole) / (depth * thread.pitch)


def _hole(thread: Thread, percent: Same, depth: float) -> Same:
    good = (np.asarray(percent) > 0.0) & (np.asarray(percent) <= 100.0)
    if not np.all(good):
        raise HoleError(f"percent of thread {_worst(percent, good):g} %: expected above 0, at most 100 %")
    return thread.diameter - percent / 100.0 * depth * thread.pitch


def _require(value: Floats, good: NDArray[np.bool_] | np.bool_ | bool, name: str, need: str) -> None:
    if not np.all(good):
        raise HoleError(f"{name} {_length(_worst(value, good))}: expected {need}")


def _worst(value: Floats, good: NDArray[np.bool_] | np.bool_ | bool) -> float:
    """Return the first offending value; NaN compares false and so offends too."""
    values, flags = np.broadcast_arrays(value, good)
    return float(values[~flags][0])


def _length(value: float) -> str:
    return f"{value / MILLIMETRE:.4g} mm ({value / INCH:.4g} in)"
