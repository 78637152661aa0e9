"""What the tap and its drive bear: torque while it cuts, inertia, clutch, and what breaks the tap.

Every torque here is an estimate from a published formula; the sentences say so.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from crankclock.cycle import Cycle
from crankclock.handbook import threads
from crankclock.handbook.breaking import Breaking, breaking_torque, torque_margin
from crankclock.handbook.holes import CUT_DEPTH
from crankclock.handbook.materials import Force, material, own_force
from crankclock.handbook.torque import Torque, tap_torque
from crankclock.handbook.torque_course import inertia_torque
from crankclock.parts.numbers import Floats
from crankclock.rules.base import Measured, Missing, Rule, Subject, Words, taps
from crankclock.rules.tapping import acceleration_peak
from crankclock.scenario.schema import Tap

Kind = Literal["cut", "form"]


def cutting_force(cycle: Cycle) -> Force | None:
    """Specific cutting force of the strip: the scenario's own, else the material's; None where there is none."""
    strip = cycle.machine.scenario.strip
    own = strip.properties.specific_cutting_force if strip.properties is not None else None
    if own is not None:
        return own_force(own)
    row = material(strip.material)
    return None if row is None else row.force


def kind_of(tap: Tap) -> Kind:
    return "cut" if tap.kind == "cut" else "form"


def torque_of(cycle: Cycle, name: str) -> Torque | None:
    """Torque of a tap with its whole chamfer at work; None where the material has no cutting force."""
    tap, force = cycle.machine.scenario.tap[name], cutting_force(cycle)
    if force is None:
        return None
    thread = threads.parse(tap.thread)
    hole = tap.hole
    if hole is not None:
        # A sampled hole may lie outside what can carry a thread; here it is the nearest that can.
        least = thread.diameter - 0.999 * CUT_DEPTH * thread.pitch
        hole = np.minimum(np.maximum(hole, least), 0.999 * thread.diameter)
    wear, lubrication = (1.0 if each is None else each for each in (tap.wear, tap.lubrication))
    return tap_torque(thread, kind_of(tap), force, hole, wear, lubrication)


def breaking_of(cycle: Cycle, name: str) -> Breaking:
    tap = cycle.machine.scenario.tap[name]
    return breaking_torque(threads.parse(tap.thread), kind_of(tap), tap.breaking_torque)


def _named(subject: Subject) -> str:
    assert subject is not None
    return subject.removeprefix("tap:")


NO_FORCE = Missing(
    ("strip.properties.specific_cutting_force",), "the strip's material has no specific cutting force in the table"
)


def _tap_torque(cycle: Cycle, subject: Subject) -> Measured | Missing:
    name = _named(subject)
    torque, breaking = torque_of(cycle, name), breaking_of(cycle, name)
    if torque is None:
        return NO_FORCE
    clutch = cycle.machine.scenario.tap[name].drive.clutch_torque
    return Measured(torque_margin(torque.high, breaking.low, clutch), limit=breaking.low)


def _say_tap_torque(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name = _named(subject)
    torque, breaking = torque_of(cycle, name), breaking_of(cycle, name)
    assert torque is not None
    clutch = cycle.machine.scenario.tap[name].drive.clutch_torque
    peak = _range(torque.low, torque.high, words)
    bears = f"it bears {words.say(breaking.low, 'torque')}"
    if breaking.estimate:
        bears = f"its core breaks at {_range(breaking.low, breaking.high, words)}, estimated; the least counts"
    told = f"Tap {name} takes {peak} by estimate; {bears}."
    if clutch is not None:
        told += f" The clutch slips at {words.say(clutch, 'torque')}"
        if float(clutch) <= float(torque.high):
            told += ": it slips while the tap cuts."
        elif float(clutch) >= float(breaking.low):
            told += ": the tap breaks before it slips."
        else:
            told += ", between the two."
    if clutch is None and float(found.margin) < 0.0:
        told += " The tap breaks."
    return told


def _range(low: Floats, high: Floats, words: Words) -> str:
    ends = [words.say(each, "torque") for each in (low, high)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0].split(' ')[0]} to {ends[1]}"


def _drive_torque(cycle: Cycle, subject: Subject) -> Measured | Missing:
    name = _named(subject)
    torque, drive = torque_of(cycle, name), cycle.machine.scenario.tap[name].drive
    if drive.torque_max is None:
        return Missing((f"tap.{name}.drive.torque_max",))
    if torque is None:
        return NO_FORCE
    unchecked = () if drive.inertia is not None else (f"tap.{name}.drive.inertia",)
    return Measured(drive.torque_max - torque.high - inertia_share(cycle, name), False, drive.torque_max, None, None,
                    unchecked)  # fmt: skip


def inertia_share(cycle: Cycle, name: str) -> Floats:
    """Torque [N m] that speeds up and slows down what turns, at its greatest; 0 where the inertia is not given."""
    inertia = cycle.machine.scenario.tap[name].drive.inertia
    return 0.0 if inertia is None else inertia_torque(inertia, acceleration_peak(cycle, name))


def _say_drive_torque(cycle: Cycle, subject: Subject, found: Measured, words: Words) -> str:
    name = _named(subject)
    torque, own = torque_of(cycle, name), inertia_share(cycle, name)
    assert torque is not None
    assert found.limit is not None
    over = "more than" if float(found.margin) < 0.0 else "within"
    rest = (
        f" {found.unchecked[0]} is not given: what the drive's own inertia takes is left out."
        if found.unchecked
        else ""
    )
    return (
        f"The drive of tap {name} carries {words.say(torque.high + own, 'torque')} at most by estimate, "
        f"{words.say(own, 'torque')} of it to turn its own inertia; that is {over} the "
        f"{words.say(found.limit, 'torque')} it is rated for.{rest}"
    )


RULES = (
    Rule("tap-torque", "torque", taps, _tap_torque, _say_tap_torque, allowance="share"),
    Rule("drive-torque", "torque", taps, _drive_torque, _say_drive_torque, allowance="share"),
)
