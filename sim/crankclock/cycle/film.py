"""A course seen at moments close enough that nothing turns sharply between two of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.cycle.course import Course, Places, RigidCourse, RunningCourse
from crankclock.parts.numbers import TIE, TURN, Floats

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Rows = NDArray[np.intp]

_STEP = np.radians(1.0)
_PLAY_TIE = 1e-8
"""Strip within this of the play [m] counts as not held: where it comes out of the play is known so well."""


@dataclass(frozen=True)
class Film:
    """Slide, strip and stripper over one turn.

    Attributes
    ----------
    course : Course
    single : bool
        True where the machine is one of single values; arrays then have one column all the same.
    time : array, shape (k, n)
        Since the TDC that starts the stroke [s], ascending; moments may stand twice.
    slide, underside, face : array, shape (k, n)
        Heights [m].
    free : array of bool, shape (k, n)
        The strip is not held; a tie is free.
    is_free : callable
        From times and strip or slide heights to `free`.
    """

    course: Course
    single: bool
    time: Array
    slide: Array
    underside: Array
    face: Array
    free: Mask
    is_free: Callable[[Array, Places], Mask]

    def places(self, time: Array) -> Places:
        """Places at times of shape (..., n) [s]."""
        if not self.single:
            return self.course.at_time(time)
        found = self.course.at_time(time[..., 0])
        return Places(*(np.asarray(each)[..., None] for each in (found.slide, found.underside, found.face)))

    @property
    def seen(self) -> Places:
        return Places(self.slide, self.underside, self.face)

    def also_at(self, *times: Floats) -> Film:
        """The same with more moments, each of shape (), (n,) or (m, n); nan and those past its end are left out."""
        n, end = self.time.shape[1], self.time[-1]
        more = np.vstack([np.broadcast_to(each, (*np.shape(each)[:-1], n)).reshape(-1, n) for each in times])
        more = np.where((more >= 0.0) & (more <= end), more, end)
        places = self.places(more)
        time = np.vstack([self.time, more])
        order = np.argsort(time, axis=0, kind="stable")

        def woven(old: Array | Mask, new: object) -> NDArray[np.generic]:
            both = np.concatenate([old, np.broadcast_to(np.asarray(new), more.shape)])
            return np.take_along_axis(both, order, axis=0)

        return Film(
            self.course,
            self.single,
            np.asarray(woven(self.time, more), dtype=float),
            np.asarray(woven(self.slide, places.slide), dtype=float),
            np.asarray(woven(self.underside, places.underside), dtype=float),
            np.asarray(woven(self.face, places.face), dtype=float),
            np.asarray(woven(self.free, self.is_free(more, places)), dtype=bool),
            self.is_free,
        )


def rigid_film(course: RigidCourse, n: int, single: bool, until: Floats = 0.0) -> Film:
    """Film of a rigid course over one turn, or on to a time [s] past it."""
    machine, crank = course.machine, course.crank
    clamp = machine.strip.clamp_height
    turns = max(1, int(np.ceil(np.max(np.asarray(crank.angle_at(until)) / TURN) - 1e-12)))
    grid = np.linspace(0.0, turns * TURN, turns * round(TURN / _STEP) + 1)[:, None] + np.zeros(n)
    corners: list[Floats] = [machine.slide.bdc]
    for height in (clamp, machine.strip.touch_height):
        corners += machine.slide.passes(height)
    grid = np.vstack([grid, *(np.broadcast_to(each, (1, n)) + k * TURN for each in corners for k in range(turns))])
    time = np.sort(np.broadcast_to(np.asarray(crank.seconds(0.0, grid)), grid.shape), axis=0)

    def is_free(_: Array, places: Places) -> Mask:
        return np.asarray(np.asarray(places.slide) >= clamp - TIE)

    blank = np.zeros_like(time)
    film = Film(course, single, time, blank, blank, blank, blank > 0.0, is_free)
    seen = film.places(time)
    slide, underside, face = (
        np.broadcast_to(np.asarray(each), time.shape) for each in (seen.slide, seen.underside, seen.face)
    )
    free = np.broadcast_to(is_free(time, seen), time.shape)
    return Film(course, single, time, slide, underside, face, free, is_free)


def running_film(course: RunningCourse, play: Floats) -> Film:
    """Film of a running course.

    A strip whose lift is no more than its play never gets out of it: it counts as free while the stripper does not
    press it on the die.
    """
    run, machine = course.run, course.machine
    samples, events = run.samples, run.events
    n = run.period.size
    play_ = np.broadcast_to(np.asarray(play, dtype=float), (n,))
    low = np.broadcast_to(np.asarray(machine.strip.lift), (n,)) <= play_ + _PLAY_TIE
    clamped, unclamped = events["stripper.clamped"], events["stripper.unclamped"]

    def is_free(time: Array, places: Places) -> Mask:
        loose = ~((time > clamped) & (time < unclamped))
        return np.where(low, loose, np.asarray(places.underside) >= play_ - _PLAY_TIE)

    end = run.period
    time = np.where(np.isnan(samples.time), end, samples.time)
    last = run.at(end[None])
    gone = np.isnan(samples.time)
    slide, underside, face = (
        np.where(gone, final, found)
        for found, final in (
            (samples.slide, last.slide),
            (samples.strip, last.strip),
            (samples.face, last.face),
        )
    )
    film = Film(
        course, course.single, time, slide, underside, face, is_free(time, Places(slide, underside, face)), is_free
    )
    held = run.crossings(lambda m: np.asarray(m.strip - play_))
    bdc = course.crank.seconds(0.0, machine.slide.bdc)
    return film.also_at(held.time, clamped, unclamped, bdc)
