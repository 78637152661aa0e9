"""The running reading: stripper and strip as masses, and every tool on the moving strip."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace

import numpy as np

from crankclock.cycle.course import RunningCourse
from crankclock.cycle.film import Array, running_film
from crankclock.cycle.motion import Motion
from crankclock.cycle.passes import PilotPass, Span
from crankclock.cycle.tap_followed import running_pass
from crankclock.dynamics import Coil, Gas, Side, System, fast_available, run
from crankclock.dynamics import Motion as RunMotion
from crankclock.errors import UnfinishedError
from crankclock.parts.numbers import TIE, Flags, Floats
from crankclock.parts.slide import Eccentric
from crankclock.parts.tools import Tool
from crankclock.scenario.build import Machine

_SMOOTH_CELLS, _ROUGH_CELLS = 20, 120
"""Pieces of the turn for an eccentric that turns evenly, and for motion that is only smooth in parts."""
_FAST_FROM = 500
"""From so many variants at a time, as bulk work brings them, the compiled integrator is taken where it is installed."""


def running_needs(machine: Machine) -> tuple[str, ...]:
    """Keys the running reading lacks; empty where it can be worked out."""
    strip, stripper = machine.scenario.strip, machine.scenario.stripper
    needed = {
        "strip.mass": strip.mass,
        "strip.lifter_force": strip.lifter_force,
        "stripper.mass": stripper.mass,
        "stripper.spring": stripper.spring or None,
    }
    return tuple(key for key, value in needed.items() if value is None)


def _system(machine: Machine) -> System:
    scenario = machine.scenario
    strip, stripper, contact = scenario.strip, scenario.stripper, scenario.contact
    assert strip.mass is not None
    assert strip.lifter_force is not None
    assert stripper.mass is not None
    springs: list[Coil | Gas] = []
    for spring in stripper.spring.values():
        force = spring.count * spring.force
        if spring.kind == "coil":
            assert spring.rate is not None
            springs.append(Coil(force, spring.count * spring.rate))
        else:
            assert spring.end_force is not None
            assert spring.travel is not None
            springs.append(Gas(force, (1.0 - spring.force / spring.end_force) / spring.travel, spring.exponent))
    return System(
        stripper_mass=stripper.mass,
        strip_mass=strip.mass,
        springs=springs,
        lifter_force=strip.lifter_force,
        lifter_rate=strip.lifter_rate,
        stiffness=contact.stiffness,
        damping=contact.damping,
        thickness=strip.thickness,
        lift=strip.lift,
        travel=machine.strip.travel,
    )


def variants(*things: object) -> tuple[int, ...]:
    """Shape of the variants' axis in any of some parts: () where all are single values."""
    shape: tuple[int, ...] = ()
    for thing in things:
        if isinstance(thing, np.ndarray):
            shape = np.broadcast_shapes(shape, thing.shape[-1:])
        elif is_dataclass(thing):
            shape = np.broadcast_shapes(shape, variants(*(getattr(thing, each.name) for each in fields(thing))))
        elif isinstance(thing, dict | list):
            shape = np.broadcast_shapes(shape, variants(*(thing.values() if isinstance(thing, dict) else thing)))
    return shape


def spread_of(machine: Machine) -> tuple[int, bool]:
    """How many variants a machine has, and whether it is one of single values."""
    parts = [machine.crank, machine.slide, machine.strip, machine.feeder, machine.release]
    parts += [*machine.pilots.values(), *machine.punches.values(), *machine.taps.values(), *machine.spindles.values()]
    system = [] if running_needs(machine) else [_system(machine)]
    shape = variants(*parts, *system, np.asarray(machine.scenario.strip.play))
    return (shape[0], False) if shape else (1, True)


def running_course(machine: Machine) -> RunningCourse:
    """Carry stripper and strip through one turn.

    Raises
    ------
    UnfinishedError
        Where the integrator finds no balance at rest or contacts that change without end.
    """
    n, single = spread_of(machine)
    crank, slide = machine.crank, machine.slide

    def moving(time: Array) -> tuple[Array, Array]:
        flat = time[..., 0] if single else time
        angle = crank.angle_at(flat)
        height, slope, _ = slide.motion(angle)
        found = (np.asarray(height), np.asarray(slope * crank.speed_at(angle)))
        return (found[0][..., None], found[1][..., None]) if single else found

    smooth = isinstance(slide, Eccentric) and crank.even
    period = np.broadcast_to(np.asarray(crank.turn_time, dtype=float), (n,))
    try:
        cells = _SMOOTH_CELLS if smooth else _ROUGH_CELLS
        found = run(_system(machine), moving, period, cells, fast=n >= _FAST_FROM and fast_available())
    except RuntimeError as wrong:
        raise UnfinishedError(
            f"the running reading could not be worked out: {wrong}; the rigid one can (--reading rigid)"
        ) from wrong
    return RunningCourse(machine, crank, found, single)


def running_motion(machine: Machine, course: RunningCourse, rigid: Motion) -> Motion:
    """What the slide does to strip and tools while masses and springs are at work."""
    run_, crank = course.run, course.crank
    events = run_.events

    def dial(time: Array) -> Floats:
        return np.asarray(crank.angle_at(course.narrow(time)), dtype=float)

    def span(start: Array, end: Array, already: Flags) -> Span:
        was = course.narrow(np.asarray(already, dtype=float)) > 0.0
        return Span(dial(start), dial(end), was, ~np.asarray(was) & np.isnan(course.narrow(start)))

    def tool(part: Tool, above_tip: Floats = 0.0) -> Span:
        def clearance(motion: RunMotion) -> Array:
            tip = part.tip(motion.slide, motion.face) + above_tip
            return np.asarray(tip - motion.strip - machine.strip.thickness - TIE)

        found = run_.crossings(clearance)
        enters, leaves = np.where(found.rising, np.nan, found.time), np.where(found.rising, found.time, np.nan)
        first = np.where(np.isnan(enters), np.inf, enters).min(axis=0, initial=np.inf)
        last = np.where(np.isnan(leaves), -np.inf, leaves).max(axis=0, initial=-np.inf)
        # What does not stand out of the stripper never goes into the strip, however hard the stripper presses.
        behind = np.asarray(part.mount == "stripper") & (np.asarray(part.reach - above_tip) < -TIE)
        already = (clearance(start) <= 0.0) & ~behind
        gone = already | behind | ~np.isfinite(first) | ~np.isfinite(last)
        return span(np.where(gone, np.nan, first), np.where(gone, np.nan, last), already)

    start = run_.at(0.0 * run_.period)
    on_strip = start.contact_force(Side.STRIPPER) > 0.0
    touching = span(events["stripper.touch"], events["strip.raised"], on_strip)
    on_die = on_strip & (start.contact_force(Side.DIE) > 0.0)
    clamped = span(events["stripper.clamped"], events["stripper.unclamped"], on_die)
    film = running_film(course, machine.scenario.strip.play)
    bdc = np.broadcast_to(np.asarray(crank.seconds(0.0, machine.slide.bdc), dtype=float), run_.period.shape)
    bottom = run_.held(np.asarray(machine.scenario.strip.play, dtype=float), bdc)
    return replace(
        rigid,
        course=course,
        touching=touching,
        clamped=clamped,
        held=span(bottom.start, bottom.end, np.zeros(run_.period.shape, dtype=bool)),
        settled=dial(events["strip.settled"]),
        pilots={name: PilotPass(tool(each), tool(each, each.nose)) for name, each in machine.pilots.items()},
        punches={name: tool(each) for name, each in machine.punches.items()},
        taps={name: running_pass(machine, name, course, film, rigid.taps[name]) for name in machine.taps},
    )
