"""Faults that strike a line: what each does, what can see it, and how it is written.

    KIND[:NAME]@STROKE[=VALUE]     at a stroke counted from 1
    KIND[:NAME]~RATE[=VALUE]       by chance, with this probability at every stroke

such as "misfeed-short@12=2 mm" or "tap-broken:m4~1e-3".
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np

from crankclock.errors import InputError, Problem
from crankclock.scenario.schema import Scenario
from crankclock.units import UnitError, read

Target = Literal["tap", "sensor", "spring"]
State = tuple[str, str | None, float]
"""A fault that changes the cycle: kind, name, value."""
FORM = 'KIND[:NAME]@STROKE[=VALUE] or KIND[:NAME]~RATE[=VALUE], such as "misfeed-short@12=2 mm"'
WRITTEN = re.compile(
    r"(?P<kind>[a-z-]+)(?::(?P<name>[a-z0-9-]+))?\s*(?:@\s*(?P<stroke>\d{1,9})|~\s*(?P<rate>[0-9.eE+-]{1,30}))"
    r"\s*(?:=\s*(?P<value>.+))?"
)


@dataclass(frozen=True)
class Kind:
    """A kind of fault.

    Attributes
    ----------
    does, seen : str
        What it does, and what can see it.
    target : {"tap", "sensor", "spring"} or None
        What it is the fault of, by name.
    value : str or None
        Dimension of its value; "count" for a whole number.
    needs : bool
        True where the value must be given.
    lasting : bool
        True where it stays until the press is stopped; else it is of one stroke.
    """

    does: str
    seen: str
    target: Target | None = None
    value: str | None = None
    needs: bool = False
    lasting: bool = False


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "misfeed-short": Kind(
            "the feed of that stroke is short by the length; it is taken as more than the pilots draw right, so the "
            "strip stays off until the press stops",
            "a sensor that watches the feed, or a pilot",
            value="length",
            needs=True,
        ),
        "misfeed-long": Kind(
            "the feed of that stroke is long by the length; it is taken as more than the pilots draw right, so the "
            "strip stays off until the press stops",
            "a sensor that watches the feed, or a pilot",
            value="length",
            needs=True,
        ),
        "late-feed": Kind(
            "the feed of that stroke starts later by the time",
            "a sensor that watches the feed, where the strip is not in place long enough before its window ends",
            value="time",
            needs=True,
        ),
        "late-valve": Kind(
            "the rolls of that stroke open and close later by the time",
            "none of the sensors a scenario knows",
            value="time",
            needs=True,
        ),
        "tap-broken": Kind(
            "the tap breaks off in the hole, by default where it comes through; no thread from then on, and its "
            "fragment rides on with the next feed",
            "a sensor that watches this tap",
            target="tap",
            value="angle",
            lasting=True,
        ),
        "spring-lost": Kind(
            "so many springs, by default one, give no force any more; the cycle is worked out anew",
            "a sensor that watches the strip, where that settles too late",
            target="spring",
            value="count",
            lasting=True,
        ),
        "stock-change": Kind(
            "the strip has another thickness from that stroke on, the die being set as it was; the cycle is worked "
            "out anew",
            "a tap sensor that the point no longer reaches",
            value="length",
            needs=True,
            lasting=True,
        ),
        "sensor-stuck-on": Kind(
            "the sensor says from then on that all is well", "nothing", target="sensor", lasting=True
        ),
        "sensor-stuck-off": Kind(
            "the sensor never answers again, which stops the press", "itself", target="sensor", lasting=True
        ),
        "sensor-noisy": Kind("the sensor gives one false alarm, which stops the press", "itself", target="sensor"),
    }
)


@dataclass(frozen=True)
class Fault:
    """One fault as asked for.

    Attributes
    ----------
    text : str
        As written.
    name : str or None
        Of the tap, sensor or spring it is the fault of.
    stroke : int or None
        Stroke at which it strikes, from 1; None: by chance.
    rate : float
        Probability at each stroke.
    value : float or None
        [SI], or a count; None where it has none or its default counts.
    """

    text: str
    kind: str
    name: str | None
    stroke: int | None
    rate: float
    value: float | None

    @property
    def of(self) -> Kind:
        return KINDS[self.kind]

    @property
    def state(self) -> State:
        """What it is, whenever it struck; a count left out is one."""
        return self.kind, self.name, 1.0 if self.value is None else self.value

    def strikes(self, strokes: int, draws: np.random.Generator) -> list[int]:
        """Strokes at which it strikes, from 1; only the first of a fault that lasts."""
        if self.stroke is not None:
            return [self.stroke] if self.stroke <= strokes else []
        found = (np.flatnonzero(draws.random(strokes) < self.rate) + 1).tolist()
        return found[:1] if self.of.lasting else found


def faults(texts: Sequence[str], scenario: Scenario, strokes: int, *, running: bool) -> tuple[Fault, ...]:
    """Read faults.

    Parameters
    ----------
    texts : sequence of str
    scenario : Scenario
        Resolved.
    strokes : int
        Of the run.
    running : bool
        Whether the running reading is the one in use: only that knows springs.

    Raises
    ------
    InputError
        With every fault that cannot be.
    """
    found: list[Fault] = []
    problems: list[Problem] = []
    for text in texts:
        fault = _read(text.strip(), problems)
        if fault is not None:
            wrong = _impossible(fault, scenario, strokes, running=running)
            problems += wrong
            found += [fault] if not wrong else []
    if problems:
        raise InputError(problems)
    return tuple(found)


def _read(text: str, problems: list[Problem]) -> Fault | None:
    where = f'--fault "{text[:60]}"'
    parts = WRITTEN.fullmatch(text)
    if parts is None:
        problems.append(Problem(where, "", FORM))
        return None
    before = len(problems)
    kind = KINDS.get(parts["kind"])
    if kind is None:
        near = difflib.get_close_matches(parts["kind"], KINDS, n=1)
        hint = f'; nearest is "{near[0]}"' if near else ""
        problems.append(Problem(where, f'the kind "{parts["kind"]}"', f"one of {', '.join(KINDS)}{hint}"))
    rate = _rate(where, parts["rate"], problems)
    value = _value(where, kind, parts["value"], problems) if kind is not None else None
    if parts["stroke"] is not None and int(parts["stroke"]) < 1:
        problems.append(Problem(where, "stroke 0", "a stroke counted from 1"))
    if len(problems) > before:
        return None
    stroke = None if parts["stroke"] is None else int(parts["stroke"])
    return Fault(text, parts["kind"], parts["name"], stroke, rate, value)


def _rate(where: str, text: str | None, problems: list[Problem]) -> float:
    if text is None:
        return 0.0
    try:
        rate = float(text)
    except ValueError:
        rate = -1.0
    if not 0.0 < rate <= 1.0:
        problems.append(Problem(where, f'the rate "{text}"', "a probability per stroke above 0, at most 1"))
    return rate


def _value(where: str, kind: Kind, text: str | None, problems: list[Problem]) -> float | None:
    if text is None or kind.value is None:
        if text is not None:
            problems.append(Problem(where, f'the value "{text[:40]}"', "no value: this fault has none"))
        elif kind.needs:
            problems.append(Problem(where, "no value", f"= and {_words(kind.value)}"))
        return None
    if kind.value == "count":
        if re.fullmatch(r"[1-9]\d{0,3}", text) is None:
            problems.append(Problem(where, f'the value "{text[:40]}"', "how many, a whole number from 1"))
            return None
        return float(text)
    try:
        quantity = read(text, kind.value)
    except UnitError as wrong:
        problems.append(Problem(where, "", f"{_words(kind.value)}: {wrong}"))
        return None
    if quantity.tolerance is not None or quantity.value <= 0.0:
        problems.append(Problem(where, f'the value "{text[:40]}"', f"{_words(kind.value)} above 0 without a tolerance"))
    return quantity.value


def _words(dimension: str | None) -> str:
    return {"length": "a length", "time": "a time", "angle": "a dial angle"}.get(str(dimension), "a number")


def _impossible(fault: Fault, scenario: Scenario, strokes: int, *, running: bool) -> list[Problem]:
    """What a fault asks of a scenario that this has not."""
    where, kind = f'--fault "{fault.text[:60]}"', fault.of
    found = []
    if fault.stroke is not None and fault.stroke > strokes:
        found.append(Problem(where, f"stroke {fault.stroke}", f"one of the run's {strokes} strokes"))
    if kind.target is None and fault.name is not None:
        found.append(Problem(where, f'the name "{fault.name}"', "no name: this fault is of the whole line"))
    if kind.target is not None:
        known = list(scenario.stripper.spring if kind.target == "spring" else getattr(scenario, kind.target))
        if fault.name not in known:
            given = "no name" if fault.name is None else f'the {kind.target} "{fault.name}"'
            what = " or ".join(known) if known else f"a {kind.target}; the scenario has none"
            found.append(Problem(where, given, f":NAME of a {kind.target}: {what}" if known else what))
        elif kind.target == "spring" and fault.name is not None:
            count = int(scenario.stripper.spring[fault.name].count)
            if (fault.value or 1) > count:
                found.append(Problem(where, f"{fault.value:g} springs", f"at most the {count} of spring {fault.name}"))
    return found + _lacking(fault, scenario, where, running=running)


def _lacking(fault: Fault, scenario: Scenario, where: str, *, running: bool) -> list[Problem]:
    feeder = scenario.feeder
    if fault.kind in ("misfeed-short", "misfeed-long", "late-feed", "late-valve") and feeder is None:
        return [Problem(where, "no [feeder]", "a scenario with a feeder")]
    if fault.kind == "late-valve" and feeder is not None and feeder.pilot_release is None:
        return [Problem(where, "no [feeder.pilot_release]", "a scenario whose rolls open for the pilots")]
    if fault.kind == "late-feed" and feeder is not None and feeder.kind == "cam":
        return [Problem(where, 'a "cam" feeder', "a feeder that runs in real time: a cam cannot be late")]
    if fault.kind == "misfeed-short" and fault.value is not None and fault.value > scenario.strip.pitch * (1.0 + 1e-9):
        return [Problem(where, "more than the feed length", "at most strip.pitch, which is no feed at all")]
    if fault.kind == "spring-lost" and not running:
        return [Problem(where, "the rigid reading", "the running reading: no other knows of springs")]
    return []
