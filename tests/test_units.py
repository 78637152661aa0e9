"""Quantity text to SI floats and back: what reads right, what is refused, and that nothing else happens."""

from __future__ import annotations

import doctest
import math
import subprocess
import sys
from decimal import Decimal
from fractions import Fraction
from typing import Any, Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from crankclock.units import (
    DIMENSIONS,
    Quantity,
    Tolerance,
    UnitError,
    factors,
    from_unit,
    read,
    reading,
    show,
    to_unit,
    write,
    writing,
)

# Exact by definition: NIST Special Publication 811 (2008), appendix B (inch, pound, standard gravity;
# horsepower of 550 foot pounds-force a second). Written out here, not taken from the program.
INCH = Fraction("0.0254")
FOOT = Fraction("0.3048")
POUND = Fraction("0.45359237")
GRAVITY = Fraction("9.80665")
LBF = POUND * GRAVITY
TURN = Fraction("6.283185307179586476925286766559")  # radians

# What one of each is in the program's own units. Rates, spindle accelerations, gearings count turns.
WORTH: dict[str, dict[str, Fraction]] = {
    "length": {
        "m": Fraction(1),
        "cm": Fraction("0.01"),
        "mm": Fraction("0.001"),
        "um": Fraction("1e-6"),
        "µm": Fraction("1e-6"),
        "μm": Fraction("1e-6"),
        "in": INCH,
        "inch": INCH,
        "inches": INCH,
        '"': INCH,
        "″": INCH,
        "thou": INCH / 1000,
        "ft": FOOT,
        "foot": FOOT,
        "feet": FOOT,
    },
    "angle": {
        "rad": Fraction(1),
        "rev": TURN,
        "turn": TURN,
        "turns": TURN,
        "deg": TURN / 360,
        "degree": TURN / 360,
        "degrees": TURN / 360,
        "°": TURN / 360,
    },
    "time": {
        "s": Fraction(1),
        "ms": Fraction("1e-3"),
        "us": Fraction("1e-6"),
        "µs": Fraction("1e-6"),
        "min": Fraction(60),
        "h": Fraction(3600),
    },
    "rate": {
        "/s": Fraction(1),
        "1/s": Fraction(1),
        "Hz": Fraction(1),
        "/min": Fraction(1, 60),
        "1/min": Fraction(1, 60),
        "min^-1": Fraction(1, 60),
        "min⁻¹": Fraction(1, 60),
        "rpm": Fraction(1, 60),
        "spm": Fraction(1, 60),
        "rev/min": Fraction(1, 60),
        "turns/min": Fraction(1, 60),
        "strokes/min": Fraction(1, 60),
        "/h": Fraction(1, 3600),
        "rad/s": 1 / TURN,
        "deg/s": Fraction(1, 360),
    },
    "speed": {
        "m/s": Fraction(1),
        "mm/s": Fraction("1e-3"),
        "m/min": Fraction(1, 60),
        "in/s": INCH,
        "ft/min": FOOT / 60,
        "fpm": FOOT / 60,
    },
    "acceleration": {
        "m/s^2": Fraction(1),
        "m/s²": Fraction(1),
        "m/s/s": Fraction(1),
        "m*s^-2": Fraction(1),
        "mm/s^2": Fraction("1e-3"),
        "in/s^2": INCH,
        "ft/s^2": FOOT,
    },
    "angular_acceleration": {
        "/s^2": Fraction(1),
        "1/s²": Fraction(1),
        "rev/s^2": Fraction(1),
        "rpm/s": Fraction(1, 60),
        "rad/s^2": 1 / TURN,
    },
    "force": {"N": Fraction(1), "kN": Fraction(1000), "lbf": LBF, "kgf": GRAVITY},
    "pressure": {
        "Pa": Fraction(1),
        "kPa": Fraction(1000),
        "MPa": Fraction(10**6),
        "bar": Fraction(10**5),
        "N/mm^2": Fraction(10**6),
        "N/mm²": Fraction(10**6),
        "psi": LBF / INCH**2,
        "lbf/in^2": LBF / INCH**2,
    },
    "mass": {"kg": Fraction(1), "g": Fraction("1e-3"), "lb": POUND},
    "stiffness": {
        "N/m": Fraction(1),
        "N/mm": Fraction(1000),
        "kN/mm": Fraction(10**6),
        "lbf/in": LBF / INCH,
    },
    "gearing": {
        "/m": Fraction(1),
        "/mm": Fraction(1000),
        "1/mm": Fraction(1000),
        "turns/mm": Fraction(1000),
        "rev/mm": Fraction(1000),
        "/in": 1 / INCH,
        "1/in": 1 / INCH,
        "/inch": 1 / INCH,
        "turns/in": 1 / INCH,
    },
    "inertia": {
        "kg*m^2": Fraction(1),
        "kg m^2": Fraction(1),
        "kg·m²": Fraction(1),
        "kg⋅m²": Fraction(1),
        "kg*cm^2": Fraction("1e-4"),
        "g*cm^2": Fraction("1e-7"),
        "lb*in^2": POUND * INCH**2,
        "lb*ft^2": POUND * FOOT**2,
    },
    "torque": {
        "N*m": Fraction(1),
        "N m": Fraction(1),
        "Nm": Fraction(1),
        "N·m": Fraction(1),
        "lbf*in": LBF * INCH,
        "in*lbf": LBF * INCH,
        "lbf in": LBF * INCH,
        "lbf*ft": LBF * FOOT,
    },
    "energy": {
        "J": Fraction(1),
        "kJ": Fraction(1000),
        "N*m": Fraction(1),
        "lbf*ft": LBF * FOOT,
        "ft*lbf": LBF * FOOT,
        "in*lbf": LBF * INCH,
    },
    "power": {"W": Fraction(1), "kW": Fraction(1000), "hp": 550 * FOOT * LBF},
}
EVERY_UNIT = [(kind, unit) for kind, units in WORTH.items() for unit in units]
NEAR = pytest.approx


def tolerance_of(text: str, dimension: str) -> Tolerance:
    found = read(text, dimension).tolerance
    assert found is not None
    return found


def refusal(text: str, dimension: str) -> str:
    with pytest.raises(UnitError) as caught:
        read(text, dimension)
    return str(caught.value)


# --- what reads right ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("1.5 mm", "length", 0.0015),
        ("1.5mm", "length", 0.0015),
        ("+1.5 mm", "length", 0.0015),
        ("-1.5 mm", "length", -0.0015),
        ("\u22121.5 mm", "length", -0.0015),  # typographic minus
        ("- 1.5 mm", "length", -0.0015),
        ("0 mm", "length", 0.0),
        ("5. mm", "length", 0.005),
        ("1e3 mm", "length", 1.0),
        ("1E-3 m", "length", 0.001),
        ("  1.5   mm ", "length", 0.0015),
        ("1.5\u00a0mm", "length", 0.0015),  # no-break space
        ("1.5\u2009mm", "length", 0.0015),  # thin space
        ("1.5\u202fmm", "length", 0.0015),  # narrow no-break space
        ("3/8 in", "length", 0.009525),
        ("3/8in", "length", 0.009525),
        ('3/8"', "length", 0.009525),
        ("9/8 in", "length", 0.028575),
        ("1 1/8 in", "length", 0.028575),
        ("1-1/8 in", "length", 0.028575),
        ("1\u22121/8 in", "length", 0.028575),
        ("1\u00a01/8\u00a0in", "length", 0.028575),
        ("-1 1/8 in", "length", -0.028575),
        ("-1-1/8 in", "length", -0.028575),
        ("-3/8 in", "length", -0.009525),
        ("0 1/8 in", "length", 0.003175),
        ('1 1/8"', "length", 0.028575),
        ("2 1/2 ft", "length", 0.762),
        ('0.060"', "length", 0.001524),
        ("0.060″", "length", 0.001524),
        (".060 in", "length", 0.001524),
        ("60 thou", "length", 0.001524),
        ("4 in", "length", 0.1016),
        ("60 /min", "rate", 1.0),
        ("60/min", "rate", 1.0),
        ("60 1/min", "rate", 1.0),
        ("60 / min", "rate", 1.0),
        ("71 rpm", "rate", 71 / 60),
        ("71 spm", "rate", 71 / 60),
        ("12 ms", "time", 0.012),
        ("25 m/s^2", "acceleration", 25.0),
        ("0.24 /mm", "gearing", 240.0),
        ("0.24/mm", "gearing", 240.0),
        ("4 1/in", "gearing", float(4 / INCH)),
        ("4 1/8 /in", "gearing", float(Fraction(33, 8) / INCH)),
        ("20 deg", "angle", math.radians(20)),
        ("20°", "angle", math.radians(20)),
        ("360 deg", "angle", math.tau),
        ("-5°", "angle", math.radians(-5)),
        ("2.5 kN", "force", 2500.0),
        ("140 bar", "pressure", 1.4e7),
        ("2300 N/mm^2", "pressure", 2.3e9),
        ("4e-5 kg*m^2", "inertia", 4e-5),
        ("60 m/min", "speed", 1.0),
        ("100 cm", "length", 1.0),
        ("1.2e2 N / mm", "stiffness", 1.2e5),
    ],
)
def test_reads_right(text: str, dimension: str, value: float) -> None:
    assert read(text, dimension) == Quantity(value, None)


@pytest.mark.parametrize(
    ("text", "dimension", "minus", "plus", "shape"),
    [
        ("1.50 mm ± 0.06 mm", "length", 6e-5, 6e-5, "normal"),
        ("1.50 ± 0.06 mm", "length", 6e-5, 6e-5, "normal"),
        ("1.50 mm ± 0.06", "length", 6e-5, 6e-5, "normal"),
        ("1.50mm±0.06mm", "length", 6e-5, 6e-5, "normal"),
        ("1.50 mm +/- 0.06 mm", "length", 6e-5, 6e-5, "normal"),
        ("1.50 mm + / - 0.06 mm", "length", 6e-5, 6e-5, "normal"),
        ("1.50 mm +/\u2212 0.06 mm", "length", 6e-5, 6e-5, "normal"),
        ("1.50 mm +- 0.06 mm", "length", 6e-5, 6e-5, "normal"),
        ("1.50 +/- 0.06 mm", "length", 6e-5, 6e-5, "normal"),
        ("1.50 mm +0.06/-0.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("1.50 mm + 0.06 / - 0.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("1.50 mm +0.06/\u22120.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("1.50 +0.06/-0.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("1.50 mm +0.06/-0.02", "length", 2e-5, 6e-5, "normal"),
        ("1.50 mm -0.02/+0.06 mm", "length", 2e-5, 6e-5, "normal"),
        ("1.50 mm +0.06 -0.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("1.50 mm +0.06 mm/-0.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("1.50 mm +0.06 mm -0.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("1.50 mm +60 um/-0.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("1.50 mm +0.06/-0 mm", "length", 0.0, 6e-5, "normal"),
        ("1.50 mm +0.06/0 mm", "length", 0.0, 6e-5, "normal"),
        ("1.50 mm 0/-0.02 mm", "length", 2e-5, 0.0, "normal"),
        ("1.50 0/-0.02 mm", "length", 2e-5, 0.0, "normal"),
        ("1.50 mm +0.06/+0.00 mm", "length", 0.0, 6e-5, "normal"),  # holds the nominal, just
        ("1.50 mm -0/-0.02 mm", "length", 2e-5, 0.0, "normal"),
        ("1.50 mm ± 4 %", "length", 6e-5, 6e-5, "normal"),
        ("1.50 mm ±4%", "length", 6e-5, 6e-5, "normal"),
        ("1.50 mm +4/-2 %", "length", 3e-5, 6e-5, "normal"),
        ("1.50 mm +4 %/-2 %", "length", 3e-5, 6e-5, "normal"),
        ("1.50 mm +4%/-0.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("-1.50 mm +4/-2 %", "length", 3e-5, 6e-5, "normal"),  # percent of the magnitude
        ("-1.50 mm +0.06/-0.02 mm", "length", 2e-5, 6e-5, "normal"),
        ("60 mm ± 0.01 in", "length", 2.54e-4, 2.54e-4, "normal"),
        ("1 1/8 in ± 1/64 in", "length", 3.96875e-4, 3.96875e-4, "normal"),
        ("1 1/8 in +1/64/-1/32 in", "length", 7.9375e-4, 3.96875e-4, "normal"),
        ('0.060" ± .002"', "length", 5.08e-5, 5.08e-5, "normal"),
        ("1.50 mm ± 0.06 mm uniform", "length", 6e-5, 6e-5, "uniform"),
        ("1.50 mm ± 0.06 mm Uniform", "length", 6e-5, 6e-5, "uniform"),
        ("1.50 mm +0.06/-0.02 mm uniform", "length", 2e-5, 6e-5, "uniform"),
        ("1.50 mm ± 4 % uniform", "length", 6e-5, 6e-5, "uniform"),
        ("1.50 mm ± 0.06 mm normal", "length", 6e-5, 6e-5, "normal"),
        ("60 /min ± 2 /min", "rate", 2 / 60, 2 / 60, "normal"),
        ("60 ± 2 1/min", "rate", 2 / 60, 2 / 60, "normal"),
        ("60 /min +2/-1 /min", "rate", 1 / 60, 2 / 60, "normal"),
        ("90° +1/-0.5°", "angle", math.radians(0.5), math.radians(1), "normal"),
    ],
)
def test_reads_tolerance(
    text: str, dimension: str, minus: float, plus: float, shape: Literal["normal", "uniform"]
) -> None:
    found = tolerance_of(text, dimension)
    assert found.minus == NEAR(minus, rel=1e-15)
    assert found.plus == NEAR(plus, rel=1e-15)
    assert found.shape == shape


@pytest.mark.parametrize("text", ["60 mm ± 0.01 in", "60 mm +0.01/-0.02 in", "60 mm ± 1 %", "60 mm ± 0 mm"])
def test_tolerance_leaves_the_value_alone(text: str) -> None:
    assert read(text, "length").value == 0.06


def test_zero_tolerance_is_none() -> None:
    assert read("1.50 mm ± 0 mm", "length").tolerance is None
    assert read("1.50 mm +0/-0 %", "length").tolerance is None


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "dimension", "says"),
    [
        ("1,25 mm", "length", "comma"),
        ("1.250,5 mm", "length", "comma"),
        ("1,250.5 mm", "length", "comma"),
        ("1'250 mm", "length", "set apart"),
        ("1_250 mm", "length", "set apart"),
        ("1 250 mm", "length", 'number too many, "250 mm"'),
        ("1\u2009250 mm", "length", 'number too many, "250 mm"'),
        ("1.250.5 mm", "length", "two decimal points"),
        ("5 mil", "length", "say thou or mm"),
        ("5 mils", "length", "say thou or mm"),
        ("5", "length", "no unit"),
        ("0", "length", "no unit"),
        ("1.5 ± 0.1", "length", "no unit"),
        ("1.5 ± 4 %", "length", "no unit"),
        ("3/8", "length", "no unit"),
        ("mm", "length", "a unit and no number"),
        ('"', "length", "a unit and no number"),
        ("/min", "rate", "a unit and no number"),
        ("furlong", "length", 'unknown unit "furlong"'),
        ("5 kg", "length", "given a mass, expected a length"),
        ("5 mm", "rate", "given a length, expected a rate"),
        ("60 m", "rate", "given a length, expected a rate"),
        ("60 /min", "gearing", "given a rate, expected a gearing"),
        ("60 rev", "rate", "given an angle, expected a rate"),
        ("5 N*m", "force", "given a torque or an energy, expected a force"),
        ("2 strokes", "angle", "another kind of quantity, expected an angle"),
        ("5 mm/mm", "length", "another kind of quantity"),
        ("5 kg*rev", "mass", "another kind of quantity"),
        ("5 mm/rev", "length", "another kind of quantity"),
        ("5 mm ± 1 g", "length", "given a mass, expected a length"),
        ("5 mm +1 mm/-1 s", "length", "given a time, expected a length"),
        ("3 g", "acceleration", "m/s^2"),
        ("5 lb", "force", "the force is lbf"),
        ("5 kg", "force", "the force is kgf"),
        ("5 lb/in", "stiffness", "the force is lbf"),
        ("5 in*lb", "torque", "the force is lbf"),
        ("5 lb/in^2", "pressure", "the force is lbf"),
        ("5 mmm", "length", 'did you mean "mm"?'),
        ("5 inchs", "length", 'did you mean "inches"?'),
        ("5 RPM", "rate", 'did you mean "rpm"?'),
        ("5 MM", "length", 'did you mean "mm"?'),
        ("5 kn", "force", 'did you mean "kN"?'),
        ("1.5 mm 2.5 mm", "length", "number too many"),
        ("1.5 mm 2", "length", "number too many"),
        ("1.5 1/8 in", "length", "number too many"),
        ("1.5 mm thick", "length", 'unknown unit "thick"'),
        ("1.5 mm!", "length", '"!" cannot be read'),
        ("1.5 mm (ref)", "length", "cannot be read"),
        ("1.5 mm / ", "length", "cannot be read"),
        ("5 kg m2", "inertia", "^2"),
        ("5 m/s2", "acceleration", "^2"),
        ("5 m/s^22", "acceleration", "^2"),
        ("5 m/s**2", "acceleration", "cannot be read"),
        ("5 N/mm mm", "force", "product after the slash"),
        ("12 in-lb", "torque", "no number"),
        ("nan mm", "length", "finite"),
        ("inf mm", "length", "finite"),
        ("-Infinity mm", "length", "finite"),
        ("1e400 mm", "length", "out of range"),
        ("1e-400 mm", "length", "out of range"),
        ("1e999999999999 mm", "length", "out of range"),
        ("0e999999999999 mm", "length", "out of range"),
        ("9" * 150 + " mm", "length", "out of range"),
        ("0x10 mm", "length", "not decimal"),
        ("0X1F mm", "length", "not decimal"),
        ("", "length", "nothing in it"),
        ("   ", "length", "nothing in it"),
        ("1.5\tmm", "length", "cannot be seen (U+0009)"),
        ("1.5 mm\n", "length", "cannot be seen (U+000A)"),
        ("1.5 mm\x00", "length", "cannot be seen (U+0000)"),
        ("1.5\u200bmm", "length", "cannot be seen (U+200B)"),
        ("1.5\ud800mm", "length", "cannot be seen (U+D800)"),
        ("١٫٥ mm", "length", "digits 0 to 9"),
        ("５ mm", "length", "digits 0 to 9"),
        ("½ in", "length", "digits 0 to 9"),
        ("5 mm⁵", "length", "digits 0 to 9"),
        ("1–1/8 in", "length", "U+2013"),
        ("5 €", "length", "U+20AC"),
        ("3/0 in", "length", "divides by zero"),
        ("1 3/0 in", "length", "divides by zero"),
        ("1 9/8 in", "length", "not less than one"),
        ("1 -1/8 in", "length", "one limit"),
        ("1 - 1/8 in", "length", "one limit"),
        ("3/8 mm", "length", "inches and feet only"),
        ("1/2 lbf", "force", "inches and feet only"),
        ("1 1/2 hp", "power", "inches and feet only"),
        ("5 mm ± 1/2 mm", "length", "inches and feet only"),
        ("5 in ± 1/2 %", "length", "decimal"),
        ("1" * 201, "length", "longer than 200"),
        ("5 %", "length", "only be a tolerance"),
        ("5 % ± 1 mm", "length", "only be a tolerance"),
        ("1.5 mm ± -0.1 mm", "length", "no sign of its own"),
        ("1.5 mm ± +0.1 mm", "length", "no sign of its own"),
        ("1.5 mm +- -0.1 mm", "length", "no sign of its own"),
        ("1.5 mm ±", "length", "number is missing"),
        ("1.5 mm ± mm", "length", "a unit and no number"),
        ("± 0.1 mm", "length", "no value"),
        ("+0.06/-0.02 mm", "length", "cannot be read"),
        ("0 N ± 4 %", "force", "percentage of zero"),
        ("1.5 mm +0.06/+0.02 mm", "length", "on one side"),
        ("1.5 mm -0.06/-0.02 mm", "length", "on one side"),
        ("1.5 mm +4/+2 %", "length", "on one side"),
        ("1.5 mm +0.06 mm", "length", "one limit"),
        ("1.5 mm -0.06 mm", "length", "one limit"),
        ("1.5 mm +0.06/0.02 mm", "length", "needs its sign"),
        ("1.5 mm 0.06/-0.02 mm", "length", "number too many"),
        ("1.5 mm +0.06/ mm", "length", "one limit"),
        ("1.5 mm +0.06/- mm", "length", "no number"),
        ("1.5 mm ± 0.1 mm ± 0.1 mm", "length", "cannot be read"),
        ("1.5 mm +0.1/-0.1 mm -0.1 mm", "length", "cannot be read"),
        ("1.5 mm uniform", "length", "no tolerance"),
        ("uniform", "length", "number is missing"),
        ("1.5 mm ± 0.1 mm triangular", "length", 'unknown unit "triangular"'),
        ("1.5 mm^4 mm^-4", "length", "another kind"),
        ("1 " + "m^4 " * 40, "length", "another kind"),
        ("1 " + "mm^4 " * 39, "length", "out of all reason"),
    ],
)
def test_refuses(text: str, dimension: str, says: str) -> None:
    message = refusal(text, dimension)
    assert says in message
    assert DIMENSIONS[dimension].example in message
    assert message.isprintable()


def test_refusal_names_what_was_given() -> None:
    assert refusal("5 kg", "length") == (
        '"5 kg": given a mass, expected a length; write a length as "1.5 mm" or "3/8 in"'
    )
    assert refusal('5 x"', "length").startswith("'5 x\"': ")
    assert len(refusal("7" * 5000, "length")) < 200


def test_unknown_dimension_is_the_callers_fault() -> None:
    with pytest.raises(KeyError):
        read("1 mm", "lenght")


# --- the units against outside figures -----------------------------------------------------------


def test_every_dimension_is_covered() -> None:
    assert WORTH.keys() == DIMENSIONS.keys()
    for name, kind in DIMENSIONS.items():
        assert kind.name == name
        for text in kind.example.split(" or "):
            read(text.strip('"'), name)


@pytest.mark.parametrize(("dimension", "unit"), EVERY_UNIT)
def test_unit_is_exact(dimension: str, unit: str) -> None:
    """One of the unit is the float nearest to its exact worth."""
    worth = WORTH[dimension][unit]
    assert read(f"1 {unit}", dimension).value == float(worth)
    assert from_unit(1.0, unit) == float(worth)
    assert to_unit(1.0, unit) == float(1 / worth)


def test_units_against_scipy() -> None:
    """scipy.constants holds the same definitions, kept by others; 1e-15 is the rounding of a few products."""
    for text, dimension, value in [
        ("1 in", "length", constants.inch),
        ("1 ft", "length", constants.foot),
        ("1 thou", "length", constants.mil),
        ("1 lb", "mass", constants.pound),
        ("1 lbf", "force", constants.pound_force),
        ("1 kgf", "force", constants.kilogram_force),
        ("1 psi", "pressure", constants.psi),
        ("1 bar", "pressure", constants.bar),
        ("1 hp", "power", constants.horsepower),
        ("1 deg", "angle", constants.degree),
        ("1 h", "time", constants.hour),
        ("1 min", "time", constants.minute),
        ("9.80665 m/s^2", "acceleration", constants.g),
    ]:
        assert read(text, dimension).value == NEAR(value, rel=1e-15), text


def test_units_against_the_printed_tables() -> None:
    """NIST Special Publication 811 (2008), appendix B.8; the print is rounded to its last digit."""
    assert read("1 lbf", "force").value == 4.4482216152605
    assert read("1 lb", "mass").value == 0.45359237
    assert read("1 in", "length").value == 0.0254
    assert read("1 psi", "pressure").value == NEAR(6.894757e3, abs=5e-4)
    assert read("1 hp", "power").value == NEAR(7.456999e2, abs=5e-5)
    assert read("1 hp", "power").value == NEAR(745.69987158227022, rel=1e-15)
    assert read("1 lbf/in", "stiffness").value == NEAR(1.751268e2, abs=5e-5)
    assert read("1 lbf*in", "torque").value == NEAR(1.129848e-1, abs=5e-8)
    assert read("1 lbf*ft", "torque").value == NEAR(1.355818, abs=5e-7)
    assert read("1 lb*in^2", "inertia").value == NEAR(2.926397e-4, abs=5e-11)
    assert read("1 lb*ft^2", "inertia").value == NEAR(4.214011e-2, abs=5e-9)
    assert read("1 rpm", "rate").value * math.tau == NEAR(1.047198e-1, abs=5e-8)


def test_units_against_the_full_registry() -> None:
    """Pint's own default table, which is not ours, agrees on every unit that both spell alike."""
    import pint

    full: Any = pint.UnitRegistry()
    for dimension, unit in EVERY_UNIT:
        if dimension in ("rate", "gearing", "angular_acceleration"):
            continue  # its turns are radians
        if unit in ('"', "″", "Nm", "rev", "fpm"):
            continue  # not so spelled there
        asked = full.Quantity(1.0, unit.replace(" ", "*").replace("µ", "u").replace("μ", "u"))
        assert from_unit(1.0, unit) == NEAR(asked.to_base_units().to(DIMENSIONS[dimension].si).m, rel=1e-13), unit


def test_arrays_convert_like_floats() -> None:
    metres = np.array([[0.0015, 0.0254], [-1.0, 0.0]])
    assert np.array_equal(to_unit(metres, "mm"), metres * 1000.0)
    assert to_unit(metres, "mm").shape == (2, 2)
    assert np.allclose(from_unit(to_unit(metres, "thou"), "thou"), metres, rtol=1e-15, atol=0)
    assert to_unit(math.pi, "deg") == NEAR(180.0, rel=1e-15)
    assert to_unit(1.0, "1/min") == 60.0
    assert to_unit(0.012, "ms") == 12.0


@pytest.mark.parametrize("unit", ["", "furlong", "1.5 mm", "mil", "%", "mm,", "\x00"])
def test_conversion_refuses_what_is_no_unit(unit: str) -> None:
    with pytest.raises(UnitError):
        to_unit(1.0, unit)
    with pytest.raises(UnitError):
        from_unit(1.0, unit)
    with pytest.raises(UnitError):
        write(1.0, unit)


# --- back to text --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "dimension", "metric", "inch"),
    [
        (0.0015, "length", "1.50 mm", "0.059 in"),
        (-1e-9, "length", "0.00 mm", "0.000 in"),
        (-0.0, "length", "0.00 mm", "0.000 in"),
        (-0.0015, "length", "-1.50 mm", "-0.059 in"),
        (math.radians(132.17), "angle", "132.2 deg", "132.2 deg"),
        (55 / 60, "rate", "55.0 /min", "55.0 /min"),
        (236.0, "gearing", "0.2360 /mm", "5.994 /in"),
        (4e-5, "inertia", "0.400 kg cm^2", "0.1367 lb in^2"),
        (1.725, "torque", "1.725 N m", "15.27 lbf in"),
        (1.4e7, "pressure", "14.0 MPa", "2031 psi"),
        (2000.0, "force", "2000 N", "449.6 lbf"),
    ],
)
def test_shows(value: float, dimension: str, metric: str, inch: str) -> None:
    assert show(value, dimension, "metric") == metric
    assert show(value, dimension, "inch") == inch


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_not_put_in_words(value: float) -> None:
    with pytest.raises(UnitError):
        show(value, "length", "metric")
    with pytest.raises(UnitError):
        write(value, "mm")


def test_writes_as_a_person_would() -> None:
    assert write(0.0015, "mm") == "1.5 mm"
    assert write(0.12, "mm") == "120 mm"
    assert write(0.0254, "in") == "1 in"
    assert write(55 / 60, "/min") == "55 /min"
    assert write(4e-5, "kg*m^2") == "4e-05 kg*m^2"
    assert write(np.float64(0.0015), "mm") == "1.5 mm"


# --- properties ----------------------------------------------------------------------------------

SIZES = st.floats(1e-9, 1e9)
SIGNED = st.one_of(SIZES, SIZES.map(lambda size: -size), st.just(0.0))
UNITS = st.sampled_from(EVERY_UNIT)


@settings(deadline=None, max_examples=400)
@given(SIGNED, UNITS)
def test_units_in_are_units_out(value: float, named: tuple[str, str]) -> None:
    dimension, unit = named
    assert read(write(value, unit), dimension).value == NEAR(value, rel=1e-12, abs=0)


@settings(deadline=None, max_examples=300)
@given(SIGNED, st.sampled_from(list(DIMENSIONS)), st.sampled_from(["metric", "inch"]))
def test_shown_is_read_to_the_printed_precision(value: float, dimension: str, system: str) -> None:
    text = show(value, dimension, system)  # type: ignore[arg-type]
    number, unit = text.split(" ", 1)
    half = 0.5 * 10.0 ** -len(number.partition(".")[2]) * float(WORTH_SHOWN[dimension][unit])
    assert abs(read(text, dimension).value - value) <= half * (1 + 1e-9) + 1e-12 * abs(value)
    assert not (number.startswith("-") and float(number) == 0)


WORTH_SHOWN = {kind: dict(units) for kind, units in WORTH.items()}
WORTH_SHOWN["inertia"] |= {"kg cm^2": Fraction("1e-4"), "lb in^2": POUND * INCH**2}
WORTH_SHOWN["energy"] |= {"lbf ft": LBF * FOOT}


@settings(deadline=None)
@given(
    st.decimals(-1000, 1000, places=6, allow_nan=False).filter(lambda number: number == 0 or abs(number) > 1e-5),
    UNITS,
)
def test_the_float_is_the_nearest_to_what_is_written(number: Decimal, named: tuple[str, str]) -> None:
    dimension, unit = named
    exact = Fraction(number) * WORTH[dimension][unit]
    assert read(f"{number:f} {unit}", dimension).value == NEAR(float(exact), rel=2.3e-16, abs=0)


@given(st.integers(0, 40), st.sampled_from([2, 4, 8, 16, 32, 64]), st.data())
def test_inch_and_metric_read_equal(whole: int, under: int, data: st.DataObject) -> None:
    """Every binary fraction of an inch has a finite decimal in millimetres: the floats are the same."""
    over = data.draw(st.integers(1, under - 1))
    inches = whole + Fraction(over, under)
    metric = Decimal(inches.numerator) / Decimal(inches.denominator) * Decimal("25.4")
    assert read(f"{whole} {over}/{under} in", "length") == read(f"{metric} mm", "length")
    assert read(f"{whole}-{over}/{under} in", "length") == read(f"{float(inches)!r} in", "length")


@given(
    st.decimals("0.001", 1000, places=3),
    st.decimals("0.001", 10, places=3),
    st.decimals("0.001", 10, places=3),
)
def test_tolerance_scales_with_its_unit(value: Decimal, plus: Decimal, minus: Decimal) -> None:
    small, large = (read(f"{value} {unit} +{plus}/-{minus} {unit}", "length") for unit in ("mm", "in"))
    assert small.tolerance is not None
    assert large.tolerance is not None
    assert large.value == NEAR(25.4 * small.value, rel=1e-15)
    assert large.tolerance.plus == NEAR(25.4 * small.tolerance.plus, rel=1e-15)
    assert large.tolerance.minus == NEAR(25.4 * small.tolerance.minus, rel=1e-15)
    assert small.tolerance.plus == NEAR(float(plus) / 1000, rel=1e-15)
    assert small.tolerance.minus == NEAR(float(minus) / 1000, rel=1e-15)


@given(st.decimals(-1000, 1000, places=3).filter(bool), st.decimals("0.01", 100, places=2))
def test_percentage_is_of_the_magnitude(value: Decimal, percent: Decimal) -> None:
    found = tolerance_of(f"{value} N ± {percent} %", "force")
    assert found.plus == found.minus == NEAR(abs(float(value)) * float(percent) / 100, rel=1e-15)


# --- nothing but UnitError -----------------------------------------------------------------------

PIECES = [
    *"0123456789+-./ ±%\"'°²^*·,eExX",
    "1",
    "3/8",
    "1 1/8",
    "1e9",
    "+/-",
    "uniform",
    "\u2212",
    "\u00a0",
    "mm",
]
PIECES += ["in", "kg", "m", "s", "min", "/", "lbf", "rev", "nan", "0", "^-4", "mil", "\x00", "١", "1e-150"]
SALAD = st.lists(st.sampled_from(PIECES), max_size=14).map("".join)


@settings(deadline=None, max_examples=1500)
@given(
    st.one_of(st.text(), SALAD, st.text(alphabet="0123456789./+- eminkg", max_size=20)),
    st.sampled_from(list(WORTH)),
)
def test_any_text_reads_or_is_refused(text: str, dimension: str) -> None:
    try:
        found = read(text, dimension)
    except UnitError as refused:
        message = str(refused)
        assert message.isprintable()
        assert "pint" not in message
        assert "[" not in message or "[" in text
        return
    assert math.isfinite(found.value)
    assert "," not in text
    assert any(sign in "0123456789" for sign in text)
    assert any(sign.isalpha() or sign in '"″°' for sign in text)
    if found.tolerance:
        assert found.tolerance.minus >= 0
        assert found.tolerance.plus >= 0
        assert math.isfinite(found.tolerance.minus + found.tolerance.plus)


@settings(deadline=None, max_examples=300)
@given(st.floats(1e-90, 1e90), st.one_of(st.text(max_size=10), SALAD))
def test_any_unit_text_converts_or_is_refused(value: float, unit: str) -> None:
    try:
        converted = to_unit(value, unit)
    except UnitError:
        return
    assert math.isfinite(converted)
    assert from_unit(converted, unit) == NEAR(value, rel=1e-12)


# --- cost and documentation ----------------------------------------------------------------------


def test_import_is_light() -> None:
    """Neither pint nor an array library is loaded before a quantity is read."""
    code = "import sys, crankclock.units; print(sorted({'pint', 'numpy', 'scipy'} & set(sys.modules)))"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


@pytest.mark.parametrize("module", [factors, reading, writing])
def test_examples_in_the_docstrings(module: object) -> None:
    result = doctest.testmod(module)  # type: ignore[arg-type]
    assert result.attempted > 0
    assert result.failed == 0
