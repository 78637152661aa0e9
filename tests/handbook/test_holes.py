"""Percent of thread and its inverse, the usual drill, extruded holes, and the holes that are refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankclock.handbook.holes import (
    HoleError,
    cut_hole,
    extruded_height,
    flange_height,
    form_hole,
    form_percent,
    percent_of_thread,
    usual_drill,
)
from crankclock.handbook.thread_tables import DRILLS
from crankclock.handbook.threads import THREADS, Thread, parse

MM = 1e-3
M4 = parse("M4")
threads = st.sampled_from(THREADS)
percents = st.floats(0.01, 100.0)


@given(threads, percents)
def test_hole_and_percent_are_inverse(thread: Thread, percent: float) -> None:
    assert percent_of_thread(thread, cut_hole(thread, percent)) == pytest.approx(percent, rel=1e-9, abs=1e-9)
    assert form_percent(thread, form_hole(thread, percent)) == pytest.approx(percent, rel=1e-9, abs=1e-9)


@given(threads, percents)
def test_a_forming_tap_takes_the_larger_hole(thread: Thread, percent: float) -> None:
    assert cut_hole(thread, percent) < form_hole(thread, percent) < thread.diameter


def test_basic_minor_diameter_is_five_sixths_of_a_thread() -> None:
    for thread in THREADS:
        assert percent_of_thread(thread, thread.minor_diameter) == pytest.approx(100.0 * 5.0 / 6.0)


def test_arrays_over_variants_go_the_same_way() -> None:
    percent = np.array([60.0, 65.0, 100.0])
    assert cut_hole(M4, percent) == pytest.approx([cut_hole(M4, float(each)) for each in percent])
    holes = form_hole(M4, percent)
    assert form_percent(M4, holes) == pytest.approx(percent)
    assert isinstance(cut_hole(M4, 65.0), float)


@pytest.mark.parametrize("percent", [0.0, -5.0, 100.0001, 101.0, 650.0, math.nan, math.inf])
@pytest.mark.parametrize("hole_for", [cut_hole, form_hole])
def test_percent_that_cannot_be_had_is_refused(hole_for: object, percent: float) -> None:
    assert callable(hole_for)
    with pytest.raises(HoleError, match=r"percent of thread .*expected above 0, at most 100"):
        hole_for(M4, percent)
    with pytest.raises(HoleError, match="percent of thread"):
        hole_for(M4, np.array([65.0, percent]))


@pytest.mark.parametrize("hole", [4.0 * MM, 4.1 * MM, 0.0, -1.0 * MM, math.nan, math.inf])
@pytest.mark.parametrize("percent_from", [percent_of_thread, form_percent])
def test_hole_outside_the_thread_is_refused(percent_from: object, hole: float) -> None:
    assert callable(percent_from)
    with pytest.raises(HoleError, match=r"hole .*expected above 0 and smaller than M4x0\.7 \(4 mm"):
        percent_from(M4, hole)
    with pytest.raises(HoleError, match="hole"):
        percent_from(M4, np.array([3.7 * MM, hole]))


def test_hole_that_gives_over_a_whole_thread_is_refused() -> None:
    with pytest.raises(HoleError, match=r"hole 3\.05 mm \(0\.1201 in\): expected at least 3\.091 mm .*100 %"):
        percent_of_thread(M4, 3.05 * MM)
    with pytest.raises(HoleError, match=r"hole 3\.3 mm .*expected at least 3\.524 mm"):
        form_percent(M4, 3.3 * MM)


@pytest.mark.parametrize("thread", THREADS, ids=lambda thread: thread.designation)
def test_usual_drill_leaves_a_thread_a_gauge_accepts(thread: Thread) -> None:
    drill = usual_drill(thread)
    assert thread.minor_diameter <= drill.diameter < thread.pitch_diameter
    assert 60.0 < drill.percent < 84.0
    assert drill.percent == pytest.approx(percent_of_thread(thread, drill.diameter))
    assert drill.source


def test_a_drill_without_a_row_is_computed_and_says_so() -> None:
    drill = usual_drill(parse("M20x1.5"))
    assert drill.computed
    assert "computed for 75 % of thread" in drill.source
    assert drill.diameter == pytest.approx((20.0 - 0.75 * 1.299038 * 1.5) * MM, abs=1e-9)
    tabled = usual_drill(parse("M20"))
    assert not tabled.computed
    assert tabled.diameter == pytest.approx(17.5 * MM)


def test_every_drill_row_belongs_to_a_thread() -> None:
    assert set(DRILLS) <= {thread.designation for thread in THREADS}


def test_extruded_height_adds_what_holds_no_full_thread() -> None:
    assert extruded_height(M4, 2.8 * MM, 0.5 * MM) == pytest.approx(4.0 * MM)
    many = extruded_height(M4, np.array([1.4, 2.8]) * MM, 0.0)
    assert many == pytest.approx(np.array([2.1, 3.5]) * MM)
    with pytest.raises(HoleError, match="length of full thread"):
        extruded_height(M4, 0.0, 0.0)
    with pytest.raises(HoleError, match="unthreaded height"):
        extruded_height(M4, 1.0 * MM, -0.1 * MM)


@given(st.floats(0.5, 3.0), st.floats(0.05, 0.98), st.floats(0.3, 1.0), st.floats(1.0, 20.0))
def test_flange_keeps_the_volume_of_the_ring(t: float, pierce: float, thinning: float, inner: float) -> None:
    outer = inner + 2.0 * t * thinning
    flange = flange_height(t * MM, pierce * inner * MM, inner * MM, outer * MM)
    ring = math.pi / 4.0 * (outer**2 - (pierce * inner) ** 2) * t
    tube = math.pi / 4.0 * (outer**2 - inner**2) * float(flange.height) / MM
    assert tube == pytest.approx(ring)
    assert float(flange.height) > t * MM, "an extruded hole is higher than the strip"
    assert float(flange.wall) == pytest.approx(t * thinning * MM)
    assert flange.basis.startswith("estimate")


def test_a_smaller_pierced_hole_gives_a_higher_flange() -> None:
    pierced = np.array([1.0, 1.5, 2.0, 2.5, 3.0]) * MM
    height = np.asarray(flange_height(1.0 * MM, pierced, 3.3 * MM, 5.0 * MM).height)
    assert np.all(np.diff(height) < 0.0)


@pytest.mark.parametrize(
    ("thickness", "pierced", "inner", "outer", "says"),
    [
        (0.0, 1.5, 3.3, 5.0, "strip thickness"),
        (math.nan, 1.5, 3.3, 5.0, "strip thickness"),
        (1.5, 0.0, 3.3, 5.0, "pierced hole"),
        (1.5, 3.3, 3.3, 5.0, "pierced hole"),
        (1.5, 4.0, 3.3, 5.0, "pierced hole"),
        (1.5, 1.5, 3.3, 3.3, "flange outer diameter"),
        (1.5, 1.5, 3.3, 3.0, "flange outer diameter"),
        (0.8, 1.5, 3.3, 5.0, "flange wall"),
        (1.5, 1.5, 3.3, math.inf, "flange wall"),
    ],
)
def test_a_flange_that_cannot_be_drawn_is_refused(
    thickness: float, pierced: float, inner: float, outer: float, says: str
) -> None:
    with pytest.raises(HoleError, match=says):
        flange_height(thickness * MM, pierced * MM, inner * MM, outer * MM)
    good = np.array([1.5, 1.5, 3.3, 5.0])
    both = np.column_stack((good, (thickness, pierced, inner, outer))) * MM
    with pytest.raises(HoleError, match=says):
        flange_height(*both)
