"""The line in real time: crank, feeder, rolls, sensors, control and brake, with faults that strike (SimPy).

Every process waits for a dial angle or for a time. The brake can only make a dial angle come later, or never, so
whoever waited for one looks again before it acts.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import simpy

from crankclock.parts.numbers import TURN
from crankclock.studies.strokes_faults import Fault
from crankclock.studies.strokes_plan import Harm, Moment, Plan, Plans, States, Window, meets
from crankclock.studies.strokes_shaft import STANDS, Rest, Shaft

Process = Generator[simpy.Event, Any, None]
Waiting = Generator[simpy.Event, Any, bool]
Struck = tuple[int, int]
"""A fault's number and the stroke at which it struck."""
Causes = frozenset[Struck]

NONE: Causes = frozenset()
PLACE = 1e-9
"""The strip is in place within this [m]."""
CHANGING = ("late-valve", "spring-lost", "stock-change")
"""Faults that change the cycle."""


@dataclass(frozen=True)
class Entry:
    """One line of the log.

    Attributes
    ----------
    dial : float
        Dial angle [rad] from the TDC that starts the stroke; it may be past a turn.
    time : float
        From the start of the run [s].
    who, what : str
        For an event both parts of its id.
    kind : {"event", "fault", "hit", "bad part", "sensor", "press"}
    """

    stroke: int
    dial: float
    time: float
    who: str
    what: str
    kind: str


@dataclass(frozen=True)
class Halt:
    """A stop of the press.

    Attributes
    ----------
    sensor : str
    stroke : int
        The one whose window the sensor judged.
    causes : Causes
        What it saw; empty: nothing was wrong with what it watches.
    own : Causes
        The sensor's own faults.
    rest : Rest
    protects : str or None
    reached : bool
        Whether what it protects was reached.
    spare : float
        Dial angle [rad] from rest to what it protects; below 0 where it was reached, inf where it protects nothing.
    """

    sensor: str
    stroke: int
    causes: Causes
    own: Causes
    rest: Rest
    protects: str | None
    reached: bool
    spare: float


@dataclass
class Outcome:
    """What came of a run.

    Attributes
    ----------
    struck : list of Struck
    bad, hits : list of (stroke, causes)
        Each bad part, once a stroke and reason; each hit.
    halt : Halt or None
    log : list of Entry
        In the order of time.
    """

    struck: list[Struck] = field(default_factory=list)
    bad: list[tuple[int, Causes]] = field(default_factory=list)
    hits: list[tuple[int, Causes]] = field(default_factory=list)
    halt: Halt | None = None
    log: list[Entry] = field(default_factory=list)


class Line:
    """One run of the line, from TDC to its last stroke or to the first stop.

    Parameters
    ----------
    plans : Plans
    faults : sequence of Fault
    strikes : sequence of list of int
        For each fault the strokes at which it strikes.
    strokes : int
    watching : collection of str
        Sensors that are looked at.
    logging : bool
        Log every event; without it strokes in which nothing can happen are passed over.
    quiet : bool
        True where the cycle without faults neither stops nor hits anything, so that its strokes may be passed over.
    """

    def __init__(
        self,
        plans: Plans,
        faults: Sequence[Fault],
        strikes: Sequence[list[int]],
        strokes: int,
        watching: frozenset[str],
        *,
        logging: bool,
        quiet: bool,
    ) -> None:
        press = plans.scenario.press
        self.shaft = Shaft(plans.crank, press.stop, single=press.mode == "single-stroke")
        self.outcome = Outcome()
        self._plans, self._faults, self._strikes, self._strokes = plans, faults, strikes, strokes
        self._windows = [each for each in plans.windows if each.name in watching]
        self._scan = 0.0 if press.stop is None else float(press.stop.scan)
        self._logging, self._skips = logging, quiet and not logging
        self._env = simpy.Environment()
        self._offset, self._offset_by = 0.0, NONE
        self._moving: dict[int, Causes] = {}
        self._due: dict[int, Causes] = {}
        self._placed = (0, math.inf)
        self._broken: dict[str, tuple[float, Causes]] = {}
        self._fragments: dict[str, Causes] = {}
        self._loose: dict[str, Causes] = {}

    def run(self) -> Outcome:
        """Run it."""
        self._env.process(self._crank())
        self._env.run()
        self.outcome.log.sort(key=lambda each: each.time)
        return self.outcome

    # --- waiting -----------------------------------------------------------------------------------------------

    def _reach(self, stroke: int, moment: Moment) -> Waiting:
        """Wait for a dial angle and then for its lag; False where the angle is never passed."""
        while True:
            at = self.shaft.when(stroke, moment)
            if math.isinf(at):
                return False
            if at <= self._env.now:
                break
            yield self._env.timeout(at - self._env.now)
            if self.shaft.when(stroke, moment) <= at:
                break
        if moment.lag > 0.0:
            yield self._env.timeout(moment.lag)
        return True

    def _crank(self) -> Process:
        for stroke in self._worth_it():
            if not (yield from self._reach(stroke, Moment(0.0, 0.0))):
                return
            stopped = self.shaft.stopped
            if stopped is not None and stopped.rest[0] <= (stroke - 1) * TURN + STANDS:
                return
            self._begin(stroke)

    def _worth_it(self) -> list[int]:
        """Strokes that must be followed: all, or those in which a fault is at work."""
        if not self._skips:
            return list(range(1, self._strokes + 1))
        found: set[int] = set()
        for fault, strikes in zip(self._faults, self._strikes, strict=True):
            stays = fault.of.lasting or fault.kind.startswith("misfeed")
            for at in strikes:
                last = at + 1 + math.ceil(self._late(at)[0] / float(self._plans.crank.period))
                found |= set(range(at, self._strokes + 1 if stays else last + 1))
        return sorted(each for each in found if each <= self._strokes)

    # --- a stroke ----------------------------------------------------------------------------------------------

    def _begin(self, stroke: int) -> None:
        """Start everything that waits for something in this stroke."""
        striking = [k for k, strikes in enumerate(self._strikes) if stroke in strikes]
        for k in striking:
            self._strike(k, stroke)
        late = self._late(stroke)[1]
        if late:
            self._due[stroke] = late
        states, causes = self._at_work(stroke)
        plan = self._plans.of(states)
        for name, moment in (plan.events if self._logging else plan.deciding).items():
            self._env.process(self._happens(stroke, name, moment))
        for harm in plan.harms:
            self._env.process(self._harms(stroke, harm, NONE if harm.own else causes))
        for k in striking:
            if self._faults[k].kind == "tap-broken":
                self._env.process(self._breaks(stroke, k, plan))
        for window in self._windows:
            self._env.process(self._watches(stroke, window, plan, causes))

    def _strike(self, k: int, stroke: int) -> None:
        self.outcome.struck.append((k, stroke))
        self._note(stroke, self._faults[k].text, "strikes in this stroke", "fault", dial=0.0)

    def _active(self, k: int, stroke: int) -> Causes:
        """A fault at work in a stroke: since when, if so."""
        since = [at for at in self._strikes[k] if at == stroke or (self._faults[k].of.lasting and at <= stroke)]
        return frozenset((k, at) for at in since)

    def _at_work(self, stroke: int) -> tuple[States, Causes]:
        """Faults that change the cycle of a stroke, in the order in which they struck; of stocks the last counts."""
        active = [(at, k) for k in range(len(self._faults)) for _, at in self._active(k, stroke)]
        active = sorted((at, k) for at, k in active if self._faults[k].kind in CHANGING)
        stocks = [each for each in active if self._faults[each[1]].kind == "stock-change"]
        active = [each for each in active if each not in stocks[:-1]]
        states = tuple(self._faults[k].state for _, k in active)
        return states, frozenset((k, at) for at, k in active)

    def _late(self, stroke: int) -> tuple[float, Causes]:
        """By how much [s] the feed of a stroke starts later, and why."""
        late = [k for k, fault in enumerate(self._faults) if fault.kind == "late-feed" and stroke in self._strikes[k]]
        return sum(self._faults[k].value or 0.0 for k in late), frozenset((k, stroke) for k in late)

    def _happens(self, stroke: int, name: str, moment: Moment) -> Process:
        if name in ("feed.start", "feed.end"):
            moment = replace(moment, lag=moment.lag + self._late(stroke)[0])
        if not (yield from self._reach(stroke, moment)):
            return
        who, _, what = name.rpartition(".")
        group, _, tool = who.partition(":")
        broken = group == "tap" and tool in self._broken
        if broken and what not in ("engage", "home", "touch"):
            return
        if self._logging and not (broken and what == "touch"):
            self._note(stroke, who, what, "event")
        if name == "feed.start":
            self._feeds(stroke)
        elif name == "feed.end":
            self._fed(stroke)
        elif name == "stripper.touch":
            self._clamps(stroke)
        elif meets(name):
            self._comes_down(stroke, who)

    # --- the strip ---------------------------------------------------------------------------------------------

    def _feeds(self, stroke: int) -> None:
        self._moving[stroke] = self._late(stroke)[1]
        self._due.pop(stroke, None)
        self._placed = (0, math.inf)
        self._loose |= self._fragments
        self._fragments = {}

    def _fed(self, stroke: int) -> None:
        del self._moving[stroke]
        for k, fault in enumerate(self._faults):
            if fault.kind.startswith("misfeed") and stroke in self._strikes[k]:
                assert fault.value is not None
                self._offset += fault.value if fault.kind == "misfeed-long" else -fault.value
                self._offset_by |= {(k, stroke)}
        if abs(self._offset) <= PLACE:
            self._offset_by = NONE
            if not self._moving:
                self._placed = (stroke, self._env.now)

    def _moves(self) -> Causes:
        """Why the strip still moves."""
        return NONE.union(*self._moving.values())

    def _clamps(self, stroke: int) -> None:
        if self._moving:
            self._hit(stroke, "stripper", "comes down on a strip that still moves", self._moves())
        for tap, causes in self._loose.items():
            self._hit(stroke, "stripper", f"comes down on the fragment of tap {tap}, fed on to the next place", causes)
        self._loose = {}

    def _comes_down(self, stroke: int, who: str) -> None:
        """A tool meets the strip."""
        group, _, name = who.partition(":")
        if group == "tap" and name in self._broken:
            self._spoils(stroke, who, "broken: no thread is made", self._broken[name][1])
        elif unfed := NONE.union(*(causes for at, causes in self._due.items() if at < stroke)):
            self._spoils(stroke, who, "comes down where it was before: the strip has not been fed", unfed)
        elif self._moving:
            self._hit(stroke, who, "comes down on a strip that still moves", self._moves())
        elif self._offset_by:
            off = self._plans.length(abs(self._offset))
            if group == "punch":
                self._spoils(stroke, who, f"pierces {off} beside its place", self._offset_by)
            else:
                self._hit(stroke, who, f"comes down {off} beside its hole", self._offset_by)

    def _breaks(self, stroke: int, k: int, plan: Plan) -> Process:
        name = str(self._faults[k].name)
        if not (yield from self._reach(stroke, self._plans.breaking(self._faults[k], plan))):
            return
        causes: Causes = frozenset({(k, stroke)})
        self._broken[name] = (self._env.now, causes)
        self._fragments[name] = causes
        self._spoils(stroke, f"tap:{name}", "breaks off in the hole", causes)

    def _harms(self, stroke: int, harm: Harm, causes: Causes) -> Process:
        if not (yield from self._reach(stroke, harm.moment)):
            return
        happens = self._hit if harm.hit else self._spoils
        happens(stroke, harm.subject or "line", f"{harm.rule}: {harm.says}", causes)

    # --- the control -------------------------------------------------------------------------------------------

    def _watches(self, stroke: int, window: Window, plan: Plan, causes: Causes) -> Process:
        """Judge a sensor when its window ends, and stop the press on what it misses."""
        if not (yield from self._reach(stroke, window.off)) or self.shaft.stopped is not None:
            return
        begins, ends = self._seen(stroke, window, plan)
        opened = self._env.now - (window.off.seconds - window.on.seconds)
        seen = min(ends, self._env.now) - max(begins, opened) >= window.response - 1e-12
        own = self._own_faults(stroke, window.name)
        if not (not seen or own) or self._stuck(stroke, window.name):
            return
        wrong = NONE if seen else self._wrong(stroke, window, causes)
        told = "reports a fault at the end of its window"
        self._note(stroke, f"sensor:{window.name}", told if wrong else f"{told}, though nothing is wrong", "sensor")
        yield self._env.timeout(window.response + self._scan)
        if self.shaft.stopped is None:
            self._halt(stroke, window, wrong, own)

    def _seen(self, stroke: int, window: Window, plan: Plan) -> tuple[float, float]:
        """From when to when [s] a sensor finds what it looks for; a time after its end where it never does."""
        group, _, name = window.watches.partition(":")
        never = (math.inf, -math.inf)
        if group == "feed":
            fed, since = self._placed
            return (since, math.inf) if fed == stroke else never
        if group == "strip":
            settled = plan.events.get("strip.settled")
            clamps = plan.events.get("stripper.touch")
            ends = math.inf if clamps is None else self.shaft.when(stroke + 1, clamps)
            return (self.shaft.when(stroke, settled), ends) if settled is not None else never
        if group == "tap":
            broken = self._broken[name][0] if name in self._broken else math.inf
            if self._plans.senses(window.name):
                contact = plan.contact[window.name]
                if contact is None:
                    return never
                start, end = (self.shaft.when(stroke, each) for each in contact)
                return start, min(end, broken)
            return -math.inf, broken
        return never if group == "pilot" and self._offset_by else (-math.inf, math.inf)

    def _wrong(self, stroke: int, window: Window, causes: Causes) -> Causes:
        """The faults that a sensor sees."""
        group, _, name = window.watches.partition(":")
        if group == "tap" and name in self._broken:
            return self._broken[name][1]
        if group in ("feed", "pilot") and self._offset_by:
            return self._offset_by
        return self._late(stroke)[1] if group == "feed" else causes

    def _own_faults(self, stroke: int, name: str) -> Causes:
        """The faults by which a sensor stops the press of itself."""
        found = NONE
        for k, fault in enumerate(self._faults):
            if fault.name == name and fault.kind in ("sensor-stuck-off", "sensor-noisy"):
                found |= self._active(k, stroke)
        return found

    def _stuck(self, stroke: int, name: str) -> bool:
        """Whether a sensor says that all is well whatever it sees."""
        return any(
            fault.name == name and fault.kind == "sensor-stuck-on" and self._active(k, stroke)
            for k, fault in enumerate(self._faults)
        )

    def _halt(self, stroke: int, window: Window, causes: Causes, own: Causes) -> None:
        rest = self.shaft.stop(self._env.now)
        spare = (stroke - 1) * TURN + window.protected - rest.rest[0]
        reached = spare < 0.0
        self.outcome.halt = Halt(window.name, stroke, causes, own, rest, window.protects, reached, spare)
        self._note(stroke, "control", "signals the stop", "press")
        for what, (angle, time) in (("brake grips", rest.grip), ("slide at rest", rest.rest)):
            self._note(stroke, "press", what, "press", dial=angle - (stroke - 1) * TURN, time=time)

    # --- the log -----------------------------------------------------------------------------------------------

    def _hit(self, stroke: int, who: str, what: str, causes: Causes) -> None:
        self.outcome.hits.append((stroke, causes))
        self.outcome.bad.append((stroke, causes))
        self._note(stroke, who, what, "hit")

    def _spoils(self, stroke: int, who: str, what: str, causes: Causes) -> None:
        self.outcome.bad.append((stroke, causes))
        self._note(stroke, who, what, "bad part")

    def _note(
        self, stroke: int, who: str, what: str, kind: str, dial: float | None = None, time: float | None = None
    ) -> None:
        if self._logging:
            now = self._env.now if time is None else time
            at = self.shaft.angle(now) - (stroke - 1) * TURN if dial is None else dial
            self.outcome.log.append(Entry(stroke, at, now, who, what, kind))
