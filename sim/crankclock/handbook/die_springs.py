"""How far a die spring may be deflected, by its load class and the strokes it is to last.

The class says how stiff the spring is for its size. Where a maker gives deflections of their own, those rule.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from crankclock.handbook.values import FigureError, Floats, from_zero, positive, require

LoadClass = Literal["light", "medium", "heavy", "extra heavy"]

SHORT_LIFE = 200_000
"""Strokes up to which a die spring may be used to the limit of its class; common practice."""

AVERAGE_LIFE = 1_000_000
"""Strokes up to which the middle column of deflections holds, beyond it the long-life one; common practice."""

USUAL_SHARE = 0.30
"""Share of its free length that a medium coil spring is usually deflected by.

Selecting a stamping die pressure system, part I, thefabricator.com: about 30 %, so 10 in for 3 in of travel.
"""


@dataclass(frozen=True)
class Deflections:
    """How far die springs of one class may be deflected, as shares of the free length.

    Parameters
    ----------
    most : float
        Greatest at all, for up to `SHORT_LIFE` strokes.
    average : float
        For up to `AVERAGE_LIFE` strokes.
    long : float
        For more.
    source : str
        Where each comes from.
    """

    most: float
    average: float
    long: float
    source: str


_MOST = "most: ISO 10243, from memory"
_TWO_INCHES = "Die Springs - Coil vs. Gas, MetalForming, February 2017 (8 in of coil spring for 2 in)"
_PRACTICE = "Nitrogen Gas Springs vs. Conventional Die Springs, jacglobal.net (a die designer's practice)"

DIE_SPRINGS: MappingProxyType[LoadClass, Deflections] = MappingProxyType(
    {
        "light": Deflections(0.40, 0.30, 0.25, f"{_MOST}; average: common practice; long: {_TWO_INCHES}"),
        "medium": Deflections(
            0.375, USUAL_SHARE, 0.25, f"{_MOST}; average: thefabricator.com, as `USUAL_SHARE`; long: {_TWO_INCHES}"
        ),
        "heavy": Deflections(0.30, 0.25, 0.20, f"{_MOST}; average: common practice; long: {_PRACTICE}"),
        "extra heavy": Deflections(0.25, 0.20, 0.15, f"{_MOST}; average: common practice; long: {_PRACTICE}"),
    }
)
"""Die springs by load class. How many strokes each share stands for is common practice; the maker's own table rules."""


def allowed_share(load_class: LoadClass, strokes: Floats) -> Floats:
    """Share of its free length that a die spring may be deflected by, preload included.

    Parameters
    ----------
    load_class : {"light", "medium", "heavy", "extra heavy"}
    strokes : float or array, shape (n,)
        Strokes wanted of a set of springs: strokes a day times days between changes.

    Returns
    -------
    float or array, shape (n,)

    Raises
    ------
    FigureError
        An unknown class, or strokes not above 0 (infinitely many are legal).
    """
    limits = _limits(load_class)
    require(np.asarray(strokes) > 0.0, strokes, "strokes wanted", "", "above 0")
    lasting = np.where(np.asarray(strokes) > AVERAGE_LIFE, limits.long, limits.average)
    return _like(np.where(np.asarray(strokes) > SHORT_LIFE, lasting, limits.most))


def allowed_deflection(load_class: LoadClass, free_length: Floats, strokes: Floats) -> Floats:
    """Deflection that a die spring may see, preload included [m]; shapes and errors as `allowed_share`."""
    positive(free_length, "free length", "m")
    return allowed_share(load_class, strokes) * free_length


def deflection_left(load_class: LoadClass, free_length: Floats, deflection: Floats, strokes: Floats) -> Floats:
    """Return what is left of the allowed deflection [m]; below 0 the springs do not last the strokes wanted.

    Parameters
    ----------
    load_class : {"light", "medium", "heavy", "extra heavy"}
    free_length, deflection : float or array, shape (n,)
        Of the spring, and what it is deflected by, preload included [m].
    strokes : float or array, shape (n,)
        As for `allowed_share`.

    Returns
    -------
    float or array, shape (n,)
        [m].

    Raises
    ------
    FigureError
        As for `allowed_share`; a free length not above 0, a deflection below 0.
    """
    from_zero(deflection, "deflection", "m")
    return allowed_deflection(load_class, free_length, strokes) - deflection


def needed_free_length(load_class: LoadClass, deflection: Floats, strokes: Floats) -> Floats:
    """Least free length of a die spring that is deflected so far, preload included, for so many strokes [m].

    Shapes and errors as `deflection_left`.
    """
    from_zero(deflection, "deflection", "m")
    return deflection / allowed_share(load_class, strokes)


def strokes_to_change(load_class: LoadClass, free_length: Floats, deflection: Floats) -> Floats:
    """Strokes after which springs deflected so far are due to be changed; common practice.

    Divided by the days between changes it is the number of strokes a day that the deflection allows.

    Parameters
    ----------
    load_class : {"light", "medium", "heavy", "extra heavy"}
    free_length, deflection : float or array, shape (n,)
        As for `deflection_left` [m].

    Returns
    -------
    float or array, shape (n,)
        0 beyond the limit of the class, infinite within the long-life deflection.

    Raises
    ------
    FigureError
        As for `deflection_left`.
    """
    limits = _limits(load_class)
    positive(free_length, "free length", "m")
    from_zero(deflection, "deflection", "m")
    share = np.asarray(deflection / free_length) * (1.0 - 1e-12)
    bands = [share <= limits.long, share <= limits.average, share <= limits.most]
    return _like(np.select(bands, [math.inf, AVERAGE_LIFE, SHORT_LIFE], 0.0))


def usual_free_length(travel: Floats) -> Floats:
    """Free length that a medium coil spring usually has for a travel: travel / 0.3 [m].

    Source: thefabricator.com, as for `USUAL_SHARE`.

    Parameters
    ----------
    travel : float or array, shape (n,)
        Deflection in all [m].

    Returns
    -------
    float or array, shape (n,)
        [m].

    Raises
    ------
    FigureError
        The travel is below 0.
    """
    from_zero(travel, "travel", "m")
    return travel / USUAL_SHARE


def _limits(load_class: str) -> Deflections:
    for name, limits in DIE_SPRINGS.items():
        if name == load_class:
            return limits
    raise FigureError(f'load class "{load_class}": expected one of {", ".join(DIE_SPRINGS)}')


def _like(found: NDArray[np.float64]) -> Floats:
    """Return a plain float where there is but one number."""
    return float(found) if found.ndim == 0 else found
