"""The eccentric slide against published figures.

The press's dial starts where crank and rod fold (TDC); textbooks on engines start where they lie stretched, which is
the press's BDC. A figure given "t deg from dead centre" there is at 180 - t here.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from crankclock.parts.crank import Crank
from crankclock.parts.slide import Eccentric

INCH, FOOT = 0.0254, 0.3048


def test_mid_stroke_speed_of_the_press_room_formula_sheet() -> None:
    """Speed pi S N at mid-stroke: 4 in, 60 /min. Press-room formula sheet, scribd.com/document/436350720.

    The sheet prints 62 ft/min; to full precision it is 62.83.
    """
    slide, crank = Eccentric(4.0 * INCH), Crank(1.0)
    speed = float(slide.peak_speed(0.0, math.pi) * crank.speed) / FOOT * 60.0
    assert speed == pytest.approx(62.83, abs=0.005)
    assert math.floor(speed) == 62
    at_middle = float(slide.height(0.5 * math.pi))
    assert at_middle == pytest.approx(2.0 * INCH, abs=1e-15)
    assert abs(float(slide.motion(0.5 * math.pi)[1])) == pytest.approx(2.0 * INCH, rel=1e-12)


def test_time_of_a_stroke_and_of_a_degree() -> None:
    """250 /min is 240 ms a stroke (same sheet) and 0.667 ms a degree (computed)."""
    crank = Crank(250.0 / 60.0)
    assert crank.seconds(0.0, 2.0 * math.pi) == pytest.approx(0.240, rel=1e-12)
    assert crank.seconds(0.0, math.radians(1.0)) == pytest.approx(0.667e-3, abs=0.5e-6)


def test_crank_press_speed_above_bottom() -> None:
    """V = (pi n / 30) w sqrt(S/w - 1), w above BDC: ASM Handbook, Forging, crank presses; no rod in it.

    S 300 mm, n 60 /min, w 30 mm gives 565.5 mm/s (computed from the formula).
    """
    slide, crank = Eccentric(0.300), Crank(1.0)
    for angle in slide.passes(0.030):
        assert abs(float(slide.motion(angle)[1])) * crank.speed == pytest.approx(0.5655, abs=5e-5)
    for above in (0.001, 0.05, 0.15, 0.299):
        formula = 2.0 * math.pi * above * math.sqrt(0.300 / above - 1.0)
        down = slide.passes(above)[0]
        assert abs(float(slide.motion(down)[1])) * crank.speed == pytest.approx(formula, rel=1e-12)


def test_offset_stroke_of_gate_2025_me_question_60() -> None:
    """Crank 30, rod 50, offset 10 mm: stroke 62.05 mm (printed); forward and return times 1.2904 : 1 (computed)."""
    slide = Eccentric(62.05e-3, 50.0e-3, 10.0e-3)
    assert slide.radius == pytest.approx(30.0e-3, abs=0.0025e-3)  # from half a unit of the stroke's last place
    exact = math.sqrt(80.0**2 - 10.0**2) - math.sqrt(20.0**2 - 10.0**2)
    slide = Eccentric(1e-3 * exact, 50.0e-3, 10.0e-3)
    assert slide.radius == pytest.approx(30.0e-3, rel=1e-12)
    down = float(slide.bdc)
    assert down / (2.0 * math.pi - down) == pytest.approx(1.2904, abs=5e-5)


def rod_motion(slide: Eccentric, angle: float) -> tuple[float, float]:
    """Turning of the rod per radian of crank, and its change, from the slide's height alone.

    In line, cos(b) = (l + r + r cos a - y) / l is the share of the rod that points down; b is differentiated.
    """
    assert slide.rod is not None
    y, dy, d2y = (float(value) for value in slide.motion(angle))
    r, l = float(slide.radius), float(slide.rod)  # noqa: E741
    share = (l + r + r * math.cos(angle) - y) / l
    first = (-r * math.sin(angle) - dy) / l
    second = (-r * math.cos(angle) - d2y) / l
    b = math.acos(share)
    rate = -first / math.sin(b)
    return rate, (-second - share * rate**2) / math.sin(b)


def test_khurmi_theory_of_machines_example_15_1() -> None:
    """r 200 mm, l 700 mm, 120 rad/s, 30 deg from dead centre: slide and rod.

    Computed: 15.000 m/s, 2922.84 m/s2, rod 30.000 rad/s, 1948.56 rad/s2; the acceleration again from the textbook's
    closed form, r w2 (cos t + (n2 cos 2t + sin4 t) / (n2 - sin2 t)^1.5) with n = l/r. Khurmi prints 15.24, 2880,
    29.66, 1913, which he reads off a drawing: within 2 % of these.
    """
    slide, w, angle = Eccentric(0.400, 0.700), 120.0, math.radians(150.0)
    _, dy, d2y = (float(value) for value in slide.motion(angle))
    rod_speed, rod_acceleration = rod_motion(slide, angle)
    found = (abs(dy) * w, d2y * w**2, abs(rod_speed) * w, abs(rod_acceleration) * w**2)
    assert found == pytest.approx((15.000, 2922.84, 30.000, 1948.56), rel=3e-6)
    n, t = 3.5, math.radians(30.0)
    closed = math.cos(t) + (n**2 * math.cos(2 * t) + math.sin(t) ** 4) / (n**2 - math.sin(t) ** 2) ** 1.5
    assert d2y * w**2 == pytest.approx(0.2 * w**2 * closed, rel=1e-12)
    assert found == pytest.approx((15.24, 2880.0, 29.66, 1913.0), rel=0.02)


def test_greatest_speed_of_a_slider_crank() -> None:
    """r 0.3 m, l 1 m, 200 /min: 6.5617 m/s at 74.53 deg from the stretched dead centre (computed)."""
    slide, crank = Eccentric(0.6, 1.0), Crank(200.0 / 60.0)
    assert slide.peak_speed(0.0, math.pi) * crank.speed == pytest.approx(6.5617, abs=5e-5)
    angles = np.linspace(0.0, math.pi, 180_001)
    fastest = math.degrees(angles[np.argmax(np.abs(slide.motion(angles)[1]))])
    assert 180.0 - fastest == pytest.approx(74.53, abs=0.005)
