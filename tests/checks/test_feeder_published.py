"""A published case of press and servo-feed arithmetic (article at jaycenrigger.com).

300 strokes/min, 5.5 in feed, at most 575 in/s2, a tool in the strip from 155 to 205 deg, 5 deg of margin each side.
The inputs are the article's; the results are computed from them to full precision.
"""

from __future__ import annotations

import math

import pytest

from crankclock.parts.crank import Crank
from crankclock.parts.feeder import Feeder
from crankclock.parts.laws import trapezoid_time

INCH = 0.0254
LENGTH, LIMIT, RATE = 5.5 * INCH, 575.0 * INCH, 300.0 / 60.0
FAST = 1e3  # m/s: no speed limit
WINDOW = math.radians(360.0 - (205.0 - 155.0) - 5.0)


def feeder() -> Feeder:
    return Feeder("servo", LENGTH, math.radians(205.0), speed=FAST, acceleration=LIMIT)


def test_window_is_too_short_for_the_feeder() -> None:
    """305 deg at 300 /min last 0.16944 s, which would need 766.2 in/s2."""
    seconds = float(Crank(RATE).seconds(0.0, WINDOW))
    assert seconds == pytest.approx(0.16944, abs=5e-6)
    assert trapezoid_time(LENGTH, FAST, 766.2 * INCH) == pytest.approx(seconds, rel=1e-4)  # half of the last place
    stroke = feeder().stroke(Crank(RATE), by_hand=False)
    assert stroke.end - stroke.start > WINDOW


def test_least_time_and_peak_speed() -> None:
    """0.19560 s at 575 in/s2 with a peak of 56.24 in/s."""
    seconds = float(feeder().time())
    assert seconds == pytest.approx(0.19560, abs=1e-5)  # 0.195604: the print drops the last place
    assert 2.0 * LENGTH / seconds / INCH == pytest.approx(56.24, abs=0.005)
    within = Feeder("servo", LENGTH, 0.0, speed=56.25 * INCH, acceleration=LIMIT)
    assert within.time() == pytest.approx(seconds, rel=1e-9)
    slower = Feeder("servo", LENGTH, 0.0, speed=56.0 * INCH, acceleration=LIMIT)
    assert slower.time() > seconds


def test_rate_ceiling() -> None:
    """259.9 strokes/min: there the feed takes the window, below it less, above it more."""
    ceiling = 259.9 / 60.0
    cranks = [Crank(ceiling - 0.05 / 60.0), Crank(ceiling + 0.05 / 60.0)]
    below, above = (feeder().stroke(crank, by_hand=False) for crank in cranks)
    assert below.end - below.start < WINDOW < above.end - above.start
    assert 60.0 * WINDOW / (2.0 * math.pi) / float(feeder().time()) == pytest.approx(259.9, abs=0.05)
