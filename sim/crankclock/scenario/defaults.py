"""What is taken where a key is left out: the only place where defaults stand.

Constant defaults are written as the file would write them. Derived ones are worked out after overrides and
sampling, from the values in force.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from crankclock.handbook import threads
from crankclock.handbook.springs import coil_rate
from crankclock.parts.numbers import Floats
from crankclock.scenario.fields import In
from crankclock.scenario.schema import Drive, Scenario, Slide, Spring, Strip, Table, Tap, inner, keys, markers

Derive = Callable[[Scenario, Any], Floats]


@dataclass(frozen=True)
class Derived:
    """A default worked out from other keys: how, and in words."""

    words: str
    value: Derive


def full_depth_turns(scenario: Scenario, tap: Tap) -> Floats:
    """Turns from home to full depth in a strip that lies on the die face: the rest gap there and the wanted depth."""
    strip: Strip = scenario.strip
    lead = threads.parse(tap.thread).pitch
    gap = tap.rest_clearance
    if tap.mount == "die" and tap.side == "above":
        gap = gap + strip.lift
    if tap.flange == "toward":
        gap = gap - (tap.threaded_height - strip.thickness)
    advance = tap.threaded_height + tap.chamfer * lead + tap.extra_depth + gap
    return advance / lead


def _full_depth_at_bdc(scenario: Scenario, tap: Tap) -> Floats:
    """Drive travel coordinate [m] from which the tap reaches its depth exactly at nominal BDC.

    At nominal BDC the strip lies on the die face and q is 0 for every head.
    """
    return full_depth_turns(scenario, tap) / tap.drive.gearing


def _rate_of_wire(_: Scenario, spring: Spring) -> Floats:
    assert spring.wire is not None
    assert spring.mean_diameter is not None
    assert spring.coils is not None
    return coil_rate(spring.wire, spring.mean_diameter, spring.coils, spring.modulus)


DEFAULTS: Mapping[str, object] = {
    "units": "metric",
    "press.mode": "continuous",
    "press.bdc_shift": "0 mm",
    "press.slide.offset": "0 mm",
    "press.stop.scan": "0 ms",
    "strip.lifter_rate": "0 N/mm",
    "strip.below": "0 mm",
    "strip.above": "0 mm",
    "strip.play": "0.05 mm",
    "stripper.spring.*.count": 1,
    "stripper.spring.*.exponent": 1.0,
    # EN 10270-1, as a spring maker prints it: mollificiomodenese.it, glossary, 81.5 kN/mm2.
    "stripper.spring.*.modulus": "81500 MPa",
    "stripper.spring.*.rate": Derived("worked out from wire, mean_diameter, coils and modulus", _rate_of_wire),
    "contact.stiffness": "500 kN/mm",
    "contact.damping": 0.5,
    "feeder.latency": "0 ms",
    "feeder.settle": "0 ms",
    "feeder.law": "trapezoid",
    "feeder.pilot_release.latency": "0 ms",
    "tap.*.kind": "form",
    "tap.*.point": "0 mm",
    "tap.*.coating": "bare",
    "tap.*.wear": 1.0,
    "tap.*.lubrication": 1.0,
    "tap.*.threaded_height": Derived("strip.thickness", lambda scenario, _: scenario.strip.thickness),
    "tap.*.extra_depth": Derived("one pitch", lambda _, tap: threads.parse(tap.thread).pitch),
    "tap.*.side": "above",
    "tap.*.flange": "away",
    "tap.*.drive.reference": "head",
    "tap.*.drive.backlash": "0 deg",
    "tap.*.drive.latency": "0 ms",
    "tap.*.drive.engage_height": Derived("full depth exactly at nominal BDC", _full_depth_at_bdc),
    "sensor.*.response": "0 ms",
    "allowance.angle": "5 deg",
    "allowance.clearance": "0.3 mm",
    "allowance.share": 0.05,
}

ABSENT_MEANS: Mapping[str, str] = {
    "press.slide.connecting_rod": "infinitely long",
    "press.flywheel.motor": "just enough to give the work's energy back evenly by the end of the turn",
    "press.limits.open_height": "the die opens as far as the stroke",
    "tap.*.drive.travel": "rated travel not given, not checked",
}
"""Keys whose absence itself is an assumption about the machine."""


def pattern(path: str) -> str:
    """The path with the names of things written `*`, as `DEFAULTS` has it."""
    parts = path.split(".")
    for at, part in enumerate(parts):
        if part in NAMED and at + 1 < len(parts):
            parts[at + 1] = "*"
    return ".".join(parts)


NAMED = {"pilot", "punch", "tap", "sensor", "spring"}


def default_words(path: str) -> str | None:
    """The default of a key in words, None where it has none."""
    found = DEFAULTS.get(path)
    if isinstance(found, Derived):
        return found.words
    return ABSENT_MEANS.get(path) if found is None else str(found)


@dataclass(frozen=True)
class Assumption:
    """A value the scenario did not give.

    Attributes
    ----------
    path : str
    value : object
        In SI; None where the absence itself is the assumption.
    words : str
        Where it comes from, where that is another key.
    dimension : str or None
        Dimension of the value; None for words and bare numbers.
    """

    path: str
    value: object
    words: str
    dimension: str | None


def dimension_of(table: Table | type[Table], name: str) -> str | None:
    """The dimension a key is read in; None for words and bare numbers."""
    for marker in markers((table if isinstance(table, type) else type(table)).model_fields[name]):
        if isinstance(marker, In):
            return marker.dimension
    return None


def _read(table: type[Table], name: str, value: object) -> object:
    """A constant default as the file's reader takes it."""
    return getattr(table.model_validate({name: value}), name)


def resolve(scenario: Scenario) -> tuple[Scenario, tuple[Assumption, ...]]:
    """Fill in every default.

    Parameters
    ----------
    scenario : Scenario
        As validated; values may have been replaced by arrays over variants.

    Returns
    -------
    scenario : Scenario
        A copy without gaps where a default exists.
    assumed : tuple of Assumption
        What was filled in, in the order of the schema.
    """
    whole = scenario.model_copy(deep=True)
    for name, field in Scenario.model_fields.items():
        table, named = inner(field.annotation)
        if getattr(whole, name) is None and table is not None and (named or name in ("contact", "allowance")):
            setattr(whole, name, {} if named else table())
    if whole.stripper.spring is None:
        whole.stripper.spring = {}
    derived: list[tuple[Table, str, str, Derived, Table]] = []
    assumed: list[Assumption] = []
    for path, owner, name, parent in _gaps(whole):
        default = DEFAULTS.get(pattern(path))
        if isinstance(default, Derived):
            derived.append((owner, name, path, default, parent))
        elif default is not None:
            value = _read(type(owner), name, default)
            setattr(owner, name, value)
            if not _idle(owner, name):
                assumed.append(Assumption(path, value, "", dimension_of(owner, name)))
        elif pattern(path) in ABSENT_MEANS and not _idle(owner, name):
            assumed.append(Assumption(path, None, ABSENT_MEANS[pattern(path)], None))
    for owner, name, path, derive, parent in derived:
        if _idle(owner, name):
            continue
        value = derive.value(whole, parent if isinstance(owner, Drive) else owner)
        setattr(owner, name, value)
        assumed.append(Assumption(path, value, derive.words, dimension_of(owner, name)))
    return whole, tuple(assumed)


def _idle(owner: Table, name: str) -> bool:
    """Whether a key means nothing for this kind of thing, so that its default is no assumption."""
    if isinstance(owner, Drive):
        return name == ("latency" if owner.kind == "press" else "engage_height")
    if isinstance(owner, Spring):
        if owner.kind == "gas":
            return name in ("modulus", "rate")
        return name == "exponent" or (owner.wire is None and name in ("modulus", "rate"))
    return isinstance(owner, Slide) and owner.kind == "table" and name in ("connecting_rod", "offset")


def _gaps(scenario: Scenario) -> list[tuple[str, Table, str, Table]]:
    """Path, table, key and the table above it, for every key that is not there."""
    found: list[tuple[str, Table, str, Table]] = []

    def walk(table: Table, prefix: str, above: Table) -> None:
        for name in type(table).model_fields:
            value, path = getattr(table, name), f"{prefix}{name}"
            if value is None:
                found.append((path, table, name, above))
            elif isinstance(value, Table):
                walk(value, f"{path}.", table)
            elif isinstance(value, dict):
                for thing, below in value.items():
                    walk(below, f"{path}.{thing}.", table)

    walk(scenario, "", scenario)
    return found


def explained() -> list[tuple[str, Any, str | None]]:
    """Every key's path pattern, its field, and its default in words."""
    return [(path, field, default_words(path)) for path, field in keys()]
