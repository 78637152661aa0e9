"""What the keys of a stripper spring must hold, and may not say against each other."""

from __future__ import annotations

from crankclock.errors import Problem
from crankclock.handbook.springs import coil_rate
from crankclock.parts.numbers import Floats
from crankclock.scenario.defaults import DEFAULTS
from crankclock.scenario.schema import Spring
from crankclock.units import read, show

WIRE = ("wire", "mean_diameter", "coils")
"""Keys that together stand for a rate."""

COIL_ONLY = ("rate", *WIRE, "modulus", "load_class", "free_length", "life")
GAS_ONLY = ("exponent", "speed")

SAME_RATE = 0.05
"""A rate given and one worked out from the wire say the same within this share: the rate goes with the fourth power
of the wire diameter, which catalogues round by about a hundredth."""


def spring_problems(where: str, spring: Spring) -> list[Problem]:
    """Missing keys and contradictions of one spring, over whatever could be read; `where` is the path of its table."""
    if spring.kind == "gas":
        return _gas(where, spring)
    return [*_rate(where, spring), *_length(where, spring)] if spring.kind == "coil" else []


def spring_unused(where: str, spring: Spring) -> list[str]:
    """Keys that are given but mean nothing for this spring and are not tied to one kind by the schema."""
    if spring.kind is None:
        return []
    other, names = ("coil", COIL_ONLY) if spring.kind == "gas" else ("gas", GAS_ONLY)
    found = [
        f'{where}.{name} is not used: it belongs to "{other}", this is "{spring.kind}"'
        for name in names
        if getattr(spring, name) is not None
    ]
    if spring.kind == "coil" and spring.modulus is not None and not _wound(spring):
        found.append(f"{where}.modulus is not used: it belongs to {', '.join(WIRE)}")
    return found


def _gas(where: str, spring: Spring) -> list[Problem]:
    if spring.force is None or spring.end_force is None:
        return []
    if spring.force <= 0.0:
        return [Problem(f"{where}.force", "0 N", "more than 0 N for a gas spring")]
    if spring.end_force <= spring.force:
        return [Problem(f"{where}.end_force", _said(spring.end_force, "force"), "more than the spring's force")]
    return []


def _wound(spring: Spring) -> bool:
    """Whether any of the wire's keys is given."""
    return any(getattr(spring, name) is not None for name in WIRE)


def _rate(where: str, spring: Spring) -> list[Problem]:
    """A rate or all that it follows from; both only where they say the same."""
    if not _wound(spring):
        want = f"this key (coil): spring rate of each, or {', '.join(WIRE)}"
        return [] if spring.rate is not None else [Problem(f"{where}.rate", "nothing", want)]
    lacking = [name for name in WIRE if getattr(spring, name) is None]
    if lacking:
        given = next(name for name in WIRE if getattr(spring, name) is not None)
        return [Problem(f"{where}.{name}", "nothing", f"this key, since {given} is given") for name in lacking]
    assert spring.wire is not None
    assert spring.mean_diameter is not None
    assert spring.coils is not None
    if spring.mean_diameter <= spring.wire:
        return [Problem(f"{where}.mean_diameter", _said(spring.mean_diameter, "length"), "more than the wire diameter")]
    modulus = read(str(DEFAULTS["stripper.spring.*.modulus"]), "pressure").value
    modulus = modulus if spring.modulus is None else float(spring.modulus)
    rate = coil_rate(spring.wire, spring.mean_diameter, spring.coils, modulus)
    if spring.rate is None or abs(float(spring.rate / rate) - 1.0) <= SAME_RATE:
        return []
    want = f"the rate of the wire given, {_said(rate, 'stiffness')}, within {100.0 * SAME_RATE:g} %, or no rate"
    return [Problem(f"{where}.rate", _said(spring.rate, "stiffness"), want)]


def _length(where: str, spring: Spring) -> list[Problem]:
    """A spring cannot go further than until its coils touch."""
    if spring.free_length is None:
        return []
    room, whose = spring.free_length, "the free length"
    if spring.wire is not None and spring.coils is not None:
        solid = spring.coils * spring.wire
        if spring.free_length <= solid * (1.0 + 1e-9):
            want = f"more than {_said(solid, 'length')}, where the active coils touch"
            return [Problem(f"{where}.free_length", _said(spring.free_length, "length"), want)]
        room, whose = spring.free_length - solid, "the free length less the active coils laid wire to wire"
    if spring.travel is None or spring.travel < room * (1.0 - 1e-9):
        return []
    return [Problem(f"{where}.travel", _said(spring.travel, "length"), f"less than {_said(room, 'length')}, {whose}")]


def _said(value: Floats, dimension: str) -> str:
    return show(float(value), dimension, "metric")
