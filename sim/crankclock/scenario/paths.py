"""Keys by their path, such as "tap.m4.drive.gearing"."""

from __future__ import annotations

from collections.abc import Mapping

from crankclock.parts.numbers import Floats
from crankclock.scenario.defaults import dimension_of
from crankclock.scenario.schema import Scenario, Table


def value_at(scenario: Scenario, path: str) -> object:
    """What a scenario holds at a key's path, such as "tap.m4.drive.gearing"; None where it is not given.

    Raises
    ------
    KeyError
        There is no such key.
    """
    table: object = scenario
    for step in path.split("."):
        if isinstance(table, dict):
            table = table[step]
        elif isinstance(table, Table) and step in type(table).model_fields:
            table = getattr(table, step)
        else:
            raise KeyError(path)
    return table


def with_values(scenario: Scenario, values: Mapping[str, Floats]) -> Scenario:
    """A copy of a scenario with keys set [SI]; tables on the way to a key must be there.

    Raises
    ------
    KeyError
        There is no such key.
    """
    copy = scenario.model_copy(deep=True)
    for path, value in values.items():
        above, _, last = path.rpartition(".")
        value_at(copy, path)
        table = value_at(copy, above) if above else copy
        if isinstance(table, dict):
            raise KeyError(path)
        setattr(table, last, value)
    return copy


def dimension_at(scenario: Scenario, path: str) -> str | None:
    """The dimension of a key, in a table that is there; None for words and bare numbers."""
    above, _, name = path.rpartition(".")
    table = value_at(scenario, above) if above else scenario
    assert isinstance(table, Table)
    return dimension_of(table, name)
