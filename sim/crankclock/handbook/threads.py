"""Screw threads: the sizes in the tables, their basic dimensions, and the ways the trade writes them.

ISO metric coarse and fine from M2 to M20, Unified coarse and fine from #2 to 3/4 inch; all right-hand and of
one start.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches

from crankclock.handbook.thread_tables import COARSE, METRIC, UNC, UNF, UNIFIED, MetricRow, UnifiedRow

MILLIMETRE = 1e-3
INCH = 0.0254

_LONGEST = 60
_EXPECTED = "a metric thread such as M4x0.7 or M4, or a Unified one such as 1/4-20 UNC or #10-32 UNF"


class ThreadError(ValueError):
    """A text that names no thread of the tables: says what was given, what is expected, what is nearest."""


@dataclass(frozen=True)
class Thread:
    """A single-start, right-hand 60 degree thread with its basic dimensions.

    Parameters
    ----------
    designation : str
        In full, such as "M4x0.7" or "1/4-20 UNC".
    series : {"ISO coarse", "ISO fine", "UNC", "UNF"}
    diameter : float
        Nominal (basic major) diameter D [m].
    pitch : float
        P [m].
    source : str
        Where diameter and pitch were read.
    """

    designation: str
    series: str
    diameter: float
    pitch: float
    source: str

    @property
    def height(self) -> float:
        """Height of the fundamental triangle H = sqrt(3)/2 P [m]; ISO 68-1, ASME B1.1."""
        return math.sqrt(3.0) / 2.0 * self.pitch

    @property
    def lead(self) -> float:
        """Travel in one turn [m]: the pitch, of a single-start thread."""
        return self.pitch

    @property
    def pitch_diameter(self) -> float:
        """D2 = D - 3/4 H = D - 0.649519 P [m]; ISO 724, ASME B1.1."""
        return self.diameter - 0.75 * self.height

    @property
    def minor_diameter(self) -> float:
        """Of the internal thread, D1 = D - 5/4 H = D - 1.082532 P [m]; ISO 724, ASME B1.1."""
        return self.diameter - 1.25 * self.height

    @property
    def stress_area(self) -> float:
        """Tensile stress area of the mating screw [m^2]; the two standards differ by their root diameter.

        The circle on the mean of pitch diameter and root diameter: pi/4 (D - 0.938194 P)^2 with the root
        D - 17/12 H of ISO 898-1, pi/4 (D - 0.974279 P)^2 with the root D - 3/2 H of ASME B1.1.
        """
        drop = 1.5 if self.series in (UNC, UNF) else 17.0 / 12.0
        root = self.diameter - drop * self.height
        return math.pi / 4.0 * ((self.pitch_diameter + root) / 2.0) ** 2


def _metric(row: MetricRow) -> Thread:
    name = f"M{row.diameter_mm:g}x{row.pitch_mm:g}"
    return Thread(name, row.series, row.diameter_mm * MILLIMETRE, row.pitch_mm * MILLIMETRE, row.source)


def _unified(row: UnifiedRow) -> Thread:
    name = f"{row.size}-{row.threads_per_inch} {row.series}"
    return Thread(name, row.series, row.diameter_in * INCH, INCH / row.threads_per_inch, row.source)


_BY_PITCH = {(Decimal(str(row.diameter_mm)), Decimal(str(row.pitch_mm))): _metric(row) for row in METRIC}
_BY_COUNT = {(row.size, row.threads_per_inch): _unified(row) for row in UNIFIED}
_SIZES = {row.size: Decimal(str(row.diameter_in)) for row in UNIFIED}

THREADS: tuple[Thread, ...] = (*_BY_PITCH.values(), *_BY_COUNT.values())
"""Every thread of the tables, metric first, each family by diameter."""

_AS_TYPED = str.maketrans(
    {
        "×": "x",
        "✕": "x",
        "″": '"',
        "”": '"',
        "“": '"',
        "‐": "-",
        "‑": "-",
        "–": "-",
        "−": "-",
        "⁄": "/",
        "¼": " 1/4",
        "½": " 1/2",
        "¾": " 3/4",
        "⅜": " 3/8",
        "⅝": " 5/8",
    }
)

_REFUSED = (
    (r"[0-9],[0-9]|,[0-9]", "decimal comma; write a decimal point"),
    (r"(?i)(?<![a-z])(lh|left)", "left-hand thread; the gearing and reversal modelled are right-hand"),
    (r"(?i)[x0-9 -]ph ?[0-9]", "multi-start thread; one start only, so that the lead is the pitch"),
)

_CLASS = r"(?:(?: ?- ?| )(?P<fit>[0-9][A-Za-z][0-9A-Za-z]{0,4}))?"
_METRIC = re.compile(
    r"[Mm] ?(?P<diameter>[0-9]+(?:\.[0-9]+)?)(?: ?[xX-] ?(?P<pitch>[0-9]+(?:\.[0-9]+)?|\.[0-9]+))?" + _CLASS
)
_UNIFIED = re.compile(
    r"(?:(?:#|[Nn][Oo]\.?) ?(?P<number>[0-9]+)|(?P<bare>[0-9]+)"
    r"|(?:(?P<fraction>[0-9]+/[0-9]+)|(?P<decimal>[0-9]*\.[0-9]+))(?: ?(?:\"|inch|in\.?))?)"
    r"(?: ?- ?(?P<count>[0-9]+))?(?: ?-? ?(?P<series>[A-Za-z]{2,5}))?" + _CLASS
)


def parse(text: str) -> Thread:
    """Read a thread as the trade writes it.

    ``M4x0.7``, ``M4 × 0.7``, ``M4-0.7``, ``M4`` (coarse), ``M8x1`` (fine); ``#10-32 UNF``, ``No. 10-32``,
    ``10-32``, ``1/4-20``, ``1/4"-20 UNC``, ``1/4 in-20``, ``.250-20``, ``1/4 UNC``. The tolerance class of an
    internal thread (``-6H``, ``-2B``) may follow; it says nothing of the basic dimensions and is dropped.

    Parameters
    ----------
    text : str

    Returns
    -------
    Thread
        The row of the tables; two ways to write one thread give equal rows.

    Raises
    ------
    ThreadError
        No thread of the tables: unknown size, wrong pitch or series for the size, decimal comma, left-hand,
        multi-start, class of a screw, threads per inch missing, nothing or anything else.

    Examples
    --------
    >>> parse("M4").designation
    'M4x0.7'
    >>> parse('1/4"-20').designation
    '1/4-20 UNC'
    """
    if not isinstance(text, str):
        raise ThreadError(f"thread {text!r:.40}: not a text; expected {_EXPECTED}")
    if len(text) > _LONGEST:
        raise _refusal(text, f"longer than {_LONGEST} characters", [])
    given = " ".join(text.translate(_AS_TYPED).split())
    for pattern, reason in _REFUSED:
        if re.search(pattern, given):
            raise _refusal(text, reason, _spelled_like(given))
    if found := _METRIC.fullmatch(given):
        return _read_metric(text, found)
    if found := _UNIFIED.fullmatch(given):
        return _read_unified(text, found)
    raise _refusal(text, "not read as a thread" if given else "nothing given", _spelled_like(given))


def _read_metric(text: str, found: re.Match[str]) -> Thread:
    diameter = Decimal(found["diameter"])
    same = [thread for (size, _), thread in _BY_PITCH.items() if size == diameter]
    if not same:
        raise _refusal(text, f"no size M{found['diameter']} in the tables", _nearest(diameter, metric=True))
    if found["pitch"] is None:
        thread = next(row for row in same if row.series == COARSE)
    elif (diameter, Decimal(found["pitch"])) in _BY_PITCH:
        thread = _BY_PITCH[diameter, Decimal(found["pitch"])]
    else:
        raise _refusal(text, f"M{found['diameter']} has no pitch {found['pitch']} mm in the tables", same)
    _check_class(text, found["fit"], r"([3-9][EFGH]X?){1,2}", r"([3-9][efgh]){1,2}", "6H", thread)
    return thread


def _read_unified(text: str, found: re.Match[str]) -> Thread:
    size = _unified_size(text, found)
    same = [thread for (label, _), thread in _BY_COUNT.items() if label == size]
    series = found["series"].upper() if found["series"] else None
    if series not in (None, UNC, UNF):
        raise _refusal(text, f"series {found['series']} is not in the tables, only UNC and UNF", same)
    if found["count"] is None:
        if series is None:
            raise _refusal(text, "threads per inch missing", same)
        thread = next(row for row in same if row.series == series)
    elif (size, int(found["count"])) in _BY_COUNT:
        thread = _BY_COUNT[size, int(found["count"])]
    else:
        raise _refusal(text, f"{size} has no {found['count']} threads per inch in the tables", same)
    if series not in (None, thread.series):
        raise _refusal(text, f"{found['count']} threads per inch on {size} is {thread.series}, not {series}", same)
    fit = found["fit"] and found["fit"].upper()
    _check_class(text, fit, r"[1-3]B", r"[1-3]A", "2B", thread)
    return thread


def _unified_size(text: str, found: re.Match[str]) -> str:
    if found["decimal"]:
        return _decimal_size(text, found["decimal"])
    number = found["number"] or found["bare"]
    size = f"#{int(number)}" if number else found["fraction"]
    if size in _SIZES:
        return size
    if number:
        numbers = [label for label in _SIZES if label.startswith("#")]
        closest = min(numbers, key=lambda label: abs(int(label[1:]) - int(number)))
        raise _refusal(text, f"no number size {size} in the tables", _of_sizes([closest]))
    top, bottom = (int(part) for part in found["fraction"].split("/"))
    value = Decimal(top) / Decimal(bottom) if bottom else Decimal(0)
    raise _refusal(text, f"no size {size} inch in the tables", _nearest(value, metric=False))


def _decimal_size(text: str, given: str) -> str:
    """Three places may be a rounding, as .312 for 5/16; any other number of places is exact."""
    value = Decimal(given)
    slack = Decimal("0.0005") if len(given.partition(".")[2]) == 3 else Decimal(0)
    for size, diameter in _SIZES.items():
        if abs(value - diameter) <= slack:
            return size
    raise _refusal(text, f"no size {given} inch in the tables", _nearest(value, metric=False))


def _check_class(text: str, fit: str | None, nut: str, screw: str, usual: str, thread: Thread) -> None:
    if fit is None or re.fullmatch(nut, fit):
        return
    whose = "is a screw's, not" if re.fullmatch(screw, fit) else "is not"
    raise _refusal(text, f"tolerance class {fit} {whose} one of a tapped hole such as {usual}", [thread])


def _nearest(diameter: Decimal, *, metric: bool) -> list[Thread]:
    """Return the four threads closest in diameter [mm or in]."""
    if not metric:
        return _of_sizes(sorted(_SIZES, key=lambda size: abs(_SIZES[size] - diameter))[:2])
    keys = sorted(_BY_PITCH, key=lambda key: abs(key[0] - diameter))
    return [_BY_PITCH[key] for key in keys[:4]]


def _of_sizes(sizes: Iterable[str]) -> list[Thread]:
    wanted = set(sizes)
    return [thread for (size, _), thread in _BY_COUNT.items() if size in wanted]


def _spelled_like(given: str) -> list[Thread]:
    by_name = {thread.designation.lower(): thread for thread in THREADS}
    return [by_name[name] for name in get_close_matches(given.lower(), by_name, n=3, cutoff=0.5)]


def _refusal(text: str, reason: str, nearest: Iterable[Thread]) -> ThreadError:
    shown = repr(text if len(text) <= _LONGEST else text[:_LONGEST] + "...")
    names = ", ".join(thread.designation for thread in nearest)
    hint = f"; nearest: {names}" if names else ""
    return ThreadError(f"thread {shown}: {reason}; expected {_EXPECTED}{hint}")
