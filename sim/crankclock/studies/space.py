"""The space a search moves in: keys that may change, points of their values, how far a point is from the present."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from crankclock.scenario.schema import Scenario
from crankclock.studies.gearing import height_for
from crankclock.studies.settings import said, setting
from crankclock.studies.variants import Array
from crankclock.units import System


@dataclass(frozen=True)
class Vary:
    """One key that may change.

    Attributes
    ----------
    path : str
    dimension : str or None
        None: a bare number.
    now : float or None
        Its value in force [SI]; None where it has none.
    low, high : float
        Ends [SI].
    values : tuple of float
        The values of a list in rising order; empty for a range.
    step : float
        What a suggested value is rounded to [SI].
    basis : str
        Where the range comes from, where it was not given.
    """

    path: str
    dimension: str | None
    now: float | None
    low: float
    high: float
    values: tuple[float, ...]
    step: float
    basis: str = ""

    @property
    def width(self) -> float:
        """From the lowest to the highest value, the present one among them: what a change is measured against."""
        ends = [self.low, self.high, *([] if self.now is None else [self.now])]
        return max(ends) - min(ends)

    def legal(self, wanted: Array) -> Array:
        """The nearest values that may be set [SI]; shape kept."""
        if self.values:
            listed = np.array(self.values)
            return np.asarray(listed[np.argmin(np.abs(wanted[..., None] - listed), axis=-1)])
        rounded = np.round(wanted / self.step) * self.step
        # The ends are as given, and what the scenario has stays as it is, whatever the rounding.
        if self.now is not None and self.low <= self.now <= self.high:
            rounded = np.where(np.abs(wanted - self.now) < 0.5 * self.step, self.now, rounded)
        return np.clip(rounded, self.low, self.high)

    def text(self, value: float, units: System) -> str:
        return said(value, self.dimension, units)


@dataclass(frozen=True)
class Space:
    """All keys that may change; points are arrays of shape (n, k), one column a key [SI]."""

    keys: tuple[Vary, ...]
    scenario: Scenario
    units: System

    @property
    def now(self) -> Array:
        """The present values, shape (k,); the lower end where there is none, or it lies outside."""
        return np.array([key.low if key.now is None else min(max(key.now, key.low), key.high) for key in self.keys])

    def values(self, points: Array) -> dict[str, Array]:
        """Values by path, as `evaluate` takes them.

        An engagement height that the scenario gives goes with its gearing, so that the turns stay the same.
        """
        found = {key.path: points[:, k] for k, key in enumerate(self.keys)}
        for path, height in self._heights(dict(found)):
            found[path] = height
        return found

    def settings(self, point: Array) -> tuple[str, ...]:
        """A point, shape (k,), as settings; keys that keep their present value are left out."""
        found = []
        for key, value in zip(self.keys, point, strict=True):
            if key.now is None or abs(value - key.now) > 1e-9 * max(abs(value), abs(key.now)):
                found.append(setting(key.path, float(value), key.dimension, self.units))
        for path, height in self._heights({key.path: point[k : k + 1] for k, key in enumerate(self.keys)}):
            if path.removesuffix("engage_height") + "gearing" in [each.partition("=")[0] for each in found]:
                found.append(setting(path, float(height[0]), "length", self.units))
        return tuple(found)

    def change(self, points: Array) -> Array:
        """How much of the ranges a point uses, in the mean over the keys; shape (n,), from 0 to 1."""
        shares = [
            np.zeros(points.shape[0]) if key.now is None else np.abs(points[:, k] - key.now) / key.width
            for k, key in enumerate(self.keys)
        ]
        return np.asarray(np.mean(shares, axis=0))

    def legal(self, points: Array) -> Array:
        return np.stack([key.legal(points[:, k]) for k, key in enumerate(self.keys)], axis=1)

    @property
    def follows(self) -> list[str]:
        """Engagement heights that go with their gearing."""
        return [path for path, _ in self._heights({key.path: np.array([key.low]) for key in self.keys})]

    def _heights(self, found: Mapping[str, Array]) -> Iterator[tuple[str, Array]]:
        for path, gearing in found.items():
            if path.startswith("tap.") and path.endswith(".drive.gearing"):
                height = f"{path.removesuffix('gearing')}engage_height"
                moved = height_for(self.scenario, path.split(".")[1], gearing)
                if moved is not None and height not in found:
                    yield height, np.asarray(moved)
