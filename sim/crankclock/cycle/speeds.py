"""How fast the slide is in time."""

from __future__ import annotations

import numpy as np

from crankclock.parts.numbers import Floats
from crankclock.parts.slide import scan_peak
from crankclock.scenario.build import Machine


def slide_speed(machine: Machine, angle: Floats) -> Floats:
    """Slide speed [m/s] at a dial angle [rad], without sign."""
    return np.abs(machine.slide.motion(angle)[1]) * machine.crank.speed_at(angle)


def peak_slide_speed(machine: Machine, start: Floats, end: Floats) -> Floats:
    """Greatest slide speed [m/s] from one dial angle [rad] to another, both on the same way."""
    if machine.crank.even:
        return machine.crank.speed * machine.slide.peak_speed(start, end)
    wide = 0.0 * machine.crank.rate  # so that samples of the span have the variants' axis even where it has none
    return scan_peak(lambda angle: slide_speed(machine, angle), start + wide, end + wide)


def peak_slide_acceleration(machine: Machine, start: Floats, end: Floats) -> Floats:
    """Greatest slide acceleration [m/s2] from one dial angle [rad] to another, without sign."""
    crank = machine.crank
    if crank.even:
        return crank.speed**2 * machine.slide.peak_acceleration(start, end)

    def size(angle: Floats) -> Floats:
        _, slope, bend = machine.slide.motion(angle)
        return np.abs(bend * crank.speed_at(angle) ** 2 + slope * crank.acceleration_at(angle))

    wide = 0.0 * crank.rate
    return scan_peak(size, start + wide, end + wide)
