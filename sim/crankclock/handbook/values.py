"""What the handbook's formulas share: numbers that may be arrays, and the refusal of values that cannot be."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = float | NDArray[np.float64]
"""One number, or an array over variants (trailing axis n)."""

Flags: TypeAlias = bool | np.bool_ | NDArray[np.bool_]
"""One truth value, or an array of them over variants."""


class FigureError(ValueError):
    """A value for which the formula has no meaning: says what was given and what is expected."""


def require(good: Flags, value: Floats, name: str, unit: str, need: str) -> None:
    """Refuse a value where it is not good.

    Parameters
    ----------
    good : bool or array, shape (n,)
        Whether the value can be; NaN compares false and so is refused too.
    value : float or array, shape (n,)
        What was given, in the unit named.
    name, unit, need : str
        What it is, its SI unit, and what is expected of it.

    Raises
    ------
    FigureError
        Naming the first value that cannot be.
    """
    if np.all(good):
        return
    values, flags = np.broadcast_arrays(value, good)
    said = f"{name} {float(values[~flags][0]):.6g} {unit}".rstrip()
    raise FigureError(f"{said}: expected {need}")


def positive(value: Floats, name: str, unit: str = "") -> None:
    """Refuse a value that is not finite and above 0."""
    require(np.isfinite(value) & (np.asarray(value) > 0.0), value, name, unit, "above 0")


def from_zero(value: Floats, name: str, unit: str = "") -> None:
    """Refuse a value that is not finite and 0 or more."""
    require(np.isfinite(value) & (np.asarray(value) >= 0.0), value, name, unit, "0 or more")
