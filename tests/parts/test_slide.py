"""The eccentric's height, inverse, derivatives and peaks."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from crankclock.parts.numbers import TURN, Floats
from crankclock.parts.slide import Eccentric, scan_peak

GOOD_ENOUGH = 1e-9 * TURN  # the accuracy asked of an event


@st.composite
def eccentrics(draw: Any, *, rod: bool | None = None) -> Eccentric:
    """A press slide: rod from 0.8 strokes up, offset to a quarter of what is left of it, shift to 3 mm."""
    stroke = draw(st.floats(0.02, 0.6))
    shift = draw(st.floats(-3e-3, 3e-3))
    if rod is False or (rod is None and draw(st.booleans())):
        return Eccentric(stroke, None, 0.0, shift)
    length = stroke * draw(st.floats(0.8, 8.0))
    offset = draw(st.floats(-0.25, 0.25)) * (length - 0.5 * stroke)
    return Eccentric(stroke, length, offset, shift)


angles = st.floats(0.0, TURN)
shares = st.floats(0.0, 1.0)


@given(eccentrics())
def test_stroke_is_what_was_asked_for(slide: Eccentric) -> None:
    """TDC and BDC are the highest and lowest points, a stroke apart, the BDC shift below nominal."""
    heights = np.asarray(slide.height(np.linspace(0.0, TURN, 3601)))
    assert slide.height(0.0) == pytest.approx(float(slide.top), abs=1e-13)
    assert slide.height(slide.bdc) == pytest.approx(float(slide.bottom), abs=1e-13)
    assert slide.top - slide.bottom == pytest.approx(slide.stroke, rel=1e-12)
    assert slide.bottom == -slide.shift
    assert heights.max() <= slide.top + 1e-13
    assert heights.min() >= slide.bottom - 1e-13


@given(eccentrics(), shares)
def test_inverse_undoes_height(slide: Eccentric, share: float) -> None:
    """The slide is at the height again, going down at the first angle and up at the second.

    Near a dead centre the height is flat, so there the height is compared, elsewhere it gives the angle to 1e-9 turn.
    """
    height = float(slide.bottom + share * slide.stroke)
    down, up = (float(angle) for angle in slide.passes(height))
    assert -1e-12 <= down <= slide.bdc + 1e-12
    assert slide.bdc - 1e-12 <= up <= TURN + 1e-12
    for angle in (down, up):
        y, slope, _ = (float(value) for value in slide.motion(angle))
        assert abs(y - height) <= max(GOOD_ENOUGH * abs(slope), 1e-14)


@given(eccentrics(), st.floats(0.001, 0.999))
def test_inverse_is_the_root_a_solver_finds(slide: Eccentric, share: float) -> None:
    """SciPy's bracketing root finder on the height alone."""
    height = float(slide.bottom + share * slide.stroke)
    down, up = slide.passes(height)
    bdc = float(slide.bdc)
    for angle, ends in ((down, (0.0, bdc)), (up, (bdc, TURN))):
        root = brentq(lambda a: float(slide.height(a)) - height, *ends, xtol=1e-14)
        assert angle == pytest.approx(root, abs=GOOD_ENOUGH)


@given(eccentrics(), st.floats(0.01, 1.0))
def test_a_height_out_of_reach_is_the_nearer_dead_centre(slide: Eccentric, beyond: float) -> None:
    assert slide.passes(slide.top + beyond) == pytest.approx((0.0, TURN), abs=1e-12)
    assert slide.passes(slide.bottom - beyond) == pytest.approx((slide.bdc, slide.bdc), abs=1e-12)


@given(eccentrics(), angles)
def test_first_derivative_by_a_complex_step(slide: Eccentric, angle: float) -> None:
    """Im y(a + ih) / h: no difference is taken, so no digits are lost."""
    step: Any = complex(angle, 1e-30)
    assert slide.motion(angle)[1] == pytest.approx(np.asarray(slide.height(step)).imag / 1e-30, rel=1e-11, abs=1e-15)


@given(eccentrics(), angles)
def test_second_derivative_by_a_complex_step_of_the_first(slide: Eccentric, angle: float) -> None:
    step: Any = complex(angle, 1e-30)
    assert slide.motion(angle)[2] == pytest.approx(np.asarray(slide.motion(step)[1]).imag / 1e-30, rel=1e-10, abs=1e-13)


@given(eccentrics(), angles)
def test_motion_gives_the_height(slide: Eccentric, angle: float) -> None:
    assert slide.motion(angle)[0] == pytest.approx(float(slide.height(angle)), abs=1e-15)


@given(eccentrics(), shares, shares, st.booleans())
def test_peak_speed_and_acceleration_by_scanning(slide: Eccentric, one: float, other: float, down: bool) -> None:
    """A dense scan never finds more, and nearly as much; over a part of one way."""
    low, high = (0.0, float(slide.bdc)) if down else (float(slide.bdc), TURN)
    start, end = (low + share * (high - low) for share in sorted((one, other)))
    _, dy, d2y = (np.abs(value) for value in slide.motion(np.linspace(start, end, 4001)))
    for peak, scanned in ((slide.peak_speed(start, end), dy.max()), (slide.peak_acceleration(start, end), d2y.max())):
        assert peak >= scanned * (1.0 - 1e-5) - 1e-15
        assert peak <= scanned * (1.0 + 1e-5) + 1e-15


def test_peak_acceleration_over_a_whole_turn_is_at_a_dead_centre() -> None:
    """In line, with rod: r (1 + r/l) at BDC, textbook; the scan comes within a millionth."""
    slide = Eccentric(0.12, 0.48)
    assert slide.peak_acceleration(0.5 * math.pi, TURN) == pytest.approx(0.06 * (1.0 + 0.06 / 0.48), rel=1e-6)


@given(st.floats(0.05, 0.3), st.floats(1.2, 4.0), st.floats(0.01, 0.3))
def test_a_positive_offset_takes_longer_down_than_up(stroke: float, length: float, part: float) -> None:
    rod = stroke * length
    ahead, behind = Eccentric(stroke, rod, part * (rod - stroke)), Eccentric(stroke, rod, -part * (rod - stroke))
    assert ahead.bdc > math.pi > behind.bdc
    assert ahead.bdc + behind.bdc == pytest.approx(TURN, abs=1e-12)
    for height in (0.1 * stroke, 0.7 * stroke):  # the one is the other, run backward
        down, up = ahead.passes(height)
        assert behind.passes(height) == pytest.approx((TURN - up, TURN - down), abs=1e-11)


@given(eccentrics(rod=False), angles)
def test_a_very_long_rod_is_no_rod(slide: Eccentric, angle: float) -> None:
    """The rod adds at most r2/(2 l)."""
    long = Eccentric(slide.stroke, 1e4, 0.0, slide.shift)
    assert long.height(angle) == pytest.approx(slide.height(angle), abs=float(slide.stroke) ** 2 / 8e4 + 1e-11)


def test_arrays_are_loops_of_floats() -> None:
    """Stroke, rod, offset, shift and the argument as arrays: the same as one by one."""
    rng = np.random.default_rng(3)
    n = 40
    stroke = rng.uniform(0.05, 0.3, n)
    rod = stroke * rng.uniform(1.0, 5.0, n)
    offset = rng.uniform(-0.2, 0.2, n) * (rod - 0.5 * stroke)
    shift = rng.uniform(-2e-3, 2e-3, n)
    start, end = np.sort(rng.uniform(0.0, 3.0, (2, n)), axis=0)
    many, height = Eccentric(stroke, rod, offset, shift), stroke * rng.uniform(0.0, 1.0, n)
    for k in range(n):
        one = Eccentric(*(float(value[k]) for value in (stroke, rod, offset, shift)))
        assert np.asarray(many.bdc)[k] == one.bdc
        assert [np.asarray(each)[k] for each in many.passes(height)] == list(one.passes(float(height[k])))
        assert [np.asarray(each)[k] for each in many.motion(start)] == list(one.motion(float(start[k])))
        for peak in ("peak_speed", "peak_acceleration"):
            found = getattr(many, peak)(start, end)[k]
            assert found == pytest.approx(getattr(one, peak)(float(start[k]), float(end[k])), rel=1e-14)


def test_scan_peak_finds_the_top_between_samples_or_at_an_end() -> None:
    """Inside a span, off every sample; at either end; and for several spans at once."""

    def hill(x: Floats) -> Floats:
        return 2.0 - (x - 0.3217) ** 2

    assert scan_peak(hill, 0.0, 1.0) == pytest.approx(2.0, abs=1e-12)
    assert scan_peak(hill, 0.5, 1.0) == pytest.approx(float(hill(0.5)), abs=1e-15)
    assert scan_peak(hill, -1.0, 0.1) == pytest.approx(float(hill(0.1)), abs=1e-15)
    assert scan_peak(hill, 0.2, 0.2) == pytest.approx(float(hill(0.2)), abs=1e-15)
    spans = scan_peak(hill, np.array([0.0, 0.5, -1.0]), np.array([1.0, 1.0, 0.1]))
    assert spans == pytest.approx([2.0, float(hill(0.5)), float(hill(0.1))], abs=1e-12)
