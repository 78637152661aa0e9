"""What goes on the rings of the crank clock: one ring for each thing that acts, outermost first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from crankclock.cycle import Span
from crankclock.parts.numbers import TURN
from crankclock.studies.check import Check
from crankclock.studies.traces import Curve, Mask, Traces, spans

Weight = Literal["faint", "light", "heavy"]
ROOM = 16
"""More rings than this, and pilots or punches that move alike share one."""

LONGEST = 30
APART = float(np.radians(0.3))
"""An event whose angle by hand is nearer to its own than this [rad] gets no tick."""

TOLD: Mapping[str, tuple[str, ...]] = {
    "feed": ("feed.start", "feed.end"),
    "rolls": ("rolls.open", "rolls.close"),
    "lift": ("stripper.touch", "strip.settled"),
    "clamp": ("stripper.clamped", "stripper.unclamped"),
    "pilot": ("enter", "located", "unlocated", "leave"),
    "punch": ("enter", "leave"),
    "tap": ("engage", "touch", "leave", "home"),
}
"""The events that a ring shows, by what acts."""


@dataclass(frozen=True)
class Arc:
    """A stretch of a ring, dial angles [rad]; `end` is `start` plus a turn where it never stops."""

    start: float
    end: float
    weight: Weight


@dataclass(frozen=True)
class Ring:
    """One ring.

    Attributes
    ----------
    keys : tuple of str
        What acts: "feed", "rolls", "lift", "clamp", or tools such as "pilot:p1"; several where they move alike.
    name : str
        At most `LONGEST` letters.
    arcs : tuple of Arc
        Drawn in this order.
    ends : tuple of float
        Dial angles [rad] worth a number.
    by_hand : tuple of float
        Dial angles [rad] of what happens elsewhere when the press is turned over by hand.
    bounces : tuple of (start, end)
        Dial spans [rad] in which it bounces.
    """

    keys: tuple[str, ...]
    name: str
    arcs: tuple[Arc, ...]
    ends: tuple[float, ...] = ()
    by_hand: tuple[float, ...] = ()
    bounces: tuple[tuple[float, float], ...] = ()


def rings(check: Check, curves: Traces) -> tuple[Ring, ...]:
    """Every ring of a check, the outermost first."""
    machine = check.machine
    tools = [_tool(f"pilot:{name}", check) for name in machine.pilots]
    tools += [_tool(f"punch:{name}", check) for name in machine.punches]
    line = [*_feed(check), *_rolls(check), *_strip(check, curves)]
    taps = [_tap(name, check, curves) for name in machine.taps]
    if len(line) + len(tools) + len(taps) > ROOM:
        tools = _shared(tools)
    return tuple(
        replace(ring, name=_short(ring.name), by_hand=_by_hand(check, ring.keys[0])) for ring in (*line, *tools, *taps)
    )


def _by_hand(check: Check, key: str) -> tuple[float, ...]:
    """Where by hand what a ring shows happens elsewhere, or happens at all."""
    group = key.split(":", 1)[0]
    names = {f"{key}.{each}" if ":" in key else each for each in TOLD[group]}
    found = {
        event.hand
        for event in check.events
        if event.id in names and event.hand is not None and not _near(event.hand, event.angle)
    }
    return tuple(sorted(found))


def _near(angle: float, other: float | None) -> bool:
    return other is not None and abs(angle - other) <= APART


def _short(name: str) -> str:
    return name if len(name) <= LONGEST else f"{name[: LONGEST - 2]} …"


def _feed(check: Check) -> list[Ring]:
    cycle = check.cycle
    if cycle.feed is None:
        return []
    start, stop, end = float(cycle.feed.start), float(cycle.feed.stop), float(cycle.feed.end)
    if not np.isfinite(end) or end - start >= TURN:
        return [Ring(("feed",), "feed never ends in time", (Arc(start, start + TURN, "heavy"),), (start,))]
    arcs = (Arc(stop, end, "light"), Arc(start, stop, "heavy"))
    return [Ring(("feed",), "feed", arcs, (start, end) if end > start else (start,))]


def _rolls(check: Check) -> list[Ring]:
    if check.cycle.rolls is None:
        return []
    opened, closed = (float(angle) for angle in check.cycle.rolls)
    return [Ring(("rolls",), "pilot release", (Arc(opened, closed, "heavy"),), (opened, closed))]


def _strip(check: Check, curves: Traces) -> list[Ring]:
    """Strip raised on its lifters (on its way down and up: faint), and clamped."""
    motion, lift = check.cycle.motion, float(check.machine.strip.lift)
    touching, clamped = motion.touching, motion.clamped
    name = "strip raised" if lift > 0.0 else "strip free"
    if touching.never:
        raised = Ring(("lift",), f"{name} always", (Arc(0.0, TURN, "heavy"),))
    elif touching.already:
        raised = Ring(("lift",), f"{name}: never", ())
    else:
        up, down = float(motion.settled), float(touching.start) + TURN
        if not np.isfinite(up) or up >= down:
            return [Ring(("lift",), f"{name}: never at rest", ()), _clamp(check, curves)]
        arcs = [Arc(up, down, "heavy")]
        if lift > 0.0 and not clamped.never:
            arcs += [Arc(float(clamped.end), up, "faint"), Arc(down, float(clamped.start) + TURN, "faint")]
        raised = Ring(("lift",), name, tuple(arcs), (up, down))
    return [raised, _clamp(check, curves)]


def _clamp(check: Check, curves: Traces) -> Ring:
    arcs, ends, note = _stretch(check.cycle.motion.clamped, "heavy")
    bounces = curves.forces.bounces if curves.forces is not None else ()
    return Ring(("clamp",), f"strip clamped{note}", tuple(arcs), ends, bounces=bounces)


def _stretch(span: Span, weight: Weight) -> tuple[list[Arc], tuple[float, ...], str]:
    """A span as arcs, with its ends and a word where it does not come and go."""
    if span.never:
        return [], (), ": never"
    if span.already:
        return [Arc(0.0, TURN, weight)], (), ": always in"
    start, end = float(span.start), float(span.end)
    return [Arc(start, end, weight)], (start, end), ""


def _tool(key: str, check: Check) -> Ring:
    """A pilot, heavy where its full diameter holds the strip, or a punch."""
    group, name = key.split(":", 1)
    motion = check.cycle.motion
    if group == "punch":
        arcs, ends, note = _stretch(motion.punches[name], "heavy")
        return Ring((key,), f"punch {name}{note}", tuple(arcs), ends)
    arcs, ends, note = _stretch(motion.pilots[name].tip, "light")
    body, _ends, never = _stretch(motion.pilots[name].body, "heavy")
    if never == ": never" and not note:
        note = ": never located"
    return Ring((key,), f"pilot {name}{note}", (*arcs, *body), ends)


def _tap(name: str, check: Check, curves: Traces) -> Ring:
    """A tap: faint while its spindle is away from home, light in the strip, heavy in the cut."""
    key, passed = f"tap:{name}", check.cycle.motion.taps[name]
    trace = curves.taps[name]
    thread = passed.thread
    inside, ends, note = _stretch(thread, "light")
    if thread.already:
        inside, note = _sampled(curves.angle, trace.inside, "light"), ": in strip at TDC"
    arcs = [*_sampled(curves.angle, trace.turns > 0.0, "faint"), *inside]
    arcs += _sampled(curves.angle, trace.cutting, "heavy")
    return Ring((key,), f"tap {name}{note}", tuple(arcs), ends)


def _sampled(angle: Curve, flags: Mask, weight: Weight) -> list[Arc]:
    """Spans of a flag as arcs; one that goes on over TDC is one arc."""
    found = [Arc(start, end, weight) for start, end in spans(angle, flags)]
    if len(found) > 1 and found[0].start == angle[0] and found[-1].end == angle[-1]:
        first, *rest, last = found
        return [*rest, Arc(last.start, first.end + TURN, weight)]
    return found


def _shared(found: list[Ring]) -> list[Ring]:
    """Rings with the same arcs become one, in the place of the first."""
    alike: dict[tuple[str, tuple[Arc, ...]], list[Ring]] = {}
    for each in found:
        kind = each.keys[0].split(":", 1)[0]
        rounded = tuple(Arc(round(arc.start, 9), round(arc.end, 9), arc.weight) for arc in each.arcs)
        alike.setdefault((kind, rounded), []).append(each)
    return [_joined(kind, group) for (kind, _arcs), group in alike.items()]


def _joined(kind: str, group: list[Ring]) -> Ring:
    if len(group) == 1:
        return group[0]
    keys = tuple(each.keys[0] for each in group)
    names = [key.split(":", 1)[1] for key in keys]
    plural = "punches" if kind == "punch" else f"{kind}s"
    said = " ".join(names) if len(names) < 4 else f"{names[0]} … {names[-1]}"
    return replace(group[0], keys=keys, name=f"{len(names)} {plural}: {said}")
