"""What the tolerances say of each quantity, and quasi-random samples of all of them together."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from crankclock.scenario.load import Loaded
from crankclock.scenario.paths import dimension_at, value_at
from crankclock.units import Tolerance

Array = NDArray[np.float64]

SIGMAS = 3.0
"""The limits of a tolerance are so many standard deviations of the normal distribution that is cut off at them."""

RATE = "press.rate"


@dataclass(frozen=True)
class Spread:
    """Toleranced quantities, in the order of the file.

    Attributes
    ----------
    paths : tuple of str
    nominal : tuple of float
        [SI].
    tolerances : tuple of Tolerance
    dimensions : tuple of str
        What each is, such as "length".
    """

    paths: tuple[str, ...]
    nominal: tuple[float, ...]
    tolerances: tuple[Tolerance, ...]
    dimensions: tuple[str, ...]

    @property
    def size(self) -> int:
        """How many they are."""
        return len(self.paths)

    def values(self, points: Array, rate: float | None = None) -> dict[str, Array]:
        """Values of every quantity for points of the unit cube.

        Parameters
        ----------
        points : array, shape (n, size)
        rate : float, optional
            Stroke rate [strokes/s] instead of the scenario's; a tolerance of the rate goes with it in proportion.

        Returns
        -------
        dict of str to array, shape (n,)
            Values [SI] by key path, the rate among them where one is given.
        """
        found = {path: quantile(points[:, k], self.nominal[k], self.tolerances[k]) for k, path in enumerate(self.paths)}
        if rate is None:
            return found
        own = self.paths.index(RATE) if RATE in self.paths else None
        share = np.ones(len(points)) if own is None else found[RATE] / self.nominal[own]
        return found | {RATE: rate * share}


def spread_of(loaded: Loaded) -> Spread:
    """The toleranced quantities of a scenario."""
    paths, nominal, dimensions = tuple(loaded.tolerances), [], []
    for path in paths:
        value, dimension = value_at(loaded.scenario, path), dimension_at(loaded.scenario, path)
        assert isinstance(value, float)
        assert dimension is not None
        nominal.append(value)
        dimensions.append(dimension)
    return Spread(paths, tuple(nominal), tuple(loaded.tolerances.values()), tuple(dimensions))


def quantile(share: Array, nominal: float, tolerance: Tolerance) -> Array:
    """The value [SI] below which a share of all lies.

    Unequal limits are taken about their middle (common practice), so that a normal distribution has its mean there.
    """
    low, high = nominal - tolerance.minus, nominal + tolerance.plus
    if tolerance.shape == "uniform":
        return np.asarray(low + (high - low) * share)
    from scipy.special import ndtr, ndtri

    tail = float(ndtr(-SIGMAS))
    sigmas = ndtri(tail + share * (1.0 - 2.0 * tail))
    value = 0.5 * (low + high) + 0.5 * (high - low) * sigmas / SIGMAS
    return np.asarray(np.clip(value, low, high))


@lru_cache(maxsize=32)  # the same at every rate that is tried
def points(seed: int, stream: int, replicate: int, dimensions: int, start: int, count: int) -> Array:
    """Points of a scrambled Sobol sequence.

    Parameters
    ----------
    seed, stream, replicate : int
        Every one of these gives a scrambling of its own, independent of all others.
    dimensions : int
    start, count : int
        Which points of the sequence.

    Returns
    -------
    array, shape (count, dimensions)
        In the unit cube; not to be written to.
    """
    from scipy.stats import qmc

    engine = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng([seed, stream, replicate]))
    if start:
        engine.fast_forward(start)
    found = np.asarray(engine.random(count))
    found.setflags(write=False)
    return found
