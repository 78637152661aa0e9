"""What keys must be there, and what they may not say against each other.

Every check runs over whatever could be read, and adds what it finds to one list.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from crankclock.errors import Problem
from crankclock.handbook import holes, threads
from crankclock.parts.numbers import TURN, Floats
from crankclock.scenario.crank_checks import crank_problems, crank_unused
from crankclock.scenario.schema import (
    MATERIALS,
    Feeder,
    Scenario,
    Spring,
    Table,
    Tap,
    inner,
    required,
)
from crankclock.scenario.slide_checks import slide_problems, slide_unused
from crankclock.scenario.spring_checks import spring_problems, spring_unused
from crankclock.units import show

PROTECTABLE = ("feed", "stripper")
WATCHABLE = ("feed", "strip")


def problems(scenario: Scenario, bad: set[str]) -> list[Problem]:
    """All missing keys and contradictions; `bad` are the paths already reported."""
    found = [*_missing(scenario, bad), *_slide(scenario), *_strip(scenario), *_press(scenario)]
    found += crank_problems(scenario.press) if scenario.press is not None else []
    if scenario.feeder is not None:
        found += _feeder(scenario, scenario.feeder)
    for name, tap in (scenario.tap or {}).items():
        found += _tap(name, tap)
    for name, spring in _springs(scenario).items():
        found += spring_problems(f"stripper.spring.{name}", spring)
    found += _sensors(scenario)
    return [problem for problem in found if problem.where not in bad]


def _tables(scenario: Scenario) -> Iterator[tuple[str, Table]]:
    """Every table that is there, with its path and a trailing dot."""

    def walk(table: Table, prefix: str) -> Iterator[tuple[str, Table]]:
        yield prefix, table
        for name in type(table).model_fields:
            value = getattr(table, name)
            if isinstance(value, Table):
                yield from walk(value, f"{prefix}{name}.")
            elif isinstance(value, dict):
                for thing, below in value.items():
                    yield from walk(below, f"{prefix}{name}.{thing}.")

    return walk(scenario, "")


def _missing(scenario: Scenario, bad: set[str]) -> list[Problem]:
    found = []
    for prefix, table in _tables(scenario):
        kind = getattr(table, "kind", None) or getattr(table, "mount", None)
        for name, field in type(table).model_fields.items():
            when = required(field)
            wanted = when is True or (isinstance(when, str) and kind in when.split(" or "))
            path = f"{prefix}{name}"
            if not wanted or getattr(table, name) is not None or any(each.startswith(path) for each in bad):
                continue
            why = f" ({kind})" if isinstance(when, str) else ""
            below, _ = inner(field.annotation)
            what = f"the table [{path}]" if below else "this key"
            found.append(Problem(path, "nothing", f"{what}{why}: {field.description}"))
            if below is not None:
                found += _missing_below(below, path)
    return found


def _missing_below(table: type[Table], path: str) -> list[Problem]:
    """The always required keys of a table that is not there at all."""
    found = []
    for name, field in table.model_fields.items():
        if required(field) is True:
            below, _ = inner(field.annotation)
            what = "this key" if below is None else f"the table [{path}.{name}]"
            found.append(Problem(f"{path}.{name}", "nothing", f"{what}: {field.description}"))
            found += _missing_below(below, f"{path}.{name}") if below is not None else []
    return found


def _length(size: Floats) -> str:
    return show(float(size), "length", "metric")


def _slide(scenario: Scenario) -> list[Problem]:
    slide = scenario.press.slide if scenario.press is not None else None
    return slide_problems(slide) if slide is not None else []


def _strip(scenario: Scenario) -> list[Problem]:
    strip = scenario.strip
    if strip is None or strip.material is None or strip.material in MATERIALS or strip.properties is not None:
        return []
    known = ", ".join(MATERIALS)
    return [Problem("strip.material", f'"{strip.material[:60]}"', f"one of {known}, or own [strip.properties]")]


def _press(scenario: Scenario) -> list[Problem]:
    press = scenario.press
    found = []
    if press is not None and press.limits is not None:
        low, high = press.limits.rate_min, press.limits.rate_max
        if low is not None and high is not None and low > high:
            given = show(float(low), "rate", "metric")
            found.append(Problem("press.limits.rate_min", given, "no more than press.limits.rate_max"))
    return found


def _springs(scenario: Scenario) -> Mapping[str, Spring]:
    return (scenario.stripper.spring or {}) if scenario.stripper is not None else {}


def _feeder(scenario: Scenario, feeder: Feeder) -> list[Problem]:
    if feeder.kind != "rated" or feeder.rates is None or scenario.strip is None or scenario.strip.pitch is None:
        return []
    longest = max(length for length, _ in feeder.rates)
    if scenario.strip.pitch > longest * (1.0 + 1e-9):
        want = f"a list that reaches the feed length strip.pitch, {_length(scenario.strip.pitch)}"
        return [Problem("feeder.rates", f"lengths up to {_length(longest)}", want)]
    return []


def _tap(name: str, tap: Tap) -> list[Problem]:
    found = []
    if tap.mount == "stripper" and tap.side == "below":
        found.append(Problem(f"tap.{name}.side", '"below"', '"above": a stripper-mounted head cannot tap from below'))
    if tap.hole is not None and tap.thread is not None:
        found += _hole(name, tap)
    return found


def _hole(name: str, tap: Tap) -> list[Problem]:
    """A hole in which no thread can be made, or which the tap cannot enter."""
    assert tap.hole is not None
    percent = holes.percent_of_thread if tap.kind == "cut" else holes.form_percent
    try:
        percent(threads.parse(tap.thread), float(tap.hole))
    except holes.HoleError as wrong:
        return [Problem(f"tap.{name}.hole", _length(tap.hole), f"a hole that suits the thread: {wrong}")]
    return []


def _same_dial(one: Floats, other: Floats) -> bool:
    """Two angles [rad] that show the same dial reading, rounding aside."""
    apart = float(one - other) % TURN
    return min(apart, TURN - apart) < 1e-9


def _sensors(scenario: Scenario) -> list[Problem]:
    found = []
    tools = [f"{group}:{name}" for group in ("pilot", "punch", "tap") for name in getattr(scenario, group) or {}]
    for name, sensor in (scenario.sensor or {}).items():
        if sensor.on is not None and sensor.off is not None and _same_dial(sensor.on, sensor.off):
            given = show(float(sensor.off), "angle", "metric")
            found.append(
                Problem(f"sensor.{name}.off", given, "another angle than on: a window of no width sees nothing")
            )
        for field, extra in (("watches", WATCHABLE), ("protects", PROTECTABLE)):
            given = getattr(sensor, field)
            allowed = [*tools, *extra]
            if given is not None and given not in allowed:
                want = "one of " + ", ".join(f'"{each}"' for each in allowed)
                found.append(Problem(f"sensor.{name}.{field}", f'"{given[:60]}"', want))
    return found


def unused(scenario: Scenario) -> list[str]:
    """Keys that are given but mean nothing for the kind of thing they stand in; told, not refused."""
    found = crank_unused(scenario.press) if scenario.press is not None else []
    found += slide_unused(scenario.press.slide) if scenario.press is not None else []
    for name, spring in _springs(scenario).items():
        found += spring_unused(f"stripper.spring.{name}", spring)
    lasting = any(spring.load_class is not None for spring in _springs(scenario).values())
    if scenario.press is not None and scenario.press.strokes_per_day is not None and not lasting:
        found.append("press.strokes_per_day is not used: no spring has a load_class")
    for prefix, table in _tables(scenario):
        kind = getattr(table, "kind", None) or getattr(table, "mount", None)
        for name, field in type(table).model_fields.items():
            when = required(field)
            if getattr(table, name) is None or not isinstance(when, str) or kind is None:
                continue
            if kind not in when.split(" or ") and name != "travel":  # a coil's rated travel is judged too
                found.append(f'{prefix}{name} is not used: it belongs to "{when}", this is "{kind}"')
    return found
