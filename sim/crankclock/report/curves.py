"""The turn unrolled: slide, strip zone, feed and spindle speed over the dial angle, with the events' angles."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankclock.report.labels import Label, labels
from crankclock.report.style import (
    DASHES,
    GREY,
    INK,
    INKS,
    PALE,
    PAPER,
    SMALL,
    TAP_SHADES,
    TINY,
    inks,
    place,
    spread,
)
from crankclock.studies.check import Check
from crankclock.studies.overlaps import Overlap
from crankclock.studies.traces import Curve, Mask, Traces
from crankclock.units import DIMENSIONS, System, to_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

LABEL_BAND = 34.0
"""Height kept for the event labels [mm]."""
LABEL_PITCH = 2.55
GAP = 4.6
"""Between panels [mm]."""
LEGEND_COLUMNS, LEGEND_MOST, LEGEND_ROW = 4, 12, 2.9
"""Columns, most entries, height of a row [mm]."""
FAINT = "#b8b8b8"
BACKING = {"facecolor": PAPER, "edgecolor": "none", "boxstyle": "square,pad=0.08", "alpha": 0.9}


@dataclass(frozen=True)
class Scene:
    """What every panel reads."""

    check: Check
    curves: Traces
    system: System
    overlaps: Sequence[tuple[str, Overlap]]

    @property
    def degrees(self) -> Curve:
        return np.asarray(np.degrees(self.curves.angle))

    @property
    def unit(self) -> str:
        kind = DIMENSIONS["length"]
        return (kind.metric if self.system == "metric" else kind.inch)[0]

    def size(self, metres: Curve) -> Curve:
        """Lengths in the system's unit."""
        return np.asarray(to_unit(metres, self.unit))


def draw_curves(figure: Figure, scene: Scene, left: float, top: float, width: float, height: float) -> None:
    """Draw the panels one above the other into a box of the sheet [mm], event labels above them."""
    panels: list[tuple[float, Callable[[Axes, Scene], None]]] = [(1.0, _slide), (2.9, _strip_zone)]
    if scene.curves.fed is not None:
        panels.append((0.9, _feed))
    if scene.curves.taps:
        panels.append((1.25, _spindles))
    legend = LEGEND_ROW * (_legend_rows(scene) - 1)
    share = (height - LABEL_BAND - legend - GAP * (len(panels) - 1)) / sum(weight for weight, _ in panels)
    below = top + LABEL_BAND
    drawn = []
    for weight, draw in panels:
        below += legend if draw is _strip_zone else 0.0
        axes = place(figure, left, below, width, weight * share)
        _frame(axes)
        draw(axes, scene)
        drawn.append(axes)
        below += weight * share + GAP
    drawn[-1].tick_params(labelbottom=True)
    drawn[-1].set_xlabel("dial angle, degrees from TDC", fontsize=SMALL, labelpad=1.5)
    shown = labels(scene.check, int(width / LABEL_PITCH) + 1)
    for axes in drawn:
        for label in shown:
            axes.axvline(label.degrees, color=PALE, linewidth=0.4, zorder=0.6)
    _label_band(place(figure, left, top, width, LABEL_BAND), shown, width)


def _frame(axes: Axes) -> None:
    axes.set_xlim(0.0, 360.0)
    axes.set_xticks(range(0, 361, 30))
    axes.set_xticks(range(0, 361, 10), minor=True)
    axes.tick_params(labelsize=TINY, width=0.5, length=2.0, pad=1.2, labelbottom=False)
    axes.tick_params(which="minor", width=0.35, length=1.1)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _title(axes: Axes, text: str, unit: str) -> None:
    axes.set_ylabel(unit, fontsize=SMALL, labelpad=1.0)
    axes.yaxis.set_label_coords(-0.068, 0.5)
    axes.annotate(
        text, (0.0, 1.0), (0.0, 2.2), xycoords="axes fraction", textcoords="offset points", fontsize=SMALL,
        fontweight="bold", ha="left", va="bottom", annotation_clip=False, bbox=BACKING,
    )  # fmt: skip


def _label_band(axes: Axes, shown: Sequence[Label], width: float) -> None:
    """Upright labels in a row, each with a line down to its angle."""
    axes.set_xlim(0.0, width)
    axes.set_ylim(0.0, LABEL_BAND)
    axes.set_zorder(-1.0)
    axes.axis("off")
    scale = width / 360.0
    places = spread([label.degrees * scale for label in shown], LABEL_PITCH, 0.5, width - 0.5)
    for label, x in zip(shown, places, strict=True):
        at = label.degrees * scale
        axes.plot((at, at, x, x), (0.0, 1.0, 4.6, 5.4), color=GREY, linewidth=0.4, clip_on=False)
        axes.text(x, 5.9, label.text, fontsize=TINY, rotation=90.0, ha="center", va="bottom", clip_on=False)


def _broken(axes: Axes, scene: Scene) -> None:
    """Hatched bands where a rule is broken, with their letters at the top."""
    middles = []
    for letter, overlap in scene.overlaps:
        start, end = float(np.degrees(overlap.start)), float(np.degrees(overlap.end))
        turns = np.floor(start / 360.0) * 360.0
        for back in (turns, turns + 360.0):
            low, high = max(start - back, 0.0), min(end - back, 360.0)
            if high > low:
                axes.axvspan(low, high, facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0.5, zorder=0.8)
                middles.append((0.5 * (low + high), letter))
    middles.sort()
    places = spread([middle for middle, _ in middles], 6.5, 4.0, 356.0)
    for place_, (_, letter) in zip(places, middles, strict=True):
        axes.text(
            place_, 0.975, letter, fontsize=TINY, fontweight="bold", ha="center", va="top", zorder=9.0,
            transform=axes.get_xaxis_transform(),
            bbox={"facecolor": PAPER, "edgecolor": INK, "linewidth": 0.5, "boxstyle": "square,pad=0.18"},
        )  # fmt: skip


def _slide(axes: Axes, scene: Scene) -> None:
    height = scene.size(scene.curves.slide)
    axes.plot(scene.degrees, height, color=INK, linewidth=1.1)
    axes.set_ylim(min(float(height.min()), 0.0) - 0.03 * float(np.ptp(height)), float(height.max()) * 1.04)
    _title(axes, "Slide above BDC", scene.unit)


def _strip_zone(axes: Axes, scene: Scene) -> None:
    """Near the die face, to scale: strip as a band, stripper face, tips of taps, pilots and punches."""
    curves, degrees = scene.curves, scene.degrees
    axes.axhline(0.0, color=INK, linewidth=0.8, zorder=1.0)
    axes.fill_between(
        degrees, scene.size(curves.underside), scene.size(curves.top), facecolor="#e9e4d6", edgecolor="none", zorder=1.2
    )
    for edge in (curves.underside, curves.top):
        axes.plot(degrees, scene.size(edge), color=INK, linewidth=0.6, zorder=1.3)
    handles = axes.plot(
        degrees, scene.size(curves.stripper), color=INKS["clamp"][0], linewidth=1.3, label="stripper face", zorder=1.5
    )
    for k, (name, tip) in enumerate(_tools(scene)):
        manner = {"color": inks(name.split(maxsplit=1)[0])[0], "linestyle": DASHES[1 + k % (len(DASHES) - 1)]}
        handles += axes.plot(degrees, scene.size(tip), linewidth=0.9, label=name, zorder=2.0, **manner)
    for k, (name, tap) in enumerate(curves.taps.items()):
        tip = scene.size(tap.tip)
        shade = TAP_SHADES[k % len(TAP_SHADES)]
        handles += axes.plot(
            degrees,
            tip,
            linewidth=1.0,
            label=_short(f"tap {name}"),
            zorder=3.0,
            color=shade,
            linestyle=DASHES[k % len(DASHES)],
        )
        axes.plot(degrees, np.where(tap.cutting, tip, np.nan), color=shade, linewidth=2.4, zorder=3.1)
    _zone_limits(axes, scene)
    raised = scene.size(0.5 * (curves.top[:1] + curves.underside[:1]))
    axes.text(4.0, float(raised[0]), "strip", fontsize=TINY, ha="left", va="center", zorder=4.0)
    axes.annotate(
        "die face", (356.0, 0.0), (0.0, -2.5), textcoords="offset points", fontsize=TINY, ha="right", va="top"
    )
    _title(axes, "At the die face", scene.unit)
    _broken(axes, scene)
    _legend(axes, handles)


def _tools(scene: Scene) -> list[tuple[str, Curve]]:
    """Tip curves of pilots and punches with their names, those that move alike as one."""
    alike: dict[tuple[str, bytes], list[str]] = {}
    for key, tip in scene.curves.tools.items():
        alike.setdefault((key.split(":", 1)[0], tip.tobytes()), []).append(key)
    found = []
    for (group, _), keys in alike.items():
        first, last = (key.split(":", 1)[1] for key in (keys[0], keys[-1]))
        name = f"{group} {first}" if len(keys) == 1 else f"{group} {first} … {last}"
        found.append((_short(name), scene.curves.tools[keys[0]]))
    return found


def _short(name: str) -> str:
    return name if len(name) <= 20 else f"{name[:18]} …"


def _zone_limits(axes: Axes, scene: Scene) -> None:
    """From below what the taps reach to above where they rest, but the strip is always well to be seen."""
    curves = scene.curves
    raised = float(curves.top.max())
    tips = [0.0, raised, *(float(reach) for tap in curves.taps.values() for reach in (tap.tip.min(), tap.tip.max()))]
    low, high = max(min(tips), -4.0 * raised), min(max(tips), 3.0 * raised)
    room = high - low
    ends = scene.size(np.array([low - 0.12 * room, high + 0.18 * room]))
    axes.set_ylim(float(ends[0]), float(ends[1]))


def _legend_rows(scene: Scene) -> int:
    return -(-min(1 + len(_tools(scene)) + len(scene.curves.taps), LEGEND_MOST) // LEGEND_COLUMNS)


def _legend(axes: Axes, handles: Sequence[Line2D]) -> None:
    """Above the axes; taps and stripper before other tools where there are too many."""
    taps = [each for each in handles if str(each.get_label()).startswith("tap ")]
    ordered = [*taps, *(each for each in handles if each not in taps)][:LEGEND_MOST]
    axes.legend(
        handles=ordered, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncol=min(len(ordered), LEGEND_COLUMNS),
        fontsize=TINY, frameon=False, handlelength=3.0, borderaxespad=0.1, borderpad=0.1, labelspacing=0.25,
        columnspacing=1.2, handletextpad=0.5,
    )  # fmt: skip


def _feed(axes: Axes, scene: Scene) -> None:
    """How far the strip has moved; the end of the feed of the stroke before is drawn dashed."""
    check, curves = scene.check, scene.curves
    assert curves.fed is not None
    assert curves.fed_before is not None
    dark, past = inks("feed")[0], _moving(curves.fed_before)
    for fed, dashes in ((curves.fed, "-"), (curves.fed_before, (0, (2.6, 1.2)))):
        moved = np.where(_moving(fed), scene.size(fed), np.nan)
        axes.plot(scene.degrees, moved, color=dark, linewidth=1.8, linestyle=dashes)
    full = float(scene.size(np.asarray(check.machine.scenario.strip.pitch)))
    axes.axhline(full, color=GREY, linewidth=0.4)
    axes.set_ylim(-0.05 * full, 1.22 * full)
    hand = check.readings.hand.feed
    if hand is not None and check.reading != "hand":
        at = float(np.degrees(hand.start)) % 360.0
        axes.plot((at, at), (0.0, 0.22 * full), color=INK, linewidth=0.8)
        axes.text(at - 2.0, 0.02 * full, "by hand", fontsize=TINY, ha="right", va="bottom")
    before = " (dashed: by the feed of the stroke before)" if np.any(past) else ""
    _title(axes, f"Strip fed{before}", scene.unit)
    _broken(axes, scene)


def _moving(fed: Curve) -> Mask:
    """Where a feed curve is on its way, ends included."""
    step = np.diff(fed) != 0.0
    return np.concatenate(([False], step)) | np.concatenate((step, [False]))


def _spindles(axes: Axes, scene: Scene) -> None:
    axes.axhline(0.0, color=GREY, linewidth=0.5)
    for k, tap in enumerate(scene.curves.taps.values()):
        speed = np.asarray(to_unit(tap.speed, "/min"))
        shade = TAP_SHADES[k % len(TAP_SHADES)]
        axes.plot(scene.degrees, speed, color=shade, linewidth=0.9, linestyle=DASHES[k % len(DASHES)])
        axes.plot(scene.degrees, np.where(tap.cutting, speed, np.nan), color=shade, linewidth=2.4)
    _title(axes, "Spindle speed, in above 0 and out below (heavy in the cut)", "/min")
