"""The crank clock: the dial as a ring, TDC up, and inside it one ring for each thing that acts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from crankclock.parts.numbers import TURN
from crankclock.report.dial import BACKING, RIM, draw_scale, draw_tags, line, xy
from crankclock.report.rings import Arc, Ring
from crankclock.report.style import BODY, GREY, INK, MM_PER_POINT, PALE, PAPER, SMALL, TINY, inks, wide
from crankclock.studies.check import Check
from crankclock.studies.overlaps import Overlap
from crankclock.units import show

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HUB = 15.0
"""Radius of the space left in the middle [mm]."""
HALF = 70.0
"""Half the side of the square the clock is drawn in [mm]."""
WIDEST_RING = 6.2
LEAST = 5.4
"""Smallest type for a ring's name [pt]."""
FACE = 1.2
"""Between the scale and the outermost ring [mm]."""
SEEN = 2.0
"""A bounce shorter than this [deg] gets an arrowhead."""


@dataclass
class _Room:
    """What of a ring is taken, as spans of the dial [deg] from their start."""

    taken: list[tuple[float, float]] = field(default_factory=list)

    def add(self, start: float, size: float) -> None:
        self.taken.append((start % 360.0, min(size, 360.0)))

    def free(self, start: float, size: float) -> bool:
        """True where nothing taken lies in a span."""
        start %= 360.0
        return all((other - start) % 360.0 >= size and (start - other) % 360.0 >= width for other, width in self.taken)

    def widest(self) -> tuple[float, float]:
        """Middle and size of the widest gap."""
        if not self.taken:
            return 0.0, 360.0
        ends = [start + size for start, size in self.taken]
        gaps = [(min((start - end) % 360.0 for start, _ in self.taken), end) for end in ends if self.free(end, 1e-6)]
        size, end = max(gaps, default=(0.0, 0.0))
        return (end + 0.5 * size) % 360.0, size


def draw_clock(axes: Axes, check: Check, rings: Sequence[Ring], overlaps: Sequence[tuple[str, Overlap]]) -> None:
    """Draw the clock into square axes; overlaps come with the letter that stands for each."""
    axes.set_xlim(-HALF, HALF)
    axes.set_ylim(-HALF, HALF)
    axes.axis("off")
    bdc = float(np.degrees(check.machine.slide.bdc))
    draw_scale(axes, bdc)
    pitch = min(WIDEST_RING, (RIM - FACE - HUB) / max(len(rings), 1))
    radii = {ring: RIM - FACE - k * pitch for k, ring in enumerate(rings)}
    for ring, outer in radii.items():
        hatched = [overlap for _, overlap in overlaps if set(ring.keys) & set(overlap.between)]
        _ring(axes, ring, outer, pitch, hatched)
    tags = []
    for letter, overlap in overlaps:
        pair = [(radii[ring], inks_of(ring)) for ring in rings if set(ring.keys) & set(overlap.between)]
        if pair:
            _hatch(axes, overlap, [outer for outer, _ in pair], pitch)
            tags.append((letter, overlap, max(outer for outer, _ in pair)))
    draw_tags(axes, tags, bdc)
    _hub(axes, check, RIM - FACE - len(rings) * pitch)


def inks_of(ring: Ring) -> tuple[str, str]:
    return inks(ring.keys[0])


def _wedge(axes: Axes, outer: float, pitch: float, start: float, end: float, **manner: object) -> None:
    """A stretch of ring from one dial angle to another [deg]."""
    from matplotlib.patches import Wedge

    sweep = min(end - start, 359.999)
    axes.add_patch(Wedge((0.0, 0.0), outer, 90.0 - start - sweep, 90.0 - start, width=pitch, **manner))


def _ring(axes: Axes, ring: Ring, outer: float, pitch: float, hatched: Sequence[Overlap]) -> None:
    from matplotlib.patches import Circle

    axes.add_patch(Circle((0.0, 0.0), outer - pitch, fill=False, edgecolor=PALE, linewidth=0.5, zorder=0.5))
    dark, light = inks_of(ring)
    room = _Room()
    for arc in ring.arcs:
        _arc(axes, arc, outer, pitch, dark, light)
    for start, end in _united(hatched):
        _wedge(axes, outer, pitch, start, end, facecolor=PAPER, edgecolor="none", alpha=0.62, zorder=3.0)
    taken = [(arc.start, arc.end) for arc in ring.arcs] + [(each.start, each.end) for each in hatched]
    for start, end in taken:
        room.add(float(np.degrees(start)), float(np.degrees(end - start)))
    for angle in ring.by_hand:
        degrees = float(np.degrees(angle))
        line(axes, degrees, outer - pitch, outer, 1.5, PAPER, zorder=3.2)
        line(axes, degrees, outer - pitch, outer, 0.5, zorder=3.3)
        room.add(degrees - 0.5, 1.0)
    for start, end in ring.bounces:
        _bounce(axes, float(np.degrees(start)), float(np.degrees(end)), outer, pitch, light)
        room.add(float(np.degrees(start)) - 1.0, float(np.degrees(end - start)) + 2.0)
    middle = outer - 0.5 * pitch
    _name(axes, ring.name, middle, pitch, room)
    size = min(TINY, 0.62 * pitch / MM_PER_POINT)
    within = any(arc.weight == "faint" for arc in ring.arcs)
    for k, angle in enumerate(ring.ends):
        if within and not any(each.start <= angle <= each.end for each in hatched):
            _number_within(axes, ring, angle, middle, size, last=k > 0)
        elif not within:
            _number(axes, angle, middle, size, room, before=k == 0)


def _united(hatched: Sequence[Overlap]) -> list[list[float]]:
    """Hatched spans of a ring [deg], those that share a stretch as one, so that it is made pale only once."""
    found: list[list[float]] = []
    for start, end in sorted((float(np.degrees(each.start)), float(np.degrees(each.end))) for each in hatched):
        if found and start <= found[-1][1]:
            found[-1][1] = max(found[-1][1], end)
        else:
            found.append([start, end])
    return found


def _arc(axes: Axes, arc: Arc, outer: float, pitch: float, dark: str, light: str) -> None:
    start, end = float(np.degrees(arc.start)), float(np.degrees(arc.end))
    if arc.weight == "faint":
        thin = 0.22 * pitch
        _wedge(axes, outer - 0.5 * (pitch - thin), thin, start, end, facecolor=light, edgecolor=dark, linewidth=0.35)
        return
    inset = 0.11 * pitch
    face = dark if arc.weight == "heavy" else light
    _wedge(
        axes, outer - inset, pitch - 2.0 * inset, start, end, facecolor=face, edgecolor=dark, linewidth=0.5, zorder=2.0
    )


def _bounce(axes: Axes, start: float, end: float, outer: float, pitch: float, light: str) -> None:
    """A bounce takes its span out of the arc; an arrowhead says so where the span is too short to be seen."""
    from matplotlib.patches import Polygon

    inset = 0.11 * pitch
    manner = {"facecolor": light, "edgecolor": INK, "linewidth": 0.35, "zorder": 2.2}
    _wedge(axes, outer - inset, pitch - 2.0 * inset, start, end, **manner)
    if end - start >= SEEN:
        return
    half = float(np.degrees(0.13 * pitch / outer))
    corners = [xy(outer, start - half), xy(outer, start + half), xy(outer - 0.42 * pitch, start)]
    axes.add_patch(Polygon(corners, facecolor=PAPER, edgecolor=INK, linewidth=0.5, zorder=2.6))


def _across(axes: Axes, text: str, radius: float, degrees: float, size: float, **manner: object) -> None:
    """Text along a ring, never upside down."""
    x, y = xy(radius, degrees)
    turned = -degrees if degrees <= 90.0 or degrees >= 270.0 else 180.0 - degrees
    axes.text(
        x, y, text, fontsize=size, ha="center", va="center_baseline", rotation=turned, rotation_mode="anchor",
        zorder=5.0, clip_on=False, **manner,  # type: ignore[arg-type]
    )  # fmt: skip


def _fitting(text: str, radius: float, pitch: float) -> float:
    """Size [pt] at which a straight line of text stays between the circles of its ring, if it need not be too small."""
    size = min(BODY, 0.7 * pitch / MM_PER_POINT)
    while size > LEAST:
        half = min(0.45 * wide(text, size), radius)
        rise = radius - float(np.sqrt(radius**2 - half**2))
        if rise + 0.75 * size * MM_PER_POINT <= pitch:
            break
        size -= 0.2
    return size


def _name(axes: Axes, text: str, radius: float, pitch: float, room: _Room) -> None:
    """The ring's name: over TDC where that is free, else over BDC, else in the widest gap."""
    size = _fitting(text, radius, pitch)
    angle = float(np.degrees(wide(text, size) / radius))
    for middle in (0.0, 180.0, room.widest()[0]):
        if room.free(middle - 0.5 * angle, angle):
            room.add(middle - 0.5 * angle, angle)
            _across(axes, text, radius, middle, size)
            return
    middle = room.widest()[0]
    room.add(middle - 0.5 * angle, angle)
    _across(axes, text, radius, middle, size, bbox=BACKING)


def _number(axes: Axes, angle: float, radius: float, size: float, room: _Room, *, before: bool) -> None:
    """A dial reading beside the end of an arc, as near as there is room for it."""
    degrees = float(np.degrees(angle))
    text = f"{degrees % 360.0:.1f}"
    width = float(np.degrees((wide(text, size) + 0.8) / radius))
    for away in range(16):
        start = degrees - width - away if before else degrees + away
        if room.free(start + 0.01, width - 0.02):
            room.add(start, width)
            _across(axes, text, radius, (start + 0.5 * width) % 360.0, size)
            return


def _number_within(axes: Axes, ring: Ring, angle: float, radius: float, size: float, *, last: bool) -> None:
    """A dial reading just inside the end of the arc, for rings that have something thin beyond it."""
    degrees = float(np.degrees(angle))
    text = f"{degrees % 360.0:.1f}"
    width = float(np.degrees((wide(text, size) + 0.8) / radius))
    middle = degrees - 0.5 * width if last else degrees + 0.5 * width
    under = [arc for arc in ring.arcs if np.degrees(arc.start) < middle < np.degrees(arc.end) and arc.weight != "faint"]
    if not under or any(np.degrees(arc.end - arc.start) < 1.2 * width for arc in under):
        return
    ink = PAPER if under[-1].weight == "heavy" else INK
    _across(axes, text, radius, middle % 360.0, size, color=ink)


def _hatch(axes: Axes, overlap: Overlap, outers: Sequence[float], pitch: float) -> None:
    """The overlap on the rings it lies between, with its edges drawn from ring to ring."""
    start, end = float(np.degrees(overlap.start)), float(np.degrees(overlap.end))
    for outer in outers:
        _wedge(
            axes, outer, pitch, start, end, facecolor="none", edgecolor=INK, linewidth=0.7, hatch="//////", zorder=3.1
        )
    for degrees in (start, end):
        line(axes, degrees, min(outers) - pitch, max(outers), 0.7)


def _hub(axes: Axes, check: Check, radius: float) -> None:
    """The rate in the middle, what a degree lasts, and the way the crank turns."""
    from matplotlib.patches import FancyArrowPatch

    crank = check.machine.crank
    bdc = check.machine.slide.bdc
    degree = f"{1e3 * TURN / 360.0 / float(crank.speed_at(bdc)):.2f} ms{'' if crank.even else ' at BDC'}"
    rate = show(float(crank.rate), "rate", check.units)
    axes.text(0.0, 1.8, rate, fontsize=BODY + 1.5, ha="center", va="center", fontweight="bold")
    if check.reading != "hand":
        axes.text(0.0, -2.4, f"1° = {degree}", fontsize=SMALL, ha="center", va="center", color=GREY)
    turn = min(radius, HUB) - 3.0
    way = np.array([xy(turn, degrees) for degrees in range(-55, 51, 5)])
    axes.plot(way[:, 0], way[:, 1], color=GREY, linewidth=0.7)
    axes.add_patch(
        FancyArrowPatch(way[-1], xy(turn, 55.0), arrowstyle="-|>", mutation_scale=5.0, color=GREY, linewidth=0.0)
    )
