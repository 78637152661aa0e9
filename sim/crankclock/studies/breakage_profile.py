"""How much of each cause it takes to break the cycle, and how the cycle breaks beyond that: all causes in bulk."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle import Reading
from crankclock.scenario.schema import Scenario
from crankclock.studies.breakage_causes import Cause
from crankclock.studies.breakage_collisions import HARMS, Collision, collisions, joined
from crankclock.studies.margins import Unjudged
from crankclock.studies.variants import Turned, turned

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Key = tuple[str, str | None]
Progress = Callable[[str, int, int], None]

SCAN = 12
"""Severities tried first, closer together where small."""
CLOSER, ROUNDS = 5, 3
"""Points and rounds by which the least severity is narrowed: to a 216th of a step of the scan."""
NODES = 8
"""Severities beyond the least at which the broken cycle is looked at in full."""


@dataclass(frozen=True)
class Profile:
    """One cause: how much of it breaks the cycle, and how.

    Attributes
    ----------
    least : float or None
        Least severity [SI] that breaks a rule that holds as drawn; None where none in the range does.
    severity : array, shape (m,)
        From the least to the end of the range; empty where nothing fails.
    collisions : tuple of Collision
        Arrays of shape (m,); the rules that fail somewhere in it.
    events : mapping of str to array, shape (m,)
        Dial angles [rad] of the events that were asked about; nan where they do not happen.
    prior : float
        How likely it is before anything is known, against a single cause of the table.
    """

    cause: Cause
    least: float | None
    severity: Array
    collisions: tuple[Collision, ...]
    events: Mapping[str, Array]
    prior: float = 1.0

    def values(self) -> dict[str, Array]:
        """Values [SI] of the keys it changes over its severities, of shape (m,)."""
        return self.cause.values(self.severity)


@dataclass(frozen=True)
class Profiles:
    """Every cause of a scenario.

    Attributes
    ----------
    scenario : Scenario
        Resolved, at the rate of the case.
    before : tuple of Collision
        What breaks as drawn; arrays of shape (1,). These rules count for no cause.
    drawn : mapping of str to array, shape (1,)
        Dial angles [rad] of the events that were asked about, as drawn.
    unjudged : tuple of str
        Keys that are missing, so that rules could not be judged.
    """

    scenario: Scenario
    tap: str
    reading: Reading
    before: tuple[Collision, ...]
    drawn: Mapping[str, Array]
    causes: tuple[Profile, ...]
    unjudged: tuple[str, ...]


def silent(_what: str, _done: int, _total: int) -> None:
    """No progress told."""


def profiles(
    scenario: Scenario,
    tap: str,
    found: Sequence[Cause],
    reading: Reading | None = None,
    events: Collection[str] = (),
    progress: Progress = silent,
) -> Profiles:
    """Work out every cause's least severity and its collisions.

    Parameters
    ----------
    scenario : Scenario
        With its defaults resolved.
    tap : str
        The tap that broke.
    found : sequence of Cause
    reading : {"hand", "rigid", "running"}, optional
        By default running where the scenario has the data.
    events : collection of str
        Ids of events whose angles are wanted.
    progress : callable
        Told of each step.
    """
    steps = ROUNDS + 2
    drawn = next(turned(scenario, {}, reading, HARMS))
    before = tuple(each for each in collisions(drawn, tap) if each.fails.any())
    broken = frozenset(each.key for each in before)
    unjudged = tuple(
        dict.fromkeys(key for each in drawn.found if isinstance(each, Unjudged) for key in each.missing.keys)
    )
    progress("causes", 0, steps)
    scans = [_scan(cause) for cause in found]
    failing = _failing(scenario, tap, found, scans, reading, broken)
    brackets = [_bracket(*pair) for pair in zip(scans, failing, strict=True)]
    for step in range(ROUNDS):
        progress("causes", step + 1, steps)
        brackets = _narrowed(scenario, tap, found, brackets, reading, broken)
    progress("causes", steps - 1, steps)
    done = _looked_at(scenario, tap, events, found, brackets, reading, broken)
    progress("causes", steps, steps)
    return Profiles(scenario, tap, drawn.reading, before, all_events([drawn], events), done, unjudged)


def _scan(cause: Cause) -> Array:
    if cause.whole:
        return np.arange(1.0, cause.most + 1.0)
    return cause.most * (np.arange(1, SCAN + 1) / SCAN) ** 1.5


def spread_values(scenario_values: Mapping[str, float], pieces: Sequence[Mapping[str, Array]]) -> dict[str, Array]:
    """Values of every key over several pieces of variants after one another: as drawn where a piece says nothing."""
    sizes = [np.size(next(iter(piece.values()))) for piece in pieces]
    wide = {path: np.full(sum(sizes), value) for path, value in scenario_values.items()}
    at = 0
    for size, piece in zip(sizes, pieces, strict=True):
        for path, value in piece.items():
            wide[path][at : at + size] = value
        at += size
    return wide


def nominal_values(found: Sequence[Cause]) -> dict[str, float]:
    """Every key that some causes change, as drawn [SI]."""
    return {path: value for cause in found for path, value in cause.nominal.items()}


def _batches(found: Sequence[Cause], severities: Sequence[Array]) -> Iterator[list[int]]:
    """Numbers of the causes to work out together: those that change the slide apart, for each has a slide of its
    own."""
    there = [k for k, each in enumerate(severities) if each.size]
    slide = [k for k in there if any(path.startswith("press.bdc") for path in found[k].nominal)]
    for group in ([k for k in there if k not in slide], slide):
        if group:
            yield group


def _failing(
    scenario: Scenario,
    tap: str,
    found: Sequence[Cause],
    severities: Sequence[Array],
    reading: Reading | None,
    broken: frozenset[Key],
) -> list[Mask]:
    """Where a rule breaks that holds as drawn, for every cause over its severities."""
    flags = [np.zeros(each.size, dtype=bool) for each in severities]
    for group in _batches(found, severities):
        pieces = [found[k].values(severities[k]) for k in group]
        values = spread_values(nominal_values([found[k] for k in group]), pieces)
        fails = np.zeros(sum(severities[k].size for k in group), dtype=bool)
        for each in all_collisions(turned(scenario, values, reading, HARMS), tap):
            if each.key not in broken:
                fails |= each.fails
        ends = np.cumsum([severities[k].size for k in group])[:-1]
        for k, piece in zip(group, np.split(fails, ends), strict=True):
            flags[k] = piece
    return flags


Bracket = tuple[float, float] | None
"""The greatest severity that passes and the least that fails; None: none fails."""


def _bracket(scan: Array, fails: Mask) -> Bracket:
    if not fails.any():
        return None
    first = int(np.argmax(fails))
    return (float(scan[first - 1]) if first else 0.0), float(scan[first])


def _narrowed(
    scenario: Scenario,
    tap: str,
    found: Sequence[Cause],
    brackets: list[Bracket],
    reading: Reading | None,
    broken: frozenset[Key],
) -> list[Bracket]:
    inner = [
        np.empty(0) if bracket is None or cause.whole else np.linspace(*bracket, CLOSER + 2)[1:-1]
        for cause, bracket in zip(found, brackets, strict=True)
    ]
    flags = _failing(scenario, tap, found, inner, reading, broken)
    narrowed: list[Bracket] = []
    for bracket, points, fails in zip(brackets, inner, flags, strict=True):
        if bracket is None or not points.size:
            narrowed.append(bracket)
            continue
        closer = _bracket(points, fails)
        low, high = (float(points[-1]), bracket[1]) if closer is None else closer
        narrowed.append((max(low, bracket[0]), high))
    return narrowed


def _looked_at(
    scenario: Scenario,
    tap: str,
    events: Collection[str],
    found: Sequence[Cause],
    brackets: Sequence[Bracket],
    reading: Reading | None,
    broken: frozenset[Key],
) -> tuple[Profile, ...]:
    nodes = [_nodes(*pair) for pair in zip(found, brackets, strict=True)]
    pieces: dict[int, list[Collision]] = {}
    seen: dict[int, dict[str, Array]] = {}
    for group in _batches(found, nodes):
        values = spread_values(nominal_values([found[k] for k in group]), [found[k].values(nodes[k]) for k in group])
        parts = list(turned(scenario, values, reading, HARMS))
        whole, angles = all_collisions(parts, tap), all_events(parts, events)
        at = 0
        for k in group:
            pieces[k] = [each.part(at, at + nodes[k].size) for each in whole]
            seen[k] = {name: each[at : at + nodes[k].size] for name, each in angles.items()}
            at += nodes[k].size
    done = []
    for k, (cause, bracket) in enumerate(zip(found, brackets, strict=True)):
        if bracket is None:
            done.append(Profile(cause, None, np.empty(0), (), {}))
            continue
        fresh = tuple(each for each in pieces[k] if each.fails.any() and each.key not in broken)
        done.append(Profile(cause, bracket[1], nodes[k], fresh, seen[k]))
    return tuple(done)


def _nodes(cause: Cause, bracket: Bracket) -> Array:
    if bracket is None:
        return np.empty(0)
    if cause.whole:
        return np.arange(bracket[1], cause.most + 1.0)
    return bracket[1] + (cause.most - bracket[1]) * (np.arange(NODES) / (NODES - 1)) ** 1.5


def all_collisions(parts: Iterable[Turned], tap: str) -> list[Collision]:
    """The harmful rules over all chunks; one that some chunk could not judge is left out rather than guessed."""
    found: dict[Key, list[Collision]] = {}
    count = 0
    for part in parts:
        count += 1
        for each in collisions(part, tap):
            found.setdefault(each.key, []).append(each)
    return [joined(pieces) for pieces in found.values() if len(pieces) == count]


def all_events(parts: Iterable[Turned], names: Collection[str]) -> dict[str, Array]:
    """Dial angles [rad] of events over all chunks, by the chosen reading."""
    each = [(part, part.readings.chosen(part.reading).events()) for part in parts]
    return {name: np.concatenate([part.wide(events[name]) for part, events in each]) for name in names}
