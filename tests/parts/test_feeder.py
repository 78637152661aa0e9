"""Feeders of every kind on the dial, and the release of their rolls."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankclock.parts.crank import Crank
from crankclock.parts.feeder import Feeder, PilotRelease, next_after
from crankclock.parts.laws import LAWS
from crankclock.parts.numbers import TURN
from crankclock.scenario.build import rated_time

DEG = math.pi / 180.0
LAW_NAMES = ["trapezoid", *LAWS]


def servo(**other: Any) -> Feeder:
    """40 mm at 1 m/s and 25 m/s2 from 250 deg: 80 ms of motion, 12 ms of latency before, 8 ms of settling after."""
    given_values: dict[str, Any] = {
        "kind": "servo", "length": 0.040, "start": 250.0 * DEG, "latency": 0.012, "settle": 0.008,
        "speed": 1.0, "acceleration": 25.0,
    }  # fmt: skip
    return Feeder(**(given_values | other))


def test_servo_by_hand_and_at_speed() -> None:
    """40 ms at speed and 40 ms to reach and leave it. At 60 /min a millisecond is 0.36 deg; by hand it is nothing."""
    stroke = servo().stroke(Crank(1.0), by_hand=False)
    found = [float(angle) / DEG for angle in (stroke.start, stroke.stop, stroke.end)]
    assert found == pytest.approx([250 + 12 * 0.36, 250 + 92 * 0.36, 250 + 100 * 0.36])
    hand = servo().stroke(Crank(1.0), by_hand=True)
    assert [float(angle) / DEG for angle in (hand.start, hand.stop, hand.end)] == pytest.approx([250.0] * 3)


def test_a_move_too_short_for_the_speed_is_a_triangle() -> None:
    assert servo(length=0.010).time() == pytest.approx(2.0 * math.sqrt(0.010 / 25.0))
    assert servo(length=0.040).time() == pytest.approx(0.080)


def test_gripper_and_rated_feeder() -> None:
    """A gripper takes length over mean speed; a maker's list its feed angle at the rate of the next longer length."""
    assert Feeder("gripper", 0.040, 0.0, speed=0.5).time() == pytest.approx(0.080)
    rates = ((0.060, 2.0), (0.020, 4.0), (0.040, 3.0))
    for length, rate in ((0.020, 4.0), (0.0201, 3.0), (0.040, 3.0), (0.041, 2.0)):
        seconds = rated_time(rates, math.pi, length)
        assert seconds == pytest.approx(0.5 / rate)
        assert Feeder("rated", length, 0.0, rated_time=seconds).time() == pytest.approx(0.5 / rate)


def test_a_length_beyond_the_list_is_never_fed() -> None:
    assert rated_time(((0.020, 4.0),), math.pi, 0.030) == math.inf


def test_cam_is_geared_to_the_crank() -> None:
    """The same dial angles by hand and at any rate; its acceleration grows with the rate squared."""
    cam = Feeder("cam", 0.040, 250.0 * DEG, stop=80.0 * DEG, law="cycloidal")
    strokes = [cam.stroke(Crank(rate), by_hand=hand) for rate, hand in ((1.0, True), (1.0, False), (2.0, False))]
    for stroke in strokes:
        assert (stroke.start / DEG, stroke.end / DEG) == pytest.approx((250.0, 440.0))
    slow, fast = strokes[1].peak_acceleration, strokes[2].peak_acceleration
    assert slow is not None
    assert fast is not None
    assert fast == pytest.approx(4.0 * slow)
    assert slow == pytest.approx(2.0 * math.pi * 0.040 / (190.0 / 360.0) ** 2)


@given(st.floats(-20.0, 20.0), st.floats(-20.0, 20.0))
def test_next_after_is_later_by_at_most_a_turn(angle: float, start: float) -> None:
    found = float(next_after(angle, start))
    assert start - 1e-12 <= found <= start + TURN + 1e-12  # within rounding
    assert math.remainder(found - angle, TURN) == pytest.approx(0.0, abs=1e-9)


@given(st.floats(0.0, TURN), st.floats(0.0, 0.3), st.floats(0.2, 6.0), st.sampled_from(LAW_NAMES), st.booleans())
def test_feed_starts_in_its_stroke_and_ends_after(
    start: float, latency: float, rate: float, law: str, by_hand: bool
) -> None:
    """From half a turn to one and a half; the command's own dial angle, and no time taken by hand."""
    stroke = servo(start=start, latency=latency, law=law).stroke(Crank(rate), by_hand=by_hand)
    assert 0.5 * TURN - 1e-9 <= stroke.start < 1.5 * TURN
    waited = 0.0 if by_hand else latency * rate * TURN
    assert math.remainder(float(stroke.start) - start - waited, TURN) == pytest.approx(0.0, abs=1e-9)
    assert stroke.start <= stroke.stop <= stroke.end
    assert (stroke.end == stroke.start) == by_hand


@pytest.mark.parametrize("law", LAW_NAMES)
def test_covered_runs_from_nothing_to_the_length(law: str) -> None:
    feeder = servo(law=law)
    stroke = feeder.stroke(Crank(1.0), by_hand=False)
    angles = np.linspace(float(stroke.start) - 0.2, float(stroke.end) + 0.2, 2001)
    covered = np.asarray(feeder.covered(stroke, angles))
    assert np.all(np.diff(covered) >= -1e-15)
    assert covered[0] == 0.0
    assert covered[-1] == pytest.approx(0.040)
    assert feeder.covered(stroke, 0.5 * (stroke.start + stroke.stop)) == pytest.approx(0.020)


@pytest.mark.parametrize("law", LAW_NAMES)
@pytest.mark.parametrize("length", [0.010, 0.100])  # too short for the speed, and long enough to run at it
def test_covered_keeps_the_feeders_limits(law: str, length: float) -> None:
    """Differentiated over time it never runs faster than 1 m/s nor harder than 25 m/s2, and uses one of them up."""
    feeder = servo(law=law, length=length)
    stroke = feeder.stroke(Crank(1.0), by_hand=False)
    angles = np.linspace(float(stroke.start), float(stroke.stop), 8001)
    seconds = (angles[1] - angles[0]) / TURN
    speed = np.diff(np.asarray(feeder.covered(stroke, angles))) / seconds
    acceleration = np.diff(speed) / seconds
    assert speed.max() <= 1.0 * (1.0 + 1e-6)
    assert np.abs(acceleration).max() <= 25.0 * (1.0 + 1e-3)
    assert speed.max() > 0.999 or np.abs(acceleration).max() > 24.9
    assert stroke.peak_acceleration is not None
    assert np.abs(acceleration).max() == pytest.approx(float(stroke.peak_acceleration), rel=2e-3)


def test_by_hand_the_whole_length_is_covered_at_once() -> None:
    feeder = servo()
    stroke = feeder.stroke(Crank(1.0), by_hand=True)
    assert feeder.covered(stroke, stroke.start - 1e-6) == 0.0
    assert feeder.covered(stroke, stroke.start + 1e-6) == pytest.approx(0.040)


def test_rolls_open_and_next_close() -> None:
    """15 ms of valve at 60 /min are 5.4 deg, each way; nothing by hand."""
    release = PilotRelease(100.0 * DEG, 250.0 * DEG, 0.015)
    assert np.array(release.angles(Crank(1.0), by_hand=True)) / DEG == pytest.approx([100.0, 250.0])
    assert np.array(release.angles(Crank(1.0), by_hand=False)) / DEG == pytest.approx([105.4, 255.4])
    late = PilotRelease(250.0 * DEG, 100.0 * DEG, 0.015)
    assert np.array(late.angles(Crank(1.0), by_hand=True)) / DEG == pytest.approx([250.0, 460.0])


def test_rolls_that_open_after_the_turn_are_not_wrapped() -> None:
    """Commanded at 350 deg they open at 368 deg: not in time for the pilots of the stroke that TDC started."""
    release = PilotRelease(350.0 * DEG, 30.0 * DEG, 0.050)
    assert np.array(release.angles(Crank(1.0), by_hand=False)) / DEG == pytest.approx([368.0, 408.0])


def test_arrays_are_loops_of_floats() -> None:
    rng = np.random.default_rng(9)
    start, latency, speed, length = rng.uniform((0, 0, 0.2, 0.01), (6.2, 0.05, 2.0, 0.08), (50, 4)).T
    rate, angle = rng.uniform(0.5, 4.0, 50), rng.uniform(3.0, 10.0, 50)
    for law in LAW_NAMES:
        many = servo(start=start, latency=latency, speed=speed, length=length, law=law)
        stroke = many.stroke(Crank(rate), by_hand=False)
        covered = np.asarray(many.covered(stroke, angle))
        for k in range(50):
            one = servo(start=start[k], latency=latency[k], speed=speed[k], length=length[k], law=law)
            alone = one.stroke(Crank(rate[k]), by_hand=False)
            assert [np.asarray(each)[k] for each in (stroke.start, stroke.stop, stroke.end)] == pytest.approx(
                [float(alone.start), float(alone.stop), float(alone.end)], rel=1e-14
            )
            assert covered[k] == pytest.approx(float(one.covered(alone, angle[k])), rel=1e-12, abs=1e-15)
