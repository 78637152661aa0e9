"""The crank dial: its scale, and outside it the names of what overlaps within."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np

from crankclock.report.style import INK, PAPER, SMALL, spread, wide
from crankclock.studies.overlaps import Overlap

if TYPE_CHECKING:
    from matplotlib.axes import Axes

RIM = 56.0
"""Radius of the scale [mm]."""
NUMBER, NAME, TAG = 4.6, 8.0, RIM + 10.2
"""From the scale to its numbers, and to the names of its ends; radius at which overlaps are named [mm]."""
BROAD, HIGH = 3.3, 1.6
"""Half the room that a number of the scale takes [mm]."""
TAG_PITCH = 8.0
"""Least distance between names of overlaps [deg]."""
BACKING = {"facecolor": PAPER, "edgecolor": "none", "boxstyle": "square,pad=0.12", "alpha": 0.9}


def xy(radius: float, degrees: float) -> tuple[float, float]:
    turned = np.radians(degrees)
    return radius * float(np.sin(turned)), radius * float(np.cos(turned))


def line(
    axes: Axes, degrees: float, inner: float, outer: float, width: float, color: str = INK, zorder: float = 2.5
) -> None:
    (x0, y0), (x1, y1) = xy(inner, degrees), xy(outer, degrees)
    axes.plot((x0, x1), (y0, y1), color=color, linewidth=width, solid_capstyle="butt", clip_on=False, zorder=zorder)


def draw_scale(axes: Axes, bdc: float) -> None:
    from matplotlib.patches import Circle

    axes.add_patch(Circle((0.0, 0.0), RIM, fill=False, edgecolor=INK, linewidth=0.9, clip_on=False))
    for degrees in range(0, 360, 10):
        major = degrees % 30 == 0
        line(axes, degrees, RIM, RIM + (2.2 if major else 1.2), 0.9 if major else 0.5)
        if major:
            x, y = xy(RIM + NUMBER, degrees)
            axes.text(x, y, str(degrees), fontsize=SMALL, ha="center", va="center", zorder=4.5, bbox=BACKING)
    for name, angle in (("TDC", 0.0), ("BDC", bdc)):
        x, y = xy(RIM + NAME, angle)
        axes.text(x, y, name, fontsize=SMALL, ha="center", va="center", fontweight="bold")


def draw_tags(axes: Axes, tags: Sequence[tuple[str, Overlap, float]], bdc: float) -> None:
    """Letter and size of each overlap outside the scale, with a line to where it is."""
    numbers = [xy(RIM + NUMBER, degrees) for degrees in range(0, 360, 30)]
    numbers += [xy(RIM + NAME, degrees) for degrees in (0.0, bdc)]
    middles = [float(np.degrees(0.5 * (each.start + each.end))) % 360.0 for _, each, _ in tags]
    order = np.argsort(middles, kind="stable")
    places = spread([middles[k] for k in order], TAG_PITCH, 4.0, 356.0)
    low = 0.0
    for k, wanted in zip(order, places, strict=True):
        letter, overlap, outer = tags[k]
        text = f"{letter}  {np.degrees(overlap.size):.1f}°"
        here = xy(outer, middles[k])
        degrees = _aside(wanted, low, partial(_clear, numbers, here, text))
        low = degrees + TAG_PITCH
        there, away = xy(TAG - 2.0, degrees), xy(TAG, degrees)
        axes.plot((here[0], there[0]), (here[1], there[1]), color=INK, linewidth=0.5, zorder=4.0, clip_on=False)
        box = {"facecolor": PAPER, "edgecolor": INK, "linewidth": 0.6, "boxstyle": "square,pad=0.25"}
        axes.text(
            *away, text, fontsize=SMALL, ha=_side(away[0]), va="center", fontweight="bold", bbox=box, zorder=6.0,
            clip_on=False,
        )  # fmt: skip


def _side(x: float) -> Literal["left", "center", "right"]:
    return "left" if x > 20.0 else "right" if x < -20.0 else "center"


def _aside(wanted: float, low: float, clear: Callable[[float], bool]) -> float:
    """The dial reading nearest to the one wanted, not below the lowest allowed, that is clear; else the one wanted."""
    for away in range(31):
        for degrees in (wanted - 0.5 * away, wanted + 0.5 * away):
            if low <= degrees <= 359.0 and clear(degrees):
                return degrees
    return max(wanted, low)


def _clear(numbers: Sequence[tuple[float, float]], here: tuple[float, float], text: str, degrees: float) -> bool:
    """True where a tag and the line to it run over none of the dial's numbers."""
    there, (x, y) = xy(TAG - 2.0, degrees), xy(TAG, degrees)
    way = np.linspace(here, there, 81)
    width = wide(text, SMALL) + 2.0
    left = {"left": x, "center": x - 0.5 * width, "right": x - width}[_side(x)]
    for number in numbers:
        beside = left > number[0] + BROAD + HIGH or left + width < number[0] - BROAD
        if not beside and abs(y - number[1]) < 2.0 * HIGH:
            return False
        if np.any(np.all(np.abs(way - number) < (BROAD, HIGH), axis=1)):
            return False
    return True
