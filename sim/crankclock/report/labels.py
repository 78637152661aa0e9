"""Which events a chart names, and in what words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from crankclock.studies.check import Check, Event

RANKS: Mapping[str, int] = {
    "feed.start": 0, "feed.end": 0, "tap.touch": 0, "tap.leave": 0, "stripper.clamped": 0, "stripper.unclamped": 0,
    "strip.raised": 1, "stripper.touch": 1, "pilot.located": 1, "pilot.leave": 1, "tap.retouch": 1,
    "rolls.open": 2, "rolls.close": 2, "punch.enter": 2, "punch.leave": 2, "pilot.enter": 2,
    "tap.through": 3, "tap.engage": 3, "tap.home": 3, "pilot.unlocated": 4, "tap.full": 4,
}  # fmt: skip
"""What goes first where there is not room for all; events that are not here are never named."""
LONGEST = 27
"""Letters in a label, the angle among them."""
SAME = 0.05
"""Events of one kind this close [deg] share a label."""


@dataclass(frozen=True)
class Label:
    """A label at a dial reading [deg], 0 to 360."""

    degrees: float
    text: str


def labels(check: Check, most: int) -> list[Label]:
    """The labels of a check's events in the order of the dial, at most so many."""
    groups: dict[tuple[str, int], list[Event]] = {}
    for event in check.events:
        kind = _kind(event)
        if event.angle is not None and kind in RANKS:
            groups.setdefault((kind, round(float(np.degrees(event.angle)) / SAME)), []).append(event)
    ranked = sorted(groups.items(), key=lambda each: (RANKS[each[0][0]], each[0][1]))[:most]
    return sorted((_label(kind, events) for (kind, _), events in ranked), key=lambda label: label.degrees)


def _kind(event: Event) -> str:
    thing, what = event.id.rsplit(".", 1)
    return f"{thing.split(':', 1)[0]}.{what}"


def _label(kind: str, events: list[Event]) -> Label:
    angle = events[0].angle
    assert angle is not None
    degrees = float(np.degrees(angle))
    thing, what = events[0].id.rsplit(".", 1)
    if len(events) > 1:
        group = kind.split(".", 1)[0]
        thing = f"{len(events)} {'punches' if group == 'punch' else group + 's'}"
    words = f"{thing.replace(':', ' ')} {what}"
    turned = f" ({degrees:.1f}°)" if degrees >= 360.0 else ""
    said = f"{degrees % 360.0:.1f}° "
    room = LONGEST - len(said) - len(turned)
    words = words if len(words) <= room else f"{words[: room - len(what) - 2]}… {what}"
    return Label(degrees % 360.0, f"{said}{words}{turned}")
