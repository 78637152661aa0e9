"""Where on the dial a broken rule breaks: the span by which two things that may not meet do meet."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Cycle
from crankclock.parts.numbers import TURN, Floats
from crankclock.rules.base import punches, taps, tools
from crankclock.rules.clamping import held_span
from crankclock.rules.feed import span_of
from crankclock.studies.check import Check, Finding

Part = tuple[Floats, Floats, str, str]
"""Start and end of a span [rad], empty where the end is not later, and the two that meet in it."""


@dataclass(frozen=True)
class Overlap:
    """A span of the dial in which a rule is broken.

    Attributes
    ----------
    finding : Finding
    start, end : float
        Dial angles [rad], end > start, counted like the events.
    between : pair of str
        Who meets: "feed", "rolls", "lift", "clamp", or a tool such as "tap:m4".
    """

    finding: Finding
    start: float
    end: float
    between: tuple[str, str]

    @property
    def size(self) -> float:
        """How long it lasts [rad]."""
        return self.end - self.start


def overlaps(check: Check) -> tuple[Overlap, ...]:
    """The spans of every failing rule that has any, worst finding first.

    A rule that fails because an event cannot happen at all has none, and neither have rules that are not about
    the order of events.
    """
    found = []
    for finding in check.worst:
        parts = PARTS.get(finding.rule)
        if finding.status != "fail" or finding.margin is None or parts is None:
            continue
        cycle = check.readings.chosen(finding.reading)
        for start, end, one, other in parts(cycle, finding.subject or ""):
            if np.isfinite(start) and np.isfinite(end) and end - start > 0.0:
                found.append(Overlap(finding, float(start), float(end), (one, other)))
    return tuple(found)


def _earliest(cycle: Cycle, subjects: Iterable[str]) -> tuple[Floats, str]:
    """The first to come into the strip, and when [rad]; infinity where none does."""
    best: Floats = np.inf
    who = ""
    for subject in subjects:
        span = span_of(cycle, subject)
        if span.start < best:
            best, who = span.start, subject
    return best, who


def _last_located(cycle: Cycle) -> tuple[Floats, str]:
    best: Floats = -np.inf
    who = ""
    for name, pilot in cycle.motion.pilots.items():
        if pilot.body.start > best:
            best, who = pilot.body.start, f"pilot:{name}"
    return best, who


def _feed_ends(cycle: Cycle, _: str) -> list[Part]:
    assert cycle.feed is not None
    first, who = _earliest(cycle, tools(cycle))
    if cycle.motion.touching.start <= first:
        first, who = cycle.motion.touching.start, "lift"
    return [(first + TURN, cycle.feed.end, "feed", who)]


def _feed_starts(cycle: Cycle, subject: str) -> list[Part]:
    span = span_of(cycle, subject)
    assert cycle.feed is not None
    return [(cycle.feed.start, span.end, "feed", subject)]


def _feed_on_lift(cycle: Cycle, _: str) -> list[Part]:
    assert cycle.feed is not None
    return [(cycle.feed.start, cycle.motion.settled, "feed", "lift")]


def _pilots_clamp(cycle: Cycle, _: str) -> list[Part]:
    last, who = _last_located(cycle)
    return [(cycle.motion.clamped.start, last, "clamp", who)]


def _pilots_tools(cycle: Cycle, _: str) -> list[Part]:
    first, tool = _earliest(cycle, [*punches(cycle), *taps(cycle)])
    last, who = _last_located(cycle)
    return [(first, last, tool, who)]


def _clamped(cycle: Cycle, subject: str) -> list[Part]:
    span, clamped = span_of(cycle, subject), held_span(cycle, subject)
    if np.isnan(clamped.start):
        return [(span.start, span.end, subject, "clamp")]
    return [(span.start, clamped.start, subject, "clamp"), (clamped.end, span.end, subject, "clamp")]


def _rolls_open(cycle: Cycle, _: str) -> list[Part]:
    assert cycle.rolls is not None
    opened = cycle.rolls[0]
    enters, first = _earliest(cycle, (f"pilot:{name}" for name in cycle.machine.pilots))
    located: Floats = np.inf
    who = ""
    for name, pilot in cycle.motion.pilots.items():
        if pilot.body.start < located:
            located, who = pilot.body.start, f"pilot:{name}"
    return [(opened, enters, "rolls", first), (located, opened, "rolls", who)]


def _rolls_close(cycle: Cycle, _: str) -> list[Part]:
    assert cycle.rolls is not None
    assert cycle.feed is not None
    left: Floats = -np.inf
    who = ""
    for name, pilot in cycle.motion.pilots.items():
        if pilot.tip.end > left:
            left, who = pilot.tip.end, f"pilot:{name}"
    if cycle.feed.start < left:
        left, who = cycle.feed.start, "feed"
    return [(left, cycle.rolls[1], "rolls", who)]


PARTS: Mapping[str, Callable[[Cycle, str], list[Part]]] = {
    "feed-ends-in-time": _feed_ends,
    "feed-starts-after-tools": _feed_starts,
    "feed-starts-after-lift": _feed_on_lift,
    "pilots-before-clamp": _pilots_clamp,
    "pilots-before-tools": _pilots_tools,
    "clamped-while-tapping": _clamped,
    "clamped-while-punching": _clamped,
    "rolls-open-on-pilots": _rolls_open,
    "rolls-close-before-pilots-leave": _rolls_close,
}
