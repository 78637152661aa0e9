"""A tap's pass where it has no closed form: a strip and stripper with mass, or a spindle with its own motor."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from crankclock.cycle.course import RigidCourse, RunningCourse
from crankclock.cycle.film import Array, Film, rigid_film
from crankclock.cycle.follow import Drive, Followed, HandMotorDrive, MotorDrive, PressDrive
from crankclock.cycle.passes import Pair, Span, TapPass
from crankclock.cycle.speeds import peak_slide_speed
from crankclock.parts.motor import MotorSpindle
from crankclock.parts.numbers import TIE, TURN, Flags, Floats
from crankclock.parts.tap import PressSpindle, Tap
from crankclock.scenario.build import Machine

Held = Callable[[Array], tuple[Array, Array]]
"""From a time (n,) [s] to the start and end [s] of the span in which the strip is held about it; nan: not held."""


def motor_pass(machine: Machine, name: str, course: RigidCourse, clamped: Span, n: int, single: bool) -> TapPass:
    """A motor-driven tap in a rigid mechanism; by hand where the course's crank is not the machine's own."""
    motor = machine.spindles[name]
    assert isinstance(motor, MotorSpindle)
    by_hand = course.crank is not machine.crank
    start = course.crank.seconds(0.0, np.mod(motor.start, TURN))
    if by_hand:
        film = rigid_film(course, n, single).also_at(start, start, start)
        drive: Drive = HandMotorDrive(motor, start)
    else:
        start = start + motor.latency
        corners = [start + each for each in motor.corners()]
        film = rigid_film(course, n, single, corners[-1]).also_at(*corners)
        drive = MotorDrive(motor, start)
    seen = Followed(film, machine.taps[name], machine.strip, drive)

    def held(time: Array) -> tuple[Array, Array]:
        ends = [
            np.broadcast_to(np.asarray(course.crank.seconds(0.0, each)), (n,)) for each in (clamped.start, clamped.end)
        ]
        lost = np.broadcast_to(np.asarray(clamped.already) | clamped.never, (n,))
        del time
        return np.where(lost, np.nan, ends[0]), np.where(lost, np.nan, ends[1])

    return _told(machine, name, seen, held, _motor_span(course, start, motor, by_hand), None)


def running_pass(machine: Machine, name: str, course: RunningCourse, film: Film, rigid: TapPass) -> TapPass:
    """A tap on the moving strip; `rigid` is its pass with the mechanism rigid."""
    run, spindle, tap = course.run, machine.spindles[name], machine.taps[name]
    play = np.broadcast_to(np.asarray(machine.scenario.strip.play, dtype=float), run.period.shape)
    lift = np.broadcast_to(np.asarray(machine.strip.lift, dtype=float), run.period.shape)
    clamped, unclamped = run.events["stripper.clamped"], run.events["stripper.unclamped"]

    def held(time: Array) -> tuple[Array, Array]:
        inside = np.mod(time, run.period)
        span = run.held(play, inside)
        low = lift <= play  # such a strip is never out of its play: it is held only while it is pressed down
        pressed = (inside >= clamped) & (inside <= unclamped)
        begin = np.where(low, np.where(pressed, clamped, np.nan), span.start)
        return begin, np.where(low, np.where(pressed, unclamped, np.nan), span.end)

    if isinstance(spindle, MotorSpindle):
        begin = course.crank.seconds(0.0, np.mod(spindle.start, TURN)) + spindle.latency
        corners = [begin + each for each in spindle.corners()]
        # Past the turn the next one begins: what the strip does there is what it does at the start of this one.
        seen = Followed(_longer(film, corners[-1]).also_at(*corners), tap, machine.strip, MotorDrive(spindle, begin))
        return _told(machine, name, seen, held, _motor_span(course, begin, spindle, False), rigid)
    known = [
        course.crank.seconds(0.0, each) for each in (rigid.engage, rigid.home, rigid.thread.start, rigid.thread.end)
    ]
    drive = PressDrive(tap, machine.strip, spindle)
    seen = Followed(film.also_at(*known), tap, machine.strip, drive)
    return _told(machine, name, seen, held, None, rigid)


def _longer(film: Film, until: Floats) -> Film:
    """The film with the turns after it, on to a time [s]."""
    turns = int(np.ceil(np.max(np.asarray(film.course.crank.angle_at(until)) / TURN) - 1e-12))
    if turns <= 1:
        return film
    crank = film.course.crank
    grid = [np.asarray(crank.seconds(0.0, k * np.radians(1.0))) for k in range(361, 360 * turns + 1)]
    n = film.time.shape[1]
    end = np.vstack([np.broadcast_to(each, (1, n)) for each in grid])
    places = film.places(end)
    free = film.is_free(np.mod(end, film.time[-1]), places)
    time = np.vstack([film.time, end])

    def joined(old: Array, new: Floats) -> Array:
        return np.vstack([old, np.broadcast_to(np.asarray(new), end.shape)])

    slide, underside = joined(film.slide, places.slide), joined(film.underside, places.underside)
    face, free = joined(film.face, places.face), np.vstack([film.free, free])
    return Film(film.course, film.single, time, slide, underside, face, free, film.is_free)


def _motor_span(
    course: RigidCourse | RunningCourse, start: Floats, motor: MotorSpindle, by_hand: bool
) -> tuple[Floats, Floats]:
    """Dial angles [rad] at which a motor-driven spindle starts and is home again."""
    last = 0.0 if by_hand else 2.0 * motor.way_time
    return course.crank.angle_at(start), course.crank.angle_at(start + last)


def _told(
    machine: Machine, name: str, seen: Followed, held: Held, motor: tuple[Floats, Floats] | None, rigid: TapPass | None
) -> TapPass:
    """Every event read off a followed tap; `motor` is where its motor starts and ends, else the press drives it."""
    film, tap, spindle = seen.film, machine.taps[name], machine.spindles[name]
    crank, within = film.course.crank, seen.within

    def dial(time: Array) -> Array:
        found = crank.angle_at(time[0] if film.single else time)
        return np.broadcast_to(np.asarray(found, dtype=float), time.shape)

    already, never = within[0] | within[-1], ~within.any(axis=0)
    entry, enters = seen.first(within)
    leave, leaves = seen.last(within)
    touch, gone = seen.crossing(entry, enters & ~already), seen.crossing(leave, leaves & ~already)
    again = ~within[:-1] & within[1:]
    second = again & (np.cumsum(again, axis=0) == 2)
    retouch = seen.crossing(np.argmax(second, axis=0), second.any(axis=0) & ~already)
    deep = seen.gap <= TIE - tap.height
    through = seen.crossing(*seen.first(deep), TIE - tap.height)
    full, least = seen.extreme(np.argmin(seen.gap, axis=0), 1.0)
    begin, finish = held(full)
    free = np.where(film.free, seen.gap, np.inf)
    nearest = np.argmin(free, axis=0)
    loose = np.isfinite(free).any(axis=0)
    clear_at, clear = seen.extreme(nearest, 1.0, free=True)
    engage, home = _turning(seen, motor, dial)
    touch_angle, full_angle = dial(touch), dial(full)
    in_cut, either = _speeds(machine, spindle, seen, motor, (touch_angle, full_angle), (engage, home), already)

    def out(values: Floats) -> Floats:
        return np.asarray(values)[..., 0] if film.single else np.asarray(values)

    def flag(values: Flags) -> Flags:
        return np.asarray(values)[..., 0] if film.single else np.asarray(values)

    def deeper(depth: Floats) -> tuple[Floats, Floats]:
        level = TIE - depth
        flags = np.asarray(seen.gap <= level)
        return out(dial(seen.crossing(*seen.first(flags), level))), out(dial(seen.crossing(*seen.last(flags), level)))

    unheld = np.isnan(begin)
    found = TapPass(
        thread=Span(out(dial(touch)), out(dial(gone)), flag(already), flag(never)),
        engage=out(engage),
        through=out(dial(through)),
        full=out(np.where(never, np.nan, full_angle)),
        home=out(home),
        retouch=out(dial(retouch)),
        depth=out(-least),
        held=Span(out(dial(begin)), out(dial(finish)), flag(np.zeros_like(unheld)), flag(unheld)),
        held_depth=0.0,
        clear=out(np.where(loose, clear, np.inf)) - tap.point,
        clear_at=out(np.where(loose, dial(clear_at), np.nan)),
        movement=out(_movement(tap, seen, touch, gone)),
        turns=out(seen.turns.max(axis=0)),
        peak_speed_in_cut=out(in_cut),
        peak_speed=out(either),
        along=_along(seen, motor is not None),
        deeper=deeper,
    )
    return _with_held_depth(found, rigid if rigid is not None else found)


def _with_held_depth(found: TapPass, rigid: TapPass) -> TapPass:
    """Depth by the rigid reading while the strip is held: it grows to `full` and falls from there."""
    start, end = found.held.start, found.held.end
    best: Floats = -np.inf
    for angle in (start, end, np.minimum(np.maximum(rigid.full, start), end)):
        gap = np.asarray(rigid.along(angle)[0])
        best = np.where(np.isnan(gap), best, np.maximum(best, -gap))
    return TapPass(**{**vars(found), "held_depth": best})


def _turning(
    seen: Followed, motor: tuple[Floats, Floats] | None, dial: Callable[[Array], Array]
) -> tuple[Array, Array]:
    """Dial angles [rad] at which the spindle first leaves home and at which it is last home again."""
    n = seen.film.time.shape[1]
    if motor is not None:
        start, end = (np.broadcast_to(np.asarray(each, dtype=float), (n,)) for each in motor)
        return start, end
    away = seen.turns > 0.0
    home = np.where(away[-1], np.nan, seen.turning(*seen.last(away)))
    return dial(np.where(away.any(axis=0), seen.engaging(), np.nan)), dial(home)


def _speeds(
    machine: Machine,
    spindle: PressSpindle | MotorSpindle,
    seen: Followed,
    motor: tuple[Floats, Floats] | None,
    cut: tuple[Array, Array],
    turning: tuple[Array, Array],
    already: Array,
) -> tuple[Floats, Floats]:
    """Greatest spindle speed while cutting and either way [turns/s].

    A press-driven spindle is taken to turn with the slide: what the stripper's own shaking adds is left out.
    """
    crank = seen.film.course.crank
    touch, full = cut
    if isinstance(spindle, MotorSpindle):
        assert motor is not None
        start = np.asarray(motor[0])
        span = [
            crank.seconds(start, np.where(np.isnan(each), full, each))
            for each in (np.where(already, start, touch), full)
        ]
        return spindle.peak_rate(*span), spindle.top_speed + 0.0 * full
    bdc = np.broadcast_to(np.asarray(machine.slide.bdc, dtype=float), touch.shape)
    engage, home = turning
    turns = seen.turns.max(axis=0) > 0.0
    first = np.where(np.isnan(engage), 0.0, np.minimum(engage, bdc))
    into = np.minimum(np.fmax(np.where(already, first, touch), first), bdc)
    last = np.maximum(np.where(np.isnan(home), TURN, home), bdc)
    if seen.film.single:
        first, into, last, bdc = (each[0] for each in (first, into, last, bdc))
    in_cut = peak_slide_speed(machine, into, bdc)
    either = np.maximum(peak_slide_speed(machine, first, bdc), peak_slide_speed(machine, bdc, last))
    cuts = turns & (already | ~np.isnan(touch))
    return np.where(cuts, spindle.gearing * in_cut, 0.0), np.where(turns, spindle.gearing * either, 0.0)


def _movement(tap: Tap, seen: Followed, touch: Array, gone: Array) -> Array:
    """How far [m] the strip moves against the head's carrier from first touch to last leave."""
    film = seen.film
    if tap.mount == "lifter":
        return 0.0 * touch
    against = film.underside if tap.mount == "die" else film.face - film.underside
    inside = (film.time >= touch) & (film.time <= gone)
    most, least = np.where(inside, against, -np.inf).max(axis=0), np.where(inside, against, np.inf).min(axis=0)
    ends = film.places(np.stack([touch, gone]))
    edge = np.asarray(ends.underside if tap.mount == "die" else np.asarray(ends.face) - ends.underside)
    moved = np.fmax(most, edge.max(axis=0)) - np.fmin(least, edge.min(axis=0))
    return np.where(np.isnan(touch), np.nan, moved)


def _along(seen: Followed, motor: bool) -> Pair:
    film = seen.film
    crank = film.course.crank

    def along(angle: Floats) -> tuple[Floats, Floats]:
        wide = np.asarray(angle, dtype=float)
        turns = np.maximum(np.ceil(wide / TURN) - 1.0, 0.0)
        if not motor:
            wide = wide - turns * TURN  # the turn begins again; its end is its own end
        time = np.asarray(crank.seconds(0.0, wide))
        if motor:
            time = np.minimum(time, film.time[-1, 0] if film.single else film.time[-1])
        n = film.time.shape[1]
        time = time if film.single else np.broadcast_to(time, np.broadcast_shapes(time.shape, (n,)))
        flat = time.reshape(-1, n)
        gap, count = seen.along(flat)
        return gap.reshape(time.shape), count.reshape(time.shape)

    return along
