"""The crank: even, slowed by its work, and stroke by stroke, against integration of the same torques by SciPy."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from crankclock.parts.crank import Crank
from crankclock.parts.flywheel import Flywheel
from crankclock.parts.numbers import TURN, Floats
from crankclock.parts.single_stroke import SingleStroke

DEG = math.pi / 180.0
RATE = 1.0
WHEEL = Flywheel(inertia=10.0, ratio=6.0, work=2000.0, start=140.0 * DEG, end=180.0 * DEG, power=3500.0)
STROKE = SingleStroke(engage=0.080, braking=0.140 / TURN, pause=0.5)  # braked in 140 ms from 60 /min
SLOWED = Crank(RATE, WHEEL.profile(RATE))
UNKNOWN_MOTOR = Flywheel(10.0, 6.0, 2000.0, 140.0 * DEG, 180.0 * DEG)
SINGLE = Crank(RATE, STROKE.profile(RATE))
SINGLE_SLOWED = Crank(RATE, STROKE.profile(RATE, WHEEL))
UNEVEN = {
    "slowed": SLOWED,
    "motor unknown": Crank(RATE, UNKNOWN_MOTOR.profile(RATE)),
    "single": SINGLE,
    "single and slowed": SINGLE_SLOWED,
}

angles = st.floats(-3.0 * TURN, 3.0 * TURN)
times = st.floats(0.0, 5.0)
any_uneven = st.sampled_from(list(UNEVEN.values()))


# --- even turning is what it was -----------------------------------------------------------------


@given(st.floats(0.05, 20.0), angles, angles, st.floats(-5.0, 5.0))
def test_even_turning_is_the_plain_formula_exactly(rate: float, start: float, end: float, seconds: float) -> None:
    crank = Crank(rate)
    speed = 2.0 * np.pi * rate
    assert crank.even
    assert crank.speed == speed
    assert crank.turn_time == 1.0 / rate
    assert crank.pause == 0.0
    assert crank.seconds(start, end) == (end - start) / speed
    assert crank.after(start, seconds) == start + speed * seconds
    assert crank.angle_at(seconds) == speed * seconds
    assert crank.time_at(start) == start / speed
    assert crank.speed_at(start) == crank.peak_speed(start, end) == speed
    assert crank.acceleration_at(start) == crank.peak_acceleration(start, end) == 0.0


@given(angles, angles, times)
def test_a_huge_flywheel_turns_evenly(start: float, end: float, seconds: float) -> None:
    """The share by which it slows is that of its energy: 2000 J of 7e12 J."""
    even = Crank(RATE)
    huge = Flywheel(1e10, 6.0, 2000.0, WHEEL.start, WHEEL.end, WHEEL.power)
    crank = Crank(RATE, huge.profile(RATE))
    assert crank.seconds(start, end) == pytest.approx(even.seconds(start, end), rel=1e-7, abs=1e-9)
    assert crank.after(start, seconds) == pytest.approx(even.after(start, seconds), abs=1e-8)
    assert crank.peak_speed(start, end) == pytest.approx(even.speed, rel=1e-9)


def test_a_motor_that_keeps_up_lets_nothing_slow() -> None:
    strong = Flywheel(10.0, 6.0, 2000.0, WHEEL.start, WHEEL.end, power=2000.0 * 9.5)  # 40 deg are a ninth of a turn
    crank = Crank(RATE, strong.profile(RATE))
    assert crank.speed_at(np.linspace(0.0, TURN, 100)) == pytest.approx(TURN * RATE, rel=1e-14)


# --- against quadrature and integration by SciPy -------------------------------------------------


def knots(crank: Crank, start: float, end: float) -> list[float]:
    """The ends, and the knots of a crank's speed between them, which no quadrature should step over."""
    assert crank.profile is not None
    turned = {float(a) + k * TURN for a in crank.profile.angles for k in range(-1, 4)}
    return [start, *sorted(a for a in turned if start < a < end), end]


NEAR = 1e-5
"""Root of an angle [rad] from a knot, nearer than which the angle's own rounding would show."""


@pytest.mark.parametrize("name", UNEVEN)
@pytest.mark.parametrize(
    ("start", "end"), [(30.0, 100.0), (100.0, 200.0), (170.0, 340.0), (300.0, 500.0), (0.0, 360.0)]
)
def test_time_between_two_angles_is_the_integral_of_one_over_the_speed(name: str, start: float, end: float) -> None:
    """With the angle from a knot as b squared: one over the speed is infinite at rest, its integral is not."""
    crank = UNEVEN[name]
    total = 0.0
    for low, high in pairwise(knots(crank, start * DEG, end * DEG)):
        for knot, way in ((low, 1.0), (high, -1.0)):

            def slowness(b: float, knot: float = knot, way: float = way) -> float:
                b = max(b, NEAR)
                return 2.0 * b / float(crank.speed_at(knot + way * b * b))

            total += quad(slowness, 0.0, math.sqrt(0.5 * (high - low)), epsabs=1e-13)[0]
    pause = float(crank.pause) if start < 360.0 < end else 0.0
    assert crank.seconds(start * DEG, end * DEG) == pytest.approx(total + pause, rel=1e-8)


def test_slowed_turn_against_the_equation_of_motion() -> None:
    """J dw/dt = motor - work, stated here anew; it comes back to where it began, after just one stroke's time."""
    j, work = 10.0 * 6.0**2, 2000.0 / (40.0 * DEG)
    motor = 3500.0 / (TURN * RATE)
    restored = 140.0 * DEG + 2000.0 / motor

    def torque(angle: float) -> float:
        return (motor if 140.0 * DEG <= angle < restored else 0.0) - (work if angle < 180.0 * DEG else 0.0)

    state, time = [140.0 * DEG, float(SLOWED.speed_at(140.0 * DEG))], 0.0
    for until in (180.0 * DEG, restored, 500.0 * DEG):
        mid = 0.5 * (state[0] + until)

        def reached(_: float, y: Any, until: float = until) -> float:
            return float(y[0]) - until

        reached.terminal = True  # type: ignore[attr-defined]

        def slope(_: float, y: Any, mid: float = mid) -> list[float]:
            return [float(y[1]), torque(mid) / j]

        found: Any = solve_ivp(slope, (0.0, 2.0), state, rtol=1e-11, atol=1e-12, events=[reached])
        time += found.t[-1]
        state = list(found.y[:, -1])
        assert SLOWED.speed_at(until) == pytest.approx(state[1], rel=1e-9)
        assert SLOWED.after(140.0 * DEG, time) == pytest.approx(until, abs=1e-9)
        assert SLOWED.seconds(140.0 * DEG, until) == pytest.approx(time, abs=1e-10)
    assert time == pytest.approx(1.0 / RATE, abs=1e-10)


def test_single_stroke_against_the_equation_of_motion() -> None:
    """Even acceleration over 80 ms, the rate, even deceleration over 140 ms; then half a second of rest."""
    up, down, speed = TURN / 0.080, TURN / 0.140, TURN
    run = (TURN - 0.5 * speed * (0.080 + 0.140)) / speed
    for time in np.linspace(0.0, 0.080 + run + 0.140, 50):
        fast = min(time, 0.080)
        even = min(max(time - 0.080, 0.0), run)
        slow = max(time - 0.080 - run, 0.0)
        want = 0.5 * up * fast**2 + speed * even + speed * slow - 0.5 * down * slow**2
        assert SINGLE.angle_at(time) == pytest.approx(want, abs=1e-12)
        pace = min(up * time, speed) - down * slow
        assert SINGLE.speed_at(want) == pytest.approx(pace, abs=1e-6)  # near rest the angle's rounding shows: a root
    assert SINGLE.turn_time == pytest.approx(0.080 + run + 0.140, rel=1e-14)
    assert SINGLE.acceleration_at(1.0 * DEG) == pytest.approx(up)
    assert SINGLE.acceleration_at(359.0 * DEG) == pytest.approx(-down)


def test_brake_grips_in_the_midst_of_the_recovery() -> None:
    """The wheel is let go before it has its speed again; the crank is braked from what it has, as hard as ever."""
    assert SINGLE_SLOWED.profile is not None
    brakes = float(SINGLE_SLOWED.profile.angles[-2])
    assert SINGLE_SLOWED.speed_at(brakes) < 0.999 * TURN
    assert SINGLE_SLOWED.acceleration_at(brakes + 0.01) == pytest.approx(-TURN / 0.140)
    assert SINGLE_SLOWED.acceleration_at(brakes - 0.01) == pytest.approx(3500.0 / TURN / 360.0)
    assert SINGLE_SLOWED.speed_at(140.0 * DEG) == pytest.approx(TURN, rel=1e-14)
    fall = 2.0 * (2000.0 - 3500.0 / TURN * 40.0 * DEG) / 360.0
    assert SINGLE_SLOWED.speed_at(180.0 * DEG) == pytest.approx(math.sqrt(TURN**2 - fall), rel=1e-14)


# --- properties ----------------------------------------------------------------------------------


@given(any_uneven, angles, angles)
def test_after_the_time_between_stands_the_other_angle(crank: Crank, start: float, end: float) -> None:
    assert crank.seconds(start, end) == -crank.seconds(end, start)
    assert crank.seconds(start, start) == 0.0
    low, high = min(start, end), max(start, end)
    assert crank.after(low, crank.seconds(low, high)) == pytest.approx(high, abs=1e-9)


@given(any_uneven, angles, times)
def test_the_time_to_the_angle_after_is_the_time(crank: Crank, start: float, seconds: float) -> None:
    there = float(crank.after(start, seconds))
    assume(abs(math.remainder(there, TURN)) > 1e-4)  # at rest an angle says little of the time
    assert crank.seconds(start, there) == pytest.approx(seconds, abs=1e-7)


@given(any_uneven, angles, angles, st.integers(-3, 3), times)
def test_every_turn_is_like_the_first(crank: Crank, start: float, end: float, turns: int, seconds: float) -> None:
    assume(all(abs(math.remainder(each, TURN)) > 1e-4 for each in (start, end)))
    more = turns * TURN
    assert crank.seconds(start + more, end + more) == pytest.approx(crank.seconds(start, end), abs=1e-8)
    assert crank.after(start + more, seconds) == pytest.approx(crank.after(start, seconds) + more, abs=1e-8)
    assert crank.speed_at(start + more) == pytest.approx(crank.speed_at(start), rel=1e-6)


@given(any_uneven, angles, angles)
def test_peaks_are_those_of_many_samples(crank: Crank, start: float, end: float) -> None:
    samples = np.linspace(start, end, 3001)
    speed, step = crank.speed_at(samples), abs(end - start) / 3000.0
    peak, hardest = float(crank.peak_speed(start, end)), float(crank.peak_acceleration(start, end))
    assert peak >= np.max(speed) - 1e-9
    assert peak**2 <= np.max(speed) ** 2 + 2.0 * hardest * step + 1e-9
    assert hardest >= np.max(np.abs(crank.acceleration_at(samples))) - 1e-9


@given(any_uneven, st.floats(0.0, TURN))
def test_acceleration_is_the_slope_of_the_speed(crank: Crank, angle: float) -> None:
    assert crank.profile is not None
    assume(all(abs(math.remainder(angle - float(each), TURN)) > 1e-3 for each in crank.profile.angles))
    low, high = crank.speed_at(angle - 1e-5), crank.speed_at(angle + 1e-5)
    assert crank.acceleration_at(angle) == pytest.approx((high**2 - low**2) / 4e-5, abs=1e-4)


@given(
    st.floats(0.3, 4.0), st.floats(1.0, 50.0), st.floats(2.0, 10.0), st.floats(0.01, 0.9),
    st.floats(0.0, 6.2), st.floats(0.05, 6.2), st.floats(1.0, 20.0) | st.none(),
)  # fmt: skip
def test_the_mean_over_the_turn_is_the_rate(
    rate: float, inertia: float, ratio: float, share: float, start: float, length: float, surplus: float | None
) -> None:
    """However much of what it holds is drawn, wherever, and with any motor that can restore it in the turn."""
    work = share * 0.5 * inertia * (ratio * TURN * rate) ** 2
    power = None if surplus is None else surplus * work * rate
    wheel = Flywheel(inertia, ratio, work, start, start + length, power)
    assert wheel.sound(rate)
    crank = Crank(rate, wheel.profile(rate))
    assert crank.turn_time == pytest.approx(1.0 / rate, rel=1e-12)
    before, after = float(crank.speed_at(start)), float(crank.speed_at(start + length))
    drawn = float(wheel.drawn(TURN * rate))
    assert wheel.held(before) - wheel.held(after) == pytest.approx(drawn, rel=1e-6, abs=1e-9 * work)
    assert crank.peak_speed(0.0, TURN) == pytest.approx(before, rel=1e-12)
    assert after <= TURN * rate * (1.0 + 1e-12) <= before * (1.0 + 1e-9)


# --- the pause at the top ------------------------------------------------------------------------


def test_the_crank_stands_at_the_whole_turn_for_the_pause() -> None:
    for crank in (SINGLE, SINGLE_SLOWED):
        turn = float(crank.turn_time)
        for waited in (0.0, 1e-6, 0.25, 0.5):
            assert crank.angle_at(turn + waited) == TURN
            assert crank.after(TURN, turn + waited) == 2.0 * TURN
        assert crank.after(350.0 * DEG, float(crank.seconds(350.0 * DEG, TURN)) + 0.3) == TURN
        assert crank.angle_at(turn + 0.5 + 0.040) == pytest.approx(TURN + crank.angle_at(0.040), rel=1e-14)
        assert crank.period == pytest.approx(turn + 0.5)
        assert crank.speed_at(0.0) == crank.speed_at(TURN) == 0.0


def test_a_pause_counts_where_its_top_lies_between() -> None:
    before, to_top, from_top = 350.0 * DEG, SINGLE.seconds(350.0 * DEG, TURN), SINGLE.seconds(TURN, 370.0 * DEG)
    assert SINGLE.seconds(before, 370.0 * DEG) == pytest.approx(to_top + 0.5 + from_top, rel=1e-12)
    assert SINGLE.seconds(0.0, TURN) == pytest.approx(SINGLE.turn_time, rel=1e-14)
    assert SINGLE.seconds(0.0, 2.0 * TURN) == pytest.approx(2.0 * SINGLE.turn_time + 0.5, rel=1e-14)
    assert SINGLE.time_at(TURN) == pytest.approx(SINGLE.turn_time + 0.5, rel=1e-14)
    assert SINGLE.time_at(-10.0 * DEG) == pytest.approx(-0.5 - to_top, rel=1e-9)


def test_what_never_comes_is_never_reached() -> None:
    for crank in UNEVEN.values():
        assert crank.angle_at(math.inf) == math.inf
        assert crank.seconds(0.0, math.inf) == math.inf
        assert math.isnan(float(crank.seconds(0.0, math.nan)))
        assert math.isnan(float(crank.after(math.nan, 1.0)))


# --- many variants at once -----------------------------------------------------------------------


def varied(n: int) -> tuple[Floats, ...]:
    rng = np.random.default_rng(3)
    low = (0.8, 8.0, 1500.0, 2.0, 2.9, 4000.0, 0.05, 0.01, 0.0)
    high = (1.1, 12.0, 2200.0, 2.5, 3.2, 9000.0, 0.10, 0.03, 0.6)
    return tuple(rng.uniform(low, high, (n, len(low))).T)


def cranks(*values: Floats) -> list[Crank]:
    rate, inertia, work, start, end, power, engage, braking, pause = values
    wheel = Flywheel(inertia, 6.0, work, start, end, power)
    stroke = SingleStroke(engage, braking, pause)
    profiles = (wheel.profile(rate), stroke.profile(rate), stroke.profile(rate, wheel))
    return [Crank(rate, profile) for profile in profiles]


def test_arrays_are_loops_of_floats() -> None:
    """Angles with a leading axis of five before the thirty variants."""
    values = varied(30)
    rng = np.random.default_rng(4)
    start, end, seconds = rng.uniform(-7.0, 14.0, (5, 30)), rng.uniform(-7.0, 14.0, (5, 30)), rng.uniform(0, 3, (5, 30))
    ones = [cranks(*(float(value[k]) for value in values)) for k in range(30)]  # type: ignore[index]
    for which, many in enumerate(cranks(*values)):
        for name, arguments in (
            ("seconds", (start, end)), ("after", (start, seconds)), ("angle_at", (seconds,)), ("time_at", (start,)),
            ("speed_at", (start,)), ("acceleration_at", (start,)), ("peak_speed", (start, end)),
            ("peak_acceleration", (start, end)),
        ):  # fmt: skip
            found = np.asarray(getattr(many, name)(*arguments))
            assert found.shape == (5, 30)
            assert np.all(np.isfinite(found))
            for k in range(30):
                alone = getattr(ones[k][which], name)(*(each[:, k] for each in arguments))
                assert found[:, k] == pytest.approx(alone, rel=1e-12, abs=1e-12), name


def test_even_crank_takes_the_shape_of_angles_and_variants() -> None:
    crank = Crank(np.array([1.0, 2.0, 3.0]))
    for found in (
        crank.speed_at(np.zeros((5, 3))),
        crank.peak_speed(np.zeros((5, 1)), 1.0),
        crank.acceleration_at(0.0),
    ):
        assert np.shape(found) in ((5, 3), (3,))
        assert np.asarray(found)[..., 1].max() in (0.0, 2.0 * TURN)


def test_a_variant_that_cannot_turn_so_is_nan_and_harms_no_other() -> None:
    """A wheel of a tenth stalls; a motor of a tenth never restores it; a clutch of 2 s never has the crank at speed."""
    inertia, power = np.array([10.0, 0.1, 10.0]), np.array([3500.0, 3500.0, 350.0])
    wheel = Flywheel(inertia, 6.0, 2000.0, WHEEL.start, WHEEL.end, power)
    assert list(np.asarray(wheel.sound(RATE))) == [True, False, False]
    crank = Crank(np.full(3, RATE), wheel.profile(np.full(3, RATE)))
    angles = np.array([1.0, 2.0, 3.0])
    for found in (crank.turn_time, crank.seconds(0.0, angles), crank.after(angles, 0.1), crank.speed_at(angles)):
        assert list(np.isnan(found)) == [False, True, True]
    stroke = SingleStroke(np.array([0.080, 2.0]), STROKE.braking, 0.5)
    assert list(np.isnan(Crank(RATE, stroke.profile(RATE)).turn_time)) == [False, True]
    assert list(np.isnan(Crank(RATE, stroke.profile(RATE, WHEEL)).turn_time)) == [False, True]


@pytest.mark.parametrize(
    "wheel",
    [
        Flywheel(10.0, 6.0, 2000.0, 10.0 * DEG, 180.0 * DEG, 3500.0),  # the clutch has not engaged yet
        Flywheel(10.0, 6.0, 2000.0, 140.0 * DEG, 350.0 * DEG, 3500.0),  # the brake is on already
        Flywheel(10.0, 6.0, 2000.0, 140.0 * DEG, 20.0 * DEG, 3500.0),  # past the top
        Flywheel(10.0, 6.0, 2000.0, 140.0 * DEG, 180.0 * DEG, 500.0),  # 2000 J at 500 W take 4 s
        Flywheel(1.0, 6.0, 2000.0, 140.0 * DEG, 180.0 * DEG, 3500.0),  # holds 711 J
    ],
)
def test_work_out_of_reach_of_a_single_stroke(wheel: Flywheel) -> None:
    assert np.isnan(STROKE.profile(RATE, wheel).turn_time)
    assert not np.isnan(STROKE.profile(RATE, WHEEL).turn_time)


def test_a_longer_pause_lets_a_small_motor_restore_the_wheel() -> None:
    """2000 J at 500 W take 4 s and a little more, the wheel being slow: not done in 3.5 s, done in 4.5 s of pause."""
    small = Flywheel(10.0, 6.0, 2000.0, 140.0 * DEG, 180.0 * DEG, 500.0)
    for pause, enough in ((3.0, False), (4.5, True)):
        stroke = SingleStroke(STROKE.engage, STROKE.braking, pause)
        assert bool(stroke.restores(RATE, small)) is enough


@given(st.floats(0.5, 1.5), st.floats(0.02, 0.12), st.floats(20.0, 200.0), st.floats(5.0, 100.0), st.floats(0.05, 0.95))
def test_an_unknown_motor_has_the_wheel_ready_for_the_next_stroke(
    rate: float, braking: float, start: float, length: float, share: float
) -> None:
    work = share * 0.5 * 360.0 * (TURN * rate) ** 2
    wheel = Flywheel(10.0, 6.0, work, start * DEG, (start + length) * DEG)
    stroke = SingleStroke(0.01, braking / TURN, 0.0)
    assume(stroke.in_reach(rate, wheel))
    assert stroke.restores(rate, wheel)
