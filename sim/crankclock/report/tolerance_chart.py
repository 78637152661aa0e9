"""The chart of a tolerance study: which rules fail how often, over the rates, and what to tighten. One A4 sheet."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Literal

from crankclock.report.lines import cut, named
from crankclock.report.sheets import panel, saved, sheet
from crankclock.report.style import GREY, INK, INKS, PALE, SMALL, TINY, house_style, write
from crankclock.report.tolerance_words import headline, odds
from crankclock.studies.tolerance import Tolerances
from crankclock.studies.tolerance_rates import AtRate, RuleRisk
from crankclock.studies.tolerance_sensitivity import Sensitivity
from crankclock.units import show, to_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

MOST_RULES, MOST_KEYS, MOST_PANELS = 12, 8, 3
SMALL_SHARE = 0.01
FAILS, HOLDS = INKS["tap"], INKS["lift"]
HOW = (
    "Dots: share of the samples that fail, bars: 95 % interval; an arrow where none failed. Dashed: the risk asked "
    "for; dotted: the least that the sample can show. Over the rates the open marks are from fewer samples. Shares of "
    "variance: dark alone, light together with others, lines: 95 % interval."
)


def render(found: Tolerances, suffix: Literal["png", "svg"]) -> bytes:
    """The bytes of a PNG or SVG file; the same study gives the same bytes."""
    with house_style():
        return saved(draw(found), suffix, found.title)


def draw(found: Tolerances) -> Figure:
    """Draw a study.

    Returns
    -------
    matplotlib.figure.Figure
        Fresh, A4 landscape, not known to pyplot.
    """
    rate = show(found.rate, "rate", "metric")
    facts = (
        f"{rate}, {found.reading} reading, {found.spread.size} tolerances, {found.wish.samples:,} samples, "
        f"seed {found.wish.seed}"
    )
    figure = sheet(found.title, facts, HOW)
    for k, line in enumerate(textwrap.wrap(" ".join(headline(found)), 190)[:3]):
        write(figure, 8.0, 19.5 + 4.0 * k, line, SMALL, fontweight="bold" if k == 0 else "normal")
    least = 0.3 * min(found.wish.risk, found.supported)
    if found.at_rate is not None:
        _rules(
            panel(figure, 60.0, 42.0, 90.0, 66.0, f"How often each rule fails at {rate}"), found.at_rate, found, least
        )
    if len(found.rates) > 1:
        _rates(panel(figure, 172.0, 42.0, 116.0, 66.0, "How often any rule fails, over the rate [/min]"), found, least)
    for k, each in enumerate(found.sensitivities[:MOST_PANELS]):
        title = cut(f"Behind {named(each.rule, each.subject)}", 52)
        _shares(panel(figure, 48.0 + 94.0 * k, 126.0, 46.0, 54.0, title), each, found)
    return figure


def _rules(axes: Axes, here: AtRate, found: Tolerances, least: float) -> None:
    """The rules that fail most often, and those that come closest."""
    close = {(each.rule, each.subject): k for k, each in enumerate(found.sensitivities)}
    order = sorted(here.rules, key=lambda each: (-each.estimate.failing, close.get((each.rule, each.subject), 999)))
    shown = order[:MOST_RULES]
    for k, each in enumerate(shown):
        _interval(axes, each, k, least)
    axes.set_yticks(range(len(shown)), [cut(named(each.rule, each.subject), 36) for each in shown], color=INK)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_xscale("log")
    axes.set_xlim(least, 1.5)
    _decades(axes.xaxis, least)
    axes.axvline(found.wish.risk, color=INK, linewidth=0.7, linestyle="--")
    axes.axvline(found.supported, color=GREY, linewidth=0.7, linestyle=":")


def _decades(axis: Axis, least: float) -> None:
    """Ticks on a logarithmic axis of probabilities, a few of them."""
    powers = list(range(math.ceil(math.log10(least)), 1))
    shown = powers[:: -(len(powers) // 6 + 1)]
    axis.set_ticks([10.0**power for power in shown], ["always" if power == 0 else odds(10.0**power) for power in shown])
    axis.set_ticks([], minor=True)


def _interval(axes: Axes, each: RuleRisk, place: int, least: float) -> None:
    """One rule's probability on a log scale."""
    found = each.estimate
    dark, light = FAILS if found.failing else HOLDS
    axes.plot([max(found.low, least), found.high], [place, place], color=light, linewidth=3.0, solid_capstyle="butt")
    if found.failing:
        axes.plot([found.probability], [place], marker="o", markersize=3.0, color=dark)
    else:
        axes.plot([found.high], [place], marker="<", markersize=3.0, color=dark)


def _rates(axes: Axes, found: Tolerances, least: float) -> None:
    rates = [float(to_unit(each.rate, "1/min")) for each in found.rates]
    lows, highs = ([max(getattr(each.overall, end), least) for each in found.rates] for end in ("low", "high"))
    dark, light = FAILS
    axes.fill_between(rates, lows, highs, color=light, linewidth=0.0, alpha=0.6)
    for rate, each in zip(rates, found.rates, strict=True):
        full = each.overall.count == found.wish.samples
        marker, height = ("o", each.overall.probability) if each.overall.failing else ("v", each.overall.high)
        axes.plot([rate], [height], marker=marker, markersize=3.0, color=dark, fillstyle="full" if full else "none")
    axes.set_yscale("log")
    axes.set_ylim(least, 1.5)
    _decades(axes.yaxis, least)
    axes.axhline(found.wish.risk, color=INK, linewidth=0.7, linestyle="--")
    axes.axhline(found.supported, color=GREY, linewidth=0.7, linestyle=":")
    axes.axvline(float(to_unit(found.rate, "1/min")), color=PALE, linewidth=1.2, zorder=0.5)
    at = found.rate_at_risk
    if at is not None and at.rate is not None:
        borne = float(to_unit(at.rate, "1/min"))
        axes.axvline(borne, color=HOLDS[0], linewidth=0.9)
        says = f"{borne:.1f}: {odds(at.risk)}"
        axes.annotate(says, (borne, 1.0), xytext=(2.0, -1.0), textcoords="offset points", fontsize=TINY, va="top")


def _shares(axes: Axes, each: Sensitivity, found: Tolerances) -> None:
    """What share of a margin's variance each tolerance is behind."""
    inputs = each.indices.inputs
    order = sorted(range(len(inputs)), key=lambda k: -inputs[k].total.value)
    shown = [k for k in order if inputs[k].total.value >= SMALL_SHARE][:MOST_KEYS]
    for place, k in enumerate(shown):
        for band, shift, ink in ((inputs[k].first, -0.18, INKS["feed"][0]), (inputs[k].total, 0.18, INKS["feed"][1])):
            axes.barh(place + shift, max(band.value, 0.0), height=0.34, color=ink)
            axes.plot([max(band.low, 0.0), band.high], [place + shift] * 2, color=INK, linewidth=0.7)
    axes.set_yticks(range(len(shown)), [cut(found.spread.paths[k], 34) for k in shown], color=INK)
    axes.set_ylim(max(len(shown), 3) - 0.4, -0.6)
    axes.set_xlim(0.0, 1.1)
    axes.set_xticks([0.0, 0.5, 1.0], ["0", "50 %", "100 %"])
