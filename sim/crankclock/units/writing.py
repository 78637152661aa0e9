"""SI floats to text: rounded for people, or in full precision for a scenario file."""

from __future__ import annotations

import math
from fractions import Fraction

from crankclock.units.dimensions import DIMENSIONS, System, UnitError
from crankclock.units.factors import parse, tidy, to_unit, worth
from crankclock.units.reading import in_range


def show(value: float, dimension: str, system: System) -> str:
    """Say a quantity as reports do: in the system's own unit, to a fixed number of decimals.

    Parameters
    ----------
    value : float
        The quantity [SI].
    dimension : str
        A key of `DIMENSIONS`.
    system : {"metric", "inch"}
        How the report speaks.

    Returns
    -------
    str
        Number and unit, such as "1.50 mm"; never a negative zero.

    Raises
    ------
    UnitError
        The value is not a finite number.

    Examples
    --------
    >>> show(0.0015, "length", "metric"), show(0.0015, "length", "inch")
    ('1.50 mm', '0.059 in')
    """
    kind = DIMENSIONS[dimension]
    if not math.isfinite(value):
        raise UnitError(f"{value} is not {kind.words} that can be shown")
    unit, decimals = kind.metric if system == "metric" else kind.inch
    # adding zero turns a negative zero into a plain one
    return f"{round(float(to_unit(value, unit)), decimals) + 0.0:.{decimals}f} {unit}"


def write(value: float, unit: str) -> str:
    """Write a quantity in full, so that `read` gives the same SI float again.

    Parameters
    ----------
    value : float
        The quantity [SI].
    unit : str
        Unit to write it in.

    Returns
    -------
    str
        Number and unit; `read` returns the value to within 1e-12 of its size.

    Raises
    ------
    UnitError
        The unit is unknown, or the value not finite or not one that `read` takes.

    Examples
    --------
    >>> write(0.0015, "mm")
    '1.5 mm'
    """
    if not in_range(value):
        raise UnitError(f"{value} cannot be written as a quantity")
    number = float(Fraction(float(value)) / worth(parse(tidy(unit)))[0])
    return f"{number!r} {unit}".replace(".0 ", " ", 1)
