"""Two scenarios side by side: which keys differ, and what that does to every event and every rule."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Reading, running_needs
from crankclock.rules import Subject
from crankclock.scenario.build import build
from crankclock.scenario.defaults import dimension_of
from crankclock.scenario.load import Loaded
from crankclock.scenario.schema import Scenario, Table, inner
from crankclock.studies.ceiling import SCALES
from crankclock.studies.check import WORST_FIRST, Check, Event, Finding, check
from crankclock.units import System

STILL_ANGLE, STILL = 1e-9, 1e-9
"""An event that moves by less than this [rad] and a margin that changes by less than this share did not."""


@dataclass(frozen=True)
class KeyChange:
    """A key that differs; values [SI] or words, None where it is not given and has no default.

    Attributes
    ----------
    assumed : (bool, bool)
        Whether the scenario left the key out, so that its default counts.
    dimension : str or None
    table : bool
        A whole table, there on one side only.
    """

    path: str
    first: object
    second: object
    assumed: tuple[bool, bool]
    dimension: str | None
    table: bool = False


@dataclass(frozen=True)
class EventChange:
    """An event on either side; angles [rad], None where it does not happen there.

    Attributes
    ----------
    there : (bool, bool)
        Whether the scenario has what the event is about at all.
    """

    id: str
    first: float | None
    second: float | None
    there: tuple[bool, bool]

    @property
    def change(self) -> float | None:
        """How much later it happens [rad]; None where it does not happen on both sides."""
        return None if self.first is None or self.second is None else self.second - self.first

    @property
    def moved(self) -> bool:
        change = self.change
        return (self.first is None) != (self.second is None) if change is None else abs(change) > STILL_ANGLE


@dataclass(frozen=True)
class RuleChange:
    """A rule's finding on either side; None where it does not apply there."""

    rule: str
    subject: Subject
    first: Finding | None
    second: Finding | None

    @property
    def change(self) -> float | None:
        """How much margin was gained [SI]; None where there are not two numbers."""
        one, two = self.first, self.second
        if one is None or two is None or one.margin is None or two.margin is None:
            return None
        return two.margin - one.margin

    @property
    def worse(self) -> int:
        """How many ranks the status fell; below 0: rose. 0 where it does not apply on both sides."""
        if self.first is None or self.second is None:
            return 0
        return WORST_FIRST[self.first.status] - WORST_FIRST[self.second.status]

    @property
    def share(self) -> float:
        """The margin gained as a share of what there was, of the allowance at least."""
        change = self.change
        if change is None or self.first is None or self.first.margin is None:
            return 0.0
        allowance = self.first.allowance or SCALES.get(self.first.dimension, 1.0)
        return change / max(abs(self.first.margin), allowance)

    @property
    def changed(self) -> bool:
        if self.first is None or self.second is None:
            return True
        return self.worse != 0 or abs(self.share) > STILL


@dataclass(frozen=True)
class Figure:
    """A figure of a tap or of the feed on either side [SI of `dimension`; None: a bare number]."""

    name: str
    dimension: str | None
    first: float | None
    second: float | None


@dataclass(frozen=True)
class Comparison:
    """Two judged cycles and what differs; rules worst change first, events by how much they move."""

    first: Check
    second: Check
    keys: tuple[KeyChange, ...]
    events: tuple[EventChange, ...]
    rules: tuple[RuleChange, ...]
    figures: tuple[Figure, ...]
    notes: tuple[str, ...]

    @property
    def changed_rules(self) -> tuple[RuleChange, ...]:
        return tuple(each for each in self.rules if each.changed)

    @property
    def moved_events(self) -> tuple[EventChange, ...]:
        return tuple(each for each in self.events if each.moved)


def compare(first: Loaded, second: Loaded, reading: Reading | None = None, units: System | None = None) -> Comparison:
    """Judge two scenarios by the same reading and set them side by side.

    Parameters
    ----------
    first, second : Loaded
    reading : {"hand", "rigid", "running"}, optional
        By default running where both scenarios have the data for it, else rigid.
    units : {"metric", "inch"}, optional
        The first scenario's own by default.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        The running reading was asked for and one of them lacks keys it needs.
    """
    notes = []
    if reading is None:
        lacks = [running_needs(build(each.resolved()[0])) for each in (first, second)]
        reading = "rigid" if any(lacks) else "running"
        if any(lacks) and not all(lacks):
            which, keys = ("second", lacks[1]) if lacks[1] else ("first", lacks[0])
            notes.append(
                f"Both by the rigid reading: the {which} scenario lacks {', '.join(keys)} for the running one."
            )
    one = check(first, reading, units)
    two = check(second, reading, units or one.units)
    return Comparison(
        first=one,
        second=two,
        keys=tuple(_keys(one, two)),
        events=_events(one, two),
        rules=_rules(one, two),
        figures=tuple(_figures(one, two)),
        notes=tuple(notes),
    )


def _keys(one: Check, two: Check) -> Iterable[KeyChange]:
    """Keys whose values in force differ; where a whole table is on one side only, the table."""
    assumed = [{each.path for each in side.assumed} for side in (one, two)]

    def walk(first: Table, second: Table, prefix: str) -> Iterable[KeyChange]:
        for name, field in type(first).model_fields.items():
            path, (below, named) = f"{prefix}{name}", inner(field.annotation)
            a, b = getattr(first, name), getattr(second, name)
            if named:
                things: dict[str, tuple[Table | None, Table | None]] = {
                    each: ((a or {}).get(each), (b or {}).get(each)) for each in {**(a or {}), **(b or {})}
                }
            elif below is not None:
                things = {"": (a, b)}
            else:
                if not _same(a, b):
                    left = (path in assumed[0], path in assumed[1])
                    yield KeyChange(path, a, b, left, dimension_of(first, name))
                continue
            for thing, (x, y) in things.items():
                where = f"{path}.{thing}" if thing else path
                if x is not None and y is not None:
                    yield from walk(x, y, f"{where}.")
                elif x is not None or y is not None:
                    yield KeyChange(where, x is not None, y is not None, (False, False), None, table=True)

    scenarios: list[Scenario] = [side.machine.scenario for side in (one, two)]
    return walk(scenarios[0], scenarios[1], "")


def _same(one: object, two: object) -> bool:
    if isinstance(one, float) and isinstance(two, float):
        return abs(one - two) <= 1e-12 * max(abs(one), abs(two))
    return bool(one == two)


def _events(one: Check, two: Check) -> tuple[EventChange, ...]:
    """Every event of either side: those that cease or begin to happen first, then by how much they move."""
    angles: list[Mapping[str, Event]] = [{each.id: each for each in side.events} for side in (one, two)]
    found = []
    for name in {**angles[0], **angles[1]}:
        first, second = (side[name].angle if name in side else None for side in angles)
        if first is not None or second is not None:
            found.append(EventChange(name, first, second, (name in angles[0], name in angles[1])))
    return tuple(sorted(found, key=lambda each: -np.inf if each.change is None else -abs(each.change)))


def _rules(one: Check, two: Check) -> tuple[RuleChange, ...]:
    """Worst change first: statuses that fell, then margins that shrank by the greatest share, then those that grew."""
    findings: list[dict[tuple[str, Subject], Finding]] = [
        {(each.rule, each.subject): each for each in side.findings} for side in (one, two)
    ]
    found = [RuleChange(*key, findings[0].get(key), findings[1].get(key)) for key in {**findings[0], **findings[1]}]
    return tuple(sorted(found, key=_badness))


def _badness(each: RuleChange) -> tuple[int, int, float]:
    """Sort key: new failures and what became worse, then smaller margins, then what is no longer judged or new."""
    second = 9 if each.second is None else WORST_FIRST[each.second.status]
    if each.first is None and each.second is not None:
        return (-1 if each.second.status == "fail" else 1, second, 0.0)
    return (-1 if each.worse > 0 else 2 if each.worse < 0 else 0, second if each.worse else 0, each.share)


def _figures(one: Check, two: Check) -> Iterable[Figure]:
    """Figures of taps on both sides, and of the feed, that differ."""
    names: list[tuple[str, str, str | None]] = [
        ("engages above BDC", "engage_height", "length"),
        ("turns", "turns", None),
        ("peak speed in the cut", "peak_speed_in_cut", "rate"),
        ("peak speed", "peak_speed", "rate"),
        ("cutting speed", "peak_cut_speed", "speed"),
        ("full depth", "full_depth", "length"),
        ("torque", "torque", "torque"),
    ]
    found = []
    second = {each.name: each for each in two.taps}
    for tap in one.taps:
        other = second.get(tap.name)
        if other is not None:
            found += [
                Figure(f"tap {tap.name} {words}", dimension, getattr(tap, key), getattr(other, key))
                for words, key, dimension in names
            ]
    if one.feed is not None and two.feed is not None:
        for words, key in (("opens", "window_start"), ("closes", "window_end"), ("has left", "slack")):
            found.append(Figure(f"feed window {words}", "angle", getattr(one.feed, key), getattr(two.feed, key)))
    return [each for each in found if not _same(each.first, each.second)]
