"""The markers that tell pydantic how a key's text becomes an SI float, and what the key means."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from crankclock.parts.numbers import Floats
from crankclock.units import DIMENSIONS, UnitError, read, show

JsonSchema = dict[str, Any]

LARGEST = {"length": 100.0, "rate": 10_000.0, "time": 3600.0, "angle": 200.0 * math.pi, "mass": 1e6}
"""Sizes [SI] past which a quantity is a slip of the pen; other dimensions: 1e12."""


def told(value: object) -> str:
    """What was given, as the file would write it, short enough for a message."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, bool):
        return str(value).lower()
    text = f'"{value}"' if isinstance(value, str) else str(value)
    text = "".join(char if char.isprintable() else "?" for char in text)
    return text if len(text) <= 60 else text[:57] + "..."


def refuse(value: object, expected: str) -> PydanticCustomError:
    """The error of a value that cannot be taken; braces would be read as a template."""
    return PydanticCustomError("refused", "{expected}", {"expected": expected, "given": told(value)})


@dataclass(frozen=True)
class _Marker(ABC):
    """A plain validator: the annotated type is what code sees, `read` is what a file's value goes through."""

    @abstractmethod
    def read(self, value: object) -> object:
        """The value [SI] of what the file gives; refuses what cannot be."""

    @abstractmethod
    def schema(self) -> JsonSchema:
        """Its JSON Schema."""

    def __get_pydantic_core_schema__(self, _source: object, _handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, _core: CoreSchema, _handler: GetJsonSchemaHandler) -> JsonSchema:
        return self.schema()


@dataclass(frozen=True)
class In(_Marker):
    """A quantity of one dimension, written with its unit."""

    dimension: str
    above: float | None = None
    least: float | None = None
    exact: bool = False  # takes no tolerance

    def read(self, value: object) -> float:
        kind = DIMENSIONS[self.dimension]
        if not isinstance(value, str):
            plain = isinstance(value, (int, float)) and not isinstance(value, bool)
            why = " (a bare number has no unit)" if plain else ""
            raise refuse(value, f"{kind.words} with its unit, such as {kind.example}{why}")
        try:
            found = read(value, self.dimension)
        except UnitError as wrong:
            raise refuse(value, f"{kind.words}: {str(wrong).removeprefix(f'{told(value)}: ')}") from None
        if self.exact and found.tolerance is not None:
            raise refuse(value, f"{kind.words} without a tolerance")
        low, high = found.limits
        over = "" if found.tolerance is None else " over its whole tolerance"
        if self.above is not None and low <= self.above:
            raise refuse(value, f"{kind.words} greater than {show(self.above, self.dimension, 'metric')}{over}")
        if self.least is not None and low < self.least:
            raise refuse(value, f"{kind.words} of at least {show(self.least, self.dimension, 'metric')}{over}")
        most = LARGEST.get(self.dimension, 1e12)
        if max(abs(low), abs(high)) > most:
            raise refuse(value, f"{kind.words} of at most {show(most, self.dimension, 'metric')}{over}")
        return found.value

    def schema(self) -> JsonSchema:
        kind = DIMENSIONS[self.dimension]
        return {"type": "string", "description": f"{kind.words} with its unit, such as {kind.example}"}


@dataclass(frozen=True)
class Number(_Marker):
    """A bare number: a ratio or a count."""

    least: float = 0.0
    most: float = 1e6
    above: bool = False
    whole: bool = False

    def read(self, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise refuse(value, self.words)
        inside = self.least <= value <= self.most and not (self.above and value == self.least)  # false for nan
        if not inside or (self.whole and value != int(value)):
            raise refuse(value, self.words)
        return float(value)

    @property
    def words(self) -> str:
        kind = "a bare whole number" if self.whole else "a bare number"
        bound = f"greater than {self.least:g}" if self.above else f"from {self.least:g}"
        return f"{kind} {bound} up to {self.most:g}"

    def schema(self) -> JsonSchema:
        low = "exclusiveMinimum" if self.above else "minimum"
        return {"type": "integer" if self.whole else "number", low: self.least, "maximum": self.most}


@dataclass(frozen=True)
class Text(_Marker):
    """Text that a reader of the trade checks, such as a thread."""

    words: str
    check: Callable[[str], object] | None = None

    def read(self, value: object) -> str:
        if not isinstance(value, str) or not value.strip():
            raise refuse(value, self.words)
        if len(value) > 500:
            raise refuse(value, f"{self.words} of at most 500 characters")
        if self.check is not None:
            try:
                self.check(value)
            except ValueError as wrong:
                raise refuse(value, f"{self.words}: {wrong}") from None
        return value

    def schema(self) -> JsonSchema:
        return {"type": "string", "minLength": 1}


@dataclass(frozen=True)
class Choice(_Marker):
    """One of a few words."""

    options: tuple[str, ...]

    def read(self, value: object) -> str:
        if not isinstance(value, str) or value not in self.options:
            raise refuse(value, "one of " + ", ".join(f'"{option}"' for option in self.options))
        return value

    def schema(self) -> JsonSchema:
        return {"enum": list(self.options)}


@dataclass(frozen=True)
class Rows(_Marker):
    """A list of rows of quantities, one dimension a column."""

    columns: tuple[str, ...]
    least: int = 1
    above_zero: bool = False

    def read(self, value: object) -> tuple[tuple[float, ...], ...]:
        if not isinstance(value, list) or not self.least <= len(value) <= 100_000:
            raise refuse(value, self.words)
        rows = []
        for row in value:
            if not isinstance(row, list) or len(row) != len(self.columns):
                raise refuse(row, f"rows of {self.row_words}")
            bound = 0.0 if self.above_zero else None
            cells = zip(self.columns, row, strict=True)
            rows.append(tuple(In(d, above=bound, exact=True).read(cell) for d, cell in cells))
        return tuple(rows)

    @property
    def row_words(self) -> str:
        return "[" + ", ".join(DIMENSIONS[each].words for each in self.columns) + "]"

    @property
    def words(self) -> str:
        return f"a list of {self.least} or more rows {self.row_words}"

    def schema(self) -> JsonSchema:
        width = len(self.columns)
        row = {"type": "array", "items": {"type": "string"}, "minItems": width, "maxItems": width}
        return {"type": "array", "items": row, "minItems": self.least}


@dataclass(frozen=True)
class ListOf(_Marker):
    """A list of quantities of one dimension."""

    item: In

    def read(self, value: object) -> tuple[float, ...]:
        if not isinstance(value, list) or not 1 <= len(value) <= 1000:
            raise refuse(value, f"a list of {DIMENSIONS[self.item.dimension].words} each with its unit")
        return tuple(self.item.read(each) for each in value)

    def schema(self) -> JsonSchema:
        return {"type": "array", "items": self.item.schema(), "minItems": 1}


Length = Annotated[Floats, In("length")]
LengthFromZero = Annotated[Floats, In("length", least=0.0)]
LengthAboveZero = Annotated[Floats, In("length", above=0.0)]
Angle = Annotated[Floats, In("angle")]
AngleFromZero = Annotated[Floats, In("angle", least=0.0)]
TimeFromZero = Annotated[Floats, In("time", least=0.0)]
TimeAboveZero = Annotated[Floats, In("time", above=0.0)]
RateAboveZero = Annotated[Floats, In("rate", above=0.0)]
SpeedAboveZero = Annotated[Floats, In("speed", above=0.0)]
AccelerationAboveZero = Annotated[Floats, In("acceleration", above=0.0)]
SpinAboveZero = Annotated[Floats, In("angular_acceleration", above=0.0)]
ForceFromZero = Annotated[Floats, In("force", least=0.0)]
PressureAboveZero = Annotated[Floats, In("pressure", above=0.0)]
MassAboveZero = Annotated[Floats, In("mass", above=0.0)]
StiffnessFromZero = Annotated[Floats, In("stiffness", least=0.0)]
StiffnessAboveZero = Annotated[Floats, In("stiffness", above=0.0)]
GearingAboveZero = Annotated[Floats, In("gearing", above=0.0)]
InertiaFromZero = Annotated[Floats, In("inertia", least=0.0)]
InertiaAboveZero = Annotated[Floats, In("inertia", above=0.0)]
EnergyAboveZero = Annotated[Floats, In("energy", above=0.0)]
PowerAboveZero = Annotated[Floats, In("power", above=0.0)]
TorqueAboveZero = Annotated[Floats, In("torque", above=0.0)]


def key(doc: str, *, required: str | bool = False) -> Any:
    """Declare a key of the scenario.

    Parameters
    ----------
    doc : str
        What it means, in one sentence.
    required : bool or str
        True where a scenario cannot do without it in a table that is there; text: when it is needed.
    """
    return Field(default=None, description=doc, json_schema_extra={"x-required": required})
