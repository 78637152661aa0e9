"""A study's chart: one sheet, A4 landscape, with its head and foot, and panels that share one manner."""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING, Literal

from crankclock.report.style import (
    BODY,
    GREY,
    HEAD,
    MM_PER_INCH,
    PALE,
    PAPER,
    SHEET,
    SMALL,
    TINY,
    house_style,
    place,
    write,
)
from crankclock.studies.check import CAUTION

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MARGIN = 8.0


def sheet(title: str, facts: str, notes: str) -> Figure:
    """A fresh sheet, not known to pyplot; to be drawn on within `house_style`."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(SHEET[0] / MM_PER_INCH, SHEET[1] / MM_PER_INCH), facecolor=PAPER)
    write(figure, MARGIN, 7.0, textwrap.shorten(printable(title), 100, placeholder=" …"), HEAD, fontweight="bold")
    write(figure, MARGIN, 13.6, textwrap.shorten(printable(facts), 200, placeholder=" …"), BODY)
    lines = textwrap.wrap(notes, 235)[:2]
    write(figure, MARGIN, 201.0 - 3.2 * len(lines), "\n".join(lines), TINY, color=GREY, linespacing=1.4)
    write(figure, MARGIN, 201.4, f"Caution: {CAUTION}", SMALL)
    return figure


def saved(figure: Figure, suffix: Literal["png", "svg"], title: str) -> bytes:
    """The bytes of a PNG or SVG file; the same figure gives the same bytes."""
    buffer = io.BytesIO()
    metadata = {"Title": printable(title)} | ({"Date": None} if suffix == "svg" else {})
    with house_style():
        figure.savefig(buffer, format=suffix, metadata=metadata)
    return buffer.getvalue()


def panel(figure: Figure, left: float, top: float, width: float, height: float, title: str) -> Axes:
    """Axes in a box of the sheet [mm], with a title over them and a light grid."""
    axes = place(figure, left, top, width, height)
    axes.set_title(title, fontsize=SMALL, fontweight="bold", loc="left", pad=3.0)
    axes.tick_params(labelsize=TINY, width=0.5, length=2.0, pad=1.5)
    axes.grid(color=PALE, linewidth=0.4)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes


def printable(text: str) -> str:
    """Text without what cannot be printed, which an SVG must not hold."""
    return "".join(letter if letter.isprintable() else " " for letter in text)
