"""One turn of the crank: when each thing happens, by every reading of it.

Everything that follows the slide rigidly is a piecewise straight function of slide height, so every event is
found in closed form: a crossing height, then the slide's own inverse. Nothing is read off a grid. Masses and
motor-driven spindles have no closed form: they are followed and each event is narrowed down between two moments.

Order and ties stand here and nowhere else: heights within `TIE` of each other are equal and count as *in* (the
earlier enter, the later leave), angles run from the TDC that starts the stroke and are never wrapped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from crankclock.cycle.course import Places, RigidCourse
from crankclock.cycle.motion import Motion
from crankclock.cycle.passes import PilotPass, Span, TapPass
from crankclock.cycle.running import running_course, running_motion, running_needs, spread_of
from crankclock.cycle.tap_followed import motor_pass
from crankclock.cycle.tap_pass import press_pass
from crankclock.parts.crank import Crank
from crankclock.parts.feeder import FeedStroke
from crankclock.parts.numbers import TIE, Floats, stack
from crankclock.parts.slide import Slide
from crankclock.parts.tap import PressSpindle
from crankclock.scenario.build import Machine

Reading = Literal["hand", "rigid", "running"]
READINGS: tuple[Reading, ...] = ("hand", "rigid", "running")


@dataclass(frozen=True)
class Cycle:
    """One reading of one turn.

    Attributes
    ----------
    feed : FeedStroke or None
    rolls : pair of float or array, or None
        Dial angles [rad] at which the rolls open and close.
    """

    reading: Reading
    machine: Machine
    motion: Motion
    feed: FeedStroke | None
    rolls: tuple[Floats, Floats] | None

    def at(self, angle: Floats) -> Places:
        """Heights [m] of slide, strip and stripper at a dial angle [rad]."""
        return self.motion.course.at(angle)

    def seconds(self, event: str, angle: Floats) -> Floats:
        """Time [s] from the TDC that starts the stroke to an event at a dial angle [rad].

        The feed runs on in real time while a press stands at the top, so its own times count.
        """
        if self.feed is not None and event in ("feed.start", "feed.end") and self.reading != "hand":
            return self.feed.start_time if event == "feed.start" else self.feed.end_time
        return self.machine.crank.seconds(0.0, angle)

    def events(self) -> dict[str, Floats]:
        """Dial angle [rad] of every event by its id, nan where it does not happen."""
        motion = self.motion
        found: dict[str, Floats] = {
            "stripper.touch": motion.touching.start,
            "stripper.clamped": motion.clamped.start,
            "stripper.unclamped": motion.clamped.end,
            "strip.raised": motion.touching.end,
            "strip.settled": motion.settled,
        }
        for name, pilot in motion.pilots.items():
            found[f"pilot:{name}.enter"] = pilot.tip.start
            found[f"pilot:{name}.located"] = pilot.body.start
            found[f"pilot:{name}.unlocated"] = pilot.body.end
            found[f"pilot:{name}.leave"] = pilot.tip.end
        for name, punch in motion.punches.items():
            found[f"punch:{name}.enter"] = punch.start
            found[f"punch:{name}.leave"] = punch.end
        for name, tap in motion.taps.items():
            found |= _tap_events(name, tap)
        if self.feed is not None:
            found["feed.start"], found["feed.end"] = self.feed.start, self.feed.end
        if self.rolls is not None:
            found["rolls.open"], found["rolls.close"] = self.rolls
        return found


def _tap_events(name: str, tap: TapPass) -> dict[str, Floats]:
    return {
        f"tap:{name}.engage": tap.engage,
        f"tap:{name}.touch": tap.thread.start,
        f"tap:{name}.through": tap.through,
        f"tap:{name}.full": tap.full,
        f"tap:{name}.leave": tap.thread.end,
        f"tap:{name}.home": tap.home,
        f"tap:{name}.retouch": tap.retouch,
    }


@dataclass(frozen=True)
class Readings:
    """The same turn by hand, with a rigid mechanism at the rate, and with its masses and springs.

    Attributes
    ----------
    running : Cycle or None
        None where the scenario does not say what the running reading needs, or it was not asked for.
    """

    hand: Cycle
    rigid: Cycle
    running: Cycle | None = None

    def chosen(self, reading: Reading) -> Cycle:
        found = {"hand": self.hand, "rigid": self.rigid, "running": self.running}[reading]
        if found is None:
            raise ValueError(f"the {reading} reading was not worked out")
        return found

    @property
    def best(self) -> Reading:
        """The reading that knows most."""
        return "rigid" if self.running is None else "running"

    def all(self) -> dict[Reading, Cycle]:
        """Every reading there is."""
        found: dict[Reading, Cycle] = {"hand": self.hand, "rigid": self.rigid}
        return found | ({} if self.running is None else {"running": self.running})


def turn(machine: Machine, running: bool = True) -> Readings:
    """Work out one turn of the crank.

    Parameters
    ----------
    machine : Machine
        Parts whose values are floats or arrays over variants.
    running : bool
        Also with masses and springs, where the scenario has them.

    Returns
    -------
    Readings

    Raises
    ------
    UnfinishedError
        Where the running reading cannot be worked out though its data are there.
    """
    rigid = _rigid(machine)
    found = Readings(_read("hand", machine, _by_hand(machine, rigid)), _read("rigid", machine, rigid))
    if not running or running_needs(machine):
        return found
    return replace(found, running=running_cycle(machine, found.rigid))


def running_cycle(machine: Machine, rigid: Cycle) -> Cycle:
    """The running reading of a machine whose rigid reading is known; see `turn`."""
    return _read("running", machine, running_motion(machine, running_course(machine), rigid.motion))


def _read(reading: Reading, machine: Machine, motion: Motion) -> Cycle:
    by_hand = reading == "hand"
    feeder, release = machine.feeder, machine.release
    feed = feeder.stroke(machine.crank, by_hand=by_hand) if feeder is not None else None
    rolls = release.angles(machine.crank, by_hand=by_hand) if release is not None else None
    return Cycle(reading, machine, motion, feed, rolls)


def _rigid(machine: Machine) -> Motion:
    strip, slide = machine.strip, machine.slide
    heights: dict[str, Floats] = {"touching": strip.touch_height, "clamped": strip.clamp_height}
    for name, pilot in machine.pilots.items():
        heights[f"pilot:{name}"] = pilot.passing_height(strip)
        heights[f"body:{name}"] = pilot.passing_height(strip, pilot.nose)
    for name, punch in machine.punches.items():
        heights[f"punch:{name}"] = punch.passing_height(strip)
    spans = _spans(slide, heights)
    course, clamped = RigidCourse(machine, machine.crank), spans["clamped"]
    return Motion(
        course=course,
        touching=spans["touching"],
        clamped=clamped,
        held=clamped,
        settled=spans["touching"].end,
        pilots={name: PilotPass(spans[f"pilot:{name}"], spans[f"body:{name}"]) for name in machine.pilots},
        punches={name: spans[f"punch:{name}"] for name in machine.punches},
        taps={name: _tap(machine, name, course, clamped) for name in machine.taps},
    )


def _tap(machine: Machine, name: str, course: RigidCourse, clamped: Span) -> TapPass:
    spindle = machine.spindles[name]
    if isinstance(spindle, PressSpindle):
        return press_pass(machine, name, spindle, clamped)
    return motor_pass(machine, name, course, clamped, *spread_of(machine))


def _by_hand(machine: Machine, rigid: Motion) -> Motion:
    """Turned over by hand only motor-driven spindles differ: they take no time."""
    motors = [name for name, spindle in machine.spindles.items() if not isinstance(spindle, PressSpindle)]
    if not motors:
        return rigid
    slow = RigidCourse(machine, Crank(machine.crank.rate))
    return replace(rigid, taps={**rigid.taps, **{name: _tap(machine, name, slow, rigid.clamped) for name in motors}})


def _spans(slide: Slide, heights: Mapping[str, Floats]) -> dict[str, Span]:
    """The span in which the slide is at or below each height, all in one call of the slide's inverse."""
    stacked = stack(*heights.values())
    already = stacked >= slide.top - TIE
    never = stacked < slide.bottom - TIE
    down, up = slide.passes(stacked)
    absent = already | never
    down, up = np.where(absent, np.nan, down), np.where(absent, np.nan, up)
    return {name: Span(down[k], up[k], already[k], never[k]) for k, name in enumerate(heights)}
