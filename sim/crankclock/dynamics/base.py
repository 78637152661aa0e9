"""The slide as a moving base: its motion in time over one turn, cut into equal times, a polynomial over each."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .system import Array

SlideMotion = Callable[[Array], tuple[Array, ...]]
"""Times since top dead centre [s], any shape ending in n, to (y [m], dy/dt [m/s], ...) of that shape."""

DEGREE = 5


def _hermite_matrix() -> Array:
    """Coefficients of the quintic through value and slope at 0, 1/2, 1: whole numbers."""
    nodes = np.array([0.0, 0.5, 1.0])
    powers = np.arange(DEGREE + 1)
    values = nodes[:, None] ** powers
    slopes = powers * nodes[:, None] ** np.maximum(powers - 1, 0)
    return np.asarray(np.round(np.linalg.inv(np.vstack([values, slopes]))))


_HERMITE = _hermite_matrix()


@dataclass(frozen=True)
class Base:
    """Slide height over one turn.

    Parameters
    ----------
    period : ndarray, shape (n,)
        Time of the turn [s].
    coefficients : ndarray, shape (n, cells, 6)
        Slide height [m] in each cell, rising powers of the share of the cell gone by.
    """

    period: Array
    coefficients: Array

    @property
    def cells(self) -> int:
        """Cells in the turn."""
        return int(self.coefficients.shape[1])

    @property
    def cell_time(self) -> Array:
        """Time of one cell, shape (n,) [s]."""
        return np.asarray(self.period / self.cells)

    def at(self, time: Array) -> tuple[Array, Array]:
        """Slide height [m] and speed [m/s] at times of shape (..., n) [s]; nan where nan."""
        cells = time / self.cell_time
        whole = np.floor(np.nan_to_num(cells))
        share = cells - whole
        row = whole.astype(np.intp) % self.cells
        parts = self.coefficients[np.arange(self.period.size), row]
        height, slope = parts[..., DEGREE], np.zeros_like(share)
        for j in reversed(range(DEGREE)):
            slope = slope * share + height
            height = height * share + parts[..., j]
        return height, slope / self.cell_time


def fit(slide: SlideMotion, period: Array, cells: int) -> Base:
    """Fit the slide's height over one turn.

    Parameters
    ----------
    slide : callable
        Slide motion; called once.
    period : ndarray, shape (n,)
        Time of the turn [s].
    cells : int
        Polynomial pieces in the turn.

    Notes
    -----
    A quintic through height and speed at both ends and the middle is off by at most
    h^6 / 720 (max |s (s - 1/2) (s - 1)|)^2 max |y^(6)|: about 1e-7 of the stroke of an evenly turning eccentric
    in 12 cells. A quintic piece that fills a cell is met exactly. Height and speed need be continuous; where the
    acceleration jumps within a cell the height is off by up to 1/200 of the jump times h^2.
    """
    time = np.arange(2 * cells + 1)[:, None] / (2 * cells) * period
    height, speed = (np.broadcast_to(part, time.shape) for part in slide(time)[:2])
    rise = speed * (period / cells)
    data = np.stack([height[:-1:2], height[1::2], height[2::2], rise[:-1:2], rise[1::2], rise[2::2]], axis=-1)
    coefficients = np.moveaxis(data @ _HERMITE.T, 1, 0)
    return Base(period, np.ascontiguousarray(coefficients))
