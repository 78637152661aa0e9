"""Strip materials: what it takes to cut them, and how fast a tap may be run in them.

Every figure carries its source. Where no source prints one, a named rule of the trade supplies an estimate that
says so, or there is none; nothing is assumed in silence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from crankclock.handbook.material_tables import (
    FAMILIES,
    FOOT_PER_MINUTE,
    FORCE_SOURCE,
    FORCES,
    SECOND_FORCES,
    SECOND_SOURCE,
    SPEEDS,
    Family,
    ForceRow,
    Kind,
    SpeedRow,
)
from crankclock.handbook.threads import MILLIMETRE
from crankclock.handbook.values import Floats, positive

NEWTON_PER_SQUARE_MILLIMETRE = 1e6

FORM_IN_MILD_STEEL = math.pi * 4.0 * MILLIMETRE * 2800.0 / 60.0
"""Cutting speed [m/s] of a forming tap in mild steel: about 2800 /min for M4; common practice."""

COATED_FORM_LIMIT = 260.0 * FOOT_PER_MINUTE
"""Speed [m/s] coated forming taps are said to reach: Destefani, Don't Cut Threads, Form 'Em, sme.org."""

SHARES_OF_MILD_STEEL = {"hsla-steel": 2.0 / 3.0, "austenitic-stainless": 1.0 / 3.0, "ferritic-stainless": 1.0 / 3.0}
"""Tapping speed in a material as a share of that in mild steel; common practice."""

_SHARE_NAMES = {"hsla-steel": "two thirds", "austenitic-stainless": "a third", "ferritic-stainless": "a third"}
_MILD = "low-carbon-steel"


@dataclass(frozen=True)
class Speed:
    """Permitted cutting speed of a tap: the range printed or estimated, and the figure to judge by.

    Attributes
    ----------
    low, high : float
        Ends of the range over all sources [m/s].
    used : float
        Speed to judge by [m/s]: of published ranges the fastest that every one of them still allows.
    source : str
        Where each range was read, or the rule it follows from.
    estimate : bool
        True where a rule of the trade stands in for a published figure.
    """

    low: float
    high: float
    used: float
    source: str
    estimate: bool


@dataclass(frozen=True)
class Force:
    """Specific cutting force for each of the two torque formulas, whose tables are not interchangeable.

    Attributes
    ----------
    first : float or array, shape (n,)
        kc of the first formula [Pa].
    source : str
        Where it was read and what it is printed for.
    estimate : bool
        True where the row is printed for another material.
    second : float or None
        kc of the second formula [Pa]; None where its table has no row for the material.
    second_source : str
        Where that was read and what it is printed for; otherwise why it is missing.
    family : {"steel", "brass"} or None
        Column of the second formula's correction coefficients.
    """

    first: Floats
    source: str
    estimate: bool
    second: float | None = None
    second_source: str = "the second formula's table has no row for this material"
    family: Family | None = None


@dataclass(frozen=True)
class Material:
    """A strip material of the table.

    Attributes
    ----------
    name : str
        As the scenario names it.
    """

    name: str

    @property
    def force(self) -> Force | None:
        """Specific cutting forces; None where no figure and no near row is known."""
        row = _force_row(FORCES, self.name)
        if row is None:
            return None
        source = f"{FORCE_SOURCE}: {row.printed_for}"
        first = row.force * NEWTON_PER_SQUARE_MILLIMETRE
        second = _force_row(SECOND_FORCES, self.name)
        if second is None:
            return Force(first, _nearest(source, row), not row.exact)
        return Force(
            first,
            _nearest(source, row),
            not row.exact,
            second.force * NEWTON_PER_SQUARE_MILLIMETRE,
            _nearest(f"{SECOND_SOURCE}: {second.printed_for}", second),
            FAMILIES[self.name],
        )

    def cutting_speed(self, kind: Kind = "cut", coated: bool = False) -> Speed | None:
        """Permitted cutting speed of a high-speed steel tap in this material.

        Published ranges where there are any; otherwise, in this order, a share of the speed in mild steel, the
        speed of the same tap bare, the speed of a cutting tap.

        Parameters
        ----------
        kind : {"cut", "form"}
        coated : bool

        Returns
        -------
        Speed or None
            None where neither a figure nor a rule is known; it can then not be judged.
        """
        rows = [row for row in SPEEDS if (row.material, row.kind, row.coated) == (self.name, kind, coated)]
        if rows:
            return _published(rows)
        if kind == "form" and self.name == _MILD:
            return _form_in_mild_steel(coated)
        if self.name in SHARES_OF_MILD_STEEL and (kind == "form" or self.name == "hsla-steel"):
            return _share_of_mild_steel(self.name, kind, coated)
        if coated:
            return _taken_over(self.cutting_speed(kind), "a coated tap bears at least the speed of a bare one")
        if kind == "form":
            return _taken_over(self.cutting_speed("cut"), "a forming tap bears at least the speed of a cutting tap")
        return None


MATERIALS: dict[str, Material] = {row.material: Material(row.material) for row in FORCES}
"""Every material of the tables by name."""


def material(name: str) -> Material | None:
    """Return a material of the table, or None for a name that is not in it: nothing is known of that one.

    Examples
    --------
    >>> steel = material("low-carbon-steel")
    >>> round(steel.cutting_speed("cut").used * 60.0, 1)
    15.2
    >>> material("unobtainium") is None
    True
    """
    return MATERIALS.get(name)


def own_force(force: Floats) -> Force:
    """Specific cutting force [Pa] as the user gives it: for the first formula only, having no pair in the second.

    Raises
    ------
    FigureError
        The force is not above 0.
    """
    positive(force, "specific cutting force", "Pa")
    why = "own specific cutting force given; the second formula's table does not know this material"
    return Force(force, "given", False, second_source=why)


def spindle_speed(cutting_speed: Floats, diameter: Floats) -> Floats:
    """Spindle speed [turns/s] at which a tap of a diameter [m] runs at a cutting speed [m/s]: v / (pi D).

    Examples
    --------
    >>> round(60.0 * spindle_speed(55.0 * FOOT_PER_MINUTE, 0.25 * 0.0254), 1)
    840.3
    """
    return cutting_speed / (math.pi * diameter)


def _force_row(rows: tuple[ForceRow, ...], name: str) -> ForceRow | None:
    return next((row for row in rows if row.material == name), None)


def _nearest(source: str, row: ForceRow) -> str:
    return source if row.exact else f"{source}; estimate, the nearest row of the table"


def _published(rows: list[SpeedRow]) -> Speed:
    low = min(row.low * row.unit for row in rows)
    tops = [row.high * row.unit for row in rows]
    source = "; ".join(f"{_range(row)} for {row.printed_for}: {row.source}" for row in rows)
    if not any(row.exact for row in rows):
        return Speed(low, max(tops), min(tops), f"estimate, the nearest figure printed: {source}", estimate=True)
    return Speed(low, max(tops), min(tops), source, estimate=False)


def _range(row: SpeedRow) -> str:
    unit = "ft/min" if row.unit == FOOT_PER_MINUTE else "m/min"
    return f"{row.low:g} {unit}" if row.low == row.high else f"{row.low:g} to {row.high:g} {unit}"


def _form_in_mild_steel(coated: bool) -> Speed:
    """The trade's figure, down to what a cutting tap may do and up to what coated forming taps are said to."""
    cut = _published([row for row in SPEEDS if (row.material, row.kind, row.coated) == (_MILD, "cut", False)])
    source = "estimate: about 2800 /min for M4 in mild steel, common practice"
    if not coated:
        return Speed(cut.used, FORM_IN_MILD_STEEL, FORM_IN_MILD_STEEL, source, estimate=True)
    source += "; coated forming taps to 260 ft/min: Destefani, Don't Cut Threads, Form 'Em, sme.org"
    return Speed(FORM_IN_MILD_STEEL, COATED_FORM_LIMIT, FORM_IN_MILD_STEEL, source, estimate=True)


def _share_of_mild_steel(name: str, kind: Kind, coated: bool) -> Speed | None:
    mild = MATERIALS[_MILD].cutting_speed(kind, coated)
    if mild is None:
        return None
    share = SHARES_OF_MILD_STEEL[name]
    source = f"estimate: {_SHARE_NAMES[name]} of the speed in mild steel, common practice; there {mild.source}"
    return Speed(share * mild.low, share * mild.high, share * mild.used, source, estimate=True)


def _taken_over(speed: Speed | None, rule: str) -> Speed | None:
    if speed is None:
        return None
    source = f"estimate: {rule}, common practice; that is {speed.source}"
    return Speed(speed.low, speed.high, speed.used, source, estimate=True)
