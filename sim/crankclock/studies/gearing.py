"""The gearings that can be had, side by side: what each takes of the stroke, and how fast it lets the press run."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Reading, travel_ends
from crankclock.errors import InputError, Problem
from crankclock.parts.numbers import Floats
from crankclock.parts.tap import PressSpindle
from crankclock.scenario.load import Loaded, validated
from crankclock.scenario.paths import value_at
from crankclock.scenario.schema import Scenario
from crankclock.studies.ceiling import Binding, Ceilings, ceilings, span_of
from crankclock.studies.check import Check, Verdict, check, plain
from crankclock.studies.settings import setting
from crankclock.studies.setup import travel_needed
from crankclock.units import System

SAME = 1e-6
"""Two gearings closer than this share of their size are one and the same."""
LEVEL = 1e-3
"""Two ceilings closer than this share are equally good: the lower gearing is then the better one."""
EXAMPLE = 'the gearings that can be had, such as ["0.2 /mm", "0.25 /mm"]'


@dataclass(frozen=True)
class Option:
    """One gearing and what comes of it; of several taps the greatest of each figure. [SI; turns/s]

    Attributes
    ----------
    settings : tuple of str
        What to set, besides the scenario, to have it; empty for the scenario's own.
    engage_height : float
    drive_travel, rated : float or None
        Drive travel it uses, and what the drive is rated for.
    slide_height : float or None
        Slide height above BDC at which the spindle starts to turn: the stroke it uses.
    travel_needed : float or None
        Stripper travel that clamps over the taps with their allowance, by the rigid reading; None: none does.
    touch, leave : float or None
        Dial angles [rad] between which a tap is in the strip.
    mean_rule : float
        Spindle speed by the mean-speed rule, 2 x stroke x gearing x rate.
    ceiling, floor, spare : float or None
        Passing rates: greatest, least, and greatest with every allowance kept; None where none passes.
    binds : tuple of Binding
        What gives way just above the ceiling.
    """

    gearing: float
    own: bool
    settings: tuple[str, ...]
    check: Check
    engage_height: float
    drive_travel: float | None
    rated: float | None
    slide_height: float | None
    travel_needed: float | None
    touch: float | None
    leave: float | None
    turns: float | None
    peak_in_cut: float | None
    peak: float | None
    mean_rule: float
    peak_cut_speed: float | None
    ceiling: float | None
    floor: float | None
    spare: float | None
    binds: tuple[Binding, ...]

    @property
    def verdict(self) -> Verdict:
        return self.check.verdict

    @property
    def failing(self) -> tuple[Binding, ...]:
        """What fails at the scenario's own rate, worst first."""
        return tuple((each.rule, each.subject) for each in self.check.worst if each.status == "fail")

    @property
    def window(self) -> float | None:
        """Size of the feed window [rad]; None without a feeder or a window."""
        feed = self.check.feed
        if feed is None or feed.window_start is None or feed.window_end is None:
            return None
        return feed.window_end - feed.window_start

    @property
    def slack(self) -> float | None:
        """What is left of the feed window before and after the feed [rad], the lesser of both; below 0: too little."""
        feed = self.check.feed
        if feed is None or feed.slack is None or feed.window_start is None:
            return None
        return min(feed.slack, feed.start - feed.window_start)


@dataclass(frozen=True)
class Group:
    """Taps whose gearing is changed together, and every option in rising order of gearing.

    Attributes
    ----------
    moved_height : bool
        The scenario gives the engagement height: for other gearings it was moved so that the turns stay the same.
    """

    taps: tuple[str, ...]
    options: tuple[Option, ...]
    moved_height: bool

    @property
    def own(self) -> Option:
        return next(each for each in self.options if each.own)

    @property
    def best(self) -> Option | None:
        """The greatest ceiling, of equal ones the lowest gearing; None where no gearing passes."""
        return best_of(self.options)


@dataclass(frozen=True)
class Gearings:
    """The gearing study; `step` is the scan's, `span` the rates looked at [strokes/s]."""

    loaded: Loaded
    base: Check
    groups: tuple[Group, ...]
    span: tuple[float, float]
    step: float
    notes: tuple[str, ...]

    @property
    def passes(self) -> bool:
        """Whether any gearing passes at any rate."""
        return any(group.best is not None for group in self.groups)


def best_of(options: Sequence[Option]) -> Option | None:
    """The option with the greatest ceiling, of equal ones the one with the lowest gearing."""
    passing = [each for each in options if each.ceiling is not None]
    if not passing:
        return None
    top = max(each.ceiling or 0.0 for each in passing)
    return next(each for each in passing if (each.ceiling or 0.0) >= top * (1.0 - LEVEL))


def gearings(
    loaded: Loaded, tap: str | None = None, reading: Reading | None = None, units: System | None = None
) -> Gearings:
    """Every gearing that can be had, judged.

    Parameters
    ----------
    loaded : Loaded
    tap : str, optional
        Change this tap's gearing alone; by default every press-driven tap's that lists any, those that list the same
        and have the same together.
    reading, units : optional
        As in `check`.

    Returns
    -------
    Gearings

    Raises
    ------
    InputError
        No such tap, it is not turned by the press, or no gearings are listed.
    """
    names = _groups(loaded.scenario, tap)
    base = check(loaded, reading, units)
    span = span_of(loaded.scenario)
    groups, step, notes = [], 0.0, []
    for taps in names:
        group, scan = _group(base, taps, span)
        groups.append(group)
        step = scan.step
    if tap is None:
        listed = {name for group in names for name in group}
        press = [name for name, each in loaded.scenario.tap.items() if each.drive.kind == "press"]
        notes += [f"tap.{name}.drive.gearings is not given: tap {name} stays as it is." for name in press
                  if name not in listed]  # fmt: skip
    return Gearings(loaded, base, tuple(groups), span, step, tuple(notes))


def _groups(scenario: Scenario, tap: str | None) -> list[tuple[str, ...]]:
    """The taps to change, those that change together in one tuple."""
    drives = {name: each.drive for name, each in (scenario.tap or {}).items()}
    press = {name: drive for name, drive in drives.items() if drive.kind == "press"}
    if tap is not None:
        if tap not in press:
            given = f'"{tap}"' + (", which a motor of its own turns" if tap in drives else "")
            want = "a tap that the press turns" + (f": {', '.join(press)}" if press else "; there is none")
            raise InputError([Problem("--tap", given, want)])
        press = {tap: press[tap]}
    if not press:
        raise InputError([Problem("tap", "no tap that the press turns", "a tap whose drive has a gearing")])
    listed = {name: drive for name, drive in press.items() if drive.gearings is not None}
    if not listed:
        raise InputError([Problem(f"tap.{name}.drive.gearings", "nothing", EXAMPLE) for name in press])
    together: dict[tuple[object, ...], list[str]] = {}
    for name, drive in listed.items():
        together.setdefault((drive.gearing, *sorted(drive.gearings or ())), []).append(name)
    return [tuple(names) for names in together.values()]


def choices(scenario: Scenario, tap: str) -> list[float]:
    """The gearings [1/m] that can be had for a tap, with its own, in rising order."""
    drive = scenario.tap[tap].drive
    found: list[float] = [float(drive.gearing)]
    for each in drive.gearings or ():
        if all(abs(each - other) > SAME * other for other in found):
            found.append(each)
    return sorted(found)


def height_for(scenario: Scenario, tap: str, gearing: Floats) -> Floats | None:
    """Engagement height [m] that makes as many turns with another gearing; None where the scenario gives no height."""
    drive = scenario.tap[tap].drive
    return None if drive.engage_height is None else drive.engage_height * drive.gearing / gearing


def _group(base: Check, taps: tuple[str, ...], span: tuple[float, float]) -> tuple[Group, Ceilings]:
    scenario = base.loaded.scenario
    own = float(scenario.tap[taps[0]].drive.gearing)
    found, values = choices(scenario, taps[0]), {}
    checks = [base if gearing == own else _checked(base, taps, gearing) for gearing in found]
    for name in taps:
        for key in ("gearing", "engage_height"):
            path = f"tap.{name}.drive.{key}"
            each = [value_at(one.loaded.scenario, path) for one in checks]
            if each[0] is not None:
                values[path] = np.array(each, dtype=float)
    scan = ceilings(scenario, values, span, base.reading)
    options = tuple(
        _option(one, base, taps, scan, place, gearing == own)
        for place, (one, gearing) in enumerate(zip(checks, found, strict=True))
    )
    moved = len(found) > 1 and any(scenario.tap[name].drive.engage_height is not None for name in taps)
    return Group(taps, options, moved), scan


def _checked(base: Check, taps: tuple[str, ...], gearing: float) -> Check:
    loaded, scenario = base.loaded, base.loaded.scenario
    settings = list(loaded.overrides)
    for name in taps:
        settings.append(setting(f"tap.{name}.drive.gearing", gearing, "gearing", base.units))
        height = height_for(scenario, name, gearing)
        if height is not None:
            settings.append(setting(f"tap.{name}.drive.engage_height", float(height), "length", base.units))
    return check(validated(loaded.source, tuple(settings)), base.reading, base.units)


def _option(one: Check, base: Check, taps: tuple[str, ...], scan: Ceilings, place: int, own: bool) -> Option:
    machine = one.machine
    spindles = [machine.spindles[name] for name in taps]
    figures = [each for each in one.taps if each.name in taps]
    events = {each.id: each.angle for each in one.events}
    press = one.machine.scenario.press
    heights = [(name, each) for name, each in zip(taps, spindles, strict=True) if isinstance(each, PressSpindle)]
    ratings = [drive.travel for name in taps if (drive := machine.scenario.tap[name].drive).travel is not None]
    gearing = float(heights[0][1].gearing)
    subjects = [f"tap:{name}" for name in taps]
    return Option(
        gearing=gearing,
        own=own,
        settings=() if own else one.loaded.overrides[len(base.loaded.overrides) :],
        check=one,
        engage_height=max(float(each.engage_height) for _, each in heights),
        drive_travel=_most(float(each.engage_height - min(float(travel_ends(machine, name)[1]), 0.0))
                           for name, each in heights),
        rated=min((float(each) for each in ratings), default=None),
        slide_height=_most(plain(each.slide_height(machine.taps[name], machine.strip, each.engage_height))
                           for name, each in heights),
        travel_needed=_needed(machine.scenario, subjects, taps),
        touch=_least(events.get(f"{each}.touch") for each in subjects),
        leave=_most(events.get(f"{each}.leave") for each in subjects),
        turns=_most(each.turns for each in figures),
        peak_in_cut=_most(each.peak_speed_in_cut for each in figures),
        peak=_most(each.peak_speed for each in figures),
        mean_rule=2.0 * float(press.slide.stroke) * gearing * float(machine.crank.rate),
        peak_cut_speed=_most(each.peak_cut_speed for each in figures),
        ceiling=plain(scan.rate[place]),
        floor=plain(scan.floor[place]),
        spare=plain(scan.spare[place]),
        binds=scan.binds[place],
    )  # fmt: skip


def _needed(scenario: Scenario, subjects: Sequence[str], taps: tuple[str, ...]) -> float | None:
    """Stripper travel [m] the taps need, whatever the drive's rated travel; up to what the stroke leaves the strip."""
    free = scenario.model_copy(deep=True)
    for name in taps:
        free.tap[name].drive.travel = None
    return travel_needed(free, subjects, float(scenario.press.slide.stroke - scenario.strip.lift))


def _most(values: Iterable[float | None]) -> float | None:
    return max((each for each in values if each is not None), default=None)


def _least(values: Iterable[float | None]) -> float | None:
    return min((each for each in values if each is not None), default=None)
