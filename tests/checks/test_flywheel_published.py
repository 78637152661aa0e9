"""Published flywheel examples: R. S. Khurmi and J. K. Gupta, Theory of Machines, chapter 16.

The program's motor gives a constant torque, its power at the flywheel's speed at the rate; the examples are turned
over to it by the inertia, the energy and the angle over which it is drawn.
"""

from __future__ import annotations

import math

import pytest

from crankclock.parts.crank import Crank
from crankclock.parts.flywheel import Flywheel
from crankclock.parts.numbers import TURN
from crankclock.parts.single_stroke import SingleStroke

RPM = TURN / 60.0


def test_khurmi_16_1_greatest_and_least_speed() -> None:
    """6500 kg at a radius of gyration of 1.8 m, 56 kJ between the extremes about 120 rpm: 121 and 119 rpm.

    Half of the turn working and the motor even over all of it, 112 kJ of work draw just 56 kJ. The print is rounded
    to the whole rpm; to full precision the extremes are 2 x 1.0104 rpm apart.
    """
    wheel = Flywheel(6500.0 * 1.8**2, 1.0, work=112e3, start=0.5 * math.pi, end=1.5 * math.pi)
    assert wheel.drawn(120.0 * RPM) == pytest.approx(56e3)
    crank = Crank(2.0, wheel.profile(2.0))
    top, low = float(crank.speed_at(0.5 * math.pi)) / RPM, float(crank.speed_at(1.5 * math.pi)) / RPM
    assert top == pytest.approx(121.0, abs=0.5)
    assert low == pytest.approx(119.0, abs=0.5)
    assert top - low == pytest.approx(56e3 / (6500.0 * 1.8**2 * 120.0 * RPM) / RPM, rel=1e-9)
    assert top + low == pytest.approx(240.0, rel=1e-12)


def test_khurmi_16_21_speed_after_the_work() -> None:
    """150 kg at 0.6 m turning at 300 rpm gives 10 kJ in a second in which the motor gives it 3 kW: 257.6 rpm.

    Geared ten to one, 180 deg of the crank are a second at the flywheel's speed. The motor needs longer than the
    stroke to bring the wheel back, which single strokes with a pause leave it. The print is rounded to 0.1 rpm.
    """
    wheel = Flywheel(150.0 * 0.6**2, 10.0, work=10e3, start=0.5 * math.pi, end=1.5 * math.pi, power=3e3)
    assert wheel.drawn(30.0 * RPM) == pytest.approx(7e3)
    crank = Crank(0.5, SingleStroke(engage=0.1, braking=0.02, pause=5.0).profile(0.5, wheel))
    assert 10.0 * crank.speed_at(0.5 * math.pi) / RPM == pytest.approx(300.0, rel=1e-12)
    after = 10.0 * float(crank.speed_at(1.5 * math.pi))
    assert after / RPM == pytest.approx(257.6, abs=0.05)
    assert 0.5 * 54.0 * ((300.0 * RPM) ** 2 - after**2) == pytest.approx(7e3, rel=1e-12)
