"""What the panels of the unrolled turn have in common: what they read, their frame, title and hatched bands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankclock.cycle import Places
from crankclock.report.style import GREY, INK, PALE, PAPER, SMALL, TINY, spread
from crankclock.studies.check import Check
from crankclock.studies.overlaps import Overlap
from crankclock.studies.traces import Curve, Traces
from crankclock.units import DIMENSIONS, System, to_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

FAINT = "#b8b8b8"
BACKING = {"facecolor": PAPER, "edgecolor": "none", "boxstyle": "square,pad=0.08", "alpha": 0.9}


@dataclass(frozen=True)
class Scene:
    """What every panel reads.

    Attributes
    ----------
    rigid : Places or None
        Slide, strip and stripper over the curves' angles with the mechanism rigid, where the check is running.
    """

    check: Check
    curves: Traces
    rigid: Places | None
    system: System
    overlaps: Sequence[tuple[str, Overlap]]

    @property
    def degrees(self) -> Curve:
        return np.asarray(np.degrees(self.curves.angle))

    @property
    def unit(self) -> str:
        kind = DIMENSIONS["length"]
        return (kind.metric if self.system == "metric" else kind.inch)[0]

    @property
    def force_unit(self) -> str:
        return "kN" if self.system == "metric" else "lbf"

    def size(self, metres: Curve) -> Curve:
        """Lengths in the system's unit."""
        return np.asarray(to_unit(metres, self.unit))

    def force(self, newtons: Curve) -> Curve:
        """Forces in the system's unit for great ones."""
        return np.asarray(to_unit(newtons, self.force_unit))

    def say_force(self, size: float) -> str:
        """A force in the system's unit for great ones, to three figures or to the unit."""
        return f"{size:.0f}" if self.system == "inch" else f"{size:.{max(0, 2 - len(str(int(size))) + 1)}f}"


def legend(axes: Axes, handles: Sequence[Line2D], columns: int = 4) -> None:
    """Above the axes, to the right of the title."""
    axes.legend(
        handles=handles, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncol=min(len(handles), columns),
        fontsize=TINY, frameon=False, handlelength=3.0, borderaxespad=0.1, borderpad=0.1, labelspacing=0.25,
        columnspacing=1.2, handletextpad=0.5,
    )  # fmt: skip


def frame(axes: Axes) -> None:
    axes.set_xlim(0.0, 360.0)
    axes.set_xticks(range(0, 361, 30))
    axes.tick_params(labelsize=TINY, width=0.5, length=2.0, pad=1.2, labelbottom=False)
    small = np.arange(0.0, 361.0, 10.0)
    foot = axes.get_xaxis_transform()
    axes.plot(
        small, np.zeros(small.shape), "|", transform=foot, color=GREY, markersize=2.2, markeredgewidth=0.35,
        clip_on=False, scaley=False, zorder=0.5,
    )  # fmt: skip
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def guides(axes: Axes, degrees: Sequence[float]) -> None:
    """Pale upright lines."""
    from matplotlib.collections import LineCollection

    lines = [((each, 0.0), (each, 1.0)) for each in degrees]
    foot = axes.get_xaxis_transform()
    axes.add_collection(LineCollection(lines, colors=PALE, linewidths=0.4, zorder=0.6, transform=foot), autolim=False)


def title(axes: Axes, text: str, unit: str) -> None:
    axes.set_ylabel(unit, fontsize=SMALL, labelpad=1.0)
    axes.yaxis.set_label_coords(-0.068, 0.5)
    axes.annotate(
        text, (0.0, 1.0), (0.0, 2.2), xycoords="axes fraction", textcoords="offset points", fontsize=SMALL,
        fontweight="bold", ha="left", va="bottom", annotation_clip=False, bbox=BACKING,
    )  # fmt: skip


def broken(axes: Axes, scene: Scene) -> None:
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
