"""Contradictions between keys that show only where their tolerances reach."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations, product

from crankclock.errors import Problem
from crankclock.scenario.crosscheck import problems
from crankclock.scenario.defaults import NAMED
from crankclock.scenario.paths import dimension_at, value_at, with_values
from crankclock.scenario.schema import Scenario
from crankclock.units import Tolerance, show

MOST_KEYS = 6
"""So many keys of one table are tried in every combination of their limits, more of them only two at a time."""

Corner = Mapping[str, float]
"""Values [SI] by key path, each at one of its limits."""


def limit_problems(scenario: Scenario, tolerances: Mapping[str, Tolerance], bad: set[str]) -> list[Problem]:
    """Contradictions that the nominal values do not have, one a key.

    Parameters
    ----------
    scenario : Scenario
        As far as it could be read; tables on the way to a tolerance are there.
    tolerances : mapping of str to Tolerance
        By key path [SI]. Keys of one table are tried against each other, and each against all nominal ones.
    bad : set of str
        Paths that are wrong already.
    """
    known = bad | {problem.where for problem in problems(scenario, bad)} if tolerances else bad
    found: dict[str, Problem] = {}
    for corner in _corners(scenario, tolerances):
        for problem in problems(with_values(scenario, corner), known):
            says = f"{problem.expected}; not so within the tolerances, at {_said(scenario, corner)}"
            found.setdefault(problem.where, Problem(problem.where, problem.given, says))
    return list(found.values())


def _corners(scenario: Scenario, tolerances: Mapping[str, Tolerance]) -> Iterator[Corner]:
    groups: dict[str, list[str]] = {}
    for path in tolerances:
        groups.setdefault(_group(path), []).append(path)
    for group in groups.values():
        for some in combinations(group, len(group) if len(group) <= MOST_KEYS else 2):
            limits = [_limits(scenario, path, tolerances[path]) for path in some]
            yield from (dict(zip(some, corner, strict=True)) for corner in product(*limits))


def _group(path: str) -> str:
    """The table, or the named thing, whose keys may contradict each other."""
    steps = path.split(".")
    named = next((at for at, step in enumerate(steps) if step in NAMED), None)
    return steps[0] if named is None else ".".join(steps[: named + 2])


def _limits(scenario: Scenario, path: str, tolerance: Tolerance) -> tuple[float, float]:
    value = value_at(scenario, path)
    assert isinstance(value, float)
    return value - tolerance.minus, value + tolerance.plus


def _said(scenario: Scenario, corner: Corner) -> str:
    said = []
    for path, value in corner.items():
        dimension = dimension_at(scenario, path)
        assert dimension is not None
        said.append(f"{path} = {show(value, dimension, 'metric')}")
    return ", ".join(said)
