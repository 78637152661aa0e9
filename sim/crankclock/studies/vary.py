"""What a search may change: keys with a range, a list, or the gearings that can be had; every mistake told at once."""

from __future__ import annotations

import contextlib
import difflib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from pydantic_core import PydanticCustomError

from crankclock.errors import InputError, Problem
from crankclock.scenario.defaults import dimension_of
from crankclock.scenario.fields import In, Number
from crankclock.scenario.load import Loaded, validated
from crankclock.scenario.paths import value_at
from crankclock.scenario.schema import Scenario, Table, markers
from crankclock.studies.gearing import EXAMPLE, choices
from crankclock.studies.settings import grain, setting
from crankclock.studies.space import Space, Vary
from crankclock.units import System, show

MOST_KEYS = 8
MOST_VALUES = 200
MOST_POINTS = 20_000
"""Combinations of listed values that are all tried, each at a whole span of rates: about a minute's work."""
ABOUT = math.radians(20.0)
"""How far to either side an angle is varied where no range is given [rad]."""
SHARE = 0.25
"""How far to either side anything else is, as a share of what it is."""
HOW = 'KEY=FROM..TO, KEY=A, B, C, KEY=gearings or KEY, such as "stripper.travel=30 mm..60 mm"'
FORBIDDEN: Mapping[str, str] = {
    "press.rate": "another key: the goal itself is about the rate; --at names a wanted one",
    "press.limits": "another key: what the press may do is not for a search to change",
    "allowance": "another key: a search may not change what counts as tight",
    "contact": "another key: contact values are guesses about the plates, not a choice",
}


def read_space(loaded: Loaded, asked: Sequence[str], units: System) -> Space:
    """Read what may change.

    Parameters
    ----------
    loaded : Loaded
    asked : sequence of str
        Such as "stripper.travel=30mm..60mm", "tap.m4.drive.gearing=gearings", "feeder.start".
    units : {"metric", "inch"}
        How values are rounded and written.

    Returns
    -------
    Space

    Raises
    ------
    InputError
        With every problem found.
    """
    if not asked:
        raise InputError([Problem("--vary", "nothing", f"what may change: {HOW}")])
    resolved, _ = loaded.resolved()
    known = dict(_known(resolved, ""))
    problems: list[Problem] = []
    found: list[Vary] = []
    for text in asked:
        path, equals, given = (part.strip() for part in text.partition("="))
        if not path or (equals and not given):
            problems.append(Problem("--vary", f'"{text[:80]}"', HOW))
            continue
        wrong = _unknown(path, known)
        if wrong is None and path in [key.path for key in found]:
            wrong = Problem(path, "twice", "a key once")
        if wrong is not None:
            problems.append(wrong)
            continue
        try:
            key = _vary(resolved, path, known[path], given, units)
        except InputError as several:
            problems += several.problems
            continue
        found.append(key)
        problems += _refused(loaded, key, units)
    points = math.prod(len(key.values) for key in found if key.values)
    if points > MOST_POINTS:
        want = f"at most {MOST_POINTS:,}: each is worked out at a whole span of rates. Give ranges or shorter lists"
        problems.append(Problem("--vary", f"lists that make {points:,} combinations", want))
    if len(asked) > MOST_KEYS:
        want = f"at most {MOST_KEYS}: beyond that no search of a minute finds the best with any certainty"
        problems.append(Problem("--vary", f"{len(asked)} keys", want))
    if problems:
        raise InputError(problems, str(loaded.source.path))
    return Space(tuple(found), loaded.scenario, units)


def _known(table: Table, prefix: str) -> Iterator[tuple[str, In | Number]]:
    """Every key of the tables that are there that holds a quantity or a number."""
    for name, field in type(table).model_fields.items():
        value = getattr(table, name)
        if isinstance(value, Table):
            yield from _known(value, f"{prefix}{name}.")
        elif isinstance(value, dict):
            for thing, below in value.items():
                yield from _known(below, f"{prefix}{name}.{thing}.")
        else:
            for marker in markers(field):
                if isinstance(marker, (In, Number)):
                    yield f"{prefix}{name}", marker


def _unknown(path: str, known: Mapping[str, In | Number]) -> Problem | None:
    for start, want in FORBIDDEN.items():
        if path == start or path.startswith(f"{start}."):
            return Problem(path, "as a key to vary", want)
    if path in known:
        return None
    near = difflib.get_close_matches(path, known, 1, 0.6)
    hint = f'; the nearest is "{near[0]}"' if near else ""
    return Problem(path[:80], "as a key to vary", f"a key of the scenario that holds a quantity or a number{hint}")


def _vary(scenario: Scenario, path: str, marker: In | Number, given: str, units: System) -> Vary:
    """One key; what was given may be a range, a list, the word, or nothing."""
    above, _, last = path.rpartition(".")
    table = value_at(scenario, above) if above else scenario
    assert isinstance(table, Table)
    present = value_at(scenario, path)
    now = float(present) if isinstance(present, float) else None
    plain = Vary(path, dimension_of(table, last), now, 0.0, 0.0, (), grain(dimension_of(table, last), units))
    is_gearing = path.startswith("tap.") and path.endswith(".drive.gearing") and now is not None
    listed = is_gearing and scenario.tap[path.split(".")[1]].drive.gearings is not None
    if given == "gearings":
        if not is_gearing:
            raise InputError(
                [Problem(path, '"gearings"', "this word for the drive.gearing of a tap that the press turns")]
            )
        if not listed:
            raise InputError([Problem(f"{path}s", "nothing", EXAMPLE)])
    if given == "gearings" or (not given and listed):
        values = tuple(choices(scenario, path.split(".")[1]))
        return replace(plain, low=values[0], high=values[-1], values=values, basis="the gearings that can be had")
    if not given:
        return _about(plain, marker, units)
    if ".." in given:
        return _range(plain, marker, given)
    return _list(plain, marker, given)


def _about(key: Vary, marker: In | Number, units: System) -> Vary:
    """A range about the present value."""
    if not key.now:
        shown = "no range, and no value in the scenario to be about"
        raise InputError([Problem(key.path, shown, f"a range or a list: {HOW}")])
    angle = key.dimension == "angle"
    reach = ABOUT if angle else SHARE * abs(key.now)
    least, most = _bounds(marker, key.step)
    low, high = max(key.now - reach, least), min(key.now + reach, most)
    how = "20 deg" if angle else f"{SHARE:.0%}"
    shown = f"{key.now:g}" if key.dimension is None else show(key.now, key.dimension, units)
    return _whole(replace(key, low=low, high=high, basis=f"{how} to either side of {shown}"), marker)


def _bounds(marker: In | Number, step: float) -> tuple[float, float]:
    """The least and the greatest value a key takes."""
    if isinstance(marker, Number):
        return (marker.least + step if marker.above else marker.least), marker.most
    if marker.above is not None:
        return marker.above + step, math.inf
    return (-math.inf if marker.least is None else marker.least), math.inf


def _whole(key: Vary, marker: In | Number) -> Vary:
    """A range of a count as the list of its whole numbers."""
    if not (isinstance(marker, Number) and marker.whole):
        return key
    values = tuple(float(each) for each in range(math.ceil(key.low), math.floor(key.high) + 1))
    if len(values) < 2:
        raise InputError([Problem(key.path, f"{key.low:g}..{key.high:g}", "a range with two whole numbers in it")])
    return replace(key, low=values[0], high=values[-1], values=values[:MOST_VALUES])


def _range(key: Vary, marker: In | Number, given: str) -> Vary:
    ends = given.split("..")
    if len(ends) != 2 or not all(end.strip() for end in ends):
        raise InputError([Problem(key.path, f'"{given[:60]}"', "a range FROM..TO with both its ends")])
    low, high = _read(key.path, marker, ends)
    if low >= high:
        what = "an empty range" if low == high else "the greater end first"
        raise InputError([Problem(key.path, f'"{given[:60]}", {what}', "a range from the lesser end to the greater")])
    return _whole(replace(key, low=low, high=high), marker)


def _list(key: Vary, marker: In | Number, given: str) -> Vary:
    parts = given.split(",")
    if len(parts) > MOST_VALUES:
        raise InputError([Problem(key.path, f"{len(parts)} values", f"at most {MOST_VALUES}, or a range FROM..TO")])
    values = tuple(sorted(set(_read(key.path, marker, parts))))
    if len(values) < 2:
        want = "a range FROM..TO or two values or more; one alone is set with --set"
        raise InputError([Problem(key.path, f'"{given[:60]}"', want)])
    return replace(key, low=values[0], high=values[-1], values=values)


def _read(path: str, marker: In | Number, texts: Sequence[str]) -> list[float]:
    """Values [SI] of texts; what is wrong with any of them is told at once."""
    found, problems = [], []
    exact = replace(marker, exact=True) if isinstance(marker, In) else marker
    for text in texts:
        given: object = text.strip()
        if isinstance(exact, Number):
            with contextlib.suppress(ValueError):
                given = float(text)
        try:
            found.append(float(exact.read(given)))
        except PydanticCustomError as wrong:
            context = wrong.context or {}
            problems.append(Problem(path, str(context["given"]), str(context["expected"])))
    if problems:
        raise InputError(problems)
    return found


def _refused(loaded: Loaded, key: Vary, units: System) -> list[Problem]:
    """What the scenario says against either end of a range, or any value of a list."""
    found: list[Problem] = []
    for value in key.values or (key.low, key.high):
        text = setting(key.path, value, key.dimension, units)
        try:
            validated(loaded.source, (*loaded.overrides, text))
        except InputError as wrong:
            for problem in wrong.problems:
                where = "" if problem.where == key.path else f"{problem.where}: "
                found.append(Problem(key.path, f'"{text.partition("=")[2]}"', f"{where}{problem.expected}"))
    return found
