"""Quantity text to SI floats: a strict reader that knows how shops write, and takes nothing else."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from crankclock.units.dimensions import DIMENSIONS, Dimension, UnitError
from crankclock.units.factors import UNIT, Unit, kinds, measures, parse, tidy, worth

Shape = Literal["normal", "uniform"]


@dataclass(frozen=True)
class Tolerance:
    """How far a quantity may be off: it lies in [value - minus, value + plus].

    Attributes
    ----------
    minus, plus : float
        Offsets, both at least 0 [SI].
    shape : {"normal", "uniform"}
        How it is spread between these limits.
    """

    minus: float
    plus: float
    shape: Shape


@dataclass(frozen=True)
class Quantity:
    """A value with its tolerance.

    Attributes
    ----------
    value : float
        The nominal value [SI].
    tolerance : Tolerance or None
        None where none is given, or it is zero.
    """

    value: float
    tolerance: Tolerance | None

    @property
    def limits(self) -> tuple[float, float]:
        """The least and the greatest it may be [SI]."""
        if self.tolerance is None:
            return self.value, self.value
        return self.value - self.tolerance.minus, self.value + self.tolerance.plus


@dataclass(frozen=True)
class _Amount:
    """One number of the text, with the sign and the unit that stand by it."""

    sign: str
    size: Fraction
    broken: bool  # written as a fraction
    unit: Unit | Literal["%"] | None

    @property
    def number(self) -> Fraction:
        return -self.size if self.sign == "-" else self.size


_LONGEST = 200
_LARGEST = 1e100
_MOST_EXPONENT = 150  # keeps the exact arithmetic small whatever is typed
_MIXED = r"(?P<whole>[0-9]+)[ -](?P<over>[0-9]+)/(?P<under>[0-9]+)"
_FRACTION = r"(?P<top>[0-9]+)/(?P<bottom>[0-9]+)"
_DECIMAL = r"(?P<decimal>(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE](?P<exponent>[+-]?[0-9]+))?)"
_NUMBER = re.compile(f"(?P<sign>[+-]?) ?(?:{_MIXED}|{_FRACTION}|{_DECIMAL})")
_SHAPE = re.compile(r"(?P<before>.*?) ?\b(?P<shape>uniform|normal)", re.IGNORECASE)
_TRAPS = (
    (re.compile(","), "a comma is not read; the decimal sign is a point, and thousands are not set apart"),
    (re.compile("[0-9]['_][0-9]"), "the digits of a number are not set apart"),
    (re.compile(r"(?<![0-9.])0[xX]"), "the number is not decimal"),
    (re.compile(r"\b(?:nan|inf|infinity)\b", re.IGNORECASE), "it is not a finite number"),
)


def read(text: str, dimension: str) -> Quantity:
    """Read quantity text.

    Parameters
    ----------
    text : str
        Number and unit, and a tolerance if there is one: "1.5 mm", "1 1/8 in", "60 /min ± 4 %",
        "1.50 mm +0.06/-0.02 mm uniform". One unit may count for value and tolerance.
    dimension : str
        The kind of quantity expected, a key of `DIMENSIONS`.

    Returns
    -------
    Quantity
        Value and tolerance [SI]; the float is the nearest there is to what the text says.

    Raises
    ------
    UnitError
        The text is not such a quantity; the message names what was given and how to write it.

    Examples
    --------
    >>> read("1 1/8 in", "length").value
    0.028575
    >>> read("60 /min ± 4 %", "rate")
    Quantity(value=1.0, tolerance=Tolerance(minus=0.04, plus=0.04, shape='normal'))
    """
    kind = DIMENSIONS[dimension]
    try:
        if len(text) > _LONGEST:
            raise UnitError(f"it is longer than {_LONGEST} characters")
        return _quantity(tidy(text), kind)
    except UnitError as error:
        raise UnitError(f"{_quoted(text)}: {error}; write {kind.words} as {kind.example}") from None


def in_range(value: float) -> bool:
    """Tell whether an SI value is finite and of a size that arithmetic survives."""
    return value == 0 or 1 / _LARGEST <= abs(value) <= _LARGEST


def _quoted(text: str) -> str:
    cut = text if len(text) <= 60 else text[:57] + "..."
    seen = "".join(sign if sign.isprintable() else f"\\u{ord(sign):04x}" for sign in cut)
    return f"'{seen}'" if '"' in seen else f'"{seen}"'


def _quantity(text: str, kind: Dimension) -> Quantity:
    if not text:
        raise UnitError("there is nothing in it")
    for trap, says in _TRAPS:
        if trap.search(text):
            raise UnitError(says)
    shape: Shape | None = None
    if found := _SHAPE.fullmatch(text):
        text, shape = found["before"], "uniform" if found["shape"].lower() == "uniform" else "normal"
    nominal, rest = _amount(text)
    limits = _limits(rest)
    if shape and not limits:
        raise UnitError(f'"{shape}" says how a tolerance is spread, and there is no tolerance')
    return _resolved(nominal, limits, shape or "normal", kind)


def _amount(text: str) -> tuple[_Amount, str]:
    """Take a number and its unit off the front of the text."""
    found = _NUMBER.match(text)
    if not found:
        raise UnitError(_says_no_number(text))
    size = _size(found)
    rest = text[found.end() :]
    if rest[:1] == ".":
        raise UnitError("it has two decimal points in one number")
    rest = rest.lstrip()
    unit: Unit | Literal["%"] | None = None
    if rest.startswith("%"):
        unit, rest = "%", rest[1:]
    elif named := UNIT.match(rest):
        unit, rest = parse(named[0]), rest[named.end() :]
        if rest[:1].isdigit():
            raise UnitError("a power in a unit is written ^2, ^3 and so on")
    return _Amount(found["sign"], size, found["decimal"] is None, unit), rest.lstrip()


def _size(found: re.Match[str]) -> Fraction:
    if found["decimal"]:
        if abs(int(found["exponent"] or 0)) > _MOST_EXPONENT:
            raise UnitError("the number is out of range")
        return Fraction(found["decimal"])
    over, under = int(found["over"] or found["top"]), int(found["under"] or found["bottom"])
    if under == 0:
        raise UnitError("it divides by zero")
    if found["whole"] and over >= under:
        raise UnitError(f'the fraction in "{found[0]}" is not less than one')
    return int(found["whole"] or 0) + Fraction(over, under)


def _says_no_number(text: str) -> str:
    if text.startswith("±"):
        return "there is a tolerance and no value"
    if UNIT.fullmatch(text):
        parse(text)  # an unknown word is the better thing to tell
        return "there is a unit and no number"
    return f'there is no number where "{text[:20]}" begins' if text else "a number is missing"


def _limits(text: str) -> tuple[_Amount, _Amount] | None:
    """Read the tolerance: its two limits, each with its sign, from what follows the value."""
    if not text:
        return None
    if text.startswith("±"):
        either, rest = _amount(text[1:].lstrip())
        if either.sign:
            raise UnitError("the number after ± has no sign of its own")
        if rest:
            raise UnitError(_says_rest(rest))
        return _Amount("-", either.size, either.broken, either.unit), either
    if not re.match(r"[+-]|0(?:\.0*)?(?![0-9.])", text):
        raise UnitError(_says_rest(text))
    first, rest = _amount(text)
    if not rest:
        raise UnitError('the tolerance has one limit; give both, as in "+0.06/-0.02"')
    second, rest = _amount(rest.removeprefix("/").lstrip())
    if rest:
        raise UnitError(_says_rest(rest))
    if any(limit.size and not limit.sign for limit in (first, second)):
        raise UnitError('each limit of the tolerance needs its sign, as in "+0.06/-0.02"')
    return first, second


def _says_rest(rest: str) -> str:
    if re.match(r"\.?[0-9]", rest):
        return f'it has a number too many, "{rest[:20]}"'
    return f'"{rest[:20]}" cannot be read here'


def _resolved(nominal: _Amount, limits: tuple[_Amount, _Amount] | None, shape: Shape, kind: Dimension) -> Quantity:
    """Give each number the unit that counts for it and turn it into SI."""
    if nominal.unit == "%":
        raise UnitError("a percentage can only be a tolerance")
    given = [limit.unit for limit in limits or () if limit.unit is not None]
    named = [each for each in (nominal.unit, *given) if each is not None and each != "%"]
    if not named:
        raise UnitError("it has no unit")
    value = _exact(nominal, named[0], kind)
    if limits is None:
        return Quantity(_float(value), None)
    shared = given[0] if given else named[0]
    offsets = sorted(_offset(limit, shared if limit.unit is None else limit.unit, value, kind) for limit in limits)
    if offsets[0] > 0 or offsets[1] < 0:
        raise UnitError("both limits of the tolerance lie on one side of the value")
    if not any(offsets):
        return Quantity(_float(value), None)
    return Quantity(_float(value), Tolerance(_float(-offsets[0]), _float(offsets[1]), shape))


def _offset(limit: _Amount, unit: Unit | Literal["%"], value: Fraction, kind: Dimension) -> Fraction:
    if unit != "%":
        return _exact(limit, unit, kind)
    if not value:
        raise UnitError("a percentage of zero is no tolerance")
    if limit.broken:
        raise UnitError("a percentage is written as a decimal")
    return limit.number / 100 * abs(value)


def _exact(amount: _Amount, unit: Unit, kind: Dimension) -> Fraction:
    if not measures(unit, kind):
        raise UnitError(_says_kind(unit, kind))
    if amount.broken and not any(name in ("inch", "foot") for name, _ in unit):
        raise UnitError("fractions are read in inches and feet only, elsewhere decimals")
    return amount.number * worth(unit)[0]


def _says_kind(unit: Unit, kind: Dimension) -> str:
    if kind.name == "acceleration" and unit == (("g", 1),):
        return '"g" is the gram; an acceleration is in m/s^2 (gravity is 9.80665 m/s^2)'
    given = " or ".join(each.words for each in kinds(unit)) or "another kind of quantity"
    says = f"given {given}, expected {kind.words}"
    for mass, force in (("lb", "lbf"), ("kg", "kgf")):
        swapped: Unit = tuple((force if name == mass else name, power) for name, power in unit)
        if swapped != unit and measures(swapped, kind):
            return f"{says}; {mass} is a mass, the force is {force}"
    return says


def _float(exact: Fraction) -> float:
    """Round to the nearest float."""
    try:
        value = float(exact)
    except OverflowError:
        value = math.inf
    if not in_range(value) or (exact and not value):
        raise UnitError("the number is out of range")
    return value
