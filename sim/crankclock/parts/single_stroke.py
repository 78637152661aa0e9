"""Single-stroke mode: every stroke starts from rest at TDC and is braked to rest at the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.parts.flywheel import Flywheel
from crankclock.parts.numbers import TURN, Flags, Floats
from crankclock.parts.speed_profile import SpeedProfile


@dataclass(frozen=True)
class SingleStroke:
    """How clutch and brake start and stop each stroke.

    Parameters
    ----------
    engage : float or array, shape (n,)
        Time [s] in which the clutch brings the crank from rest to its speed, evenly.
    braking : float or array, shape (n,)
        Braking time per crank speed [s/(rad/s)]: the brake's deceleration is its inverse.
    pause : float or array, shape (n,)
        Time [s] the crank stands at TDC.
    """

    engage: Floats
    braking: Floats
    pause: Floats

    def engaged(self, rate: Floats) -> Floats:
        """Dial angle [rad] at which the crank has its speed."""
        return 0.5 * TURN * rate * self.engage

    def profile(self, rate: Floats, flywheel: Flywheel | None = None) -> SpeedProfile:
        """Crank speed over each stroke at a stroke rate [strokes/s]; nan where it is not sound.

        With a flywheel, which is at its speed whenever a stroke starts, the work lies between clutch and brake.
        """
        speed, engaged = TURN * rate, self.engaged(rate)
        if flywheel is None:
            sound: Flags = engaged <= self.brakes_at(speed)
            run: tuple[Floats, ...] = (engaged, self.brakes_at(speed))
            squares: tuple[Floats, ...] = (speed**2, speed**2)
        else:
            sound = self.in_reach(rate, flywheel) & self.holds(rate, flywheel) & self.restores(rate, flywheel)
            run, squares = self._run(speed, flywheel)
            run, squares = (engaged, *run), (speed**2, *squares)
        rest = 0.0 * speed
        kept = tuple(np.where(sound, each, np.nan) for each in (rest, *squares, rest))
        return SpeedProfile((0.0, *run, TURN), kept, self.pause)

    def in_reach(self, rate: Floats, flywheel: Flywheel) -> Flags:
        """True where the work lies between the clutch's engagement and the brake."""
        dip = flywheel.dip(TURN * rate, self.due(flywheel))
        run, _ = self._run(TURN * rate, flywheel)
        found: Flags = (dip.length > 0.0) & (self.engaged(rate) <= dip.start) & (dip.start + dip.length <= run[-1])
        return found

    def holds(self, rate: Floats, flywheel: Flywheel) -> Flags:
        """True where the wheel holds the work."""
        found: Flags = flywheel.dip(TURN * rate, self.due(flywheel)).fall < (TURN * rate) ** 2
        return found

    def restores(self, rate: Floats, flywheel: Flywheel) -> Flags:
        """True where the motor has the wheel at its speed again, freed from the crank by the brake, for the next."""
        speed = TURN * rate
        dip = flywheel.dip(speed, self.due(flywheel))
        _, squares = self._run(speed, flywheel)
        braked = np.sqrt(squares[-1])
        needed = (speed - braked) * flywheel.at_crank * dip.recovery / flywheel.work
        found: Flags = needed <= (self.braking * braked + self.pause) * (1.0 + 1e-9)
        return found

    def brakes_at(self, speed: Floats) -> Floats:
        """Dial angle [rad] at which the brake grips at a crank speed [rad/s]."""
        return TURN - 0.5 * self.braking * speed**2

    @staticmethod
    def due(flywheel: Flywheel) -> Floats:
        """Angle [rad] from the beginning of the work to the end of the stroke."""
        return TURN - np.mod(flywheel.start, TURN)

    def _run(self, speed: Floats, flywheel: Flywheel) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
        """Knots from the beginning of the work to the brake: dial angles [rad] and squared speeds [rad2/s2].

        The brake grips where the speed is what it can stop by TDC: after the recovery, or in the midst of it.
        """
        dip = flywheel.dip(speed, self.due(flywheel))
        end, top = dip.start + dip.length, speed**2
        low = np.maximum(top - dip.fall, 0.0)
        recovering = dip.recovery - dip.length
        rise = np.where(recovering > 0.0, dip.fall / np.where(recovering > 0.0, recovering, 1.0), 0.0)
        restored, late = dip.start + dip.recovery, self.brakes_at(speed)
        midst = (2.0 * TURN - self.braking * (low - rise * end)) / (2.0 + self.braking * rise)
        brakes = np.where(restored <= late, late, midst)
        at_brake = np.where(restored <= late, top, low + rise * (midst - end))
        return (
            (dip.start, end, np.minimum(restored, brakes), brakes),
            (top, low, np.where(restored <= late, top, at_brake), at_brake),
        )
