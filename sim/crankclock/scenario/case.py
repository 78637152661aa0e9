"""Case files: read and validated like scenarios, every problem told at once."""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from crankclock.errors import InputError, Problem
from crankclock.scenario.case_schema import MEASURED_KEYS, Case
from crankclock.scenario.fields import told
from crankclock.scenario.files import content, shipped_folder, text_of
from crankclock.scenario.paths import value_at
from crankclock.scenario.schema import Scenario, Table, inner

KIND = "a case file (.toml)"


@dataclass(frozen=True)
class OpenedCase:
    """A case that fits its scenario.

    Attributes
    ----------
    name : str
        File name without its suffix.
    case : Case
    tap : str
        The tap that broke, or that is taken to have: the scenario's first.
    notes : tuple of str
        What is given but cannot be used.
    """

    name: str
    case: Case
    tap: str
    notes: tuple[str, ...]


def shipped_cases() -> list[str]:
    """Names of the shipped case files."""
    return sorted(path.stem for path in (shipped_folder() / "cases").glob("*.toml"))


def find_case(name: str) -> Path:
    """The file that a path or the name of a shipped case means.

    Raises
    ------
    InputError
        There is no such file.
    """
    try:
        if Path(name).exists():
            return Path(name)
    except (OSError, ValueError):
        pass
    if name.removesuffix(".toml") in shipped_cases():
        return shipped_folder() / "cases" / f"{name.removesuffix('.toml')}.toml"
    want = "a case file (crankclock new --case FILE writes one), or a shipped one: " + ", ".join(shipped_cases())
    raise InputError([Problem("CASE", f'"{name[:100]}"', want)])


def open_case(name: str, scenario: Scenario, events: frozenset[str]) -> OpenedCase:
    """Read a case file and hold it against its scenario.

    Parameters
    ----------
    name : str
        Path or shipped name.
    scenario : Scenario
        With its defaults resolved.
    events : frozenset of str
        Ids of the scenario's events.

    Raises
    ------
    InputError
        With every problem found.
    """
    path = find_case(name)
    text = text_of(content(path, "CASE", KIND), "CASE", KIND, str(path))
    try:
        tree = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError) as wrong:
        raise InputError([Problem("CASE", "", f"TOML: {wrong}; quantities stand in quotes")], str(path)) from None
    except RecursionError:
        raise InputError([Problem("CASE", "brackets nested too deeply", "TOML")], str(path)) from None
    case, problems = read_case(tree)
    problems += fit_problems(case, scenario, events)
    if problems:
        raise InputError(problems, str(path))
    return fitted(path.stem, case, scenario)


def fitted(name: str, case: Case, scenario: Scenario) -> OpenedCase:
    """A sound case with its tap and what cannot be used of it."""
    broke, tap = case.broke, next(iter(scenario.tap))
    if broke is not None and broke.tap is not None:
        tap = broke.tap
    notes = [
        f"measured.{each}: the scenario has no {measured_path(each, scenario, tap)}, so it says nothing."
        for each in given(case.measured)
        if measured_value(each, scenario, tap) is None
    ]
    if case.found is not None and (case.found.tap_strokes is None) != (case.found.tap_life is None):
        notes.append("found.tap_strokes and found.tap_life say something only together.")
    return OpenedCase(name, case, tap, tuple(notes))


def given(table: Table | None) -> dict[str, Any]:
    """The keys of a table that hold something."""
    return {} if table is None else {name: value for name, value in table if value is not None}


def measured_path(name: str, scenario: Scenario, tap: str) -> str:
    """The scenario's key that a measurement is of."""
    spring = next(iter(scenario.stripper.spring or {}), "*")
    pilot = next(iter(scenario.pilot or {}), "*")
    return MEASURED_KEYS[name].format(tap=tap, spring=spring, pilot=pilot)


def measured_value(name: str, scenario: Scenario, tap: str) -> float | None:
    """What the scenario holds there [SI]; None where it holds nothing."""
    try:
        value = value_at(scenario, measured_path(name, scenario, tap))
    except KeyError:
        return None
    return value if isinstance(value, float) else None


def read_case(tree: dict[str, Any]) -> tuple[Case, list[Problem]]:
    """What could be read of a tree, and all that is wrong with it."""
    problems: dict[str, Problem] = {}
    for _ in range(3):
        try:
            return Case.model_validate(tree), list(problems.values())
        except ValidationError as wrong:
            for error in wrong.errors(include_url=False):
                location = tuple(str(part) for part in error["loc"])
                problem = _problem(error, location)
                problems.setdefault(problem.where, problem)
                tree = _without(tree, location)
    return Case(), list(problems.values())


def _problem(error: ErrorDetails, location: tuple[str, ...]) -> Problem:
    where = ".".join(part[:80] for part in location)
    if error["type"] == "extra_forbidden":
        return Problem(where, told(error["input"]), _nearest(location))
    if error["type"] == "refused":
        return Problem(where, str(error["ctx"]["given"]), str(error["ctx"]["expected"]))
    return Problem(where, told(error["input"]), f"a table, written [{where}]")


def _nearest(location: tuple[str, ...]) -> str:
    table: type[Table] = Case
    for part in location[:-1]:
        below, _ = inner(table.model_fields[part].annotation)
        table = below or table
    names = list(table.model_fields)
    close = difflib.get_close_matches(location[-1].lower().replace("-", "_"), names, 1, 0.7)
    return f'a known key; the nearest is "{close[0]}"' if close else "a known key: " + ", ".join(names)


def _without(tree: dict[str, Any], location: tuple[str, ...]) -> dict[str, Any]:
    first, rest = location[0], location[1:]
    below = tree.get(first)
    if rest and isinstance(below, dict):
        return {**tree, first: _without(below, rest)}
    return {name: value for name, value in tree.items() if name != first}


def _event_words(name: str, events: frozenset[str]) -> str:
    close = difflib.get_close_matches(name, sorted(events), 1, 0.5)
    return f'an event of the scenario; the nearest is "{close[0]}"' if close else "an event of the scenario"


def fit_problems(case: Case, scenario: Scenario, events: frozenset[str]) -> list[Problem]:
    """What of a case contradicts its scenario, or itself."""
    found: list[Problem] = []
    if not scenario.tap:
        return [Problem("SCENARIO", "no tap", "a scenario with a tap: the case is about one that broke")]
    broke = case.broke
    if broke is not None and broke.tap is not None and broke.tap not in scenario.tap:
        found.append(Problem("broke.tap", f'"{broke.tap}"', "a tap of the scenario: " + ", ".join(scenario.tap)))
    if broke is not None and broke.event is not None:
        if broke.angle is not None:
            found.append(Problem("broke.event", f'"{broke.event}"', "either broke.angle or broke.event, not both"))
        if broke.event not in events:
            found.append(Problem("broke.event", told(broke.event), _event_words(broke.event, events)))
    for name in case.observed or {}:
        if name not in events:
            found.append(Problem(f"observed.{name[:60]}", told(name), _event_words(name, events)))
    lost = case.found.springs_lost if case.found is not None else None
    count = sum(int(each.count) for each in (scenario.stripper.spring or {}).values())
    if lost is not None and lost > count:
        want = f"at most {count}, as many springs as the scenario's stripper has"
        found.append(Problem("found.springs_lost", f"{lost:g}", want))
    return found
