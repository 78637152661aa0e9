"""How charts look: sheet, type sizes, inks. Hues are easy to tell apart with any colour vision, and never alone."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SHEET = (297.0, 210.0)
"""A4 landscape [mm]."""

MM_PER_INCH = 25.4
MM_PER_POINT = MM_PER_INCH / 72.0
LETTER = 0.62
"""Mean width of a letter as a share of the type size, on the wide side."""

TINY, SMALL, BODY, HEAD = 5.6, 6.2, 7.0, 12.0
"""Type sizes [pt]; at A4 the smallest has capitals of about 1.4 mm."""

INK, GREY, PALE, PAPER = "#1a1a1a", "#6e6e6e", "#d9d9d9", "#ffffff"

INKS: Mapping[str, tuple[str, str]] = {
    "feed": ("#0072b2", "#a6cbe3"),
    "rolls": ("#4a9cc9", "#cfe6f4"),
    "lift": ("#00795a", "#b5ddd1"),
    "clamp": ("#4d4d4d", "#c8c8c8"),
    "pilot": ("#8f4a78", "#e3c4d8"),
    "punch": ("#a87400", "#f0d9a8"),
    "tap": ("#b34700", "#f3c3a3"),
}
"""A dark and a light ink for each kind of thing that acts (after Okabe and Ito, Color Universal Design, 2008)."""

TAP_SHADES = ("#b34700", "#1a1a1a", "#e08a45", "#6b2a00")
"""Inks of several taps' curves, as far apart in lightness as they can be."""

DASHES: Sequence[Any] = ("-", (0, (5, 1.6)), (0, (5, 1.4, 1.2, 1.4)), (0, (1.3, 1.3)))
"""Line styles that tell several tools of one kind apart."""

SETTINGS: Mapping[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": BODY,
    "text.color": INK,
    "text.parse_math": False,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.5,
    "axes.unicode_minus": True,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "hatch.linewidth": 0.6,
    "path.simplify": True,
    "svg.fonttype": "none",
    "svg.hashsalt": "crankclock",
    "savefig.dpi": 160,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Our settings on top of the drawing library's own defaults, whatever the user's may be; undone afterwards."""
    from matplotlib import rc_context, rcdefaults, rcParams

    with rc_context(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from font")  # a title may be in any script
        rcdefaults()
        rcParams.update(SETTINGS)
        yield


def inks(key: str) -> tuple[str, str]:
    """Dark and light ink of a ring or tool such as "feed" or "tap:m4"."""
    return INKS[key.split(":", 1)[0]]


def wide(text: str, size: float) -> float:
    """About how wide [mm] a line of text of this size [pt] is, rather more than less."""
    return len(text) * LETTER * size * MM_PER_POINT


def place(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Axes in a box of the sheet [mm], from its upper left corner."""
    sheet_width, sheet_height = SHEET
    box = (left / sheet_width, 1.0 - (top + height) / sheet_height, width / sheet_width, height / sheet_height)
    return figure.add_axes(box)


def write(figure: Figure, left: float, top: float, text: str, size: float = BODY, **manner: Any) -> None:
    """Text on the sheet [mm], its upper left corner at the place given unless aligned otherwise."""
    manner = {"ha": "left", "va": "top"} | manner
    figure.text(left / SHEET[0], 1.0 - top / SHEET[1], text, fontsize=size, **manner)


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places in a row at least a gap apart, in order, each as near as can be to where it is wanted.

    Parameters
    ----------
    wanted : sequence of float
        In rising order.
    gap : float
        Least distance between neighbours; where they do not all fit it is narrowed.
    low, high : float
        Ends of the row.
    """
    if not wanted:
        return []
    gap = min(gap, (high - low) / max(len(wanted) - 1, 1))
    groups: list[tuple[float, int]] = []  # mean of what the first of the group would like, and its size
    for k, place_ in enumerate(wanted):
        groups.append((place_ - k * gap, 1))
        while len(groups) > 1 and groups[-2][0] >= groups[-1][0]:
            (one, several), (other, more) = groups[-2:]
            groups[-2:] = [((one * several + other * more) / (several + more), several + more)]
    firsts = [first for first, size in groups for _ in range(size)]
    top = high - (len(wanted) - 1) * gap
    return [min(max(first, low), top) + k * gap for k, first in enumerate(firsts)]
