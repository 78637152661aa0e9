"""From a tree of TOML values to a validated scenario, with every problem told at once."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from crankclock.errors import InputError, Problem
from crankclock.scenario import crosscheck
from crankclock.scenario.defaults import Assumption, resolve
from crankclock.scenario.fields import In, told
from crankclock.scenario.files import Source, Tree, find, load, override
from crankclock.scenario.limits import limit_problems
from crankclock.scenario.motion_file import MotionFile, motion_file
from crankclock.scenario.schema import Scenario, Table, inner, markers
from crankclock.units import Tolerance, read

NAME = re.compile(r"[a-z0-9][a-z0-9-]*")


@dataclass(frozen=True)
class Loaded:
    """A scenario ready to build.

    Attributes
    ----------
    name : str
        File name without its suffix.
    scenario : Scenario
        As validated, gaps left open.
    source : Source
    overrides : tuple of str
    tolerances : mapping
        Key path to its tolerance [SI].
    notes : tuple of str
        What is given but not used.
    """

    name: str
    scenario: Scenario
    source: Source
    overrides: tuple[str, ...] = ()
    tolerances: Mapping[str, Tolerance] = field(default_factory=lambda: MappingProxyType({}))
    notes: tuple[str, ...] = ()

    def resolved(self) -> tuple[Scenario, tuple[Assumption, ...]]:
        """The scenario with its defaults, and what was assumed."""
        return resolve(self.scenario)


def open_scenario(name: str, settings: tuple[str, ...] = (), root: Path | None = None) -> Loaded:
    """Load, override and validate a scenario by path or shipped name.

    Raises
    ------
    InputError
        With every problem found.
    """
    source = load(find(name), root)
    return validated(source, settings)


def validated(source: Source, settings: tuple[str, ...] = ()) -> Loaded:
    """Validate a source, with `KEY=VALUE` overrides applied first."""
    tree = override(source.tree, settings)
    motion = motion_file(tree, source)
    source = motion.counted(source) if motion is not None else source
    scenario, tolerances, problems = _checked(tree, motion)
    if problems:
        raise InputError(problems, str(source.path))
    notes = tuple(crosscheck.unused(scenario))
    return Loaded(source.path.stem, scenario, source, settings, MappingProxyType(tolerances), notes)


def check_tree(tree: Tree, motion: MotionFile | None = None) -> tuple[Scenario, list[Problem]]:
    """Validate a tree, with the motion file it names; what could be read comes back even where there are problems."""
    scenario, _, problems = _checked(tree, motion)
    return scenario, problems


def _checked(tree: Tree, motion: MotionFile | None) -> tuple[Scenario, dict[str, Tolerance], list[Problem]]:
    """What could be read, the tolerances of it by key path, and all that is wrong."""
    problems: list[Problem] = list(motion.problems) if motion is not None else []
    tree = _check_names(tree, problems)
    bad: set[str] = {problem.where for problem in problems}
    for _ in range(3):
        try:
            scenario = Scenario.model_validate(tree)
            break
        except ValidationError as wrong:
            for error in wrong.errors(include_url=False):
                location = _location(error)
                where = ".".join(location)
                if where not in bad:
                    problems.append(_problem(error, location))
                    bad.add(where)
                tree = _without(tree, location)
    else:
        scenario, tree = Scenario(), {}
    if motion is not None and scenario.press is not None and scenario.press.slide is not None:
        scenario.press.slide.points = motion.points
    tolerances = dict(_tolerances(Scenario, tree, ""))
    problems += crosscheck.problems(scenario, bad)
    return scenario, tolerances, problems + limit_problems(scenario, tolerances, bad)


def _check_names(tree: Tree, problems: list[Problem]) -> Tree:
    """Drop things whose name is not one, such as `[tap."M4 hole"]`."""
    tree = dict(tree)
    spring = tree["stripper"].get("spring") if isinstance(tree.get("stripper"), dict) else None
    groups = [(group, tree.get(group)) for group in ("pilot", "punch", "tap", "sensor")]
    for path, things in [*groups, ("stripper.spring", spring)]:
        if not isinstance(things, dict):
            continue
        for name in [name for name in things if not NAME.fullmatch(name)]:
            want = "a name of small letters, digits and hyphens"
            problems.append(Problem(f"{path}.{name[:60]}", told(name), want))
            tree = _without(tree, (*path.split("."), name))
    return tree


def _location(error: ErrorDetails) -> tuple[str, ...]:
    return tuple(str(part) for part in error["loc"])


def _problem(error: ErrorDetails, location: tuple[str, ...]) -> Problem:
    where, kind = ".".join(part[:80] for part in location), error["type"]
    if kind == "extra_forbidden":
        return Problem(where, told(error["input"]), _nearest(location))
    if kind == "refused":
        context = error["ctx"]
        return Problem(where, str(context["given"]), str(context["expected"]))
    return Problem(where, told(error["input"]), f"a table, written [{where}]")


def _nearest(location: tuple[str, ...]) -> str:
    """What stands instead of an unknown key."""
    table: type[Table] | None = Scenario
    named = False
    for part in location[:-1]:
        if named:
            named = False
            continue
        assert table is not None
        table, named = inner(table.model_fields[part].annotation)
    names = list(table.model_fields) if table is not None else []
    close = difflib.get_close_matches(location[-1].lower().replace("-", "_"), names, 1, 0.7)
    if close:
        return f'a known key; the nearest is "{close[0]}"'
    return "a known key: " + ", ".join(names)


def _without(tree: Tree, location: tuple[str, ...]) -> Tree:
    """The tree less what stands at a location; the tables on the way are copies."""
    tree = dict(tree)
    first, rest = location[0], location[1:]
    if first not in tree:
        return tree
    if rest and isinstance(tree[first], dict):
        tree[first] = _without(tree[first], rest)
    else:
        del tree[first]
    return tree


def _tolerances(table: type[Table], tree: Tree, prefix: str) -> list[tuple[str, Tolerance]]:
    """Tolerances of a valid tree, by key path."""
    found: list[tuple[str, Tolerance]] = []
    for name, value in tree.items():
        model = table.model_fields[name]
        path = f"{prefix}{name}"
        below, named = inner(model.annotation)
        if below is not None and named:
            for thing, under in value.items():
                found += _tolerances(below, under, f"{path}.{thing}.")
        elif below is not None:
            found += _tolerances(below, value, f"{path}.")
        else:
            found += _tolerance(model, path, value)
    return found


def _tolerance(model: Any, path: str, value: object) -> list[tuple[str, Tolerance]]:
    marker = next((each for each in markers(model) if isinstance(each, In)), None)
    if marker is None or not isinstance(value, str):
        return []
    tolerance = read(value, marker.dimension).tolerance
    return [] if tolerance is None else [(path, tolerance)]
