"""One turn of the crank: when each thing happens, by the hand and the rigid reading.

Everything that follows the slide rigidly is a piecewise straight function of slide height, so every event is
found in closed form: a crossing height, then the slide's own inverse. Nothing is read off a grid.

Order and ties stand here and nowhere else: heights within `TIE` of each other are equal and count as *in* (the
earlier enter, the later leave), angles run from the TDC that starts the stroke and are never wrapped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.cycle.tap_pass import Span, TapPass, tap_pass
from crankclock.parts.feeder import FeedStroke
from crankclock.parts.numbers import TIE, Floats, stack
from crankclock.parts.slide import Slide
from crankclock.scenario.build import Machine

Reading = Literal["hand", "rigid"]


@dataclass(frozen=True)
class PilotPass:
    """A pilot's tip in the strip, and its full diameter (located)."""

    tip: Span
    body: Span


@dataclass(frozen=True)
class Motion:
    """What the slide does to strip and tools: the same by hand and at speed while all is rigid."""

    touching: Span
    clamped: Span
    pilots: Mapping[str, PilotPass]
    punches: Mapping[str, Span]
    taps: Mapping[str, TapPass | None]


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

    def events(self) -> dict[str, Floats]:
        """Dial angle [rad] of every event by its id, nan where it does not happen."""
        motion = self.motion
        found: dict[str, Floats] = {
            "stripper.touch": motion.touching.start,
            "stripper.clamped": motion.clamped.start,
            "stripper.unclamped": motion.clamped.end,
            "strip.raised": motion.touching.end,
            "strip.settled": motion.touching.end,
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
            if tap is not None:
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
    """The same turn, turned over by hand and at the rate with a rigid mechanism."""

    hand: Cycle
    rigid: Cycle

    def chosen(self, reading: Reading) -> Cycle:
        return self.hand if reading == "hand" else self.rigid


def turn(machine: Machine) -> Readings:
    """Work out one turn of the crank.

    Parameters
    ----------
    machine : Machine
        Parts whose values are floats or arrays over variants.

    Returns
    -------
    Readings
    """
    motion = _motion(machine)

    def read(reading: Reading) -> Cycle:
        by_hand = reading == "hand"
        feeder, release = machine.feeder, machine.release
        feed = feeder.stroke(machine.crank, by_hand=by_hand) if feeder is not None else None
        rolls = release.angles(machine.crank, by_hand=by_hand) if release is not None else None
        return Cycle(reading, machine, motion, feed, rolls)

    return Readings(read("hand"), read("rigid"))


def _motion(machine: Machine) -> Motion:
    strip, slide = machine.strip, machine.slide
    heights: dict[str, Floats] = {"touching": strip.touch_height, "clamped": strip.clamp_height}
    for name, pilot in machine.pilots.items():
        heights[f"pilot:{name}"] = pilot.passing_height(strip)
        heights[f"body:{name}"] = pilot.passing_height(strip, pilot.nose)
    for name, punch in machine.punches.items():
        heights[f"punch:{name}"] = punch.passing_height(strip)
    spans = _spans(slide, heights)
    return Motion(
        touching=spans["touching"],
        clamped=spans["clamped"],
        pilots={name: PilotPass(spans[f"pilot:{name}"], spans[f"body:{name}"]) for name in machine.pilots},
        punches={name: spans[f"punch:{name}"] for name in machine.punches},
        taps={name: tap_pass(machine, name) for name in machine.taps},
    )


def _spans(slide: Slide, heights: Mapping[str, Floats]) -> dict[str, Span]:
    """The span in which the slide is at or below each height, all in one call of the slide's inverse."""
    stacked = stack(*heights.values())
    already = stacked >= slide.top - TIE
    never = stacked < slide.bottom - TIE
    down, up = slide.passes(stacked)
    absent = already | never
    down, up = np.where(absent, np.nan, down), np.where(absent, np.nan, up)
    return {name: Span(down[k], up[k], already[k], never[k]) for k, name in enumerate(heights)}
