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
from crankclock.parts.flywheel import Flywheel
from crankclock.parts.laws import LAWS
from crankclock.parts.numbers import TURN
from crankclock.parts.single_stroke import SingleStroke
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


# --- a crank that does not turn evenly -----------------------------------------------------------

WHEEL = Flywheel(inertia=10.0, ratio=6.0, work=4000.0, start=140.0 * DEG, end=250.0 * DEG, power=5000.0)
SLOWED = Crank(1.0, WHEEL.profile(1.0))
SINGLE = Crank(1.0, SingleStroke(engage=0.080, braking=0.140 / TURN, pause=0.5).profile(1.0))
"""Braked in 140 ms, which takes 25.2 deg: from 334.8 deg."""
ARRIVES = 1.0 + 0.5 * (0.080 + 0.140)
"""Time [s] from TDC to TDC: what clutch and brake take longer than even turning does is half of their times."""


def clocked(stroke: Any) -> list[float]:
    return [float(each) for each in (stroke.start_time, stroke.stop_time, stroke.end_time)]


def dial(stroke: Any) -> list[float]:
    return [float(each) / DEG for each in (stroke.start, stroke.stop, stroke.end)]


def test_the_clock_of_an_even_crank_is_its_dial() -> None:
    for by_hand in (False, True):
        stroke = servo().stroke(Crank(2.0), by_hand=by_hand)
        assert clocked(stroke) == pytest.approx([angle / 720.0 for angle in dial(stroke)], rel=1e-12)


def test_feed_of_single_strokes_goes_on_while_the_press_stands() -> None:
    """Commanded 2.8 deg before the brake grips, it starts 4.2 ms after that and has settled 44 ms into the pause."""
    command = ARRIVES - 0.140 - 2.8 / 360.0
    late = servo(start=332.0 * DEG, settle=0.100).stroke(SINGLE, by_hand=False)
    assert clocked(late) == pytest.approx([command + 0.012, command + 0.092, command + 0.192], rel=1e-12)
    braked = command + 0.012 - (ARRIVES - 0.140)
    assert late.start / DEG == pytest.approx(334.8 + 360.0 * (braked - 0.5 * braked**2 / 0.140), rel=1e-12)
    assert late.stop < TURN
    assert late.end == TURN
    assert late.end_time > ARRIVES


def test_feed_that_starts_while_the_press_stands() -> None:
    """50 ms of latency from 355 deg reach into the pause of 500 ms; with 450 ms more it ends in the next stroke."""
    left = math.sqrt(2.0 * 5.0 / 360.0 * 0.140)  # 5 deg at an even deceleration to rest
    command = ARRIVES - left
    stroke = servo(start=355.0 * DEG, latency=left + 0.050).stroke(SINGLE, by_hand=False)
    assert clocked(stroke) == pytest.approx([command + left + 0.050 + after for after in (0.0, 0.080, 0.088)])
    assert dial(stroke) == pytest.approx([360.0] * 3, rel=1e-14)
    slow = servo(start=355.0 * DEG, latency=left + 0.050, settle=0.450).stroke(SINGLE, by_hand=False)
    assert slow.end_time == pytest.approx(ARRIVES + 0.580)
    assert slow.end / DEG == pytest.approx(360.0 + 0.5 * 360.0 * 0.080, rel=1e-12)  # the clutch just engaged


def test_feed_commanded_at_the_start_belongs_to_the_stroke_before() -> None:
    """A cam switch at 20 deg acts after the pause, in the next stroke: its feed starts past 360 deg."""
    stroke = servo(start=20.0 * DEG).stroke(SINGLE, by_hand=False)
    assert stroke.start > TURN + 20.0 * DEG
    assert stroke.start_time == pytest.approx(ARRIVES + 0.5 + float(SINGLE.seconds(0.0, 20.0 * DEG)) + 0.012)


def test_feed_over_a_slowed_crank_takes_the_feeders_own_time() -> None:
    """While the press works the same milliseconds are fewer degrees."""
    feeder = servo(start=225.0 * DEG)
    slow, even = (feeder.stroke(crank, by_hand=False) for crank in (SLOWED, Crank(1.0)))
    assert SLOWED.seconds(225.0 * DEG, slow.start) == pytest.approx(0.012, rel=1e-12)
    assert SLOWED.seconds(slow.start, slow.stop) == pytest.approx(0.080, rel=1e-12)
    assert SLOWED.seconds(slow.stop, slow.end) == pytest.approx(0.008, rel=1e-12)
    assert slow.end - 225.0 * DEG < 0.95 * (even.end - 225.0 * DEG)


@pytest.mark.parametrize("crank", [SLOWED, SINGLE], ids=["slowed", "single"])
@pytest.mark.parametrize("law", LAW_NAMES)
def test_strip_moves_by_the_clock_and_not_by_the_dial(crank: Crank, law: str) -> None:
    """Sampled at even times over the dip, or over the braking, it covers what it does over an even crank."""
    feeder = servo(start=(180.0 if crank is SLOWED else 310.0) * DEG, law=law)
    stroke, even = feeder.stroke(crank, by_hand=False), feeder.stroke(Crank(1.0), by_hand=False)
    since = np.linspace(0.001, float(stroke.stop_time - stroke.start_time), 200)
    found = feeder.covered(stroke, crank.after(stroke.start, since))
    assert found == pytest.approx(feeder.covered(even, even.start + TURN * since), abs=1e-9)
    by_dial = feeder.length * (crank.after(stroke.start, since) - stroke.start) / (stroke.stop - stroke.start)
    assert np.max(np.abs(found - by_dial)) > 1e-4


def test_strip_has_moved_this_far_when_the_press_gets_to_the_top() -> None:
    feeder = servo(start=350.0 * DEG)
    stroke = feeder.stroke(SINGLE, by_hand=False)
    left = ARRIVES - float(stroke.start_time)
    assert 0.0 < left < 0.080
    ramping, slowing = min(left, 0.040), max(left - 0.040, 0.0)  # at 25 m/s2, to and from 1 m/s
    assert feeder.covered(stroke, TURN) == pytest.approx(12.5 * ramping**2 + slowing - 12.5 * slowing**2)
    assert feeder.covered(stroke, TURN + 1e-6) == pytest.approx(0.040)


@pytest.mark.parametrize("crank", [SLOWED, SINGLE], ids=["slowed", "single"])
@pytest.mark.parametrize("law", LAW_NAMES)
def test_cam_moves_by_the_dial_and_its_acceleration_is_not_underrated(crank: Crank, law: str) -> None:
    """Against differences at even times, from which the crank's pieces and the pause are not left out."""
    cam = Feeder("cam", 0.040, 250.0 * DEG, stop=80.0 * DEG, law=law)
    stroke, even = cam.stroke(crank, by_hand=False), cam.stroke(Crank(1.0), by_hand=False)
    assert dial(stroke) == pytest.approx(dial(even), rel=1e-14)
    inside = np.linspace(250.0, 440.0, 100) * DEG
    assert cam.covered(stroke, inside) == pytest.approx(cam.covered(even, inside), rel=1e-14)
    assert stroke.stop_time == pytest.approx(crank.seconds(0.0, 440.0 * DEG), rel=1e-14)
    times, step = np.linspace(float(stroke.start_time), float(stroke.stop_time), 20001, retstep=True)
    covered = np.asarray(cam.covered(stroke, crank.angle_at(times)))
    hardest = np.abs(np.diff(covered, 2)).max() / step**2
    assert stroke.peak_acceleration is not None
    assert hardest <= stroke.peak_acceleration * (1.0 + 1e-3)
    assert hardest > 0.5 * stroke.peak_acceleration


def test_cam_that_ends_at_the_top_settles_while_the_press_stands() -> None:
    stroke = Feeder("cam", 0.040, 250.0 * DEG, stop=0.0, settle=0.2).stroke(SINGLE, by_hand=False)
    assert dial(stroke) == pytest.approx([250.0, 360.0, 360.0])
    assert stroke.stop_time == pytest.approx(ARRIVES)
    assert stroke.end_time == pytest.approx(ARRIVES + 0.2)


def test_by_hand_the_crank_makes_no_difference() -> None:
    for feeder in (servo(), Feeder("cam", 0.040, 250.0 * DEG, stop=80.0 * DEG, settle=0.1)):
        even = feeder.stroke(Crank(1.0), by_hand=True)
        for crank in (SLOWED, SINGLE):
            stroke = feeder.stroke(crank, by_hand=True)
            assert dial(stroke) == dial(even)
            inside = np.linspace(4.0, 8.0, 50)
            assert np.array_equal(feeder.covered(stroke, inside), feeder.covered(even, inside))


def test_a_length_that_is_never_fed_is_never_fed_by_an_uneven_crank() -> None:
    for crank in (Crank(1.0), SLOWED, SINGLE):
        stroke = Feeder("rated", 0.030, 3.5, rated_time=math.inf).stroke(crank, by_hand=False)
        assert stroke.end == stroke.end_time == math.inf


def test_rolls_follow_the_clock() -> None:
    """Open commanded as the press slows; close commanded 4 deg before the top, 100 ms of valve: while it stands."""
    release = PilotRelease(345.0 * DEG, 356.0 * DEG, 0.100)
    opened, closed = release.angles(SINGLE, by_hand=False)
    assert SINGLE.seconds(345.0 * DEG, opened) == pytest.approx(0.100, rel=1e-9)
    assert closed == TURN
    assert np.array(release.angles(SINGLE, by_hand=True)) / DEG == pytest.approx([345.0, 356.0])
    opened, closed = PilotRelease(150.0 * DEG, 230.0 * DEG, 0.015).angles(SLOWED, by_hand=False)
    assert SLOWED.seconds(150.0 * DEG, opened) == pytest.approx(0.015, rel=1e-9)
    assert SLOWED.seconds(230.0 * DEG, closed) == pytest.approx(0.015, rel=1e-9)


@given(st.floats(-7.0, 13.0), st.floats(0.0, 3.0), st.floats(0.0, 0.3), st.booleans(), st.booleans())
def test_feed_on_an_uneven_crank_starts_in_its_stroke(
    start: float, latency: float, settle: float, single: bool, by_hand: bool
) -> None:
    """Dial and clock agree but where the press stands, and the command lies back by the latency, strokes and all."""
    crank = SINGLE if single else SLOWED
    stroke = servo(start=start, latency=latency, settle=settle).stroke(crank, by_hand=by_hand)
    assert 0.5 * TURN - 1e-9 <= stroke.start < 1.5 * TURN
    assert stroke.start <= stroke.stop <= stroke.end
    for angle, time in zip(dial(stroke), clocked(stroke), strict=True):
        assert crank.angle_at(time) == pytest.approx(angle * DEG, abs=1e-9)
    if not by_hand:
        since = float(stroke.start_time) - latency - float(crank.time_at(start))
        strokes = since / float(crank.period)
        assert strokes == pytest.approx(round(strokes), abs=1e-6)


def test_arrays_are_loops_of_floats_on_an_uneven_crank() -> None:
    rng = np.random.default_rng(11)
    start, latency, inertia = rng.uniform((0, 0, 8), (6.2, 0.5, 12), (30, 3)).T
    rate, angle, pause = rng.uniform(0.9, 1.1, 30), rng.uniform(3.0, 10.0, 30), rng.uniform(0.0, 0.5, 30)

    def cranks(rate: Any, inertia: Any, pause: Any) -> list[Crank]:
        wheel = Flywheel(inertia, 6.0, 2000.0, 140.0 * DEG, 250.0 * DEG, 5000.0)
        return [Crank(rate, wheel.profile(rate)), Crank(rate, SingleStroke(0.08, 0.02, pause).profile(rate))]

    ones = [cranks(rate[k], inertia[k], pause[k]) for k in range(30)]
    for which, crank in enumerate(cranks(rate, inertia, pause)):
        for kind in ("servo", "cam"):
            many = servo(kind=kind, start=start, latency=latency, stop=1.0)
            stroke = many.stroke(crank, by_hand=False)
            covered = np.asarray(many.covered(stroke, angle))
            for k in range(30):
                one = servo(kind=kind, start=start[k], latency=latency[k], stop=1.0)
                alone = one.stroke(ones[k][which], by_hand=False)
                for name in ("start", "stop", "end", "start_time", "stop_time", "end_time"):
                    assert getattr(stroke, name)[k] == pytest.approx(float(getattr(alone, name)), rel=1e-12), name
                assert covered[k] == pytest.approx(float(one.covered(alone, angle[k])), rel=1e-9, abs=1e-12)
