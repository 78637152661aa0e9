"""Sobol indices: what share of a margin's variance each tolerance is behind, alone and together with others.

First order by Saltelli et al., Computer Physics Communications 181 (2010) 259, total order by Jansen, ibid. 117 (1999)
35. Replicates of scrambled points give the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.studies.tolerance_risk import CONFIDENCE

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Band:
    """A value and its interval of confidence."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Influence:
    """What one input does to an output.

    Attributes
    ----------
    first : Band
        Share of the variance that goes when this input alone is known.
    total : Band
        Share that stays when all others are known.
    slope : float
        Change of the output per change of the input, of the straight line (plane) that fits best.
    """

    first: Band
    total: Band
    slope: float


@dataclass(frozen=True)
class Indices:
    """Influence of every input on one output, with the output's mean, standard deviation and how straight it is.

    `straight` is the share of the variance that the straight line explains.
    """

    mean: float
    deviation: float
    straight: float
    inputs: tuple[Influence, ...]


def design(points: Array) -> Array:
    """Where a replicate's output is needed.

    Parameters
    ----------
    points : array, shape (n, 2 d)
        Of the unit cube, twice as many dimensions as there are inputs.

    Returns
    -------
    array, shape ((d + 2) n, d)
        Two independent sets of n points, and for each input the first set with that input from the second.
    """
    d = points.shape[1] // 2
    one, other = points[:, :d], points[:, d:]
    swapped = np.repeat(one[None], d, axis=0)
    for k in range(d):
        swapped[k, :, k] = other[:, k]
    return np.concatenate([one, other, swapped.reshape(-1, d)])


def indices(outputs: Array, inputs: Array) -> Indices | None:
    """Sobol indices of one output.

    Parameters
    ----------
    outputs : array, shape (replicates, (d + 2) n)
        The output over each replicate's `design`, finite.
    inputs : array, shape (replicates, (d + 2) n, d)
        Values of the inputs there, of any distribution, independent of each other.

    Returns
    -------
    Indices or None
        None where the output does not vary.
    """
    replicates, _, d = inputs.shape
    parts = outputs.reshape(replicates, d + 2, -1)
    n = parts.shape[-1]
    both = parts[:, :2].reshape(replicates, -1)
    mean, variance = float(both.mean()), float(both.var())
    if not variance > (1e-12 * max(abs(mean), 1e-12)) ** 2 or not np.all(both.var(axis=1) > 0.0):
        return None
    centred = parts - mean
    own = both.var(axis=1)[:, None]
    one, other, swapped = centred[:, :1], centred[:, 1:2], centred[:, 2:]
    first = (other * (swapped - one)).mean(axis=-1) / own
    total = ((one - swapped) ** 2).mean(axis=-1) / (2.0 * own)
    slopes, straight = _plane(both.ravel(), inputs[:, : 2 * n].reshape(-1, d))
    influences = tuple(Influence(_band(first[:, k]), _band(total[:, k]), float(slopes[k])) for k in range(d))
    return Indices(mean, math.sqrt(variance), straight, influences)


def _band(found: Array) -> Band:
    """Mean of the replicates, and Student's interval of it."""
    from scipy.special import stdtrit

    half = float(stdtrit(found.size - 1, 0.5 + 0.5 * CONFIDENCE)) * float(np.std(found, ddof=1)) / math.sqrt(found.size)
    value = float(found.mean())
    return Band(value, value - half, value + half)


def _plane(output: Array, inputs: Array) -> tuple[Array, float]:
    """Slopes of the plane that fits best, and the share of the variance that it explains."""
    scale = inputs.std(axis=0)
    levers = (inputs - inputs.mean(axis=0)) / scale
    centred = output - output.mean()
    found = np.linalg.solve(levers.T @ levers, levers.T @ centred)  # of independent inputs, so far from singular
    left = centred - levers @ found
    found = np.where(np.abs(found) > 1e-6 * output.std(), found, 0.0)  # else it is rounding
    return found / scale, 1.0 - float(left.var() / centred.var())
