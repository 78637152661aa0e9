"""The units themselves: how each is spelled, what it is worth, and what it measures.

Factors are exact rationals until the last step, so that equal quantities in inch and metric writing
become the same float.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from fractions import Fraction
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, overload

from crankclock.units.dimensions import DIMENSIONS, Dimension, UnitError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Unit = tuple[tuple[str, int], ...]
"""Names of `_DEFINITIONS`, each with its power."""

Signature = frozenset[tuple[str, int]]
"""Base dimensions, each with its power."""

# The inch (25.4 mm), the avoirdupois pound and standard gravity are exact by definition, and so is
# all that follows from them: NIST Special Publication 811 (2008), appendix B. Turns are a base
# dimension of their own, so that a radian per second is never taken for a turn per second.
_TWO_PI = "6.283185307179586476925286766559005768394"
_DEFINITIONS: Mapping[str, str] = {
    "m": "[length]",
    "mm": "1e-3 * m",
    "cm": "1e-2 * m",
    "um": "1e-6 * m",
    "inch": "25.4 * mm",
    "foot": "12 * inch",
    "thou": "1e-3 * inch",
    "s": "[time]",
    "ms": "1e-3 * s",
    "us": "1e-6 * s",
    "min": "60 * s",
    "h": "60 * min",
    "turn": "[turn]",
    "rad": f"turn / {_TWO_PI}",
    "deg": "turn / 360",
    "stroke": "[]",
    "kg": "[mass]",
    "g": "1e-3 * kg",
    "lb": "0.45359237 * kg",
    "N": "kg * m / s**2",
    "kN": "1e3 * N",
    "kgf": "9.80665 * N",
    "lbf": "9.80665 * lb * m / s**2",
    "Pa": "N / m**2",
    "kPa": "1e3 * Pa",
    "MPa": "1e6 * Pa",
    "bar": "1e5 * Pa",
    "psi": "lbf / inch**2",
    "J": "N * m",
    "kJ": "1e3 * J",
    "W": "J / s",
    "kW": "1e3 * W",
    "hp": "550 * foot * lbf / s",
}
_ALIASES: dict[str, Unit] = {
    "in": (("inch", 1),),
    "inches": (("inch", 1),),
    '"': (("inch", 1),),
    "ft": (("foot", 1),),
    "feet": (("foot", 1),),
    "°": (("deg", 1),),
    "degree": (("deg", 1),),
    "degrees": (("deg", 1),),
    "rev": (("turn", 1),),
    "turns": (("turn", 1),),
    "strokes": (("stroke", 1),),
    "rpm": (("turn", 1), ("min", -1)),
    "spm": (("stroke", 1), ("min", -1)),
    "Hz": (("s", -1),),
    "fpm": (("foot", 1), ("min", -1)),
    "Nm": (("N", 1), ("m", 1)),
}
_SPELLINGS: Mapping[str, Unit] = {**{name: ((name, 1),) for name in _DEFINITIONS}, **_ALIASES}

# A product after a slash ("N/mm m") is read differently by different people, so `parse` refuses it.
_FACTOR = r"(?:[A-Za-z]+|[°\"])(?:\^-?[1-4])?"
UNIT = re.compile(rf"(?:(?:1 ?)?/ ?)?{_FACTOR}(?:(?: ?[*/] ?| ){_FACTOR})*")
_STEP = re.compile(r"(?P<joint>[ 1*/]*)(?P<name>[A-Za-z]+|[°\"])(?:\^(?P<power>-?[1-4]))?")

_SAME_SIGN = str.maketrans({"\u2212": "-", "\u2033": '"', "µ": "u", "μ": "u", "·": "*", "\u22c5": "*"})
_SUPERSCRIPT = re.compile("(⁻?)([¹²³⁴])")
_PLAIN_DIGIT = str.maketrans("¹²³⁴", "1234")
_KNOWN = frozenset(map(chr, range(0x20, 0x7F))) | {"°", "±"}


def tidy(text: str) -> str:
    """Bring typographic variants of a sign to one; refuse characters no quantity has."""
    text = "".join(" " if unicodedata.category(sign) == "Zs" else sign for sign in text)
    text = _SUPERSCRIPT.sub(lambda found: "^" + found[1].replace("⁻", "-") + found[2].translate(_PLAIN_DIGIT), text)
    text = re.sub(" +", " ", text.translate(_SAME_SIGN)).strip(" ")
    for sign in text:
        if sign not in _KNOWN:
            raise UnitError(_says_sign(sign))
    return re.sub(r"\+ ?/ ?-|\+-", "±", text)


def _says_sign(sign: str) -> str:
    code = f"U+{ord(sign):04X}"
    if not sign.isprintable():
        return f"it holds a character that cannot be seen ({code})"
    if unicodedata.category(sign)[0] == "N":
        return f'"{sign}" ({code}) is not one of the digits 0 to 9'
    return f'it holds "{sign}" ({code}), which no quantity has'


@lru_cache(maxsize=1024)
def parse(text: str) -> Unit:
    """Split tidy unit text into the names and powers behind it."""
    if not UNIT.fullmatch(text):
        raise UnitError(f'"{text}" is not a unit')
    powers: dict[str, int] = {}
    divided = False
    for step in _STEP.finditer(text):
        over = "/" in step["joint"]
        if divided and not over:
            raise UnitError(f'"{text}" has a product after the slash; divide by each unit, as in "m/s/s"')
        divided = divided or over
        power = int(step["power"] or 1) * (-1 if over else 1)
        for name, own in _named(step["name"]):
            powers[name] = powers.get(name, 0) + own * power
    return tuple((name, power) for name, power in sorted(powers.items()) if power)


def _named(name: str) -> Unit:
    if name in ("mil", "mils"):
        raise UnitError(f'"{name}" is a thousandth of an inch to some, a millimetre to others; say thou or mm')
    if name in _SPELLINGS:
        return _SPELLINGS[name]
    raise UnitError(f'unknown unit "{name}"{_nearest(name)}')


def _nearest(name: str) -> str:
    import difflib

    by_fold = {spelling.casefold(): spelling for spelling in _SPELLINGS}
    close = difflib.get_close_matches(name.casefold(), by_fold, n=1, cutoff=0.6)
    return f', did you mean "{by_fold[close[0]]}"?' if close else ""


@cache
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(None, non_int_type=Fraction)
    for name, definition in _DEFINITIONS.items():
        registry.define(f"{name} = {definition}")
    return registry


@lru_cache(maxsize=1024)
def worth(unit: Unit) -> tuple[Fraction, Signature]:
    """Return what one of the unit is in SI units, exactly, and what it measures."""
    registry = _registry()
    product = registry.Unit("")
    for name, power in unit:
        product = product * registry.Unit(name) ** power
    factor = Fraction(registry.get_root_units(product)[0])
    signature = frozenset((base, int(power)) for base, power in product.dimensionality.items())
    if signature == {("[turn]", 1)}:  # an angle is in radians inside, all else counts turns
        factor *= Fraction(_TWO_PI)
    if not Fraction(1, 10**60) < factor < 10**60:
        raise UnitError("the powers in its unit are out of all reason")
    return factor, signature


def measures(unit: Unit, kind: Dimension) -> bool:
    """Tell whether the unit is one of this kind of quantity."""
    signature = worth(unit)[1]
    own = worth(parse(kind.si))[1]
    return signature == own or (kind.counts_turns and signature == own | {("[turn]", 1)})


def kinds(unit: Unit) -> list[Dimension]:
    """Return every kind of quantity that the unit may be one of."""
    return [kind for kind in DIMENSIONS.values() if measures(unit, kind)]


@lru_cache(maxsize=256)
def _factor(unit: str) -> Fraction:
    return worth(parse(tidy(unit)))[0]


@cache
def _per_si(unit: str) -> float:
    """How many of a unit one of its SI unit is."""
    return float(1 / _factor(unit))


@overload
def to_unit(value: float, unit: str) -> float: ...
@overload
def to_unit(value: NDArray[np.float64], unit: str) -> NDArray[np.float64]: ...
def to_unit(value: float | NDArray[np.float64], unit: str) -> float | NDArray[np.float64]:
    """Convert SI floats to a unit.

    Parameters
    ----------
    value : float or array, any shape
        In SI units; angles in radians; rates, spindle accelerations and gearings in turns [SI].
    unit : str
        Unit wanted, such as "mm", "deg", "1/min", "ms".

    Returns
    -------
    float or array
        Same shape [unit].

    Raises
    ------
    UnitError
        The unit is unknown.

    Examples
    --------
    >>> to_unit(0.0254, "in")
    1.0
    """
    return value * _per_si(unit)


@overload
def from_unit(value: float, unit: str) -> float: ...
@overload
def from_unit(value: NDArray[np.float64], unit: str) -> NDArray[np.float64]: ...
def from_unit(value: float | NDArray[np.float64], unit: str) -> float | NDArray[np.float64]:
    """Convert floats in a unit to SI; the inverse of `to_unit`.

    Parameters
    ----------
    value : float or array, any shape
        In the unit given [unit].
    unit : str
        Such as "mm", "deg", "1/min", "ms".

    Returns
    -------
    float or array
        Same shape [SI].

    Raises
    ------
    UnitError
        The unit is unknown.

    Examples
    --------
    >>> from_unit(60.0, "1/min")
    1.0
    """
    return value * float(_factor(unit))
