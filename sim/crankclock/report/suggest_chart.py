"""The chart of a suggestion: the frontier, the ceiling over each key, and how far each key may move. A4 landscape."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from crankclock.report.sheets import MARGIN, panel, saved, sheet
from crankclock.report.style import DASHES, GREY, INK, INKS, PALE, PAPER, SMALL, TINY, house_style, write
from crankclock.report.suggest_words import headline
from crankclock.studies.flatness import Freedom, Profile
from crankclock.studies.frontier import Point
from crankclock.studies.space import Vary
from crankclock.studies.suggest import Suggestion
from crankclock.units import DIMENSIONS, to_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST = 6
"""Keys with a panel; the text report has the others."""
TOP, LEFT, TALL = 28.0, 18.0, 70.0
HOW = (
    "Frontier: each point was checked as a whole cycle, the filled one is the best; a light point keeps every "
    "allowance up to its rate. Below: the ceiling over each key, all others at the best point; shaded: how far the key "
    "may move before the objective or one more rule gives way."
)


def draw(found: Suggestion) -> Figure:
    """Draw a suggestion.

    Returns
    -------
    matplotlib.figure.Figure
        Fresh, A4 landscape, not known to pyplot.
    """
    base = found.base
    with house_style():
        facts = f"{base.reading} reading  ·  {base.loaded.name}  ·  {headline(found)}"
        figure = sheet(f"Suggest: {base.title}", facts, HOW)
        if found.best is None:
            write(figure, MARGIN, TOP, "No point that passes was found.", SMALL)
            return figure
        unit = "mm" if base.units == "metric" else "in"
        what = f"Stripper travel [{unit}]" if found.goal == "travel" else "Rate ceiling [/min]"
        _frontier(panel(figure, LEFT, TOP, 110.0, TALL, f"{what} against change"), found)
        _lines(figure, found)
        shown = found.profiles[:MOST]
        wide = (279.0 - LEFT + 8.0) / len(shown) - 12.0
        for k, profile in enumerate(shown):
            at = next(place for place, key in enumerate(found.space.keys) if key.path == profile.path)
            key, free = found.space.keys[at], found.freedoms[at]
            axes = panel(figure, LEFT + k * (wide + 12.0), TOP + TALL + 24.0, wide, 56.0, "")
            axes.set_title(key.path, fontsize=TINY, fontweight="bold", loc="left", pad=3.0)
            _profile(axes, profile, key, free, found.best.values[at], found)
        return figure


def render(found: Suggestion, suffix: Literal["png", "svg"]) -> bytes:
    """The chart as the bytes of a PNG or SVG file; the same suggestion gives the same bytes."""
    return saved(draw(found), suffix, f"Suggest: {found.base.title}")


def _frontier(axes: Axes, found: Suggestion) -> None:
    """What is gained over the change: the ceiling, or the stripper travel."""
    dark, light = INKS["lift"]
    across = [100.0 * each.change for each in found.frontier]
    up = [_gain(each, found) for each in found.frontier]
    axes.step(across, up, where="post", color=dark, linewidth=0.8, zorder=2.0)
    for k, each in enumerate(found.frontier):
        face = dark if each is found.best else PAPER
        axes.plot(across[k], up[k], "o", color=dark, markerfacecolor=face, markersize=5.0, zorder=3.0)
        axes.annotate(
            str(k + 1), (across[k], up[k]), (0.0, 4.5), textcoords="offset points", fontsize=TINY, ha="center"
        )
        if each.spare is not None and found.goal != "travel":
            axes.plot(across[k], 60.0 * each.spare, "o", color=light, markersize=4.0, zorder=2.5)
    for rate, label, dash in ((found.now[0], "now", 1), (found.at, "wanted", 3)):
        if rate is not None and found.goal != "travel":
            axes.axhline(60.0 * rate, color=GREY, linewidth=0.7, linestyle=DASHES[dash], label=label)
    axes.set_xlabel("change [% of the ranges, mean over the keys]", fontsize=SMALL, labelpad=1.0)
    axes.margins(x=0.08, y=0.18)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(fontsize=TINY, frameon=False, loc="best")


def _gain(each: Point, found: Suggestion) -> float:
    if found.goal == "travel":
        unit = "mm" if found.base.units == "metric" else "in"
        return float(to_unit(float(each.check.machine.scenario.stripper.travel), unit))
    return 60.0 * each.ceiling if each.ceiling is not None else float("nan")


def _lines(figure: Figure, found: Suggestion) -> None:
    """The settings of each point of the frontier, beside it."""
    top = TOP
    for k, each in enumerate(found.frontier):
        best = each is found.best
        write(figure, 140.0, top, f"{k + 1}", SMALL, fontweight="bold")
        lines = list(each.settings) or ["as it is"]
        write(figure, 145.0, top, "\n".join(lines), SMALL, fontweight="bold" if best else "normal", linespacing=1.3)
        top += 3.3 * len(lines) + 2.2


def _profile(axes: Axes, profile: Profile, key: Vary, free: Freedom, best: float, found: Suggestion) -> None:
    unit = None
    if key.dimension is not None:
        kind = DIMENSIONS[key.dimension]
        unit = (kind.metric if found.base.units == "metric" else kind.inch)[0]

    def across(value: float) -> float:
        return value if unit is None else float(to_unit(value, unit))

    xs = np.array([across(float(each)) for each in profile.values])
    there = np.isfinite(profile.ceilings)
    axes.axvspan(across(free.low), across(free.high), facecolor=PALE, edgecolor="none", alpha=0.6, zorder=0.5)
    axes.plot(xs, np.where(there, 60.0 * profile.ceilings, np.nan), "o-", color=INKS["tap"][0], linewidth=1.0,
              markersize=3.0, zorder=2.0)  # fmt: skip
    axes.plot(xs[~there], np.zeros(np.count_nonzero(~there)), "x", color=INK, markersize=4.0, clip_on=False, zorder=3.0)
    axes.axvline(across(best), color=INK, linewidth=0.8, linestyle=DASHES[1], zorder=1.5)
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel(unit or "", fontsize=SMALL, labelpad=1.0)
