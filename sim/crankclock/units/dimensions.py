"""What kinds of quantity there are, and how each is spoken of, written and displayed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

System = Literal["metric", "inch"]


class UnitError(ValueError):
    """Quantity text that cannot be taken as it stands; the message says why and how to write it."""


@dataclass(frozen=True)
class Dimension:
    """One kind of quantity.

    Attributes
    ----------
    name : str
        Its key in `DIMENSIONS`.
    words : str
        How a message speaks of it, with the article.
    si : str
        The unit of the floats inside the program.
    example : str
        Right ways to write it, each in double quotes.
    metric, inch : (str, int)
        Unit and number of decimals that reports print in either system.
    counts_turns : bool
        A number of turns per something: "rev/min" is then as good as "1/min".
    """

    name: str
    words: str
    si: str
    example: str
    metric: tuple[str, int]
    inch: tuple[str, int]
    counts_turns: bool = False


_ALL = (
    Dimension("length", "a length", "m", '"1.5 mm" or "3/8 in"', ("mm", 2), ("in", 3)),
    Dimension("angle", "an angle", "rad", '"20 deg"', ("deg", 1), ("deg", 1)),
    Dimension("time", "a time", "s", '"12 ms"', ("ms", 1), ("ms", 1)),
    Dimension("rate", "a rate", "1/s", '"60 /min"', ("/min", 1), ("/min", 1), True),
    Dimension("speed", "a speed", "m/s", '"60 m/min" or "200 ft/min"', ("m/min", 1), ("ft/min", 1)),
    Dimension("acceleration", "an acceleration", "m/s^2", '"25 m/s^2" or "575 in/s^2"', ("m/s^2", 1), ("in/s^2", 1)),
    Dimension(
        "angular_acceleration",
        "a spindle acceleration",
        "1/s^2",
        '"800 rev/s^2" or "5000 rad/s^2"',
        ("rev/s^2", 1),
        ("rev/s^2", 1),
        True,
    ),
    Dimension("force", "a force", "N", '"2.5 kN" or "90 lbf"', ("N", 0), ("lbf", 1)),
    Dimension("pressure", "a pressure", "Pa", '"140 bar" or "2300 N/mm^2"', ("MPa", 1), ("psi", 0)),
    Dimension("mass", "a mass", "kg", '"1.4 kg" or "3 lb"', ("kg", 2), ("lb", 2)),
    Dimension("stiffness", "a stiffness", "N/m", '"10 N/mm" or "57 lbf/in"', ("N/mm", 1), ("lbf/in", 1)),
    Dimension("gearing", "a gearing", "1/m", '"0.24 /mm" or "6 /in"', ("/mm", 4), ("/in", 3), True),
    Dimension(
        "inertia",
        "a moment of inertia",
        "kg*m^2",
        '"4e-5 kg*m^2" or "0.14 lb*in^2"',
        ("kg cm^2", 3),
        ("lb in^2", 4),
    ),
    Dimension("torque", "a torque", "N*m", '"1.7 N*m" or "15 lbf*in"', ("N m", 3), ("lbf in", 2)),
    Dimension("energy", "an energy", "J", '"150 J" or "110 lbf*ft"', ("J", 1), ("lbf ft", 1)),
    Dimension("power", "a power", "W", '"1.5 kW" or "2 hp"', ("kW", 2), ("hp", 2)),
)

DIMENSIONS: Mapping[str, Dimension] = MappingProxyType({each.name: each for each in _ALL})
