"""The number types every part speaks, and the two tolerances that decide ties."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = float | NDArray[np.float64]
"""One number, or an array over variants (trailing axis n)."""

Flags: TypeAlias = bool | np.bool_ | NDArray[np.bool_]
"""One truth value, or an array of them over variants."""

TIE = 1e-9
"""Two heights closer than this [m] are a tie, and a tie counts as *in*."""

TURN = 2.0 * np.pi
"""One turn of the crank [rad]."""


def stack(*values: Floats) -> NDArray[np.float64]:
    """Lay values over a new leading axis, broadcasting one number against arrays over variants.

    Parameters
    ----------
    *values : float or array, shape () or (n,)
        Values of one unit.

    Returns
    -------
    array, shape (len(values),) or (len(values), n)
    """
    shape = np.broadcast_shapes(*(np.shape(value) for value in values))
    out = np.empty((len(values), *shape))
    for row, value in enumerate(values):
        out[row] = value
    return out
