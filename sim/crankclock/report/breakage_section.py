"""The die section at the key moments of the cycle as it ran: heights and diameters to scale, one panel a moment."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from crankclock.report.style import BODY, GREY, HEAD, INK, MM_PER_INCH, PALE, PAPER, SMALL, house_style, inks
from crankclock.rules.base import Words
from crankclock.studies.breakage_fit import Fit
from crankclock.studies.breakage_steps import GIVES, Moment
from crankclock.studies.check import CAUTION, Check
from crankclock.units import to_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE = (297.0, 190.0)
"""Of the sheet [mm]."""
GAP = 1.8
"""From tool to tool, as a multiple of the tap's diameter: where they stand along the strip is not to scale."""


def render(check: Check, lead: Fit, drawn: Sequence[Moment], suffix: Literal["png", "svg"]) -> bytes:
    """The picture as the bytes of a PNG or SVG file; the same cycle gives the same bytes."""
    figure = draw(check, lead, drawn)
    buffer = io.BytesIO()
    metadata = {"Date": None} if suffix == "svg" else {}
    with house_style():
        figure.savefig(buffer, format=suffix, metadata=metadata)
    return buffer.getvalue()


def draw(check: Check, lead: Fit, drawn: Sequence[Moment]) -> Figure:
    """Draw the section at every moment, in order.

    Parameters
    ----------
    check : Check
        The cycle as it ran.
    lead : Fit
        The cause by which it ran so.
    drawn : sequence of Moment
    """
    from matplotlib.figure import Figure

    with house_style():
        figure = Figure(figsize=(SIZE[0] / MM_PER_INCH, SIZE[1] / MM_PER_INCH), facecolor=PAPER)
        title = "".join(each if each.isprintable() else " " for each in check.title)
        figure.text(0.03, 0.96, title[:90], fontsize=HEAD, fontweight="bold", va="top")
        harm = lead.likeliest.harm.says
        said = f"As it ran, by the likeliest cause: {lead.profile.cause.title}. The harm: {harm}."
        figure.text(0.03, 0.915, said, fontsize=BODY, va="top")
        room = _room(check, drawn)
        for k, moment in enumerate(drawn):
            axes = figure.add_subplot(2, 3, k + 1)
            _panel(axes, check, lead.likeliest.tap, moment, room)
        figure.subplots_adjust(left=0.05, right=0.98, top=0.84, bottom=0.08, hspace=0.28, wspace=0.12)
        foot = "Heights and diameters to scale; places along the strip are not. Tips beyond the frame are cut. "
        figure.text(0.03, 0.02, f"{foot}{CAUTION}", fontsize=4.6, color=GREY)
        return figure


def _room(check: Check, drawn: Sequence[Moment]) -> tuple[float, float]:
    """Least and greatest height [mm] that every panel shows: the strip, the taps' way and some of the tools."""
    machine = check.machine
    deepest = max(float(check.cycle.motion.taps[name].depth) for name in machine.taps)
    top = 1e3 * (float(machine.strip.lift) + float(machine.strip.thickness))
    reach = 1e3 * max(deepest, 1.5 * max(float(tap.diameter) for tap in machine.taps.values()))
    lowest = 1e3 * min(min(each.underside for each in drawn), 0.0)
    return lowest - 1.5 * reach, top + 2.0 * reach


def _panel(axes: Axes, check: Check, tap: str, moment: Moment, room: tuple[float, float]) -> None:
    machine, words = check.machine, Words(check.units)
    low, high = room
    thick = 1e3 * float(machine.strip.thickness)
    diameter = 1e3 * float(machine.taps[tap].diameter)
    names = [f"tap:{name}" for name in moment.taps] + list(moment.tools)
    width = GAP * diameter
    right = width * (len(names) + 0.5)
    under, face = 1e3 * moment.underside, 1e3 * moment.face
    _box(axes, 0.0, low, right, -low, PALE, "")
    _box(axes, 0.0, under, right, thick, "#9fb4c4", "")
    _box(axes, 0.0, face, right, max(high - face, 0.0), "#ece7dc", "//")
    for k, name in enumerate(names):
        middle = width * (k + 0.75)
        if name.startswith("tap:"):
            part = machine.taps[name[4:]]
            above = part.side == "above"
            _tool(axes, middle, 1e3 * moment.taps[name[4:]], 1e3 * float(part.diameter), inks("tap")[0], above, room)
        else:
            slim = diameter if name.startswith("pilot") else 0.8 * diameter
            _tool(axes, middle, 1e3 * moment.tools[name], slim, inks(name)[1], True, room)
        axes.text(middle, high, name.split(":")[1], fontsize=SMALL, ha="center", va="bottom", color=INK)
    axes.set_xlim(0.0, right)
    axes.set_ylim(low, high)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.tick_params(labelsize=SMALL)
    axes.set_ylabel("mm above the die face", fontsize=SMALL)
    heavy = moment.event == GIVES
    fed = f", strip fed {words.length(moment.fed)}" if moment.fed > 0.0 else ""
    text = f"{moment.event}  {to_unit(moment.angle, 'deg'):.1f}°{fed}"
    axes.set_title(text, fontsize=BODY, loc="left", pad=9.0, fontweight="bold" if heavy else "normal",
                   color="#9b2c00" if heavy else INK)  # fmt: skip


def _box(axes: Axes, left: float, bottom: float, width: float, height: float, face: str, hatch: str) -> None:
    from matplotlib.patches import Rectangle

    axes.add_patch(Rectangle((left, bottom), width, height, facecolor=face, edgecolor=GREY, linewidth=0.4, hatch=hatch))


def _tool(
    axes: Axes, middle: float, tip: float, diameter: float, ink: str, above: bool, room: tuple[float, float]
) -> None:
    """A tool with a short cone at its tip, from above or below, cut at the frame."""
    from matplotlib.patches import Polygon

    half, cone, way = 0.5 * diameter, 0.5 * diameter, 1.0 if above else -1.0
    end = room[1] if above else room[0]
    shoulder = tip + way * cone
    corners = [(middle - 0.4 * half, tip), (middle + 0.4 * half, tip), (middle + half, shoulder), (middle + half, end),
               (middle - half, end), (middle - half, shoulder)]  # fmt: skip
    if (end - shoulder) * way > 0.0:
        axes.add_patch(Polygon(corners, closed=True, facecolor=ink, edgecolor=INK, linewidth=0.5, alpha=0.9))
