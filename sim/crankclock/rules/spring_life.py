"""Die springs: whether they last the strokes wanted at the deflection they see."""

from __future__ import annotations

import math
from dataclasses import dataclass

from crankclock.cycle import Cycle
from crankclock.handbook.die_springs import (
    AVERAGE_LIFE,
    DIE_SPRINGS,
    SHORT_LIFE,
    allowed_deflection,
    strokes_to_change,
)
from crankclock.parts.numbers import Floats
from crankclock.rules.base import Measured, Missing, Rule, Subject, Words
from crankclock.rules.springs import overshoot, used_travel
from crankclock.scenario.schema import LOAD_CLASSES, Spring

NEEDED = ("load_class", "free_length")

BASIS = "common practice; the spring maker's own figures rule"
"""Where the strokes between changes come from."""


@dataclass(frozen=True)
class Lasting:
    """How long springs last at the deflection they see.

    Attributes
    ----------
    share : float
        Deflection as a share of the free length, preload included.
    strokes : float
        Strokes between changes: 0 beyond the limit of the class, infinite within the long-life deflection.
    days : float or None
        At the strokes a day of the scenario; None where they are not given.
    """

    share: float
    strokes: float
    days: float | None


def lasting(cycle: Cycle, spring: Spring) -> Lasting | None:
    """How long the springs of a group last, in a cycle of single values; None where that is not known of them."""
    if spring.kind != "coil" or spring.load_class is None or spring.free_length is None:
        return None
    used, daily = float(used_travel(cycle, spring)), cycle.machine.scenario.press.strokes_per_day
    strokes = float(strokes_to_change(LOAD_CLASSES[spring.load_class], spring.free_length, used))
    return Lasting(used / float(spring.free_length), strokes, None if daily is None else strokes / float(daily))


def _subjects(cycle: Cycle) -> list[str]:
    springs = cycle.machine.scenario.stripper.spring
    return [
        f"spring:{name}"
        for name, spring in springs.items()
        if spring.kind == "coil" and any(getattr(spring, key) is not None for key in (*NEEDED, "life"))
    ]


def _spring(cycle: Cycle, subject: Subject) -> tuple[str, Spring]:
    assert subject is not None
    name = subject.removeprefix("spring:")
    return name, cycle.machine.scenario.stripper.spring[name]


def _life(cycle: Cycle, subject: Subject) -> Measured | Missing:
    """What is left of the deflection allowed; where no life is wanted, of the greatest that the class bears at all."""
    name, spring = _spring(cycle, subject)
    if spring.load_class is None or spring.free_length is None:
        return Missing(tuple(f"stripper.spring.{name}.{key}" for key in NEEDED if getattr(spring, key) is None))
    strokes, unchecked = (SHORT_LIFE, (f"stripper.spring.{name}.life",)) if spring.life is None else (spring.life, ())
    allowed = allowed_deflection(LOAD_CLASSES[spring.load_class], spring.free_length, strokes)
    return Measured(allowed - used_travel(cycle, spring), limit=allowed, unchecked=unchecked)


def _say_life(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name, spring = _spring(cycle, subject)
    known = lasting(cycle, spring)
    assert known is not None
    assert spring.load_class is not None
    assert found.limit is not None
    used = words.length(used_travel(cycle, spring))
    limit, share = words.length(found.limit), f"{100.0 * known.share:.1f} %"
    wanted = f"{limit} is the most its class bears, and how long it is to last is not given"
    if spring.life is not None:
        wanted = f"for the {count(spring.life)} strokes wanted {limit} is allowed"
    return (
        f"Spring {name}, {spring.load_class} load, is deflected by {used}, preload included ({overshoot(cycle)}): "
        f"{share} of its free length. {_lasts(cycle, known)}; {wanted}. {_bands(spring, words)}"
    )


def _lasts(cycle: Cycle, known: Lasting) -> str:
    if known.strokes == 0.0:
        return "So deflected it is beyond what its class bears"
    if math.isinf(known.strokes):
        return f"So deflected it lasts more than {count(AVERAGE_LIFE)} strokes"
    daily, days = cycle.machine.scenario.press.strokes_per_day, ""
    if daily is not None and known.days is not None:
        days = f", {math.floor(known.days)} days at {count(float(daily))} a day"
    return f"So deflected it lasts {count(known.strokes)} strokes between changes{days}"


def _bands(spring: Spring, words: Words) -> str:
    """At which deflection how many strokes."""
    assert spring.load_class is not None
    assert spring.free_length is not None
    limits, free = DIE_SPRINGS[LOAD_CLASSES[spring.load_class]], spring.free_length
    most, average, long = (words.length(share * free) for share in (limits.most, limits.average, limits.long))
    return (
        f"Its class lasts {count(SHORT_LIFE)} strokes deflected up to {most}; {count(AVERAGE_LIFE)} up to {average}; "
        f"more up to {long}: {BASIS}."
    )


def count(strokes: Floats) -> str:
    """A number of strokes as a sentence writes it."""
    return f"{float(strokes):,.0f}"


RULES = (Rule("spring-life", "length", _subjects, _life, _say_life, allowance="clearance"),)
