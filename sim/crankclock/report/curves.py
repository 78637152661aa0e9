"""The turn unrolled: slide, strip zone, feed and spindle speed over the dial angle, with the events' angles."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankclock.report.labels import Label, labels
from crankclock.report.style import (
    BODY,
    DASHES,
    GREY,
    INK,
    INKS,
    MM_PER_POINT,
    PALE,
    PAPER,
    SMALL,
    TINY,
    inks,
    place,
    spread,
)
from crankclock.studies.check import Check
from crankclock.studies.overlaps import Overlap
from crankclock.studies.traces import Curve, Traces
from crankclock.units import DIMENSIONS, System, to_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LABEL_BAND = 31.0
"""Height kept for the event labels [mm]."""
LABEL_PITCH = 2.55
GAP = 2.6
"""Between panels [mm]."""


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
    share = (height - LABEL_BAND - GAP * (len(panels) - 1)) / sum(weight for weight, _ in panels)
    below = top + LABEL_BAND
    drawn = []
    for weight, draw in panels:
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
    axes.text(
        0.004, 0.99, text, fontsize=SMALL, fontweight="bold", ha="left", va="top", transform=axes.transAxes, zorder=9.0,
        bbox={"facecolor": PAPER, "edgecolor": "none", "boxstyle": "square,pad=0.12", "alpha": 0.85},
    )  # fmt: skip


def _label_band(axes: Axes, shown: Sequence[Label], width: float) -> None:
    """Upright labels in a row, each with a line down to its angle."""
    axes.set_xlim(0.0, width)
    axes.set_ylim(0.0, LABEL_BAND)
    axes.axis("off")
    scale = width / 360.0
    places = spread([label.degrees * scale for label in shown], LABEL_PITCH, 0.5, width - 0.5)
    for label, x in zip(shown, places, strict=True):
        at = label.degrees * scale
        axes.plot((at, at, x, x), (0.0, 1.0, 4.6, 5.4), color=GREY, linewidth=0.4, clip_on=False)
        axes.text(x, 5.9, label.text, fontsize=TINY, rotation=90.0, ha="center", va="bottom", clip_on=False)


def _broken(axes: Axes, scene: Scene) -> None:
    """Hatched bands where a rule is broken, with their letters at the top."""
    for letter, overlap in scene.overlaps:
        start, end = float(np.degrees(overlap.start)), float(np.degrees(overlap.end))
        turns = np.floor(start / 360.0) * 360.0
        for back in (turns, turns + 360.0):
            low, high = max(start - back, 0.0), min(end - back, 360.0)
            if high > low:
                axes.axvspan(
                    low, high, facecolor="none", edgecolor=GREY, hatch="//////", linewidth=0.5, zorder=0.8
                )
                axes.text(
                    0.5 * (low + high), 0.985, letter, fontsize=SMALL, fontweight="bold", ha="center", va="top",
                    transform=axes.get_xaxis_transform(), zorder=9.0,
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
    by_group: dict[str, int] = {}
    for key, tip in curves.tools.items():
        group, name = key.split(":", 1)
        k = by_group.setdefault(group, 0)
        by_group[group] += 1
        handles += axes.plot(
            degrees, scene.size(tip), color=inks(key)[0], linewidth=0.9, linestyle=DASHES[(k + 1) % len(DASHES)],
            label=f"{group} {name}", zorder=2.0,
        )  # fmt: skip
    for k, (name, tap) in enumerate(curves.taps.items()):
        tip = scene.size(tap.tip)
        manner = {"color": inks("tap")[0], "linestyle": DASHES[k % len(DASHES)]}
        handles += axes.plot(degrees, tip, linewidth=1.0, label=f"tap {name}", zorder=3.0, **manner)  # type: ignore[arg-type]
        axes.plot(degrees, np.where(tap.cutting, tip, np.nan), color=inks("tap")[0], linewidth=2.6, zorder=3.1)
    _zone_limits(axes, scene)
    _title(axes, "At the die face, to scale (taps heavy while they cut)", scene.unit)
    _broken(axes, scene)
    _legend(axes, handles)


def _zone_limits(axes: Axes, scene: Scene) -> None:
    """From below what the taps reach to above where they rest; at least twice the raised strip."""
    curves = scene.curves
    raised = float(curves.top.max())
    tips = [raised, 0.0, *(float(tap.tip.min()) for tap in curves.taps.values())]
    tips += [float(tap.tip.max()) for tap in curves.taps.values()]
    low, high = min(tips), min(max(tips), 6.0 * raised)
    low = max(low, -4.0 * raised)
    room = high - low
    ends = scene.size(np.array([low - 0.12 * room, high + max(0.42 * room, 0.5 * raised)]))
    axes.set_ylim(float(ends[0]), float(ends[1]))


def _legend(axes: Axes, handles: Sequence[object]) -> None:
    axes.legend(
        handles=handles[:14], loc="upper center", bbox_to_anchor=(0.5, 0.925), ncol=min(len(handles), 5),  # type: ignore[arg-type]
        fontsize=TINY, frameon=True, framealpha=0.85, edgecolor="none", facecolor=PAPER, handlelength=3.0,
        borderpad=0.15, labelspacing=0.25, columnspacing=1.2, handletextpad=0.5,
    ).set_zorder(8.0)  # fmt: skip


def _feed(axes: Axes, scene: Scene) -> None:
    """How far the strip has moved; the end of the feed of the stroke before is drawn dashed."""
    check, curves = scene.check, scene.curves
    assert curves.fed is not None
    assert curves.fed_before is not None
    pitch = np.asarray(check.machine.scenario.strip.pitch)
    going = (curves.fed > 0.0) | (np.roll(curves.fed, -1) > 0.0)
    before = np.asarray(curves.fed_before < pitch * (1.0 - 1e-9))
    before = before | np.roll(before, 1)
    dark = inks("feed")[0]
    axes.plot(scene.degrees, np.where(going, scene.size(curves.fed), np.nan), color=dark, linewidth=1.6)
    if np.any(before[1:]):
        axes.plot(
            scene.degrees, np.where(before, scene.size(curves.fed_before), np.nan), color=dark, linewidth=1.6,
            linestyle=(0, (2.6, 1.2)),
        )  # fmt: skip
    full = float(scene.size(pitch))
    axes.axhline(full, color=GREY, linewidth=0.4)
    axes.set_ylim(-0.05 * full, 1.3 * full)
    hand = check.readings.hand.feed
    if hand is not None and check.reading != "hand":
        at = float(np.degrees(hand.start)) % 360.0
        axes.plot((at, at), (0.0, 0.22 * full), color=INK, linewidth=0.8)
        axes.text(at - 2.0, 0.02 * full, "by hand", fontsize=TINY, ha="right", va="bottom")
    past = ", dashed: the stroke before's" if np.any(before[1:]) else ""
    _title(axes, f"Strip fed{past}", scene.unit)
    _broken(axes, scene)


def _spindles(axes: Axes, scene: Scene) -> None:
    dark = inks("tap")[0]
    axes.axhline(0.0, color=GREY, linewidth=0.5)
    for k, tap in enumerate(scene.curves.taps.values()):
        speed = np.asarray(to_unit(tap.speed, "/min"))
        axes.plot(scene.degrees, speed, color=dark, linewidth=0.9, linestyle=DASHES[k % len(DASHES)])
        axes.plot(scene.degrees, np.where(tap.cutting, speed, np.nan), color=dark, linewidth=2.6)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.22 * (high - low))
    _title(axes, "Spindle speed, in above 0 and out below (heavy in the cut)", "/min")
