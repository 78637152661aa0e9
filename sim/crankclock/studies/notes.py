"""What a reader should know about how a cycle was read, and what in it is an estimate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankclock.cycle import Cycle, Reading, Readings, running_needs
from crankclock.handbook.gas_springs import WARM_BASIS, runs_warm, warm_rate
from crankclock.parts.numbers import TURN
from crankclock.rules.springs import used_travel
from crankclock.scenario.build import Machine
from crankclock.units import show

if TYPE_CHECKING:
    from crankclock.studies.check import Finding

HIGH_LIFT = 3e-3
"""Strip lift [m] up to which heads stand on the die; common practice."""


def _how_read(machine: Machine, reading: Reading, found: tuple[Finding, ...]) -> list[str]:
    """What the chosen reading knows and does not know."""
    lacks = running_needs(machine)
    if reading == "running":
        contact = machine.scenario.contact
        swayed = [each for each in found if each.contacts is not None and each.contacts.failing]
        turned = "no finding fails with any of them that holds now"
        if swayed:
            turned = f"{len(swayed)} finding{'s fail' if len(swayed) > 1 else ' fails'} with some of them"
        return [
            "Running reading: stripper and strip as masses on springs and contacts. Contact stiffness "
            f"({float(contact.stiffness) / 1e6:g} kN/mm) and damping ratio ({float(contact.damping):g}) are guesses "
            f"with a large effect on bounce. With both halved and doubled, alone and together, {turned}."
        ]
    if lacks:
        return [
            "RIGID READING ONLY: springs, bounce and inertia at speed are not judged. For the running reading give "
            f"{', '.join(lacks)}."
        ]
    return [f"Springs, bounce and the stripper's inertia at speed are not in the {reading} reading."]


def press_notes(machine: Machine) -> list[str]:
    """What is an estimate in how the press turns."""
    press, crank = machine.scenario.press, machine.crank
    single, wheel, notes = press.mode == "single-stroke", press.flywheel, []
    if wheel is not None:
        start, end = (show(float(each), "angle", "metric") for each in (wheel.work_from, wheel.work_to))
        notes.append(
            f"The slowdown is an estimate: the work is taken evenly from {start} to {end}, and only the flywheel's "
            "inertia is counted; clutch, crank and slide make the press slow less."
        )
        notes.append(
            "The motor is taken as a constant torque, its power at the flywheel's speed at the rate, from the "
            "beginning of the work until the energy is given back; what the idle press takes is left out."
        )
    if wheel is not None and wheel.motor is None:
        notes.append("The motor's power is not given: it is taken as just enough to restore the flywheel in time.")
    if single:
        strokes = show(float(1.0 / crank.period), "rate", "metric")
        notes.append(
            "Clutch and brake are taken as even acceleration and deceleration, the brake as stopping the slide exactly "
            f"at the top. The rate is the one at which the press would run on: with clutch, brake and pause it makes "
            f"{strokes}."
        )
    if single and wheel is not None:
        notes.append("What the flywheel loses to the clutch at each start is not counted.")
    return notes


def _heat_notes(cycle: Cycle) -> list[str]:
    """Gas springs that run warm at the strokes a minute the press makes."""
    rate, notes = 1.0 / cycle.machine.crank.period, []
    for name, spring in cycle.machine.scenario.stripper.spring.items():
        stroke = used_travel(cycle, spring)
        if spring.kind == "gas" and runs_warm(stroke, rate):
            strokes, limit = (show(float(each), "rate", "metric") for each in (rate, warm_rate(stroke)))
            notes.append(f"Gas spring {name} runs warm at {strokes}: from about {limit} on at its stroke. {WARM_BASIS}")
    return notes


def cycle_notes(readings: Readings, reading: Reading, tolerances: bool, found: tuple[Finding, ...]) -> list[str]:
    """What a reader should know about how the cycle was read."""
    machine = readings.rigid.machine
    notes = _how_read(machine, reading, found)
    notes += press_notes(machine)
    if reading == "hand":
        notes.append("Turned over by hand: a pass by hand says nothing of the cycle at speed. Speeds are at the rate.")
    else:
        notes += _heat_notes(readings.chosen(reading))
    if tolerances:
        notes.append("The tolerances given are not used: this is the nominal cycle. The tolerance command uses them.")
    latency = machine.feeder.latency if machine.feeder is not None else 0.0
    if float(latency * machine.crank.rate) >= 1.0:
        notes.append(
            "The feeder's latency is longer than a whole turn at this rate: each feed was commanded strokes ago."
        )
    standing = [name for name, tap in machine.taps.items() if tap.mount == "die"]
    if standing and float(machine.strip.lift) > HIGH_LIFT:
        notes.append(
            f"Heads that stand on the die ({', '.join(standing)}) are used up to about "
            f"{show(HIGH_LIFT, 'length', 'metric')} of strip lift (common practice); above it heads that ride with "
            "stripper or lifters save tap travel."
        )
    if not machine.pilots:
        notes.append("No pilot is named: nothing but the feeder locates the strip, and no rule speaks of pilots.")
    if not machine.taps:
        notes.append("No tap is named: no thread is judged.")
    feed = readings.rigid.feed
    if feed is not None and float(feed.end - feed.start) > TURN:
        notes.append("The feed takes longer than a whole turn at this rate.")
    kind = machine.feeder.kind if machine.feeder is not None else None
    if kind in ("gripper", "rated"):
        notes.append(f'How far the strip has moved on the way is an estimate: a "{kind}" feeder does not tell its law.')
    return notes
