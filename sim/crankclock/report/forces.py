"""The panel of contact forces: what holds the strip over the dial, its bounces, and landing and release close up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankclock.report.panels import Scene, legend, title
from crankclock.report.style import GREY, INK, PAPER, TINY, inks
from crankclock.studies.traces import Curve, spans

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

USUAL, HEADROOM = 95.0, 1.32
"""The axis ends so many times above the force that is not passed in this share [%] of the time in contact."""
NEAR = 15.0
"""Peaks closer to the one before than this [deg] are told with it."""
BAND = 0.14
"""Height kept below zero for the bounces, as a share of the height above."""
SEEN = 1.0
"""A bounce shorter than this [deg] is marked by an arrowhead as well."""
TOLD_TAPS = 3
"""More taps than this are shaded without their names."""
ROOM, WIDEST, AXIS, AWAY = 34.0, 66.0, 21.0, 10.0
"""Least and greatest width of a close-up, the room its axis takes, and its distance from the contact [deg]."""
UNDER, OVER = "#a3a3a3", INK
"""Inks of the stripper's force on the strip, drawn wide, and of the strip's on the die face over it."""


@dataclass(frozen=True)
class _Shown:
    """Forces in the panel's unit over dial angles [deg]."""

    degrees: Curve
    stripper: Curve
    die: Curve
    bounces: Curve
    wanted: float

    @property
    def greatest(self) -> Curve:
        return np.asarray(np.maximum(self.stripper, self.die))

    def within(self, low: float, high: float) -> _Shown:
        inside = (self.degrees >= low) & (self.degrees <= high)
        return _Shown(self.degrees[inside], self.stripper[inside], self.die[inside], self.bounces, self.wanted)


def draw_forces(axes: Axes, scene: Scene) -> None:
    """Forces between stripper, strip and die face over the dial, cut off where short peaks would dwarf the rest."""
    shown = _shown(scene)
    top = _top(shown)
    axes.set_ylim(-BAND * top, top)
    axes.axhline(0.0, color=GREY, linewidth=0.5)
    _taps(axes, scene, top)
    handles = _lines(axes, shown)
    if shown.wanted > 0.0:
        said = f"wanted, {scene.say_force(shown.wanted)} {scene.force_unit}"
        handles.append(axes.axhline(shown.wanted, color=INK, linewidth=0.6, linestyle=(0, (1.0, 1.4)), label=said))
    _bounces(axes, shown, top)
    _peaks(axes, scene, shown, top)
    _close_ups(axes, scene, shown, top)
    axes.set_yticks([tick for tick in axes.get_yticks() if 0.0 <= tick <= top])
    title(axes, "Contact force", scene.force_unit)
    legend(axes, handles)


def _shown(scene: Scene) -> _Shown:
    forces = scene.curves.forces
    assert forces is not None
    return _Shown(
        degrees=np.asarray(np.degrees(forces.angle)),
        stripper=scene.force(forces.stripper),
        die=scene.force(forces.die),
        bounces=np.degrees(np.array(forces.bounces, dtype=float).reshape(-1, 2)),
        wanted=float(scene.force(np.asarray(scene.check.machine.scenario.stripper.clamp_force))),
    )


def _top(shown: _Shown) -> float:
    """Where the axis ends."""
    even = np.interp(np.arange(0.0, 360.0, 0.1), shown.degrees, shown.greatest)
    usual = float(np.percentile(even[even > 0.0], USUAL)) if np.any(even > 0.0) else 0.0
    top, peak = HEADROOM * max(usual, shown.wanted), 1.1 * float(shown.greatest.max())
    return peak if 0.0 < peak <= 1.25 * top else top or 1.0


def _lines(axes: Axes, shown: _Shown) -> list[Line2D]:
    found = axes.plot(
        shown.degrees, _pressing(shown.stripper), color=UNDER, linewidth=2.0, zorder=2.0, label="stripper on strip"
    )
    found += axes.plot(
        shown.degrees, _pressing(shown.die), color=OVER, linewidth=0.7, zorder=2.1, label="strip on die face"
    )
    return found


def _pressing(force: Curve) -> Curve:
    """A force with nothing where there is none, but for its ends."""
    some = force > 0.0
    near = some | np.concatenate((some[1:], [False])) | np.concatenate(([False], some[:-1]))
    return np.where(near, force, np.nan)


def _taps(axes: Axes, scene: Scene, top: float) -> None:
    """Where each tap is in the strip, lightly shaded and named."""
    light, bdc = inks("tap")[1], float(np.degrees(scene.check.machine.slide.bdc))
    for k, (name, tap) in enumerate(scene.curves.taps.items()):
        found = [tuple(np.degrees(each)) for each in spans(scene.curves.angle, tap.inside)]
        for low, high in found:
            axes.axvspan(low, high, facecolor=light, edgecolor="none", alpha=0.32, zorder=0.7)
        if found and len(scene.curves.taps) <= TOLD_TAPS:
            low, high = max(found, key=lambda each: each[1] - each[0])
            place = (bdc if low < bdc < high else 0.5 * (low + high), (0.46 - 0.13 * k) * top)
            axes.text(*place, f"{name} in the strip", fontsize=TINY, ha="center", va="center", zorder=2.5)


def _bounces(axes: Axes, shown: _Shown, top: float) -> None:
    """Bounces below the zero line: a bar as long as each, an arrowhead where it is too short to be seen."""
    found = shown.bounces
    if not found.size:
        return
    middle = -0.5 * BAND * top
    for start, end in found:
        axes.fill_between((start, end), 1.5 * middle, 0.5 * middle, facecolor=INK, edgecolor="none", zorder=3.0)
    short = found[found[:, 1] - found[:, 0] < SEEN].mean(axis=1)
    axes.plot(short, np.full(short.shape, middle), "^", color=INK, markersize=2.6, markeredgewidth=0.0, zorder=3.1)
    said = "bounces" if len(found) > 1 else "bounce"
    axes.text(found[:, 1].max() + 3.0, middle, said, fontsize=TINY, ha="left", va="center", zorder=3.0)


def _peaks(axes: Axes, scene: Scene, shown: _Shown, top: float) -> None:
    """What is cut off: an arrow at each group of peaks, with the greatest of its forces."""
    for low, high in _groups(shown.degrees[shown.greatest > top]):
        group = shown.within(low, high)
        at = float(group.degrees[np.argmax(group.greatest)])
        axes.annotate(
            "", (at, top), (at, 0.82 * top), zorder=4.0,
            arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 0.5, "mutation_scale": 4.5,
                        "shrinkA": 0.0, "shrinkB": 0.0},
        )  # fmt: skip
        box = {"facecolor": PAPER, "edgecolor": "none", "boxstyle": "square,pad=0.1", "alpha": 0.85}
        said = scene.say_force(float(group.greatest.max()))
        axes.text(at + 2.6, 0.97 * top, said, fontsize=TINY, ha="left", va="top", zorder=4.0, bbox=box)


def _groups(angles: Curve) -> list[tuple[float, float]]:
    """First and last of each group that angles in rising order [deg] fall into."""
    if not angles.size:
        return []
    breaks = np.flatnonzero(np.diff(angles) > NEAR)
    first, last = angles[np.concatenate(([0], breaks + 1))], angles[np.concatenate((breaks, [-1]))]
    return [(float(a), float(b)) for a, b in zip(first, last, strict=True)]


def _close_ups(axes: Axes, scene: Scene, shown: _Shown, top: float) -> None:
    """Landing before the contact and letting go behind it, each to its own scale, where there is room."""
    span = scene.check.cycle.motion.clamped
    clamped, unclamped = float(np.degrees(span.start)), float(np.degrees(span.end))
    if not (np.isfinite(clamped) and np.isfinite(unclamped)):
        return
    bdc = float(np.degrees(scene.check.machine.slide.bdc))
    pressed = shown.degrees[shown.greatest > 0.0]
    touch, last = float(pressed[0]), float(pressed[-1])
    late = shown.degrees[(shown.degrees < bdc) & (shown.greatest > top)]
    landed = max([clamped, *late, *(end for start, end in shown.bounces if start < bdc)])
    before, after = _beside(scene, touch, last)
    width = min(before - AWAY - AXIS, WIDEST)
    if width >= ROOM and landed > touch:
        window = shown.within(touch - 0.1 * (landed - touch), landed + 0.3 * (landed - touch))
        _close_up(axes, scene, window, (before - AWAY - width, width), "landing")
    width = min(360.0 - after - AWAY - AXIS, WIDEST)
    if width >= ROOM and last > unclamped:
        window = shown.within(unclamped - 0.25 * (last - unclamped), last + 0.15 * (last - unclamped))
        _close_up(axes, scene, window, (after + AWAY + AXIS, width), "letting go")


def _beside(scene: Scene, touch: float, last: float) -> tuple[float, float]:
    """Before and behind which dial readings close-ups stand: clear of the taps too where that leaves the room."""
    found = [each for tap in scene.curves.taps.values() for each in spans(scene.curves.angle, tap.inside)]
    first = min([touch, *(float(np.degrees(start)) for start, _ in found)])
    end = max([last, *(float(np.degrees(end)) for _, end in found)])
    return (
        first if first - AWAY - AXIS >= ROOM else touch,
        end if 360.0 - end - AWAY - AXIS >= ROOM else last,
    )


def _close_up(axes: Axes, scene: Scene, window: _Shown, place: tuple[float, float], name: str) -> None:
    """A stretch of the dial in a frame of its own, from and so wide [deg]."""
    from matplotlib.ticker import MaxNLocator

    inner = axes.inset_axes((place[0], 0.3, place[1], 0.52), transform=axes.get_xaxis_transform(), zorder=5.0)
    inner.set_facecolor(PAPER)
    _lines(inner, window)
    peak = float(window.greatest.max())
    inner.set_xlim(float(window.degrees[0]), float(window.degrees[-1]))
    inner.set_ylim(0.0, 1.12 * peak)
    inner.set_yticks([0.0, peak], ["0", scene.say_force(peak)])
    inner.xaxis.set_major_locator(MaxNLocator(3 if place[1] > 50.0 else 2, steps=[1, 2, 5, 10]))
    inner.tick_params(labelsize=TINY - 0.6, width=0.4, length=1.4, pad=0.8)
    for side in ("top", "right"):
        inner.spines[side].set_visible(False)
    inner.set_title(name, fontsize=TINY, pad=1.0, loc="left")
