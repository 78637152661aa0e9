"""What to change for a higher rate, or for less stripper travel or the least change at a wanted rate.

Every point that is suggested was judged as a whole cycle, by the text of its own settings, and passed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from crankclock.cycle import Reading
from crankclock.errors import InputError, Problem
from crankclock.scenario.load import Loaded, validated
from crankclock.studies.ceiling import span_of
from crankclock.studies.check import Check, Finding, check
from crankclock.studies.flatness import Freedom, Profile, freedoms, profiles
from crankclock.studies.frontier import (
    CLOSE,
    COARSE,
    RIGID,
    RUNNING,
    Finder,
    Point,
    best_of,
    finely,
    frontier,
    searched,
)
from crankclock.studies.quest import TRAVEL, Goal, Quest
from crankclock.studies.search import Archive, combinations
from crankclock.studies.settings import setting
from crankclock.studies.space import Space
from crankclock.studies.vary import read_space
from crankclock.units import System, UnitError, read

MARGIN = 0.01
"""What the objective may lose before a key counts as moved too far."""


@dataclass(frozen=True)
class Suggestion:
    """What a search found.

    Attributes
    ----------
    base : Check
        The scenario as it is.
    at : float or None
        The wanted rate [strokes/s].
    now : (float or None, float or None)
        Present ceiling, and with every allowance [strokes/s].
    best : Point or None
        The point that serves the goal best; None where nothing passes.
    frontier : tuple of Point
        From the least change on, each clearly better in some respect than those before; the best among them.
    freedoms : tuple of Freedom
        How far each key may move about the best point.
    profiles : tuple of Profile
        The ceiling over each key about the best point, the key of most effect first.
    lacking : tuple of Finding
        Where nothing passes: what fails, or is not judged, at the least bad point tried.
    dropped : int
        Points that the whole check refused.
    exhaustive : bool
        Whether every point there is was tried.
    """

    loaded: Loaded
    base: Check
    space: Space
    goal: Goal
    at: float | None
    seed: int
    span: tuple[float, float]
    now: tuple[float | None, float | None]
    best: Point | None
    frontier: tuple[Point, ...]
    freedoms: tuple[Freedom, ...]
    profiles: tuple[Profile, ...]
    lacking: tuple[Finding, ...]
    tried: int
    cycles: int
    dropped: int
    exhaustive: bool


def suggest(
    loaded: Loaded,
    asked: Sequence[str],
    goal: Goal = "rate",
    at: str | None = None,
    seed: int = 0,
    reading: Reading | None = None,
    units: System | None = None,
    tell: Callable[[int], None] = lambda _: None,
) -> Suggestion:
    """Search the values of named keys.

    Parameters
    ----------
    loaded : Loaded
    asked : sequence of str
        What may change, see `read_space`.
    goal : {"rate", "travel", "change"}
        The highest passing rate, or the least stripper travel or the least change that passes at a rate.
    at : str, optional
        That rate, such as "80 /min"; the scenario's own by default.
    seed : int
    reading, units : optional
        As in `check`.
    tell : callable, optional
        Told the number of cycles worked out, as the work goes on.

    Returns
    -------
    Suggestion

    Raises
    ------
    InputError
        With everything that is wrong with what was asked.
    """
    system: System = units or ("inch" if loaded.scenario.units == "inch" else "metric")
    space, wanted = _asked(loaded, asked, goal, at, system)
    base = check(loaded, reading, units)
    running = base.reading == "running"
    worked: list[int] = []

    def work(cycles: int) -> None:
        worked.append(cycles)
        tell(cycles)

    quest = Quest(
        space,
        goal,
        wanted,
        base.reading,
        span_of(loaded.scenario),
        RUNNING if running else RIGID,
        COARSE if running else CLOSE,
        work,
    )
    finder = Finder(quest, finely(quest), Archive(len(space.keys)), base)
    now = (None, None) if _moved(space) else finder.rates(space.now)
    told = Suggestion(loaded, base, space, goal, wanted, seed, quest.span, now, None, (), (), (), (), 0, 0, 0, False)
    unjudged = tuple(each for each in base.findings if each.status == "not judged" and each.core)
    if unjudged:
        return replace(told, lacking=unjudged, cycles=sum(worked))
    archive = searched(finder, seed)
    front, dropped = frontier(finder, archive)
    told = replace(
        told,
        frontier=front,
        best=best_of(quest, front) if front else None,
        tried=len(archive.scores),
        cycles=sum(worked),
        dropped=dropped,
        exhaustive=len(archive.scores) >= combinations(space),
    )
    if told.best is None:
        return replace(told, lacking=_lacking(quest, archive, base))
    best = np.array(told.best.values)
    rate = told.best.rate * (1.0 - MARGIN) if goal == "rate" else told.best.rate
    return replace(
        told,
        freedoms=freedoms(quest, best, rate),
        profiles=profiles(quest, best),
        cycles=sum(worked),
    )


def _asked(
    loaded: Loaded, asked: Sequence[str], goal: Goal, at: str | None, units: System
) -> tuple[Space, float | None]:
    """The space and the wanted rate, with every way they can be wrong told at once."""
    problems: list[Problem] = []
    space, rate = None, None
    try:
        space = read_space(loaded, asked, units)
    except InputError as wrong:
        problems += wrong.problems
    if goal == "rate" and at is not None:
        problems.append(Problem("--at", f'"{at}"', "--goal travel or --goal change with it; alone the rate is sought"))
    elif goal != "rate":
        try:
            found = read(at, "rate") if at is not None else None
            rate = float(loaded.scenario.press.rate) if found is None else found.value
            if rate <= 0.0 or (found is not None and found.tolerance is not None):
                problems.append(Problem("--at", f'"{at}"', "a rate above 0 without a tolerance"))
        except UnitError as wrong:
            problems.append(Problem("--at", "", f'a rate such as "80 /min": {wrong}'))
    if goal == "travel" and not any(each.partition("=")[0].strip() == TRAVEL for each in asked):
        problems.append(
            Problem("--vary", "no stripper.travel", f"{TRAVEL} among the keys: its least is what is sought")
        )
    if problems or space is None:
        raise InputError(problems, str(loaded.source.path))
    return space, rate


def _moved(space: Space) -> bool:
    """Whether the present lies outside the space, so that its point there is another."""
    return any(key.now is None or abs(key.now - each) > 1e-12 for key, each in zip(space.keys, space.now, strict=True))


def _lacking(quest: Quest, archive: Archive, base: Check) -> tuple[Finding, ...]:
    """What fails at the least bad point tried, at its wanted rate or the scenario's own."""
    loaded, point = base.loaded, archive.best()[0]
    settings = list(quest.space.settings(point))
    if quest.at is not None:
        settings.append(setting("press.rate", quest.at, "rate", base.units))
    try:
        result = check(validated(loaded.source, (*loaded.overrides, *settings)), base.reading, base.units)
    except InputError:
        result = base
    return tuple(each for each in result.worst if each.status == "fail" or (each.status == "not judged" and each.core))
