"""Cutting forces and tapping speeds of strip materials as printed: data only, with the source of every row.

Each row says what its source prints the figure for, because no source prints figures for tapping strip. What
follows from these rows, and what a rule of the trade has to supply where no row stands, is in `materials`.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

FOOT_PER_MINUTE = 0.3048 / 60.0
METRE_PER_MINUTE = 1.0 / 60.0

Kind = Literal["cut", "form"]
Family = Literal["steel", "brass"]


class SpeedRow(NamedTuple):
    """A range of tapping speeds [unit]; one figure printed alone is both its ends.

    `exact` is False where it is printed for another sort of the metal than strip.
    """

    material: str
    kind: Kind
    coated: bool
    low: float
    high: float
    unit: float
    printed_for: str
    source: str
    exact: bool = True


class ForceRow(NamedTuple):
    """A specific cutting force kc [N/mm2] and what it is printed for; `exact` where that is the strip's material."""

    material: str
    force: float
    printed_for: str
    exact: bool


class CorrectionRow(NamedTuple):
    """Correction coefficient K of the second torque formula for a style of tap, coarse and fine thread."""

    style: str
    family: Family
    coarse: float
    fine: float | None


_SUPPLIER = "tapping speed table of lavallee-ide.com, technical data"
_MAKER = "Clarkson-Osborn, Recommended Cutting Speeds for HSS Taps (clarkson-osborn.com)"
_CARD = "Suggested Tapping Speeds (scribd.com, document 318370577)"
_SHOP = "The Tap & Die Co, Tapping Speed, Feed and Lubricant for Taps (tap-die.com)"
_COATED = "Yamawa general catalogue 2016-2017, coated spiral pointed taps, p. 119"
_FORMING = "Yamawa general catalogue 2016-2017, nitrided forming taps for non-ferrous materials, p. 169"


def _feet(material: str, low: float, high: float, printed_for: str, source: str) -> SpeedRow:
    """Row for a bare cutting tap in feet per minute."""
    return SpeedRow(material, "cut", False, low, high, FOOT_PER_MINUTE, printed_for, source)


SPEEDS: tuple[SpeedRow, ...] = (
    _feet("low-carbon-steel", 40, 80, "free machining steel", _SUPPLIER),
    _feet("low-carbon-steel", 50, 60, "plain carbon steel under 250 HB", _MAKER),
    _feet("low-carbon-steel", 55, 55, "low carbon steel", _CARD),
    _feet("low-carbon-steel", 30, 50, "mild steel", _SHOP),
    _feet("austenitic-stainless", 5, 35, "stainless steel", _SUPPLIER),
    _feet("austenitic-stainless", 16, 22, "austenitic stainless steel under 250 HB", _MAKER),
    _feet("austenitic-stainless", 20, 20, "300 series stainless steel", _CARD),
    _feet("austenitic-stainless", 10, 20, "stainless steels", _SHOP),
    _feet("ferritic-stainless", 5, 35, "stainless steel", _SUPPLIER),
    _feet("ferritic-stainless", 15, 15, "400 series stainless steel", _CARD),
    _feet("ferritic-stainless", 10, 20, "stainless steels", _SHOP),
    _feet("spring-steel", 10, 10, "high carbon steel", _CARD),
    _feet("spring-steel", 15, 25, "carbon steel of the highest carbon content listed", _SHOP),
    _feet("aluminium-soft", 50, 150, "aluminium", _SUPPLIER),
    _feet("aluminium-soft", 32, 50, "unalloyed aluminium", _MAKER),
    _feet("aluminium-soft", 70, 90, "aluminium", _SHOP),
    _feet("aluminium-hard", 50, 150, "aluminium", _SUPPLIER),
    _feet("aluminium-hard", 82, 150, "aluminium with less than 5 % silicon", _MAKER),
    _feet("aluminium-hard", 80, 80, "wrought aluminium alloys", _CARD),
    _feet("aluminium-hard", 50, 70, "aluminium alloy", _SHOP),
    _feet("copper", 30, 60, "copper", _SUPPLIER),
    _feet("copper", 22, 40, "unalloyed copper", _MAKER),
    _feet("copper", 60, 60, "copper", _CARD),
    _feet("copper", 60, 80, "copper", _SHOP),
    _feet("brass", 50, 200, "brass", _SUPPLIER),
    _feet("brass", 50, 65, "brass under 200 HB", _MAKER),
    _feet("brass", 60, 60, "free machining brass", _CARD),
    _feet("brass", 60, 100, "brass", _SHOP),
    _feet("bronze", 50, 100, "bronze", _SUPPLIER),
    _feet("bronze", 82, 115, "brass and bronze under 200 HB", _MAKER),
    _feet("bronze", 50, 50, "cast bronze", _CARD),
    _feet("bronze", 30, 40, "bronze", _SHOP),
    SpeedRow("low-carbon-steel", "cut", True, 10, 20, METRE_PER_MINUTE, "free cutting and structural steel", _COATED),
    SpeedRow("aluminium-hard", "form", False, 5, 15, METRE_PER_MINUTE, "aluminium casting alloys", _FORMING, False),
)

FORCE_SOURCE = "kc table of lubero.de, calculations, for torque and power of tapping"
SECOND_SOURCE = "Yamawa general catalogue 2016-2017, technical pages, tapping torque, table 1, p. 777"
CORRECTION_SOURCE = "Yamawa general catalogue 2016-2017, technical pages, tapping torque, table 2, p. 777"

FORCES: tuple[ForceRow, ...] = (
    ForceRow("low-carbon-steel", 2300, "unalloyed construction steel up to 700 N/mm2", True),
    ForceRow("hsla-steel", 2500, "structural steel of 500 to 950 N/mm2", True),
    ForceRow("austenitic-stainless", 3200, "austenitic stainless steel of 500 to 950 N/mm2", True),
    ForceRow("ferritic-stainless", 3200, "austenitic stainless steel of 500 to 950 N/mm2, the dearer to cut", False),
    ForceRow("spring-steel", 3600, "tool steel of 950 to 1400 N/mm2", False),
    ForceRow("aluminium-soft", 800, "long-chipping aluminium alloys up to 550 N/mm2", True),
    ForceRow("aluminium-hard", 800, "long-chipping aluminium alloys up to 550 N/mm2", True),
    ForceRow("copper", 1100, "long-chipping copper alloys of 300 to 700 N/mm2", False),
    ForceRow("brass", 1100, "long-chipping copper alloys of 300 to 700 N/mm2", True),
    ForceRow("bronze", 1100, "long-chipping copper alloys of 300 to 700 N/mm2", True),
)
"""kc of the first torque formula. Short-chipping rows are castings and free-cutting bar, not strip."""

SECOND_FORCES: tuple[ForceRow, ...] = (
    ForceRow("low-carbon-steel", 3600, "Ck 15, 141 HB", True),
    ForceRow("hsla-steel", 3900, "Ck 45, 188 HB", False),
    ForceRow("austenitic-stainless", 4200, "X 6 CrNi 18 10, 209 HB", True),
    ForceRow("spring-steel", 5300, "C 105 W2, 175 HB", False),
    ForceRow("brass", 2300, "CuZn40", True),
)
"""kc of the second torque formula; not interchangeable with the first. Its aluminium is a casting alloy."""

FAMILIES: dict[str, Family] = {
    "low-carbon-steel": "steel",
    "hsla-steel": "steel",
    "austenitic-stainless": "steel",
    "spring-steel": "steel",
    "brass": "brass",
}
"""Column of the correction coefficients for each material that the second formula knows."""

CORRECTIONS: tuple[CorrectionRow, ...] = (
    CorrectionRow("straight-fluted, plug chamfer", "steel", 1.35, 1.15),
    CorrectionRow("straight-fluted, bottoming chamfer", "steel", 1.43, 1.50),
    CorrectionRow("spiral-fluted", "steel", 1.15, 1.25),
    CorrectionRow("spiral-pointed", "steel", 0.95, 1.00),
    CorrectionRow("straight-fluted, plug chamfer", "brass", 1.60, 1.12),
    CorrectionRow("straight-fluted, bottoming chamfer", "brass", 1.68, None),
    CorrectionRow("spiral-fluted", "brass", 0.85, None),
    CorrectionRow("spiral-pointed", "brass", 0.75, 1.00),
)
"""The columns of the materials above; the one for cast iron and aluminium alloys is left out."""
