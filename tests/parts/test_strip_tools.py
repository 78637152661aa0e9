"""Strip, stripper, pilots and punches: rigid heights and the slide height at which a tool meets the strip."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankclock.parts.strip import Strip
from crankclock.parts.tools import Tool

MM = 1e-3
NEARLY = 2e-9  # a tie is in: closer than 1e-9 m, and rounding
lengths = st.floats(0.0, 0.05)
slides = st.floats(-0.003, 0.25)


@st.composite
def strips(draw: Any) -> Strip:
    return Strip(draw(st.floats(0.3e-3, 4e-3)), draw(st.one_of(st.just(0.0), st.floats(0.2e-3, 8e-3))), draw(lengths))


def test_heights_by_hand() -> None:
    """1.5 mm strip, 4 mm of lift, 30 mm of stripper travel: touched at 34 mm, clamped at 30 mm."""
    strip = Strip(1.5 * MM, 4.0 * MM, 30.0 * MM)
    slide = np.array([50.0, 34.0, 32.0, 30.0, 10.0, 0.0]) * MM
    assert strip.underside(slide) == pytest.approx(np.array([4.0, 4.0, 2.0, 0.0, 0.0, 0.0]) * MM)
    assert strip.stripper_face(slide) == pytest.approx(np.array([21.5, 5.5, 3.5, 1.5, 1.5, 1.5]) * MM)
    assert (strip.touch_height, strip.clamp_height) == pytest.approx((34.0 * MM, 30.0 * MM))


@given(strips(), slides)
def test_strip_stays_between_die_lifters_and_stripper(strip: Strip, slide: float) -> None:
    underside, face = float(strip.underside(slide)), float(strip.stripper_face(slide))
    assert 0.0 <= underside <= strip.lift
    assert face >= underside + strip.thickness - 1e-15
    touched = slide <= strip.touch_height
    assert (face <= underside + strip.thickness + 1e-12) == (touched or slide - strip.touch_height < 1e-12)
    assert (underside == 0.0) == (slide <= strip.clamp_height or strip.lift == 0.0)


def meets(strip: Strip, tool: Tool, slide: float, above_tip: float = 0.0) -> float:
    """Room between the point above the tip and the top of the strip, from the heights alone."""
    tip = float(tool.tip(slide, strip.stripper_face(slide)))
    return tip + above_tip - float(strip.underside(slide)) - float(strip.thickness)


@given(strips(), st.sampled_from(["slide", "stripper"]), st.floats(-0.005, 0.06), st.floats(0.0, 0.008))
def test_passing_height_is_where_the_point_meets_the_strip(
    strip: Strip, mount: Literal["slide", "stripper"], reach: float, nose: float
) -> None:
    """In at the height and below, out above it; never in where the height is minus infinity."""
    tool = Tool("p1", mount, reach, nose)
    for above_tip in (0.0, nose):
        at = float(tool.passing_height(strip, above_tip))
        if at == -np.inf:
            assert all(meets(strip, tool, y, above_tip) > 0.0 for y in np.linspace(-0.003, 0.25, 50))
            continue
        assert meets(strip, tool, at, above_tip) <= NEARLY
        assert meets(strip, tool, at - 1e-3, above_tip) <= NEARLY
        for higher in (1e-6, 1e-3, 0.1):
            assert meets(strip, tool, at + NEARLY + higher, above_tip) > 0.0


@given(strips(), st.floats(0.0, 0.06), st.floats(1e-5, 0.008))
def test_the_tip_is_in_before_the_full_diameter(strip: Strip, reach: float, nose: float) -> None:
    for mount in ("slide", "stripper"):
        pilot = Tool("p1", mount, reach, nose)
        assert pilot.passing_height(strip) >= pilot.passing_height(strip, nose)


def test_a_pilot_that_passes_with_the_moving_strip_ties_with_the_raised_one() -> None:
    """While the stripper takes the strip down at slide speed the room stands still: a tie counts as in."""
    strip = Strip(1.0 * MM, 5.0 * MM, 20.0 * MM)
    assert Tool("p1", "slide", 19.0 * MM).passing_height(strip) == pytest.approx(25.0 * MM)
    assert Tool("p1", "slide", 18.9 * MM).passing_height(strip) == pytest.approx(19.9 * MM)
    assert Tool("p1", "stripper", 0.0).passing_height(strip) == pytest.approx(25.0 * MM)


def test_arrays_are_loops_of_floats() -> None:
    rng = np.random.default_rng(5)
    thickness, lift, travel, reach = rng.uniform(0.0, 0.03, (4, 60))
    slide = rng.uniform(0.0, 0.1, 60)
    many = Strip(thickness, lift, travel)
    for mount in ("slide", "stripper"):
        tool = Tool("p1", mount, reach, 1.0 * MM)
        face = many.stripper_face(slide)
        found = [tool.passing_height(many, 1.0 * MM), tool.tip(slide, face), many.underside(slide), face]
        for k in range(60):
            one, single = Strip(thickness[k], lift[k], travel[k]), Tool("p1", mount, reach[k], 1.0 * MM)
            alone = one.stripper_face(slide[k])
            expected = [
                single.passing_height(one, 1.0 * MM),
                single.tip(slide[k], alone),
                one.underside(slide[k]),
                alone,
            ]
            assert [np.asarray(each)[k] for each in found] == [float(each) for each in expected]
