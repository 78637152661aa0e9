"""Threads, usual tap drills and tap chamfers as printed: data only, with the source of every row.

The standards themselves are not free to read; a row names the standard that rules it and the reprint that was
read for it. Everything that follows from diameter and pitch is computed, not tabled.
"""

from __future__ import annotations

from typing import NamedTuple

COARSE = "ISO coarse"
FINE = "ISO fine"
UNC = "UNC"
UNF = "UNF"


class MetricRow(NamedTuple):
    """An ISO metric thread: nominal diameter and pitch [mm]."""

    diameter_mm: float
    pitch_mm: float
    series: str
    source: str


class UnifiedRow(NamedTuple):
    """A Unified thread: size as it is written, nominal diameter [in], threads per inch."""

    size: str
    diameter_in: float
    threads_per_inch: int
    series: str
    source: str


class DrillRow(NamedTuple):
    """The usual drill before a cutting tap, in the unit [mm] or [in] of its thread's series."""

    diameter: float
    source: str


_ISO_COARSE = "ISO 261 and ISO 724, reprinted in the metric thread chart of get-it-made.co.uk"
_ISO_SMALL = "ISO 261, sizes reprinted in the fine-pitch chart of tameson.com (metric thread chart)"
_ISO_MIDDLE = "ISO 724, reprinted in Yamawa's general catalogue 2016-2017, tap thread limits, p. 795"
_ISO_LARGE = "ISO 724, reprinted in the metric fine thread table of engineeringhardware.com"
_ISO_M14X1 = "ISO 261, size reprinted in Thread Cutting by Dies and Taps, appendix 1 (nzdl.org)"
_UNIFIED_COARSE = "ASME B1.1, reprinted in the Unified coarse thread geometry table of trfastenings.com"
_UNIFIED_FINE = "ASME B1.1, reprinted in the UNF table of boltport.com"

METRIC: tuple[MetricRow, ...] = (
    MetricRow(2.0, 0.4, COARSE, _ISO_COARSE),
    MetricRow(2.0, 0.25, FINE, _ISO_SMALL),
    MetricRow(2.2, 0.45, COARSE, _ISO_COARSE),
    MetricRow(2.2, 0.25, FINE, _ISO_SMALL),
    MetricRow(2.5, 0.45, COARSE, _ISO_COARSE),
    MetricRow(2.5, 0.35, FINE, _ISO_SMALL),
    MetricRow(3.0, 0.5, COARSE, _ISO_COARSE),
    MetricRow(3.0, 0.35, FINE, _ISO_SMALL),
    MetricRow(3.5, 0.6, COARSE, _ISO_COARSE),
    MetricRow(3.5, 0.35, FINE, _ISO_SMALL),
    MetricRow(4.0, 0.7, COARSE, _ISO_COARSE),
    MetricRow(4.0, 0.5, FINE, _ISO_SMALL),
    MetricRow(4.5, 0.75, COARSE, _ISO_COARSE),
    MetricRow(4.5, 0.5, FINE, _ISO_MIDDLE),
    MetricRow(5.0, 0.8, COARSE, _ISO_COARSE),
    MetricRow(5.0, 0.5, FINE, _ISO_MIDDLE),
    MetricRow(6.0, 1.0, COARSE, _ISO_COARSE),
    MetricRow(6.0, 0.75, FINE, _ISO_MIDDLE),
    MetricRow(7.0, 1.0, COARSE, _ISO_COARSE),
    MetricRow(7.0, 0.75, FINE, _ISO_MIDDLE),
    MetricRow(8.0, 1.25, COARSE, _ISO_COARSE),
    MetricRow(8.0, 1.0, FINE, _ISO_LARGE),
    MetricRow(8.0, 0.75, FINE, _ISO_LARGE),
    MetricRow(10.0, 1.5, COARSE, _ISO_COARSE),
    MetricRow(10.0, 1.25, FINE, _ISO_LARGE),
    MetricRow(10.0, 1.0, FINE, _ISO_LARGE),
    MetricRow(10.0, 0.75, FINE, _ISO_LARGE),
    MetricRow(12.0, 1.75, COARSE, _ISO_COARSE),
    MetricRow(12.0, 1.5, FINE, _ISO_LARGE),
    MetricRow(12.0, 1.25, FINE, _ISO_LARGE),
    MetricRow(12.0, 1.0, FINE, _ISO_LARGE),
    MetricRow(14.0, 2.0, COARSE, _ISO_COARSE),
    MetricRow(14.0, 1.5, FINE, _ISO_LARGE),
    MetricRow(14.0, 1.25, FINE, _ISO_LARGE),
    MetricRow(14.0, 1.0, FINE, _ISO_M14X1),
    MetricRow(16.0, 2.0, COARSE, _ISO_COARSE),
    MetricRow(16.0, 1.5, FINE, _ISO_LARGE),
    MetricRow(16.0, 1.0, FINE, _ISO_LARGE),
    MetricRow(18.0, 2.5, COARSE, _ISO_COARSE),
    MetricRow(18.0, 2.0, FINE, _ISO_LARGE),
    MetricRow(18.0, 1.5, FINE, _ISO_LARGE),
    MetricRow(18.0, 1.0, FINE, _ISO_LARGE),
    MetricRow(20.0, 2.5, COARSE, _ISO_COARSE),
    MetricRow(20.0, 2.0, FINE, _ISO_LARGE),
    MetricRow(20.0, 1.5, FINE, _ISO_LARGE),
    MetricRow(20.0, 1.0, FINE, _ISO_LARGE),
)

UNIFIED: tuple[UnifiedRow, ...] = (
    UnifiedRow("#2", 0.086, 56, UNC, _UNIFIED_COARSE),
    UnifiedRow("#2", 0.086, 64, UNF, _UNIFIED_FINE),
    UnifiedRow("#3", 0.099, 48, UNC, _UNIFIED_COARSE),
    UnifiedRow("#3", 0.099, 56, UNF, _UNIFIED_FINE),
    UnifiedRow("#4", 0.112, 40, UNC, _UNIFIED_COARSE),
    UnifiedRow("#4", 0.112, 48, UNF, _UNIFIED_FINE),
    UnifiedRow("#5", 0.125, 40, UNC, _UNIFIED_COARSE),
    UnifiedRow("#5", 0.125, 44, UNF, _UNIFIED_FINE),
    UnifiedRow("#6", 0.138, 32, UNC, _UNIFIED_COARSE),
    UnifiedRow("#6", 0.138, 40, UNF, _UNIFIED_FINE),
    UnifiedRow("#8", 0.164, 32, UNC, _UNIFIED_COARSE),
    UnifiedRow("#8", 0.164, 36, UNF, _UNIFIED_FINE),
    UnifiedRow("#10", 0.19, 24, UNC, _UNIFIED_COARSE),
    UnifiedRow("#10", 0.19, 32, UNF, _UNIFIED_FINE),
    UnifiedRow("#12", 0.216, 24, UNC, _UNIFIED_COARSE),
    UnifiedRow("#12", 0.216, 28, UNF, _UNIFIED_FINE),
    UnifiedRow("1/4", 0.25, 20, UNC, _UNIFIED_COARSE),
    UnifiedRow("1/4", 0.25, 28, UNF, _UNIFIED_FINE),
    UnifiedRow("5/16", 0.3125, 18, UNC, _UNIFIED_COARSE),
    UnifiedRow("5/16", 0.3125, 24, UNF, _UNIFIED_FINE),
    UnifiedRow("3/8", 0.375, 16, UNC, _UNIFIED_COARSE),
    UnifiedRow("3/8", 0.375, 24, UNF, _UNIFIED_FINE),
    UnifiedRow("7/16", 0.4375, 14, UNC, _UNIFIED_COARSE),
    UnifiedRow("7/16", 0.4375, 20, UNF, _UNIFIED_FINE),
    UnifiedRow("1/2", 0.5, 13, UNC, _UNIFIED_COARSE),
    UnifiedRow("1/2", 0.5, 20, UNF, _UNIFIED_FINE),
    UnifiedRow("9/16", 0.5625, 12, UNC, _UNIFIED_COARSE),
    UnifiedRow("9/16", 0.5625, 18, UNF, _UNIFIED_FINE),
    UnifiedRow("5/8", 0.625, 11, UNC, _UNIFIED_COARSE),
    UnifiedRow("5/8", 0.625, 18, UNF, _UNIFIED_FINE),
    UnifiedRow("3/4", 0.75, 10, UNC, _UNIFIED_COARSE),
    UnifiedRow("3/4", 0.75, 16, UNF, _UNIFIED_FINE),
)

_DRILL_COARSE = "tap drill column of the metric thread chart of get-it-made.co.uk"
_DRILL_SMALL = "fine-pitch tap drill chart of tameson.com (metric thread chart)"
_DRILL_LARGE = "Thread Cutting by Dies and Taps, appendix 1 (nzdl.org)"
_DRILL_UNIFIED = "drill and tap chart, 75 % thread column (docslib.org, document 4942776)"
_DRILL_THREE_QUARTER = "tap and drill chart for 75 % thread (blackwalnutjigs.com)"

# Fine-pitch charts also print 2.10 for M2.5x0.35, 2.60 for M3x0.35 and 3.10 for M3.5x0.35, each below the
# least minor diameter of the finished thread; those rows are left out, so their drills are computed.
DRILLS: dict[str, DrillRow] = {
    "M2x0.4": DrillRow(1.6, _DRILL_COARSE),
    "M2x0.25": DrillRow(1.75, _DRILL_SMALL),
    "M2.2x0.45": DrillRow(1.75, _DRILL_COARSE),
    "M2.2x0.25": DrillRow(1.95, _DRILL_SMALL),
    "M2.5x0.45": DrillRow(2.05, _DRILL_COARSE),
    "M3x0.5": DrillRow(2.5, _DRILL_COARSE),
    "M3.5x0.6": DrillRow(2.9, _DRILL_COARSE),
    "M4x0.7": DrillRow(3.3, _DRILL_COARSE),
    "M4x0.5": DrillRow(3.5, _DRILL_SMALL),
    "M4.5x0.75": DrillRow(3.8, _DRILL_COARSE),
    "M4.5x0.5": DrillRow(4.0, _DRILL_SMALL),
    "M5x0.8": DrillRow(4.2, _DRILL_COARSE),
    "M5x0.5": DrillRow(4.5, _DRILL_SMALL),
    "M6x1": DrillRow(5.0, _DRILL_COARSE),
    "M6x0.75": DrillRow(5.2, _DRILL_SMALL),
    "M7x1": DrillRow(6.0, _DRILL_COARSE),
    "M7x0.75": DrillRow(6.2, _DRILL_SMALL),
    "M8x1.25": DrillRow(6.8, _DRILL_COARSE),
    "M8x1": DrillRow(7.0, _DRILL_SMALL),
    "M8x0.75": DrillRow(7.2, _DRILL_SMALL),
    "M10x1.5": DrillRow(8.5, _DRILL_COARSE),
    "M10x1.25": DrillRow(8.8, _DRILL_SMALL),
    "M10x1": DrillRow(9.0, _DRILL_SMALL),
    "M10x0.75": DrillRow(9.2, _DRILL_SMALL),
    "M12x1.75": DrillRow(10.2, _DRILL_COARSE),
    "M12x1.5": DrillRow(10.5, _DRILL_LARGE),
    "M12x1.25": DrillRow(10.8, _DRILL_LARGE),
    "M12x1": DrillRow(11.0, _DRILL_LARGE),
    "M14x2": DrillRow(12.0, _DRILL_COARSE),
    "M14x1.25": DrillRow(12.8, _DRILL_LARGE),
    "M14x1": DrillRow(13.0, _DRILL_LARGE),
    "M16x2": DrillRow(14.0, _DRILL_COARSE),
    "M18x2.5": DrillRow(15.5, _DRILL_COARSE),
    "M20x2.5": DrillRow(17.5, _DRILL_COARSE),
    "#2-56 UNC": DrillRow(0.07, _DRILL_UNIFIED),
    "#2-64 UNF": DrillRow(0.07, _DRILL_UNIFIED),
    "#3-48 UNC": DrillRow(0.0785, _DRILL_UNIFIED),
    "#3-56 UNF": DrillRow(0.082, _DRILL_UNIFIED),
    "#4-40 UNC": DrillRow(0.089, _DRILL_UNIFIED),
    "#4-48 UNF": DrillRow(0.0935, _DRILL_UNIFIED),
    "#5-40 UNC": DrillRow(0.1015, _DRILL_UNIFIED),
    "#5-44 UNF": DrillRow(0.104, _DRILL_UNIFIED),
    "#6-32 UNC": DrillRow(0.1065, _DRILL_UNIFIED),
    "#6-40 UNF": DrillRow(0.113, _DRILL_UNIFIED),
    "#8-32 UNC": DrillRow(0.136, _DRILL_UNIFIED),
    "#8-36 UNF": DrillRow(0.136, _DRILL_UNIFIED),
    "#10-24 UNC": DrillRow(0.1495, _DRILL_UNIFIED),
    "#10-32 UNF": DrillRow(0.159, _DRILL_UNIFIED),
    "#12-24 UNC": DrillRow(0.177, _DRILL_UNIFIED),
    "#12-28 UNF": DrillRow(0.182, _DRILL_UNIFIED),
    "1/4-20 UNC": DrillRow(0.201, _DRILL_UNIFIED),
    "1/4-28 UNF": DrillRow(0.213, _DRILL_UNIFIED),
    "5/16-18 UNC": DrillRow(0.257, _DRILL_UNIFIED),
    "5/16-24 UNF": DrillRow(0.272, _DRILL_UNIFIED),
    "3/8-16 UNC": DrillRow(0.3125, _DRILL_UNIFIED),
    "3/8-24 UNF": DrillRow(0.332, _DRILL_UNIFIED),
    "7/16-14 UNC": DrillRow(0.368, _DRILL_UNIFIED),
    "7/16-20 UNF": DrillRow(25 / 64, _DRILL_UNIFIED),
    "1/2-13 UNC": DrillRow(27 / 64, _DRILL_UNIFIED),
    "1/2-20 UNF": DrillRow(29 / 64, _DRILL_UNIFIED),
    "9/16-12 UNC": DrillRow(31 / 64, _DRILL_UNIFIED),
    "9/16-18 UNF": DrillRow(33 / 64, _DRILL_UNIFIED),
    "5/8-11 UNC": DrillRow(17 / 32, _DRILL_UNIFIED),
    "5/8-18 UNF": DrillRow(37 / 64, _DRILL_UNIFIED),
    "3/4-10 UNC": DrillRow(21 / 32, _DRILL_THREE_QUARTER),
    "3/4-16 UNF": DrillRow(11 / 16, _DRILL_THREE_QUARTER),
}

CHAMFER_FORMS: dict[str, tuple[float, float]] = {
    "A": (6.0, 8.0),
    "B": (3.5, 5.5),
    "C": (2.0, 3.0),
    "D": (3.5, 5.0),
    "E": (1.5, 2.0),
    "F": (1.0, 1.5),
}
"""Least and greatest chamfer (lead) of a tap in pitches, by form; DIN 2197."""
