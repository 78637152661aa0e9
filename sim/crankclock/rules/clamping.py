"""The strip is held while tools work in it."""

from __future__ import annotations

import numpy as np

from crankclock.cycle import Cycle, Span
from crankclock.rules.base import Measured, Rule, Subject, Words, punches, spoken, taps
from crankclock.rules.feed import depth_at, span_of


def _clamped_while(cycle: Cycle, subject: Subject) -> Measured:
    assert subject is not None
    span, held = span_of(cycle, subject), held_span(cycle, subject)
    broken = np.asarray(span.already) | span.never | held.already | held.never
    margin = np.minimum(span.start - held.start, held.end - span.end)
    # Not held at all: short by all the while the tool is in.
    margin = np.where(np.isnan(held.start), span.start - span.end, margin)
    return Measured(margin, broken, start=held.start, end=held.end)


def held_span(cycle: Cycle, subject: str) -> Span:
    """The span in which the strip is held for a tool: about a tap's full depth, for a punch about BDC."""
    motion = cycle.motion
    group, name = subject.split(":", 1)
    if group == "tap":
        return motion.taps[name].held
    both = (motion.clamped, motion.held)
    return Span(
        np.maximum(both[0].start, both[1].start),
        np.minimum(both[0].end, both[1].end),
        np.asarray(both[0].already) | both[1].already,
        np.asarray(both[0].never) | both[1].never,
    )


def _say_clamped_while(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    assert subject is not None
    span, clamped, who = span_of(cycle, subject), held_span(cycle, subject), spoken(subject)
    if np.any(found.broken):
        return _say_absent(cycle, span, who)
    if float(found.margin) >= 0.0:
        return (
            f"The strip is clamped from {words.deg(clamped.start)} to {words.deg(clamped.end)}; {who} is in it from "
            f"{words.deg(span.start)} to {words.deg(span.end)}, {words.lag(cycle, found.margin)} inside that."
        )
    early, late = float(clamped.start - span.start), float(span.end - clamped.end)
    told = []
    if early > 0.0:
        high = words.length(np.maximum(cycle.at(span.start).underside, 0.0))
        told.append(
            f"{who.capitalize()} meets the strip at {words.deg(span.start)} while it is still {high} above the die; it "
            f"is clamped only at {words.deg(clamped.start)}, {words.lag(cycle, early)} later."
        )
    if late > 0.0:
        told.append(_say_let_go(cycle, subject, span, words))
    return " ".join(told if early >= late else reversed(told))


def _say_let_go(cycle: Cycle, subject: str, span: Span, words: Words) -> str:
    """The stripper lets go before the tool has left for good."""
    clamped, who = held_span(cycle, subject), spoken(subject)
    late = words.lag(cycle, span.end - clamped.end)
    deep = float(depth_at(cycle, subject, clamped.end))
    held = f"still {words.length(deep)} deep" if deep > 0.0 else f"only {words.length(-deep)} clear of it"
    rose = words.length(np.maximum(cycle.at(span.end).underside, 0.0))
    onto = "" if deep > 0.0 else " the strip rises onto it;"
    return (
        f"The stripper lets the strip go at {words.deg(clamped.end)} with {who} {held};{onto} it leaves at "
        f"{words.deg(span.end)}, {late} later, and by then the strip has risen {rose}."
    )


def _say_absent(cycle: Cycle, span: Span, who: str) -> str:
    if span.already:
        return f"{who.capitalize()} is in the strip at top dead centre, where nothing clamps it."
    if span.never:
        return f"{who.capitalize()} never reaches the strip: it does no work in it."
    if cycle.reading == "running" and not cycle.motion.clamped.never:
        return f"The strip is not held on the die face while {who} is in it: it is up from it by more than its play."
    return f"The stripper never comes down to clamp the strip while {who} is in it."


RULES = (
    Rule("clamped-while-tapping", "angle", taps, _clamped_while, _say_clamped_while, core=True),
    Rule("clamped-while-punching", "angle", punches, _clamped_while, _say_clamped_while),
)
