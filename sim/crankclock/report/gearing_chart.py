"""The chart of the gearing study: what each gearing gives and takes, side by side. One sheet, A4 landscape."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Literal

from crankclock.report.lines import listed, named
from crankclock.report.sheets import MARGIN, panel, saved, sheet
from crankclock.report.style import DASHES, GREY, INK, INKS, PAPER, SMALL, TINY, house_style, write
from crankclock.report.sweep_data import down
from crankclock.studies.gearing import Gearings, Group, Option
from crankclock.units import DIMENSIONS, System, show, to_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST = 3
"""Groups on the sheet; the text report has the others."""
FEW = 6
"""So many gearings are each named on the axes."""
TOP, FOOT, BETWEEN = 26.0, 190.0, 18.0
LEFT, WIDE, APART = 18.0, 55.0, 15.0
HOW = (
    "Filled: the scenario's own gearing. Ceiling: dark passes, light with every allowance, a cross where no rate "
    "passes. Dial: each bar is the time in the strip, over the time it is clamped at the scenario's rate."
)


def draw(found: Gearings) -> Figure:
    """Draw the study.

    Returns
    -------
    matplotlib.figure.Figure
        Fresh, A4 landscape, not known to pyplot.
    """
    base, groups = found.base, found.groups[:MOST]
    rate = show(float(base.machine.crank.rate), "rate", base.units)
    with house_style():
        figure = sheet(f"Gearings: {base.title}", f"{rate}  ·  {base.reading} reading  ·  {base.loaded.name}", HOW)
        tall = (FOOT - TOP - (len(groups) - 1) * BETWEEN) / len(groups)
        for k, group in enumerate(groups):
            _group(figure, group, base.units, TOP + k * (tall + BETWEEN), min(tall, 150.0))
        if len(found.groups) > MOST:
            write(figure, MARGIN, FOOT + 1.0, f"and {len(found.groups) - MOST} more: see the text report", TINY)
        return figure


def render(found: Gearings, suffix: Literal["png", "svg"]) -> bytes:
    """The chart as the bytes of a PNG or SVG file; the same study gives the same bytes."""
    return saved(draw(found), suffix, f"Gearings: {found.base.title}")


def _group(figure: Figure, group: Group, units: System, top: float, tall: float) -> None:
    whose = f"tap{'s' if len(group.taps) > 1 else ''} {listed(group.taps)}"
    write(figure, MARGIN, top - 7.5, whose, SMALL, fontweight="bold", color=INKS["tap"][0])
    unit = DIMENSIONS["gearing"].metric[0] if units == "metric" else DIMENSIONS["gearing"].inch[0]
    boxes = [panel(figure, LEFT + k * (WIDE + APART), top, WIDE, tall - 8.0, title) for k, title in enumerate((
        "Rate ceiling [/min]", "Spindle speed in the cut [/min]", f"Travel [{_length(units)}]", "On the dial [deg]",
    ))]  # fmt: skip
    for axes in boxes[:3]:
        axes.set_xlabel(f"gearing [turns {unit}]", fontsize=SMALL, labelpad=1.0)
        if len(group.options) <= FEW:
            axes.set_xticks([_gearing(each, units) for each in group.options])
        low, high = (_gearing(group.options[at], units) for at in (0, -1))
        pad = 0.12 * (high - low) or 0.1 * high
        axes.set_xlim(low - pad, high + pad)
    _ceilings(boxes[0], group, units)
    _speeds(boxes[1], group, units)
    _travels(boxes[2], group, units)
    _dial(boxes[3], group, units)


def _length(units: System) -> str:
    return "mm" if units == "metric" else "in"


def _gearing(each: Option, units: System) -> float:
    return float(to_unit(each.gearing, "1/mm" if units == "metric" else "1/in"))


def _line(
    axes: Axes,
    group: Group,
    units: System,
    value: Callable[[Option], float | None],
    ink: str,
    label: str,
    dash: int = 0,
) -> None:
    """A figure over the gearing, filled where it is the scenario's own; options without it are left out."""
    points = [(_gearing(each, units), found, each.own) for each in group.options if (found := value(each)) is not None]
    if not points:
        return
    across, up, _own = zip(*points, strict=True)
    axes.plot(across, up, color=ink, linewidth=1.0, linestyle=DASHES[dash], label=label, zorder=2.0)
    for x, y, filled in points:
        axes.plot(x, y, "o", markersize=4.0, color=ink, markerfacecolor=ink if filled else PAPER, zorder=2.5)


def _legend(axes: Axes) -> None:
    axes.legend(fontsize=TINY, frameon=False, loc="best", handlelength=2.6)


def _ceilings(axes: Axes, group: Group, units: System) -> None:
    dark, light = INKS["lift"]
    _line(axes, group, units, lambda each: None if each.spare is None else down(each.spare), light, "every allowance")
    _line(axes, group, units, lambda each: None if each.ceiling is None else down(each.ceiling), dark, "passes")
    for each in group.options:
        x = _gearing(each, units)
        if each.ceiling is None:
            axes.plot(x, 0.0, "x", color=INK, markersize=5.0, clip_on=False, zorder=3.0)
        elif each.binds and len(group.options) <= FEW:
            said = f"{down(each.ceiling, 1):.1f}\n{named(*each.binds[0]).replace(' tap ', chr(10) + 'tap ')}"
            axes.annotate(said, (x, down(each.ceiling)), (0.0, 4.0), textcoords="offset points", fontsize=TINY,
                          ha="center", va="bottom", zorder=3.0)  # fmt: skip
    top = max((each.ceiling or 0.0 for each in group.options), default=0.0)
    axes.set_ylim(0.0, 1.25 * 60.0 * top if top > 0.0 else 1.0)
    _legend(axes)


def _speeds(axes: Axes, group: Group, units: System) -> None:
    def per_minute(value: float | None) -> float | None:
        return None if value is None else 60.0 * value

    _line(axes, group, units, lambda each: per_minute(each.peak_in_cut), INKS["tap"][0], "true peak in the cut")
    _line(axes, group, units, lambda each: per_minute(each.mean_rule), GREY, "mean-speed rule", 1)
    axes.set_ylim(bottom=0.0)
    _legend(axes)


def _travels(axes: Axes, group: Group, units: System) -> None:
    own = group.own

    def size(value: float | None) -> float | None:
        return None if value is None else float(to_unit(value, _length(units)))

    _line(axes, group, units, lambda each: size(each.drive_travel), INKS["tap"][0], "drive travel used")
    _line(axes, group, units, lambda each: size(each.travel_needed), INKS["clamp"][0], "stripper travel needed", 2)
    has = size(float(own.check.machine.scenario.stripper.travel))
    for level, ink, label in ((has, INKS["clamp"][0], "stripper travel there is"), (size(own.rated), INKS["tap"][0],
                              "drive is rated for")):  # fmt: skip
        if level is not None:
            axes.axhline(level, color=ink, linewidth=0.7, linestyle=DASHES[3], label=label)
    axes.set_ylim(bottom=0.0)
    _legend(axes)


def _dial(axes: Axes, group: Group, units: System) -> None:
    """Each gearing's time in the strip over the time the strip is clamped."""
    dark, light = INKS["tap"]
    for k, each in enumerate(group.options):
        events = {event.id: event.angle for event in each.check.events}
        for start, end, ink, high in (
            (events.get("stripper.clamped"), events.get("stripper.unclamped"), INKS["clamp"][1], 0.7),
            (each.touch, each.leave, dark if each.own else light, 0.36),
        ):
            if start is not None and end is not None:
                low, width = float(to_unit(start, "deg")), float(to_unit(end - start, "deg"))
                axes.barh(k, width, high, low, color=ink, linewidth=0.0, zorder=2.0)
    feed = group.own.check.feed
    if feed is not None:
        axes.axvline(float(to_unit(feed.start, "deg")), color=INKS["feed"][0], linewidth=1.0, label="feed starts")
        _legend(axes)
    axes.set_yticks(range(len(group.options)), [show(each.gearing, "gearing", units) for each in group.options])
    axes.set_ylim(-0.6, len(group.options) - 0.4)
    axes.margins(x=0.06)
    axes.grid(visible=False, axis="y")
