"""The slide that moves by a table: through every row, smooth, never backward, and at rest where the table rests."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from crankclock.parts.motion_table import MotionTable, one_turn
from crankclock.parts.numbers import TIE, TURN
from crankclock.parts.slide import Eccentric

Array = np.ndarray[Any, np.dtype[np.float64]]
STROKE = 0.12
DEGREE = TURN / 360.0


def table(angle_deg: Any, height: Any, shift: Any = 0.0) -> MotionTable:
    rows = zip(np.radians(angle_deg).tolist(), np.asarray(height).tolist(), strict=True)
    return MotionTable(tuple((a, h) for a, h in rows), shift)


def sampled(slide: Eccentric, step_deg: float) -> MotionTable:
    angle = np.arange(0.0, 360.0, step_deg)
    return table(angle, slide.height(np.radians(angle)))


def law_345(share: Array) -> Array:
    return np.asarray(share**3 * (10.0 + share * (-15.0 + 6.0 * share)))


def dwelling(step_deg: int, law: Callable[[Array], Array] = law_345, low: int = 120, high: int = 180) -> MotionTable:
    """Down over 0 to `low` deg, at rest to `high`, up to 360; by a law from 0 to 1."""
    angle = np.arange(0, 360, step_deg)
    down, up = np.clip(angle / low, 0.0, 1.0), np.clip((angle - high) / (360.0 - high), 0.0, 1.0)
    return table(angle, STROKE * (1.0 - law(down) + law(up)))


@st.composite
def tables(draw: Any) -> MotionTable:
    """Rows at random steps, random falls and rises, some level: as rough as a table that goes the right way can be."""
    down, up = draw(st.integers(5, 20)), draw(st.integers(5, 20))
    steps = np.array(draw(st.lists(st.floats(0.3, 1.0), min_size=down + up, max_size=down + up)))
    angle = np.concatenate([[0.0], np.cumsum(steps)[:-1]]) * (360.0 / steps.sum())
    fall = np.array(draw(st.lists(st.one_of(st.just(0.0), st.floats(0.02, 1.0)), min_size=down, max_size=down)))
    rise = np.array(draw(st.lists(st.one_of(st.just(0.0), st.floats(0.02, 1.0)), min_size=up, max_size=up)))
    fall[0] = rise[-1] = 0.5
    below = np.concatenate([[0.0], np.cumsum(fall) / fall.sum()])
    above = np.cumsum(rise[:-1]) / rise.sum()
    return table(angle, STROKE * np.concatenate([1.0 - below, above]))


smooth = st.sampled_from([sampled(Eccentric(STROKE, 0.3, 0.02), 5.0), dwelling(4), dwelling(10, low=150, high=210)])
any_table = st.one_of(tables(), smooth)
angles = st.floats(0.0, TURN)


@given(any_table)
def test_goes_through_every_row(slide: MotionTable) -> None:
    for angle, height in slide.points:
        assert slide.height(angle) == pytest.approx(height, abs=1e-15)


@given(any_table)
def test_between_rows_it_goes_the_way_the_rows_go(slide: MotionTable) -> None:
    down, up = np.linspace(slide.tdc, slide.dwell[0], 2000), np.linspace(slide.dwell[1], slide.tdc + TURN, 2000)
    assert np.diff(slide.height(down)).max() <= 1e-15
    assert np.diff(slide.height(up)).min() >= -1e-15


@given(any_table, st.floats(0.0, 1.0))
def test_flat_rows_are_exactly_flat(slide: MotionTable, share: float) -> None:
    rows = (*slide.points, (slide.points[0][0] + TURN, slide.points[0][1]))
    for (start, one), (end, other) in pairwise(rows):
        if one == other:
            height, *rest = slide.motion(start + share * (end - start) * (1.0 - 1e-12))
            assert height == slide.height(start) == pytest.approx(one, abs=TIE)
            assert rest == [0.0, 0.0]


@given(any_table)
def test_height_and_speed_are_continuous_and_acceleration_but_at_dwells(slide: MotionTable) -> None:
    joints, tiny = slide.curve.angle, 1e-9
    before, after = slide.motion(joints - tiny), slide.motion(joints + tiny)
    reach = float(slide.peak_acceleration(0.0, TURN))
    assert before[0] == pytest.approx(after[0], abs=1e-8)
    assert before[1] == pytest.approx(after[1], abs=4.0 * tiny * reach)
    rests = (slide.curve.height == np.roll(slide.curve.height, 1)) | (
        slide.curve.height == np.roll(slide.curve.height, -1)
    )
    jump = np.abs(np.asarray(after[2]) - np.asarray(before[2]))
    assert jump[~rests].max() <= 1e-5 * reach


@given(any_table, angles)
def test_periodic(slide: MotionTable, angle: float) -> None:
    assert slide.motion(angle) == pytest.approx(slide.motion(angle + TURN), rel=1e-9, abs=1e-12)


@given(smooth, angles)
def test_derivatives_by_differences(slide: MotionTable, angle: float) -> None:
    """Within a piece; over a joint, where the third derivative jumps, the difference is off by some h times it."""
    h = 1e-5
    height, slope, _ = (np.asarray(each) for each in slide.motion(angle + np.array([-h, h])))
    _, first, second = slide.motion(angle)
    assert first == pytest.approx((height[1] - height[0]) / (2.0 * h), abs=1e-8)
    jumps = min(abs(angle - end) for end in slide.dwell) < h
    if not jumps:
        assert second == pytest.approx((slope[1] - slope[0]) / (2.0 * h), abs=5e-5)


@given(any_table, st.floats(0.0, 1.0))
def test_passes_is_the_longest_span_no_higher(slide: MotionTable, share: float) -> None:
    height = float(slide.bottom + share * (slide.top - slide.bottom))
    down, up = (float(each) for each in slide.passes(height))
    assert slide.tdc <= down <= slide.dwell[0] + 1e-12
    assert slide.dwell[1] - 1e-12 <= up <= slide.tdc + TURN
    assert slide.height(down) == pytest.approx(height, abs=TIE)
    assert slide.height(up) == pytest.approx(height, abs=TIE)
    outside = np.concatenate([np.linspace(slide.tdc, down, 50)[:-1], np.linspace(up, slide.tdc + TURN, 50)[1:]])
    assert np.all(np.asarray(slide.height(outside)) >= height - TIE)


@given(smooth, st.floats(0.02, 0.98))
def test_inverse_is_the_root_a_solver_finds(slide: MotionTable, share: float) -> None:
    height = float(share * STROKE)
    ends = ((0.0, slide.dwell[0]), (slide.dwell[1], TURN))
    for angle, span in zip(slide.passes(height), ends, strict=True):
        root = brentq(lambda a: float(slide.height(a)) - height, *span, xtol=1e-14)
        assert angle == pytest.approx(root, abs=1e-9)


@settings(max_examples=60)
@given(any_table, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_peaks_are_those_of_a_dense_scan(slide: MotionTable, one: float, other: float) -> None:
    start, end = sorted((one * TURN, other * TURN))
    _, dy, d2y = (np.abs(each) for each in slide.motion(np.linspace(start, end, 40001)))
    for peak, scanned in ((slide.peak_speed, dy.max()), (slide.peak_acceleration, d2y.max())):
        found = float(peak(start, end))
        assert found >= scanned * (1.0 - 1e-12)
        whole = float(peak(0.0, TURN))
        assert found <= scanned + 2e-3 * whole + 1e-15


@pytest.mark.parametrize(
    ("step", "height", "speed", "acceleration"), [(5.0, 2e-7, 2e-5, 1e-3), (10.0, 3e-6, 2e-4, 6e-3)]
)
@pytest.mark.parametrize("slide", [Eccentric(STROKE, 0.48), Eccentric(STROKE, 0.2, 0.03)])
def test_a_sampled_eccentric_comes_back(
    slide: Eccentric, step: float, height: float, speed: float, acceleration: float
) -> None:
    """Height as a share of the stroke, speed and acceleration of their peaks; BDC lies between rows of the second."""
    found, angle = sampled(slide, step), np.linspace(0.0, TURN, 7201)
    for limit, there, true in zip((height, speed, acceleration), found.motion(angle), slide.motion(angle), strict=True):
        assert np.abs(there - true).max() <= limit * np.ptp(true)
    assert found.bdc == pytest.approx(float(slide.bdc), abs=2e-5)
    heights = np.linspace(0.01, 0.99, 99) * STROKE
    assert np.abs(np.array(found.passes(heights)) - np.array(slide.passes(heights))).max() < 1e-5


def test_a_sampled_eccentric_converges() -> None:
    """Halving the step makes the acceleration at least 7 times better: third order."""
    slide, angle = Eccentric(STROKE, 0.25, 0.02), np.linspace(0.0, TURN, 7201)
    off = [np.abs(sampled(slide, step).motion(angle)[2] - slide.motion(angle)[2]).max() for step in (12.0, 6.0, 3.0)]
    assert off[0] > 7.0 * off[1] > 49.0 * off[2]


def test_bottom_dwell() -> None:
    slide = dwelling(4)
    assert np.degrees(slide.dwell) == pytest.approx((120.0, 180.0), abs=1e-12)
    assert slide.bdc == pytest.approx(math.radians(150.0), rel=1e-14)
    assert slide.bottom == 0.0
    for height in (0.0, 5e-10, -0.01):  # exactly at the bottom, within a tie of it, below it
        assert np.degrees(slide.passes(height)) == pytest.approx((120.0, 180.0), abs=1e-12)
    down, up = slide.passes(2e-9)
    assert down < math.radians(120.0) < math.radians(180.0) < up


def test_dwell_on_the_way() -> None:
    """Waiting half-way down counts from its start, half-way up until its end; a hair above it, only the far side."""
    down = 1.0 - 0.5 * law_345(np.arange(0, 81, 4) / 80.0)
    angle = [*range(0, 81, 4), *range(100, 181, 4), *range(184, 261, 4), *range(280, 357, 4)]
    up = 0.5 * law_345(np.arange(4, 81, 4) / 80.0)
    height = STROKE * np.concatenate([down, down - 0.5, up, 0.5 + np.concatenate([[0.0], up[:-1]])])
    height[21] = height[20]
    slide = table(angle, height)
    assert np.degrees(slide.passes(0.5 * STROKE)) == pytest.approx((80.0, 280.0), abs=1e-9)
    assert np.degrees(slide.passes(0.5 * STROKE - 1e-15)) == pytest.approx((80.0, 280.0), abs=1e-9)
    low = np.degrees(slide.passes(0.5 * STROKE - 3e-9))
    assert low[0] > 100.0
    assert low[1] < 260.0


def test_top_dwell_holds_dial_0() -> None:
    base = dwelling(4, low=120, high=180)
    rows = [(a + 40.0 * DEGREE if a else a, h) for a, h in base.points if a * 360.0 / TURN < 316.0]
    angle, height = [math.degrees(a) for a, _ in rows], [h for _, h in rows]
    angle, height = [*angle, 40.0], [*height, height[0]]
    order = np.argsort(angle)
    slide = table(np.array(angle)[order], np.array(height)[order])
    assert slide.tdc == 0.0
    assert slide.passes(slide.top) == pytest.approx((0.0, TURN), abs=1e-12)
    assert slide.passes(float(slide.top) - 1e-6)[0] > 40.0 * DEGREE


def test_a_highest_place_off_dial_0_is_told() -> None:
    slide = sampled(Eccentric(STROKE, 0.48), 5.0)
    for by in (-30.0, 12.0):
        moved = table([math.degrees(a) + by for a, _ in slide.points], [h for _, h in slide.points])
        assert math.degrees(moved.tdc) == pytest.approx(by, abs=1e-9)


def test_rows_may_start_anywhere_and_close_the_turn() -> None:
    slide = Eccentric(STROKE, 0.48)
    plain = sampled(slide, 5.0)
    angle = np.arange(-180.0, 181.0, 5.0)
    closed = table(angle, slide.height(np.radians(angle)))
    at = np.linspace(0.0, TURN, 200)
    assert closed.height(at) == pytest.approx(np.asarray(plain.height(at)), abs=1e-14)
    assert one_turn(closed.points)[0].size == 72


def test_bdc_shift_may_vary_over_variants() -> None:
    shift = np.array([-1e-3, 0.0, 2e-3])
    rows = dwelling(4).points
    many = MotionTable(rows, shift)
    heights = np.array([[0.03], [0.07]])
    for k, each in enumerate(shift):
        one = MotionTable(rows, float(each))
        assert (np.asarray(many.top)[k], np.asarray(many.bottom)[k]) == (one.top, one.bottom)
        for found, alone in zip(many.passes(heights), one.passes(heights[:, 0]), strict=True):
            assert np.asarray(found)[:, k] == pytest.approx(np.asarray(alone), abs=1e-15)
        assert np.asarray(many.motion(1.0)[0])[k] == one.motion(1.0)[0]


def test_nan_in_nan_out() -> None:
    """Events that do not happen are nan, and so are heights and peaks there."""
    slide = dwelling(4)
    assert np.isnan(slide.height(np.array([np.nan, 1.0]))).tolist() == [True, False]
    assert np.isnan(slide.peak_speed(np.array([np.nan, 1.0]), np.array([1.5, 2.0]))).tolist() == [True, False]
