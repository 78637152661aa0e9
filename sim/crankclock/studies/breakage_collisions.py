"""What a broken rule does to a tap, and when: the harm behind each rule, and the dial span in which the tap gives."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Cycle
from crankclock.parts.numbers import TURN, Floats
from crankclock.rules.clamping import held_span
from crankclock.rules.feed import span_of
from crankclock.studies.margins import Judged, Margin
from crankclock.studies.variants import Turned

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Ends = tuple[Floats, Floats]

GIVES = np.radians(10.0)
"""A tap gives within this [rad] of where its trouble begins: common practice, no source."""


@dataclass(frozen=True)
class Harm:
    """What happens to the tap.

    Attributes
    ----------
    name, says : str
    breaks : float
        Probability that the tap breaks rather than only the thread or the part: common practice, no source.
    """

    name: str
    says: str
    breaks: float


PULLED = Harm("pulled", "the strip is moved sideways with the tap in it", 0.95)
RISEN = Harm("risen", "the strip is not held and moves up or down against the tap", 0.85)
ASTRAY = Harm("astray", "the strip is out of place when the tap comes to it", 0.7)
OVERLOADED = Harm("overloaded", "the tap carries more torque, or turns faster, than it bears", 0.8)
BOTTOMED = Harm("bottomed", "the drive runs out of travel with the tap in", 0.8)
SHALLOW = Harm("shallow", "the thread is not cut to its depth", 0.1)
DRAGGED = Harm("dragged", "the strip drags or runs into something while it is fed", 0.5)


def _cuts(cycle: Cycle, tap: str, _: str) -> Ends:
    found = cycle.motion.taps[tap]
    return found.thread.start, np.where(np.isnan(found.full), found.thread.start, found.full)


def _loaded(cycle: Cycle, tap: str, _: str) -> Ends:
    """From where the whole chamfer is at work to full depth."""
    found = cycle.motion.taps[tap]
    start, _end = found.deeper(cycle.machine.taps[tap].chamfer)
    start = np.where(np.isnan(start), found.thread.start, start)
    return start, np.fmax(start, found.full)


def _reverses(cycle: Cycle, tap: str, _: str) -> Ends:
    full = cycle.motion.taps[tap].full
    return full, full


def _pulls(cycle: Cycle, tap: str, _: str) -> Ends:
    assert cycle.feed is not None
    return cycle.feed.start, cycle.motion.taps[tap].thread.end


def _let_go(cycle: Cycle, tap: str, _: str) -> Ends:
    """Touched before it is held, or let go before it is out: the longer of the two."""
    span, held = span_of(cycle, f"tap:{tap}"), held_span(cycle, f"tap:{tap}")
    early, late = held.start - span.start, span.end - held.end
    first = np.where(np.isnan(held.start), True, np.nan_to_num(early, nan=0.0) >= np.nan_to_num(late, nan=0.0))
    end = np.where(np.isnan(held.start), span.end, held.start)
    return np.where(first, span.start, held.end), np.where(first, end, span.end)


def _closest(cycle: Cycle, tap: str, _: str) -> Ends:
    found = cycle.motion.taps[tap]
    at = np.where(np.isnan(found.retouch), found.clear_at, found.retouch)
    return at, at


def _in_hole(cycle: Cycle, tap: str, _: str) -> Ends:
    span = cycle.motion.taps[tap].thread
    return span.start, span.end


Place = Callable[[Cycle, str, str], Ends]
HARMS: Mapping[str, tuple[Harm, Place]] = {
    "feed-starts-after-tools": (PULLED, _pulls),
    "feed-starts-after-lift": (DRAGGED, _cuts),
    "feed-ends-in-time": (ASTRAY, _cuts),
    "feed-slip": (ASTRAY, _cuts),
    "pilots-before-clamp": (ASTRAY, _cuts),
    "pilots-before-tools": (ASTRAY, _cuts),
    "rolls-open-on-pilots": (ASTRAY, _cuts),
    "rolls-close-before-pilots-leave": (ASTRAY, _cuts),
    "strip-up-in-time": (DRAGGED, _cuts),
    "strip-clears-die": (DRAGGED, _cuts),
    "stripper-clears-strip": (DRAGGED, _cuts),
    "tools-clear-features": (DRAGGED, _cuts),
    "clamped-while-tapping": (RISEN, _let_go),
    "tap-clear-of-strip": (RISEN, _closest),
    "clamp-force": (RISEN, _in_hole),
    "lifters-yield": (RISEN, _in_hole),
    "float": (RISEN, _in_hole),
    "tap-torque": (OVERLOADED, _loaded),
    "drive-torque": (OVERLOADED, _loaded),
    "cut-speed": (OVERLOADED, _cuts),
    "spindle-speed": (OVERLOADED, _cuts),
    "spindle-acceleration": (BOTTOMED, _reverses),
    "speed-step": (BOTTOMED, _reverses),
    "drive-travel": (BOTTOMED, _reverses),
    "spindle-home-in-time": (BOTTOMED, _cuts),
    "full-thread": (SHALLOW, _cuts),
}
"""Rules whose failure harms a tap or its thread. Others (spring life, sensors, stopping, press range) do not count
as a breakage."""


_OF_THE_FEED = ("feed-", "rolls-close", "strip")
NEXT_STROKE = frozenset(
    rule for rule, (harm, _) in HARMS.items() if harm is not RISEN and rule.startswith(_OF_THE_FEED)
)
"""Rules about the feed: what they let go wrong meets the tap in the stroke after."""


@dataclass(frozen=True)
class Collision:
    """One harmful rule over n variants of the cycle; arrays of shape (n,).

    Attributes
    ----------
    rule, subject : str, str or None
    tap : str
        The tap that is harmed.
    margin : array
        [SI], nan where an event cannot happen.
    fails : array of bool
    start, end : array
        Dial span [rad] in which the tap gives.
    depth : array
        How deep the first thread then is [m].
    """

    rule: str
    subject: str | None
    harm: Harm
    tap: str
    dimension: str
    margin: Array
    fails: Mask
    start: Array
    end: Array
    depth: Array

    def part(self, start: int, end: int) -> Collision:
        """The same over the variants from `start` to `end` only."""
        some = slice(start, end)
        return self.over(self.margin[some], self.fails[some], self.start[some], self.end[some], self.depth[some])

    def over(self, margin: Array, fails: Array | Mask, start: Array, end: Array, depth: Array) -> Collision:
        """The same with other arrays."""
        flags = fails.astype(bool)
        return replace(self, margin=margin, fails=flags, start=start, end=end, depth=depth)

    @property
    def key(self) -> tuple[str, str | None]:
        return self.rule, self.subject

    @property
    def angle(self) -> Array:
        """Where the tap gives, on the mean [rad]."""
        return 0.5 * (self.start + self.end)

    @property
    def moment(self) -> Array:
        """When it gives, counted on from the TDC before what went wrong [rad]; what never comes to be is last."""
        later = self.rule in NEXT_STROKE and self.harm is not PULLED
        return np.nan_to_num(np.mod(self.angle, TURN), nan=TURN) + (TURN if later else 0.0)


def collisions(part: Turned, tap: str) -> list[Collision]:
    """The harmful rules of some variants, whether they fail or not, by the chosen reading alone.

    What would only break while the press is barred over did not break the tap of a press that ran; for one that broke
    while inching the hand reading is chosen.

    Parameters
    ----------
    part : Turned
    tap : str
        The tap that broke: rules that concern no tap harm this one.
    """
    found = []
    for each in part.found:
        if not isinstance(each, Margin) or each.rule.name not in HARMS:
            continue
        judged = next((judged for judged in each.by_reading if judged.cycle.reading == part.reading), None)
        if judged is None:
            continue
        subject = each.subject or ""
        harmed = subject.removeprefix("tap:") if subject.startswith("tap:") else tap
        harm, place = HARMS[each.rule.name]
        if harm is PULLED and not subject.startswith("tap:"):
            # Any other tool still in when the feed starts leaves the strip out of place for the next stroke.
            harm, place = ASTRAY, _cuts
        found.append(_collision(part, each, judged, harm, place, harmed))
    return found


def _collision(part: Turned, each: Margin, judged: Judged, harm: Harm, place: Place, tap: str) -> Collision:
    start, end, depth = _given(part, judged, place, tap, each.subject)
    fails = part.wide(judged.fails).astype(bool)
    if harm is not SHALLOW:
        # A tap that never comes to the strip makes no thread, and no rule about it can break it.
        fails = fails & ~part.wide(judged.cycle.motion.taps[tap].thread.never).astype(bool)
    margin = part.wide(judged.measured.margin)
    return Collision(each.rule.name, each.subject, harm, tap, each.rule.dimension, margin, fails, start, end, depth)


def _given(part: Turned, judged: Judged, place: Place, tap: str, subject: str | None) -> tuple[Array, Array, Array]:
    cycle = judged.cycle
    start, end = (part.wide(each) for each in place(cycle, tap, subject or ""))
    end = np.fmax(np.fmin(end, start + GIVES), start)
    middle = 0.5 * (start + end)
    depth = part.wide(-np.asarray(cycle.motion.taps[tap].along(middle)[0]))
    return start, end, depth


def joined(pieces: Sequence[Collision]) -> Collision:
    """One rule over several pieces of variants after one another."""
    names = ("margin", "fails", "start", "end", "depth")
    return pieces[0].over(*(np.concatenate([getattr(each, name) for each in pieces]) for name in names))
