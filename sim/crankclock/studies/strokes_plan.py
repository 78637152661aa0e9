"""What one stroke does by clock and dial, with some faults at work: made of the cycle that `check` judges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from crankclock.cycle import Cycle, Reading, turn
from crankclock.parts.crank import Crank
from crankclock.parts.motor import MotorSpindle
from crankclock.parts.numbers import TURN, Floats
from crankclock.rules import Words
from crankclock.rules.sensors import first_from, protected_from, touched, wrong_from
from crankclock.scenario.build import build
from crankclock.scenario.paths import with_values
from crankclock.scenario.schema import Scenario, Sensor
from crankclock.studies.check import Finding, findings, verdict
from crankclock.studies.strokes_faults import Fault, State
from crankclock.units import System, show

Key = tuple[str, str | None]
States = tuple[State, ...]
"""Faults at work that change the cycle itself, in the order in which they struck."""

HITS = frozenset(
    {
        "feed-starts-after-lift",
        "feed-starts-after-tools",
        "open-height",
        "strip-clears-die",
        "stripper-clears-strip",
        "tap-clear-of-strip",
        "tools-clear-features",
    }
)
"""Rules that, broken, have one thing run into another."""
SPOILS = frozenset(
    {
        "clamp-force",
        "clamped-while-punching",
        "clamped-while-tapping",
        "drive-travel",
        "feed-slip",
        "float",
        "full-thread",
        "lifters-yield",
        "pilots-before-clamp",
        "pilots-before-tools",
        "rolls-close-before-pilots-leave",
        "rolls-open-on-pilots",
        "spindle-home-in-time",
        "strip-up-in-time",
        "tap-torque",
    }
)
"""Rules that, broken, leave a part that cannot be trusted. Tools that meet a moving strip are seen as they do."""

STATEFUL = ("feed.start", "feed.end", "stripper.touch")
"""Events that change or meet the state of strip and tools, beside those at which a tool meets the strip."""
MEETS = {"pilot": "enter", "punch": "enter", "tap": "touch"}
"""The event at which a tool of each group meets the strip."""


@dataclass(frozen=True)
class Moment:
    """When something happens: a dial angle is passed, and what was commanded there comes a time later.

    Attributes
    ----------
    angle : float
        Dial angle [rad] from the TDC that starts the stroke.
    seconds : float
        When the crank, running on, is there [s], from when it leaves that TDC.
    lag : float
        Time [s] from there to the event; it passes whether the crank turns or not.
    """

    angle: float
    seconds: float
    lag: float = 0.0


@dataclass(frozen=True)
class Window:
    """A sensor in one stroke: from when to when it is looked at, and what must not be reached [rad]; inf: nothing."""

    name: str
    watches: str
    on: Moment
    off: Moment
    response: float
    protects: str | None
    protected: float


@dataclass(frozen=True)
class Harm:
    """A broken rule: where on the dial it is worst, and what it says.

    Attributes
    ----------
    hit : bool
        Whether one thing runs into another; else the part is spoilt.
    own : bool
        True where it is broken without any fault.
    """

    rule: str
    subject: str | None
    hit: bool
    own: bool
    moment: Moment
    says: str


@dataclass(frozen=True)
class Plan:
    """One stroke.

    Attributes
    ----------
    events, deciding : mapping
        By id, all that happen; and those that change or meet the state of strip and tools.
    contact : mapping
        Of each sensor that a tap touches: from when to when it does.
    harms : tuple of Harm
    """

    cycle: Cycle
    events: Mapping[str, Moment]
    deciding: Mapping[str, Moment]
    contact: Mapping[str, tuple[Moment, Moment] | None]
    harms: tuple[Harm, ...]


class Plans:
    """Plans of a scenario by the faults at work; each is worked out once.

    Parameters
    ----------
    scenario : Scenario
        Resolved.
    reading : {"rigid", "running"}
    units : {"metric", "inch"}
        How sentences speak.

    Attributes
    ----------
    verdict : str
        What `check` says of it.
    broken : frozenset of Key
        Rules that fail without any fault.
    nominal : Plan
        The stroke without any fault.
    windows : tuple of Window
        Every sensor's.
    """

    def __init__(self, scenario: Scenario, reading: Reading, units: System) -> None:
        self.scenario, self.reading, self.units = scenario, reading, units
        cycle, found = self._findings(scenario)
        self.verdict = verdict(found)
        self.broken = frozenset((each.rule, each.subject) for each in found if each.status == "fail")
        self.nominal = self._plan(scenario, cycle, found)
        self._known: dict[States, Plan] = {(): self.nominal}
        self.windows = tuple(self._window(name, sensor) for name, sensor in scenario.sensor.items())

    @property
    def crank(self) -> Crank:
        return self.nominal.cycle.machine.crank

    def of(self, states: States) -> Plan:
        """The stroke with these faults at work."""
        if states not in self._known:
            scenario = with_values(self.scenario, changes(self.scenario, states))
            self._known[states] = self._plan(scenario, *self._findings(scenario))
        return self._known[states]

    def length(self, size: float) -> str:
        """A length [m] as a sentence says it."""
        return show(size, "length", self.units)

    def senses(self, sensor: str) -> bool:
        """Whether a sensor is touched by a tap's point: only where it sits beyond the strip is that known."""
        return self.scenario.sensor[sensor].sensing_gap is not None

    def breaking(self, fault: Fault, plan: Plan) -> Moment:
        """Where on the dial a tap breaks: as the fault says, or where it comes through, else at its deepest."""
        if fault.value is not None:
            return _at(self.crank, fault.value)
        events = (f"tap:{fault.name}.{what}" for what in ("through", "full", "touch"))
        return next((plan.events[each] for each in events if each in plan.events), _at(self.crank, 0.5 * TURN))

    def _findings(self, scenario: Scenario) -> tuple[Cycle, tuple[Finding, ...]]:
        """A scenario's cycle and what `check` finds."""
        readings = turn(build(scenario), running=self.reading == "running")
        return readings.chosen(self.reading), findings(readings, self.reading, Words(self.units))

    def _plan(self, scenario: Scenario, cycle: Cycle, found: tuple[Finding, ...]) -> Plan:
        failing = [each for each in found if each.status == "fail" and each.rule in HITS | SPOILS]
        crank, events = cycle.machine.crank, _moments(cycle)
        return Plan(
            cycle=cycle,
            events=events,
            deciding={name: moment for name, moment in events.items() if name in STATEFUL or meets(name)},
            contact={name: _contact(cycle, each) for name, each in scenario.sensor.items()},
            harms=tuple(_harm(crank, each, (each.rule, each.subject) in self.broken) for each in failing),
        )

    def _window(self, name: str, sensor: Sensor) -> Window:
        """A sensor's window in each stroke: the first that ends once what it watches can be told to be wrong."""
        cycle = self.nominal.cycle
        known = wrong_from(cycle, sensor.watches)
        begins = float(sensor.on) if known is None or not np.isfinite(known) else float(known)
        off = float(first_from(sensor.off, begins))
        on = off - float(np.mod(sensor.off - sensor.on, TURN))
        hit = np.inf
        if sensor.protects is not None:
            reached = protected_from(cycle, sensor.protects)
            if sensor.protects == sensor.watches:
                hit = begins + TURN
            elif reached is not None and np.isfinite(reached):
                hit = float(first_from(reached, begins))
        crank, response = cycle.machine.crank, float(sensor.response)
        return Window(name, sensor.watches, _at(crank, on), _at(crank, off), response, sensor.protects, hit)


def changes(scenario: Scenario, states: States) -> dict[str, Floats]:
    """What faults at work change in a resolved scenario: values [SI] by the path of their key."""
    found: dict[str, Floats] = {}
    for kind, name, value in states:
        if kind == "spring-lost":
            path = f"stripper.spring.{name}.count"
            found[path] = np.maximum(found.get(path, scenario.stripper.spring[str(name)].count) - value, 0.0)
        elif kind == "late-valve" and scenario.feeder is not None and scenario.feeder.pilot_release is not None:
            path = "feeder.pilot_release.latency"
            found[path] = found.get(path, scenario.feeder.pilot_release.latency) + value
        elif kind == "stock-change":
            found |= _stock(scenario, value)
    return found


def _stock(scenario: Scenario, thickness: float) -> dict[str, Floats]:
    """Another stock thickness in a die that stays as it was set.

    The stripper meets the strip that much sooner, so its travel grows; a head above the strip that is bolted to die or
    lifter stands that much nearer; a spindle that the stripper's travel turns engages as late as before.
    """
    strip = scenario.strip
    more = thickness - strip.thickness
    found: dict[str, Floats] = {"strip.thickness": thickness, "stripper.travel": scenario.stripper.travel + more}
    for name, tap in scenario.tap.items():
        path = f"tap.{name}"
        if np.isclose(float(tap.threaded_height), float(strip.thickness), rtol=0.0, atol=1e-9):
            found[f"{path}.threaded_height"] = thickness
        if tap.mount != "stripper" and tap.side == "above":
            found[f"{path}.rest_clearance"] = tap.rest_clearance - more
        if tap.mount == "stripper" and tap.drive.kind == "press" and tap.drive.reference == "head":
            found[f"{path}.drive.engage_height"] = tap.drive.engage_height + more
    return found


def meets(event: str) -> bool:
    """Whether an event is that of a tool that meets the strip."""
    who, _, what = event.rpartition(".")
    return MEETS.get(who.partition(":")[0]) == what


def _at(crank: Crank, angle: float) -> Moment:
    return Moment(angle, float(crank.time_at(angle)))


def _moments(cycle: Cycle) -> dict[str, Moment]:
    """Every event that happens, with its command where it comes a time after one."""
    machine, found = cycle.machine, {}
    for name, angle in cycle.events().items():
        if np.isfinite(angle):
            found[name] = Moment(float(angle), float(cycle.seconds(name, angle)))
    feed, crank = cycle.feed, machine.crank
    if feed is not None and machine.feeder is not None:
        command = float(feed.start_time) - float(machine.feeder.latency)
        found["feed.start"] = _after(crank, command, float(feed.start_time))
        geared = machine.feeder.kind == "cam"
        found["feed.end"] = _after(crank, float(feed.stop_time) if geared else command, float(feed.end_time))
    if machine.release is not None:
        opens, closes = machine.release.angles(crank, by_hand=True)
        for name, command_at in (("rolls.open", opens), ("rolls.close", closes)):
            found[name] = Moment(float(command_at), float(crank.time_at(command_at)), float(machine.release.latency))
    for tap, spindle in machine.spindles.items():
        if isinstance(spindle, MotorSpindle):
            start = float(np.mod(spindle.start, TURN))
            mine = [name for name in found if name.startswith(f"tap:{tap}.")]
            found |= {name: _commanded(crank, start, found[name]) for name in mine}
    return found


def _after(crank: Crank, command: float, event: float) -> Moment:
    """What is commanded and comes later, both by the clock [s]; a command of an earlier stroke is not waited for."""
    command = max(command, 0.0)
    return Moment(float(crank.angle_at(command)), command, event - command)


def _commanded(crank: Crank, start: float, event: Moment) -> Moment:
    """An event of a spindle with a motor of its own, which runs on in real time from its command."""
    begun = float(crank.time_at(start))
    return event if event.seconds < begun else Moment(start, begun, event.seconds - begun)


def _contact(cycle: Cycle, sensor: Sensor) -> tuple[Moment, Moment] | None:
    """From when to when a tap touches its sensor; None where it does not, or nothing says where that sits."""
    found = touched(cycle, sensor.watches, sensor)
    if found is None or not all(np.isfinite(float(each)) for each in found):
        return None
    start, end = (Moment(float(each), float(cycle.machine.crank.seconds(0.0, each))) for each in found)
    return start, end


def _harm(crank: Crank, finding: Finding, own: bool) -> Harm:
    """Where on the dial a broken rule is worst; at the bottom where it has no place."""
    places = [each for each in (finding.start, finding.end) if each is not None and 0.0 <= each < TURN]
    angle = min(places, default=0.5 * TURN)
    return Harm(finding.rule, finding.subject, finding.rule in HITS, own, _at(crank, angle), finding.says)
