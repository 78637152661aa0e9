"""Values as settings: the text that `--set` takes, rounded as a shop would set it."""

from __future__ import annotations

from crankclock.scenario.defaults import dimension_of
from crankclock.scenario.paths import value_at
from crankclock.scenario.schema import Scenario, Table
from crankclock.units import DIMENSIONS, System, from_unit, to_unit

DIGITS = 9
COUNTED = 1e-3
"""What a bare number is rounded to."""


def setting(path: str, value: float, dimension: str | None, system: System) -> str:
    """A setting such as "tap.m4.drive.gearing=0.24 /mm", to nine digits."""
    return f"{path}={said(value, dimension, system)}"


def said(value: float, dimension: str | None, system: System) -> str:
    """A value as a scenario file writes it, to nine digits."""
    if dimension is None:
        return f"{value:.{DIGITS}g}"
    unit = _unit(dimension, system)
    return f"{float(to_unit(value, unit)) + 0.0:.{DIGITS}g} {unit}"


def grain(dimension: str | None, system: System) -> float:
    """The step [SI] in which a quantity is set: the last decimal that reports print."""
    if dimension is None:
        return COUNTED
    kind = DIMENSIONS[dimension]
    decimals = (kind.metric if system == "metric" else kind.inch)[1]
    return float(from_unit(10.0**-decimals, _unit(dimension, system)))


def dimension_at(scenario: Scenario, path: str) -> str | None:
    """The dimension of the key at a path; None for words and bare numbers."""
    above, _, last = path.rpartition(".")
    table = value_at(scenario, above) if above else scenario
    assert isinstance(table, Table)
    return dimension_of(table, last)


def _unit(dimension: str, system: System) -> str:
    kind = DIMENSIONS[dimension]
    return (kind.metric if system == "metric" else kind.inch)[0]
