"""Where slide, strip and stripper are at any moment of a turn, by each reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from crankclock.dynamics import Motion, Run
from crankclock.parts.crank import Crank
from crankclock.parts.numbers import TURN, Floats
from crankclock.scenario.build import Machine


@dataclass(frozen=True)
class Places:
    """Heights [m] above the die face; of the slide, above nominal BDC.

    Attributes
    ----------
    slide, underside, face : float or array
        Slide, strip underside, stripper face.
    """

    slide: Floats
    underside: Floats
    face: Floats


class Course(Protocol):
    """The way of slide, strip and stripper through one turn."""

    @property
    def crank(self) -> Crank:
        """How dial angle and time belong together."""

    def at(self, angle: Floats) -> Places:
        """Places at dial angles [rad], any leading axes before the variants'; past a turn it begins again."""

    def at_time(self, seconds: Floats) -> Places:
        """Places at times [s] since the TDC that starts the stroke."""


@dataclass(frozen=True)
class RigidCourse:
    """Strip and stripper follow the slide without inertia."""

    machine: Machine
    crank: Crank

    def at(self, angle: Floats) -> Places:
        slide, strip = self.machine.slide.height(angle), self.machine.strip
        return Places(slide, strip.underside(slide), strip.stripper_face(slide))

    def at_time(self, seconds: Floats) -> Places:
        return self.at(self.crank.angle_at(seconds))


@dataclass(frozen=True)
class RunningCourse:
    """Strip and stripper as masses.

    Attributes
    ----------
    run : Run
        Of n variants.
    single : bool
        True where the machine is one of single values: places then have no variants' axis.
    """

    machine: Machine
    crank: Crank
    run: Run
    single: bool

    def at(self, angle: Floats) -> Places:
        return self.at_time(self.crank.seconds(0.0, angle))

    def at_time(self, seconds: Floats) -> Places:
        # A strip that still moves at the end of the turn is known for a while beyond it; else the turn begins again.
        known = np.where(np.asarray(self.crank.pause) > 0.0, self.run.period, self.run.reach) * (1.0 + 1e-12)
        again = self.crank.seconds(0.0, np.mod(self.crank.angle_at(seconds), TURN))
        time, again = (np.asarray(each, dtype=float) for each in (seconds, again))
        if self.single:
            time, again = time[..., None], again[..., None]
        motion = self.run.at(np.where(time <= known, time, again))
        return Places(*(self.narrow(each) for each in (motion.slide, motion.strip, motion.face)))

    def extremes(
        self, value: Callable[[Motion], NDArray[np.float64]], start: Floats | None = None, end: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Least and greatest of a value of the run between dial angles [rad] within the turn; all of it by default.

        nan where either end is, or where the second comes first.
        """

        def time(angle: Floats | None, default: NDArray[np.float64]) -> NDArray[np.float64]:
            found = default if angle is None else np.asarray(self.crank.seconds(0.0, angle), dtype=float)
            return np.broadcast_to(found, self.run.period.shape)

        first, last = time(start, 0.0 * self.run.period), time(end, self.run.period)
        known = first <= last
        found = self.run.extremes(value, np.where(known, first, 0.0), np.where(known, last, self.run.period))
        least, most = (self.narrow(np.where(known, each, np.nan)) for each in found)
        return least, most

    def narrow(self, values: NDArray[np.float64]) -> Floats:
        """Values of the run without the variants' axis where the machine is one of single values."""
        return values[..., 0] if self.single else values
