"""The turn unrolled: slide, strip zone, forces, feed and spindle speed over the dial angle, with the events' angles."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from crankclock.report.forces import draw_forces
from crankclock.report.labels import Label, labels
from crankclock.report.panels import Scene, broken, frame, guides, legend, title
from crankclock.report.style import DASHES, GREY, INK, INKS, SMALL, TAP_SHADES, TINY, inks, place, spread
from crankclock.studies.traces import Curve, Mask
from crankclock.units import to_unit

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
LIGHT = "#8a8a8a"
STRAY, SEEN = 0.03, 3.0
"""By what share of the raised strip's height, and over how much of the dial [deg], things must part to be seen to."""


def draw_curves(figure: Figure, scene: Scene, left: float, top: float, width: float, height: float) -> None:
    """Draw the panels one above the other into a box of the sheet [mm], event labels above them."""
    panels: list[tuple[float, Callable[[Axes, Scene], None]]] = [(0.8, _slide), (2.7, _strip_zone)]
    if scene.curves.forces is not None:
        panels.append((1.4, draw_forces))
    if scene.curves.fed is not None:
        panels.append((0.8, _feed))
    if scene.curves.taps:
        panels.append((1.0, _spindles))
    if any(tap.torque is not None for tap in scene.curves.taps.values()):
        panels.append((0.8, _torques))
    rows = LEGEND_ROW * (_legend_rows(scene) - 1)
    share = (height - LABEL_BAND - rows - GAP * (len(panels) - 1)) / sum(weight for weight, _ in panels)
    below = top + LABEL_BAND
    drawn = []
    for weight, draw in panels:
        below += rows if draw is _strip_zone else 0.0
        axes = place(figure, left, below, width, weight * share)
        frame(axes)
        draw(axes, scene)
        drawn.append(axes)
        below += weight * share + GAP
    drawn[-1].tick_params(labelbottom=True)
    drawn[-1].set_xlabel("dial angle, degrees from TDC", fontsize=SMALL, labelpad=1.5)
    shown = labels(scene.check, int(width / LABEL_PITCH) + 1)
    for axes in drawn:
        guides(axes, [label.degrees for label in shown])
    _label_band(place(figure, left, top, width, LABEL_BAND), shown, width)


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


def _slide(axes: Axes, scene: Scene) -> None:
    height = scene.size(scene.curves.slide)
    axes.plot(scene.degrees, height, color=INK, linewidth=1.1)
    axes.set_ylim(min(float(height.min()), 0.0) - 0.03 * float(np.ptp(height)), float(height.max()) * 1.04)
    title(axes, "Slide above BDC", scene.unit)


def _strip_zone(axes: Axes, scene: Scene) -> None:
    """Near the die face, to scale: strip as a band, stripper face, tips of taps, pilots and punches."""
    curves, degrees = scene.curves, scene.degrees
    axes.axhline(0.0, color=INK, linewidth=0.8, zorder=1.0)
    axes.fill_between(
        degrees, scene.size(curves.underside), scene.size(curves.top), facecolor="#e9e4d6", edgecolor="none", zorder=1.2
    )
    for edge in (curves.underside, curves.top):
        axes.plot(degrees, scene.size(edge), color=INK, linewidth=0.6, zorder=1.3)
    handles = _by_hand(axes, scene)
    handles += axes.plot(
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
    title(axes, "At the die face", scene.unit)
    broken(axes, scene)
    _legend(axes, handles)


def _strays(scene: Scene) -> bool:
    """True where strip or stripper near the strip are seen elsewhere than the rigid mechanism would move them."""
    curves, rigid = scene.curves, scene.rigid
    if rigid is None:
        return False
    raised = float(curves.top.max())
    faces = [np.minimum(face, 2.0 * raised) for face in (curves.stripper, np.asarray(rigid.face))]
    apart = np.maximum(np.abs(curves.underside - rigid.underside), np.abs(faces[0] - faces[1])) > STRAY * raised
    return float(np.mean(apart)) * 360.0 > SEEN


def _by_hand(axes: Axes, scene: Scene) -> list[Line2D]:
    """Strip and stripper as the rigid mechanism moves them, lightly under what they do at speed."""
    if scene.rigid is None or not _strays(scene):
        return []
    heights = [scene.size(np.asarray(each)) for each in (scene.rigid.underside, scene.rigid.face)]
    label = "strip, stripper by hand"
    return [
        axes.plot(scene.degrees, each, color=LIGHT, linewidth=0.7, zorder=1.25, label=label)[0] for each in heights
    ][:1]


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
    return -(-min(1 + _strays(scene) + len(_tools(scene)) + len(scene.curves.taps), LEGEND_MOST) // LEGEND_COLUMNS)


def _legend(axes: Axes, handles: Sequence[Line2D]) -> None:
    """Taps and stripper before other tools where there are too many."""
    taps = [each for each in handles if str(each.get_label()).startswith("tap ")]
    legend(axes, [*taps, *(each for each in handles if each not in taps)][:LEGEND_MOST], LEGEND_COLUMNS)


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
    title(axes, f"Strip fed{before}", scene.unit)
    broken(axes, scene)


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
    if not any(np.any(tap.speed) for tap in scene.curves.taps.values()):
        axes.set_ylim(-1.0, 1.0)  # by hand a motor's turns take no time
        axes.set_yticks([0.0])
    title(axes, "Spindle speed, in above 0 and out below (heavy in the cut)", "/min")


def _torques(axes: Axes, scene: Scene) -> None:
    """Torque on each tap, heavy while it cuts; what breaks the weakest as a line where that is near."""
    unit = "N*m" if scene.system == "metric" else "in*lbf"
    most = 0.0
    for k, tap in enumerate(scene.curves.taps.values()):
        if tap.torque is None:
            continue
        torque, shade = np.asarray(to_unit(tap.torque, unit)), TAP_SHADES[k % len(TAP_SHADES)]
        axes.plot(scene.degrees, torque, color=shade, linewidth=0.9, linestyle=DASHES[k % len(DASHES)])
        axes.plot(scene.degrees, np.where(tap.cutting, torque, np.nan), color=shade, linewidth=2.4)
        most = max(most, float(torque.max()))
    breaks = [(float(to_unit(tap.breaking_torque, unit)), tap.name) for tap in scene.check.taps if tap.breaking_torque]
    least, weakest = min(breaks, default=(np.inf, ""))
    if least < 2.5 * most:
        axes.axhline(least, color=INK, linewidth=0.8, linestyle=(0, (1.0, 1.2)))
        axes.text(4.0, least, f"{_short(weakest)} may break from here", fontsize=TINY, ha="left", va="bottom")
        most = max(most, 1.18 * least)
    axes.set_ylim(0.0, 1.1 * most if most > 0.0 else 1.0)
    title(axes, "Torque on the tap, estimated: the high end (heavy in the cut)", unit.replace("*", " "))
