"""The flywheel: how far the press slows while it works, and how the motor brings it back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.parts.numbers import TURN, Flags, Floats
from crankclock.parts.speed_profile import SpeedProfile


@dataclass(frozen=True)
class Dip:
    """What the work of a stroke does to the squared crank speed.

    Attributes
    ----------
    start, length : float or array, shape (n,)
        Dial angle [rad] where the work begins, and the angle over which it is taken.
    fall : float or array, shape (n,)
        How much the squared crank speed falls over the work [rad2/s2].
    recovery : float or array, shape (n,)
        Angle [rad] from the beginning of the work over which the motor gives its energy back.
    """

    start: Floats
    length: Floats
    fall: Floats
    recovery: Floats


@dataclass(frozen=True)
class Flywheel:
    """A flywheel geared to the crank.

    Parameters
    ----------
    inertia : float or array, shape (n,)
        Moment of inertia about its own axis [kg m2].
    ratio : float or array, shape (n,)
        Turns of the flywheel per turn of the crank.
    work : float or array, shape (n,)
        Energy of one stroke's work [J], taken evenly over dial angles `start` to `end`.
    start, end : float or array, shape (n,)
        Dial angles [rad]; `end` is the next after `start`. Equal angles leave no room for work.
    power : float or array, shape (n,), or None
        Power of the motor [W] at the flywheel's speed at the rate, beyond what keeps the idle press turning: a
        constant torque from the beginning of the work until its energy is given back. None: just enough to give it
        back evenly by the time it is due.

    Notes
    -----
    With J the inertia times the ratio squared, a net torque M changes the squared crank speed by 2 M / J per radian.
    Clutch, crank and slide are not counted into J, which makes the press slow more than it does.
    """

    inertia: Floats
    ratio: Floats
    work: Floats
    start: Floats
    end: Floats
    power: Floats | None = None

    @property
    def at_crank(self) -> Floats:
        """Moment of inertia as the crank feels it [kg m2]."""
        return self.inertia * self.ratio**2

    def held(self, speed: Floats) -> Floats:
        """Energy [J] it holds at a crank speed [rad/s]."""
        return 0.5 * self.at_crank * speed**2

    def drawn(self, speed: Floats, due: Floats = TURN) -> Floats:
        """Energy [J] it has given at the end of the work, less what the motor gave back meanwhile; see `dip`."""
        dip = self.dip(speed, due)
        return self.work * (1.0 - dip.length / dip.recovery)

    def dip(self, speed: Floats, due: Floats = TURN) -> Dip:
        """What the work does to the squared crank speed.

        Parameters
        ----------
        speed : float or array, shape (n,)
            Crank speed at the stroke rate [rad/s].
        due : float or array, shape (n,)
            Angle [rad] from the beginning of the work over which an unknown motor restores it.
        """
        length = np.mod(self.end - self.start, TURN)
        recovery = due if self.power is None else np.maximum(self.work * speed / self.power, length)
        fall = 2.0 * self.work * (1.0 - length / recovery) / self.at_crank
        return Dip(np.mod(self.start, TURN), length, fall, recovery)

    def sound(self, rate: Floats) -> Flags:
        """True where the wheel holds the work and the motor restores it within one turn at the rate [strokes/s]."""
        speed = TURN * rate
        dip = self.dip(speed)
        found: Flags = (dip.length > 0.0) & (dip.fall < speed**2) & (dip.recovery <= TURN * (1.0 + 1e-12))
        return found

    def profile(self, rate: Floats) -> SpeedProfile:
        """Crank speed stroke after stroke, at a mean of the stroke rate [strokes/s]; nan where it is not sound.

        Notes
        -----
        With w the mean speed, W the top, V the speed after the work and R the recovery, the turn takes
        2 R / (W + V) + (2 pi - R) / W = 2 pi / w. With x = (W + V) / w and d = (W2 - V2) / w2 that is
        x3 - 2 x2 + d x - d R / pi = 0, whose greatest root lies at or below 2: Newton comes down to it.
        """
        speed = TURN * rate
        dip, sound = self.dip(speed), self.sound(rate)
        d = np.where(sound, dip.fall / speed**2, 0.0)
        constant = d * np.where(sound, dip.recovery, 0.0) / np.pi
        x: Floats = np.full(np.shape(d), 2.0)
        for _ in range(20):  # quadratic: 6 settle it even where the wheel is all but emptied
            x = x - (((x - 2.0) * x + d) * x - constant) / ((3.0 * x - 4.0) * x + d)
        top, low = (np.where(sound, (0.5 * speed * (x + sign * d / x)) ** 2, np.nan) for sign in (1.0, -1.0))
        angles = (dip.start, dip.start + dip.length, dip.start + dip.recovery, dip.start + TURN)
        return SpeedProfile(angles, (top, low, top, top))
