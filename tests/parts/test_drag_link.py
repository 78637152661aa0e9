"""The drag-link slide: a double crank before an eccentric."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from crankclock.parts.drag_link import DragLink, corner
from crankclock.parts.numbers import TURN
from crankclock.parts.slide import Eccentric

FLATTEST = math.radians(10.0)  # the scenario refuses flatter links


@st.composite
def drag_links(draw: Any) -> DragLink:
    """Double cranks whose links never come within 10 deg of a line, before in-line and offset eccentrics."""
    driving, coupler, driven = (draw(st.floats(0.05, 0.3)) for _ in range(3))
    longest, shortest = max(driving, coupler, driven), min(driving, coupler, driven)
    room = min(shortest, driving + coupler + driven - 2.0 * longest)
    assume(room > 0.005)
    ground = draw(st.floats(0.05, 0.95)) * room
    for line in (driving - ground, driving + ground):
        angle = float(corner(coupler, driven, line))
        assume(FLATTEST < angle < math.pi - FLATTEST)
    stroke, shift = draw(st.floats(0.03, 0.5)), draw(st.floats(-3e-3, 3e-3))
    if draw(st.booleans()):
        return DragLink(stroke, ground, driving, coupler, driven, None, 0.0, shift)
    rod = stroke * draw(st.floats(0.8, 6.0))
    offset = draw(st.floats(-0.25, 0.25)) * (rod - 0.5 * stroke)
    return DragLink(stroke, ground, driving, coupler, driven, rod, offset, shift)


shares = st.floats(0.0, 1.0)
angles = st.floats(0.0, TURN)


@given(drag_links())
def test_dead_centres_are_the_ends_of_the_stroke(slide: DragLink) -> None:
    heights = np.asarray(slide.height(np.linspace(0.0, TURN, 1441)))
    assert slide.height(0.0) == pytest.approx(float(slide.top), abs=1e-12)
    assert slide.height(slide.bdc) == pytest.approx(float(slide.bottom), abs=1e-12)
    assert slide.top - slide.bottom == pytest.approx(slide.stroke, rel=1e-12)
    assert slide.bottom == -slide.shift
    assert heights.max() <= slide.top + 1e-12
    assert heights.min() >= slide.bottom - 1e-12


@given(drag_links(), angles)
def test_one_turn_of_the_dial_is_one_turn_of_the_slide(slide: DragLink, angle: float) -> None:
    there, later = slide.motion(angle), slide.motion(angle + TURN)
    assert there == pytest.approx(later, abs=1e-11)


@given(drag_links())
def test_goes_down_to_bdc_and_up_from_it(slide: DragLink) -> None:
    bdc = float(slide.bdc)
    down = np.diff(slide.height(np.linspace(0.0, bdc, 400)))
    up = np.diff(slide.height(np.linspace(bdc, TURN, 400)))
    assert down.max() <= 1e-15
    assert up.min() >= -1e-15


@given(drag_links(), shares)
def test_inverse_undoes_height(slide: DragLink, share: float) -> None:
    height = float(slide.bottom + share * slide.stroke)
    down, up = (float(each) for each in slide.passes(height))
    assert -1e-12 <= down <= slide.bdc + 1e-12
    assert slide.bdc - 1e-12 <= up <= TURN + 1e-12
    assert slide.height(down) == pytest.approx(height, abs=2e-13)
    assert slide.height(up) == pytest.approx(height, abs=2e-13)


@given(drag_links(), st.floats(0.01, 0.99))
def test_inverse_is_the_root_a_solver_finds(slide: DragLink, share: float) -> None:
    height, bdc = float(slide.bottom + share * slide.stroke), float(slide.bdc)
    for angle, ends in zip(slide.passes(height), ((0.0, bdc), (bdc, TURN)), strict=True):
        root = brentq(lambda a: float(slide.height(a)) - height, *ends, xtol=1e-14)
        assert angle == pytest.approx(root, abs=1e-9)


@given(drag_links(), angles)
def test_derivatives_by_differences(slide: DragLink, angle: float) -> None:
    """Fourth-order central differences; what is left is some h4 of a motion whose humps are 10 deg wide."""
    h = 1e-3
    at = angle + h * np.array([-2.0, -1.0, 1.0, 2.0])
    weights = np.array([1.0, -8.0, 8.0, -1.0]) / (12.0 * h)
    height, slope, _ = (np.asarray(each) for each in slide.motion(at))
    _, first, second = slide.motion(angle)
    size = float(slide.stroke)
    assert first == pytest.approx(float(weights @ height), abs=1e-7 * size)
    assert second == pytest.approx(float(weights @ slope), abs=1e-6 * size)


@given(drag_links(), shares, shares, st.booleans())
def test_peaks_by_scanning(slide: DragLink, one: float, other: float, down: bool) -> None:
    """A dense scan finds no more than a part in a thousand above, and no less."""
    low, high = (0.0, float(slide.bdc)) if down else (float(slide.bdc), TURN)
    start, end = (low + share * (high - low) for share in sorted((one, other)))
    _, dy, d2y = (np.abs(value) for value in slide.motion(np.linspace(start, end, 4001)))
    for peak, scanned in ((slide.peak_speed(start, end), dy.max()), (slide.peak_acceleration(start, end), d2y.max())):
        assert peak == pytest.approx(scanned, rel=1e-3, abs=1e-15)


@given(drag_links())
def test_slow_at_the_bottom_fast_at_the_top(slide: DragLink) -> None:
    """In line the driven crank turns 1 - ground/output as fast as the dial at BDC, 1 + ground/output at TDC.

    There the pins' line meets the line of the shafts in the driven pin, the instant centre of the two cranks.
    """
    line = DragLink(slide.stroke, slide.ground, slide.input, slide.coupler, slide.output)
    share = float(slide.ground / slide.output)
    half = 0.5 * float(slide.stroke)
    assert line.motion(line.bdc)[2] == pytest.approx(half * (1.0 - share) ** 2, rel=1e-9)
    assert line.motion(0.0)[2] == pytest.approx(-half * (1.0 + share) ** 2, rel=1e-9)


@given(drag_links())
def test_the_downstroke_is_never_the_shorter_in_line(slide: DragLink) -> None:
    line = DragLink(slide.stroke, slide.ground, slide.input, slide.coupler, slide.output, slide.rod)
    assert line.bdc >= math.pi - 1e-12


@given(st.floats(0.05, 0.3), st.floats(0.1, 0.9), angles)
def test_without_a_ground_link_it_is_the_eccentric(stroke: float, share: float, angle: float) -> None:
    """Two shafts in one place: the cranks turn as one, whatever the links."""
    rod = 2.0 * stroke
    offset = 0.2 * share * rod
    slide = DragLink(stroke, 1e-13, 0.1, 0.1 * (1.0 + share), 0.12, rod, offset)
    assert slide.motion(angle) == pytest.approx(Eccentric(stroke, rod, offset).motion(angle), abs=1e-11)


def test_a_height_out_of_reach_is_the_nearer_dead_centre() -> None:
    slide = DragLink(0.12, 0.06, 0.15, 0.16, 0.14, 0.5, 0.02)
    assert slide.passes(slide.top + 1.0) == pytest.approx((0.0, TURN), abs=1e-12)
    assert slide.passes(slide.bottom - 1.0) == pytest.approx((slide.bdc, slide.bdc), abs=1e-12)


def test_arrays_are_loops_of_floats() -> None:
    """Every length, the shift and the argument as arrays; and a leading axis of angles."""
    rng = np.random.default_rng(5)
    n = 20
    values = [0.1 + 0.05 * rng.random(n), 0.03 + 0.02 * rng.random(n), *(0.13 + 0.03 * rng.random((3, n)))]
    values += [0.4 + 0.1 * rng.random(n), 0.03 * rng.random(n), 1e-3 * rng.random(n)]
    many = DragLink(*values)
    angle, height = TURN * rng.random((5, n)), 0.1 * rng.random((5, n))
    motion, passes = many.motion(angle), many.passes(height)
    start, end = np.sort(TURN * rng.random((2, n)), axis=0)
    peaks = [np.asarray(peak(start, end)) for peak in (many.peak_speed, many.peak_acceleration)]
    for k in range(n):
        one = DragLink(*(float(each[k]) for each in values))
        assert np.asarray(many.bdc)[k] == pytest.approx(float(one.bdc), rel=1e-14)
        for found, alone in zip(motion, one.motion(angle[:, k]), strict=True):
            assert np.asarray(found)[:, k] == pytest.approx(np.asarray(alone), rel=1e-12, abs=1e-15)
        for found, alone in zip(passes, one.passes(height[:, k]), strict=True):
            assert np.asarray(found)[:, k] == pytest.approx(np.asarray(alone), rel=1e-12)
        for found, alone in zip(peaks, (one.peak_speed, one.peak_acceleration), strict=True):
            assert found[k] == pytest.approx(float(alone(start[k], end[k])), rel=1e-12)


def test_corner_of_a_triangle() -> None:
    """3-4-5, equilateral, and flat ones."""
    assert corner(3.0, 4.0, 5.0) == pytest.approx(0.5 * math.pi, rel=1e-15)
    assert corner(1.0, 1.0, 1.0) == pytest.approx(math.pi / 3.0, rel=1e-15)
    assert (corner(1.0, 2.0, 3.0), corner(1.0, 2.0, 1.0)) == (math.pi, 0.0)
