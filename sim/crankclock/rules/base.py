"""What a rule is, and what it answers.

A rule measures: it gives a margin for one tool or for the whole line, as an array over variants, or names the
keys it lacks. Status is decided in one place, from margin and allowance. The sentence is said for one case.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Cycle
from crankclock.parts.numbers import Flags, Floats
from crankclock.units import System, show, to_unit

ZERO = 1e-9
"""Margins closer to 0 than this, in the unit they are reported in, are 0."""

UNITS = {"angle": "deg", "length": "mm", "rate": "1/min", "speed": "m/min", "acceleration": "m/s^2",
         "force": "N", "time": "ms", "angular_acceleration": "1/s^2", "torque": "N*m"}  # fmt: skip
"""The unit each dimension is reported in as data."""


@dataclass(frozen=True)
class Measured:
    """A margin.

    Attributes
    ----------
    margin : float or array, shape (n,)
        In SI; what it is when nothing else is wrong. nan where it has no value because an event cannot happen.
    broken : bool or array
        True where the rule fails whatever the margin: an event that it needs cannot happen.
    limit : float or array, optional
        What the margin is measured from [SI], for an allowance that is a share of it.
    start, end : float or array, optional
        Dial angles [rad] of the span where it is worst.
    unchecked : tuple of str
        Keys whose absence left a part of the rule unchecked.
    idle : bool or array
        True where there is nothing the rule could guard, so that a margin of 0 is not tight.
    """

    margin: Floats
    broken: Flags = False
    limit: Floats | None = None
    start: Floats | None = None
    end: Floats | None = None
    unchecked: tuple[str, ...] = ()
    idle: Flags = False


@dataclass(frozen=True)
class Missing:
    """A rule that cannot be judged, with the keys it lacks or the reason."""

    keys: tuple[str, ...]
    why: str = ""


@dataclass(frozen=True)
class Words:
    """How sentences write numbers, in the scenario's units."""

    system: System

    def deg(self, angle: Floats) -> str:
        return f"{float(np.degrees(angle)) + 0.0:.1f}°"

    def length(self, size: Floats) -> str:
        return show(float(size), "length", self.system)

    def say(self, size: Floats, dimension: str) -> str:
        return show(float(size), dimension, self.system)

    def lag(self, cycle: Cycle, angle: Floats) -> str:
        """An angle and the time it takes at the rate, such as "12.3° (37.3 ms)"; by hand there is no time.

        Where the crank turns unevenly the time is that at the mean speed, and says so.
        """
        size, crank = abs(float(angle)), cycle.machine.crank
        if cycle.reading == "hand":
            return self.deg(size)
        about = "" if crank.even else "about "
        return f"{self.deg(size)} ({about}{show(float(size / crank.speed), 'time', self.system)})"


Subject = str | None
Measure = Callable[[Cycle, Subject], Measured | Missing]
Say = Callable[[Cycle, Subject, Measured, Words], str]


@dataclass(frozen=True)
class Rule:
    """One rule of the cycle.

    Attributes
    ----------
    name : str
    dimension : str
        Dimension of the margin.
    subjects : callable
        What it concerns in a cycle: tools such as "tap:m4", or None for the whole line; empty: does not apply.
    measure, says : callable
    core : bool
        True where a cycle that leaves it unjudged is incomplete.
    timed : bool
        True for feed and pilot-release rules, judged by hand as well: the worse counts.
    allowance : {"angle", "clearance", "share", "none"}
    """

    name: str
    dimension: str
    subjects: Callable[[Cycle], Iterable[Subject]]
    measure: Measure
    says: Say
    core: bool = False
    timed: bool = False
    allowance: str = "angle"

    def allowed(self, cycle: Cycle, measured: Measured) -> Floats:
        """The margin [SI] below which the rule is tight."""
        allowance = cycle.machine.scenario.allowance
        if self.allowance == "angle":
            return allowance.angle
        if self.allowance == "clearance":
            return np.where(measured.idle, 0.0, allowance.clearance)
        if self.allowance == "share" and measured.limit is not None:
            return allowance.share * np.abs(measured.limit)
        return 0.0

    def fails(self, measured: Measured) -> Flags:
        """True where the margin is below 0 or the rule is broken; nan is never a pass."""
        held = np.asarray(measured.margin) * to_unit(1.0, UNITS[self.dimension]) >= -ZERO
        failing: Flags = ~held | measured.broken
        return failing


def line(_: Cycle) -> Iterable[Subject]:
    """The whole line: a rule without a tool."""
    return (None,)


def tools(cycle: Cycle) -> list[str]:
    """Every tool that goes into the strip, pilots first, then in the file's order."""
    machine = cycle.machine
    return [
        *(f"pilot:{name}" for name in machine.pilots),
        *(f"punch:{name}" for name in machine.punches),
        *taps(cycle),
    ]


def taps(cycle: Cycle) -> list[str]:
    return [f"tap:{name}" for name in cycle.machine.taps]


def punches(cycle: Cycle) -> list[str]:
    return [f"punch:{name}" for name in cycle.machine.punches]


def standing(cycle: Cycle) -> Floats:
    """How far [m] anything stands above the strip: formed features, and flanges of extruded holes."""
    return _beyond(cycle, cycle.machine.scenario.strip.above, up=True)


def hanging(cycle: Cycle) -> Floats:
    """How far [m] anything hangs below the strip: formed features, and flanges of extruded holes."""
    return _beyond(cycle, cycle.machine.scenario.strip.below, up=False)


def _beyond(cycle: Cycle, features: Floats, *, up: bool) -> Floats:
    machine = cycle.machine
    for tap in machine.taps.values():
        if tap.flange_up == up:
            features = np.maximum(features, tap.height - machine.strip.thickness)
    return features


def spoken(subject: Subject) -> str:
    """A tool as a sentence speaks of it: "tap m4"."""
    return subject.replace(":", " ", 1) if subject else ""


def least(*values: Floats) -> Floats:
    """The least of several values, nan only where all are."""
    found = values[0]
    for value in values[1:]:
        found = np.fmin(found, value)
    return found


def greatest(*values: Floats) -> Floats:
    """The greatest of several values, nan only where all are."""
    found = values[0]
    for value in values[1:]:
        found = np.fmax(found, value)
    return found
