"""The chart of a sweep: margins over the stroke rate, and below how far each rule holds. One sheet, A4 landscape."""

from __future__ import annotations

import io
import string
import textwrap
from typing import TYPE_CHECKING, Literal

import numpy as np

from crankclock.report.panels import FAINT
from crankclock.report.style import (
    BODY,
    DASHES,
    GREY,
    HEAD,
    INK,
    INKS,
    MM_PER_INCH,
    PALE,
    PAPER,
    SHEET,
    SMALL,
    TINY,
    house_style,
    place,
    spread,
    wide,
    write,
)
from crankclock.report.sweep_data import down
from crankclock.report.sweep_words import CRANK_WORDS, binding_words, headline, spoken
from crankclock.studies.check import CAUTION
from crankclock.studies.rate_limits import End, Limit
from crankclock.studies.rate_scan import CRANK, Course, Ranges
from crankclock.studies.sweep import Sweep
from crankclock.studies.variants import Array
from crankclock.units import show, to_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MARGIN, LEFT, WIDE = 8.0, 66.0, 222.0
TOP, BOTTOM, APART = 32.0, 188.0, 12.0
LANE = 4.2
MOST = 15
"""Rules that have a lane; the text report has the others."""
LOWEST, HIGHEST = -3.0, 8.0
"""Margins shown, in allowances."""
RATE_GAP = 1.1
"""Between letters, as a share of the span [%]."""
SHADE = "#e3efe9"
LINE_FEED = {
    "feed": "feed",
    "rolls": "rolls",
    "pilots": "pilot",
    "strip": "lift",
    "stripper": "clamp",
    "lifters": "lift",
}
"""Ink of a rule that speaks of no tool, by the first word of its name."""
HOW = (
    "Each line is a rule's margin in allowances: at 1 it has just its allowance, below 0 it fails. Shaded: every rule "
    "holds. Heavy: the rule that binds, dotted by the rigid reading. Pale: rules that keep their allowance throughout. "
    "Rules without an allowance have a lane only. Lanes: dark with allowance, light without, hatched where it fails."
)


def draw(sweep: Sweep) -> Figure:
    """Draw a sweep.

    Returns
    -------
    matplotlib.figure.Figure
        Fresh, A4 landscape, not known to pyplot.
    """
    from matplotlib.figure import Figure

    with house_style():
        figure = Figure(figsize=(SHEET[0] / MM_PER_INCH, SHEET[1] / MM_PER_INCH), facecolor=PAPER)
        limits = [each for each in sweep.swept.limits if each.ceiling is not None or each.floor is not None]
        limits += [each for each in sweep.swept.limits if each not in limits and each.with_allowance is not None]
        lettered = list(zip(string.ascii_uppercase, limits[:MOST], strict=False))
        _head(figure, sweep)
        lanes = BOTTOM - LANE * (len(lettered) + len(sweep.readings))
        _margins(place(figure, LEFT, TOP, WIDE, lanes - APART - TOP), sweep, lettered)
        _lanes(place(figure, LEFT, lanes, WIDE, BOTTOM - lanes), figure, sweep, lettered, lanes)
        if len(limits) > MOST:
            write(figure, MARGIN, BOTTOM + 1.0, f"and {len(limits) - MOST} more: see the text report", TINY)
        _foot(figure, sweep)
        return figure


def render(sweep: Sweep, suffix: Literal["png", "svg"]) -> bytes:
    """The chart as the bytes of a PNG or SVG file; the same sweep gives the same bytes."""
    figure = draw(sweep)
    buffer = io.BytesIO()
    metadata = {"Date": None, "Title": _title(sweep)} if suffix == "svg" else {"Title": _title(sweep)}
    with house_style():
        figure.savefig(buffer, format=suffix, metadata=metadata)
    return buffer.getvalue()


def _title(sweep: Sweep) -> str:
    """The title without what cannot be printed, which an SVG must not hold."""
    return "".join(letter if letter.isprintable() else " " for letter in sweep.title)


def _rates(rates: Array | float) -> Array:
    return np.asarray(to_unit(rates, "1/min"))


def _head(figure: Figure, sweep: Sweep) -> None:
    write(figure, MARGIN, 7.0, textwrap.shorten(_title(sweep), 84, placeholder=" …"), HEAD, fontweight="bold")
    first, *rest = headline(sweep)
    ceiling = sweep.swept.ceiling
    passes = sweep.verdict == "pass" and ceiling is not None
    word = f"CEILING {down(ceiling.rate, 1):.1f} /min" if passes and ceiling is not None else sweep.verdict.upper()
    word = "NO RATE PASSES" if sweep.verdict == "fail" else word
    face, ink = (PAPER, "#00795a") if passes else ("#c8c8c8", INK) if sweep.verdict != "fail" else ("#9b2c00", PAPER)
    box = {"facecolor": face, "edgecolor": ink if face == PAPER else face, "boxstyle": "square,pad=0.35"}
    write(figure, SHEET[0] - MARGIN - 1.5, 8.0, word, HEAD + 1.0, ha="right", fontweight="bold", color=ink, bbox=box)
    facts = f"{sweep.reading} reading · {sweep.loaded.name} · {first}"
    write(figure, MARGIN, 13.6, textwrap.shorten(facts, 150, placeholder=" …"), BODY)
    write(figure, MARGIN, 18.0, "\n".join(textwrap.wrap(" ".join(rest), 215)[:3]), SMALL, linespacing=1.35)


def _margins(axes: Axes, sweep: Sweep, lettered: list[tuple[str, Limit]]) -> None:
    """Margins in allowances over the rate."""
    from matplotlib.ticker import MaxNLocator

    swept = sweep.swept
    _frame(axes, sweep)
    axes.set_ylim(LOWEST, HIGHEST)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_ylabel("margin / allowance", fontsize=SMALL, labelpad=1.0)
    axes.axhline(0.0, color=INK, linewidth=0.9, zorder=2.0)
    axes.axhline(1.0, color=GREY, linewidth=0.7, linestyle=DASHES[1], zorder=2.0)
    letters = {limit.key: letter for letter, limit in lettered}
    binding = swept.ceiling.binding if swept.ceiling is not None else ()
    marks, seen = [], dict.fromkeys(INKS, 0)
    for course in swept.scan.courses:
        letter = letters.get(course.key)
        line = _normalised(course)
        if letter is None:
            axes.plot(_rates(swept.scan.rates), line, color=PALE, linewidth=0.5, zorder=1.0)
            continue
        kind = _kind(course)
        binds = course.key in binding
        ink, dash = INKS[kind][0], "-" if binds else DASHES[seen[kind] % 3]
        seen[kind] += not binds
        width = 2.0 if binds else 0.9
        axes.plot(_rates(swept.scan.rates), line, color=ink, linewidth=width, linestyle=dash, zorder=4.0 + binds)
        if binds and sweep.reading == "running":
            _rigid(axes, sweep, course, ink)
        at = _shown_at(swept.scan.rates, line)
        if at is not None:
            marks.append((*at, letter, binds))
    if swept.ceiling is not None and binding:
        _ceiling(axes, sweep, swept.ceiling)
    _letters(axes, sweep, marks)
    if sweep.low <= sweep.rate <= sweep.high:
        axes.annotate(
            f"as in the scenario, {show(sweep.rate, 'rate', 'metric')}", (float(_rates(sweep.rate)), HIGHEST), (0, 2),
            textcoords="offset points", fontsize=TINY, ha="center", va="bottom",
        )  # fmt: skip


def _ceiling(axes: Axes, sweep: Sweep, ceiling: End) -> None:
    """The ceiling and what binds there, told below 0 on the side that passes, where no line is; else on the other."""
    at, low, high = (float(_rates(each)) for each in (ceiling.rate, sweep.low, sweep.high))
    axes.plot(at, 0.0, "o", color=INK, markersize=4.5, zorder=6.0)
    name, *others = binding_words(ceiling)
    told = f"{down(ceiling.rate, 1):.1f} /min: {name}" + (f" and {len(others)} more" if others else "")
    left = (at - low) / (high - low) * WIDE > wide(told, BODY) + 4.0
    axes.annotate(
        told, (at, 0.0), (-6 if left else 6, -7), textcoords="offset points",
        fontsize=BODY, fontweight="bold", ha="right" if left else "left", va="top", zorder=7.0,
        bbox={"facecolor": SHADE if left else PAPER, "edgecolor": "none", "boxstyle": "square,pad=0.12", "alpha": 0.9},
    )  # fmt: skip


def _normalised(course: Course) -> Array:
    """A margin in allowances; nan where there is no margin or no allowance."""
    with np.errstate(all="ignore"):
        line = course.margin / course.allowance
    return np.where((course.allowance > 0.0) & np.isfinite(line), line, np.nan)


def _rigid(axes: Axes, sweep: Sweep, course: Course, ink: str) -> None:
    found = sweep.readings["rigid"].scan
    for other in found.courses:
        if other.key == course.key:
            axes.plot(
                _rates(found.rates), _normalised(other), color=ink, linewidth=1.0, linestyle=DASHES[3], zorder=3.9
            )


def _shown_at(rates: Array, line: Array) -> tuple[float, float] | None:
    """Where a curve is lettered: at its lowest point that the panel shows, the last of several."""
    shown = np.where((line >= LOWEST + 0.4) & (line <= HIGHEST - 0.4), line, np.inf)
    if not np.isfinite(shown).any():
        return None
    at = shown.size - 1 - int(np.argmin(shown[::-1]))
    return float(_rates(rates[at])), float(line[at])


def _letters(axes: Axes, sweep: Sweep, marks: list[tuple[float, float, str, bool]]) -> None:
    marks = sorted(marks)
    low, high = float(_rates(sweep.low)), float(_rates(sweep.high))
    gap = 0.01 * RATE_GAP * (high - low)
    places = spread([each[0] for each in marks], gap, low + gap, high - gap)
    for at, (_, height, letter, binds) in zip(places, marks, strict=True):
        _boxed(axes, at, height, letter, bold=binds)


def _boxed(axes: Axes, at: float, height: float, letter: str, *, bold: bool) -> None:
    axes.text(
        at, height, letter, fontsize=TINY, fontweight="bold", ha="center", va="center", zorder=8.0,
        color=PAPER if bold else INK,
        bbox={"facecolor": INK if bold else PAPER, "edgecolor": INK, "linewidth": 0.5, "boxstyle": "square,pad=0.18"},
    )  # fmt: skip


def _frame(axes: Axes, sweep: Sweep) -> None:
    """The span, the passing ranges shaded, the scenario's own rate."""
    axes.set_xlim(float(_rates(sweep.low)), max(float(_rates(sweep.high)), float(_rates(sweep.low)) + 1e-3))
    axes.tick_params(labelsize=TINY, width=0.5, length=2.0, pad=1.2)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    if sweep.verdict != "incomplete":
        for low, high in sweep.swept.passing:
            axes.axvspan(float(_rates(low)), float(_rates(high)), facecolor=SHADE, edgecolor="none", zorder=0.5)
            axes.axvline(float(_rates(high)), color=GREY, linewidth=0.5, zorder=0.6)
    if sweep.low <= sweep.rate <= sweep.high:
        axes.axvline(float(_rates(sweep.rate)), color=INK, linewidth=0.6, linestyle=DASHES[2], zorder=1.5)


def _lanes(axes: Axes, figure: Figure, sweep: Sweep, lettered: list[tuple[str, Limit]], top: float) -> None:
    """One bar for every reading, and one for every rule that gives way: where it holds, is tight, fails."""
    _frame(axes, sweep)
    rows: list[tuple[str, str, Ranges, Ranges, str]] = [
        ("", f"all rules, {reading}", each.passing, each.spare, "clamp") for reading, each in sweep.readings.items()
    ]
    rows += [(letter, spoken(each.key), each.holds, each.spare, _kind(each)) for letter, each in lettered]
    bindings = sweep.swept.ceiling.binding if sweep.swept.ceiling is not None else ()
    binding = {spoken(key) for key in bindings}
    axes.set_ylim(len(rows), 0.0)
    axes.set_yticks([])
    low, high = float(_rates(sweep.low)), float(_rates(sweep.high))
    for k, (letter, name, holds, spare, kind) in enumerate(rows):
        axes.barh(
            k + 0.5, high - low, 0.5, low, facecolor=PAPER, edgecolor=FAINT, hatch="//////", linewidth=0.3, zorder=1.0
        )
        for ranges, ink in ((holds, INKS[kind][1]), (spare, INKS[kind][0])):
            for start, end in ranges:
                width = float(_rates(end)) - float(_rates(start))
                axes.barh(k + 0.5, width, 0.5, float(_rates(start)), color=ink, linewidth=0.0, zorder=2.0)
        middle = top + LANE * (k + 0.5)
        bold = name in binding or not letter
        write(figure, MARGIN, middle, letter, SMALL, va="center", fontweight="bold")
        shown = CRANK_WORDS if name == CRANK else name
        write(figure, MARGIN + 4.0, middle, shown, SMALL, va="center", fontweight="bold" if bold else "normal")
    axes.set_xlabel("stroke rate [/min]", fontsize=SMALL, labelpad=1.5)


def _kind(of: Course | Limit) -> str:
    """Which ink: the tool's, else by what the rule speaks of."""
    if of.subject is not None and of.subject.split(":")[0] in INKS:
        return of.subject.split(":")[0]
    return LINE_FEED.get(of.rule.split("-")[0], "clamp")


def _foot(figure: Figure, sweep: Sweep) -> None:
    write(figure, MARGIN, TOP, "\n".join(textwrap.wrap(HOW, 42)), TINY, color=GREY, linespacing=1.6)
    core = sorted({each.rule.name for each in sweep.unjudged if each.rule.core})
    said = f"{sweep.notes[len(sweep.loaded.notes)]} {len(sweep.unjudged)} rules not judged"
    said += f", among them {', '.join(core)}." if core else "; the text report names them."
    write(figure, MARGIN, 198.0, textwrap.shorten(said, 235, placeholder=" …"), TINY)
    write(figure, MARGIN, 201.4, f"Caution: {CAUTION}", SMALL)
