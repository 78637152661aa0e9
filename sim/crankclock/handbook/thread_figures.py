"""All that the handbook says of one thread and its hole, gathered in one record."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from crankclock.handbook.extrusion import Extrusion, extrusions
from crankclock.handbook.holes import (
    USUAL_PERCENT,
    HoleError,
    TapDrill,
    cut_hole,
    extruded_height,
    form_hole,
    form_percent,
    percent_of_thread,
    usual_drill,
)
from crankclock.handbook.material_tables import SPEEDS
from crankclock.handbook.materials import MATERIALS, Speed, spindle_speed
from crankclock.handbook.threads import Thread

Kind = Literal["cut", "form"]
KINDS: tuple[Kind, ...] = ("cut", "form")

USUAL: MappingProxyType[Kind, float] = MappingProxyType({"cut": USUAL_PERCENT, "form": 65.0})
"""Percent of thread wanted where nobody says; common practice."""

LEAST_PERCENT = 40.0
"""Percent of thread below which a tapped hole is not counted on; common practice."""

FORMULAS: MappingProxyType[Kind, str] = MappingProxyType(
    {
        "cut": "D - 0.01299 x percent x P, a tap maker's technical pages (scribd.com, document 327450604)",
        "form": "D - 0.0068 x percent x P, as printed at datumcalc.com and fmcarbide.com",
    }
)
"""How the hole follows from the percent, with its source."""


@dataclass(frozen=True)
class TapHole:
    """The hole before one kind of tap.

    Parameters
    ----------
    kind : {"cut", "form"}
    percent : float
        Percent of thread wanted.
    usual : bool
        Whether that is the usual percent, for want of one given.
    diameter : float
        [m].
    narrow : bool
        Whether it is below the least minor diameter of the internal thread.
    """

    kind: Kind
    percent: float
    usual: bool
    diameter: float
    narrow: bool


@dataclass(frozen=True)
class Leaves:
    """What a given hole leaves one kind of tap.

    Parameters
    ----------
    kind : {"cut", "form"}
    percent : float or None
        Percent of thread; None where the hole does not suit that kind of tap.
    refused : str
        Why not; empty where it does.
    narrow : bool
        As for `TapHole`.
    """

    kind: Kind
    percent: float | None
    refused: str
    narrow: bool


@dataclass(frozen=True)
class Flange:
    """The extruded hole: what height a length of thread takes, and what the strip may give.

    Parameters
    ----------
    hole : float
        Tap hole reckoned with [m].
    length : float or None
        Of full thread wanted [m].
    height : float or None
        Needed for it, strip thickness included [m].
    thickness : float or None
        Of the strip [m].
    options : tuple of Extrusion
        By wall thickness; empty where no strip thickness is given.
    """

    hole: float
    length: float | None
    height: float | None
    thickness: float | None
    options: tuple[Extrusion, ...]


@dataclass(frozen=True)
class TapSpeed:
    """Permitted speed of one kind of tap in one strip material.

    Parameters
    ----------
    material : str
    kind : {"cut", "form"}
    coated : bool
    speed : Speed or None
        Of cutting; None where neither a figure nor a rule is known.
    spindle : tuple of float or None
        Spindle speed at the low, the used and the high cutting speed [turns/s].
    """

    material: str
    kind: Kind
    coated: bool
    speed: Speed | None
    spindle: tuple[float, float, float] | None


@dataclass(frozen=True)
class ThreadFigures:
    """A thread with its holes.

    Parameters
    ----------
    thread : Thread
    holes : tuple of TapHole
        One for each kind of tap asked for.
    drill : TapDrill or None
        The usual drill before a cutting tap; None where only a forming tap is asked for.
    hole : float or None
        Hole given [m].
    leaves : tuple of Leaves
        What it leaves each kind of tap.
    flange : Flange or None
        None where neither a length of thread nor a strip is given.
    speeds : tuple of TapSpeed
        By kind of tap, then by strip material, bare before coated.
    """

    thread: Thread
    holes: tuple[TapHole, ...]
    drill: TapDrill | None
    hole: float | None
    leaves: tuple[Leaves, ...]
    flange: Flange | None
    speeds: tuple[TapSpeed, ...]


def tap_holes(thread: Thread, kinds: tuple[Kind, ...], percent: float | None) -> tuple[TapHole, ...]:
    """Hole before each kind of tap, for the percent of thread given or the usual one.

    Raises
    ------
    HoleError
        The percent is below `LEAST_PERCENT` or over 100.
    """
    if percent is not None and not LEAST_PERCENT <= percent <= 100.0:
        raise HoleError(f"percent of thread {percent:g} %: expected {LEAST_PERCENT:g} to 100 %")
    return tuple(_hole(thread, kind, percent) for kind in kinds)


def leaves(thread: Thread, kinds: tuple[Kind, ...], hole: float) -> tuple[Leaves, ...]:
    """Percent of thread that a hole leaves each kind of tap.

    Raises
    ------
    HoleError
        It suits none of them.
    """
    found = tuple(_leaves(thread, kind, hole) for kind in kinds)
    if all(each.percent is None for each in found):
        raise HoleError(found[0].refused)
    return found


def flange(thread: Thread, hole: float, length: float | None, thickness: float | None) -> Flange | None:
    """Reckon the extruded hole for a length of full thread, a strip thickness, or both; None for neither.

    Raises
    ------
    HoleError
        The length is not above 0, or as for `extrusions`.
    """
    if length is None and thickness is None:
        return None
    height = None if length is None else float(extruded_height(thread, length, 0.0))
    options = () if thickness is None else extrusions(thread, hole, thickness, height)
    return Flange(hole, length, height, thickness, options)


def drill_for(thread: Thread, kinds: tuple[Kind, ...]) -> TapDrill | None:
    """Return the usual drill where a cutting tap is among the kinds."""
    return usual_drill(thread) if "cut" in kinds else None


def tap_speeds(thread: Thread, kinds: tuple[Kind, ...]) -> tuple[TapSpeed, ...]:
    """Permitted speeds of each kind of tap, bare and coated, in every material of the tables."""
    return tuple(_speed(thread, name, kind, coated) for kind in kinds for name in MATERIALS for coated in (False, True))


def speed_sources(speeds: tuple[TapSpeed, ...]) -> tuple[str, ...]:
    """Every printed table that the speeds rest on, once."""
    told = " ".join(each.speed.source for each in speeds if each.speed is not None)
    return tuple(dict.fromkeys(row.source for row in SPEEDS if row.source in told))


def _speed(thread: Thread, material: str, kind: Kind, coated: bool) -> TapSpeed:
    speed = MATERIALS[material].cutting_speed(kind, coated)
    if speed is None:
        return TapSpeed(material, kind, coated, None, None)
    low, used, high = (float(spindle_speed(each, thread.diameter)) for each in (speed.low, speed.used, speed.high))
    return TapSpeed(material, kind, coated, speed, (low, used, high))


def _hole(thread: Thread, kind: Kind, percent: float | None) -> TapHole:
    wanted = USUAL[kind] if percent is None else percent
    diameter = (cut_hole if kind == "cut" else form_hole)(thread, wanted)
    return TapHole(kind, wanted, percent is None, diameter, _narrow(thread, diameter))


def _narrow(thread: Thread, hole: float) -> bool:
    """Basic and least minor diameter of the internal thread are one; no hole a forming tap takes is so small."""
    return hole < thread.minor_diameter * (1.0 - 1e-12)


def _leaves(thread: Thread, kind: Kind, hole: float) -> Leaves:
    try:
        percent = (percent_of_thread if kind == "cut" else form_percent)(thread, hole)
    except HoleError as wrong:
        return Leaves(kind, None, str(wrong), False)
    return Leaves(kind, percent, "", _narrow(thread, hole))
