"""Tapping torque, its course over the depth, breaking torque and clutch: what must hold whatever the figures."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankclock.handbook.breaking import breaking_torque, torque_margin
from crankclock.handbook.holes import HoleError, cut_hole
from crankclock.handbook.materials import MATERIALS, Force, own_force
from crankclock.handbook.threads import THREADS, Thread, parse
from crankclock.handbook.torque import FIRST, SECOND, cut_torque, first_torque, form_torque, second_torque, tap_torque
from crankclock.handbook.torque_course import FRICTION_SHARE, chamfer_share, inertia_torque, peak_share, torque_at
from crankclock.handbook.values import FigureError

Kind = Literal["cut", "form"]
KINDS: tuple[Kind, Kind] = ("cut", "form")

diameters = st.floats(2e-3, 20e-3)
pitches = st.floats(0.25e-3, 2.5e-3)
forces = st.floats(5e8, 6e9)
factors = st.floats(1.01, 3.0)
threads = st.sampled_from(THREADS)
materials = st.sampled_from(sorted(MATERIALS))


def force(name: str) -> Force:
    found = MATERIALS[name].force
    assert found is not None
    return found


@given(diameters, pitches, forces, factors)
def test_first_formula_grows_as_its_powers_say(diameter: float, pitch: float, kc: float, by: float) -> None:
    torque = first_torque(diameter, pitch, kc)
    assert torque > 0.0
    assert first_torque(by * diameter, pitch, kc) == pytest.approx(by * torque)
    assert first_torque(diameter, by * pitch, kc) == pytest.approx(by**2 * torque)
    assert first_torque(diameter, pitch, by * kc) == pytest.approx(by * torque)


@given(diameters, st.floats(0.7, 0.95), forces, factors)
def test_second_formula_grows_with_force_and_size_and_falls_with_the_hole(
    diameter: float, share: float, kc: float, by: float
) -> None:
    torque = second_torque(diameter, share * diameter, kc, 1.0)
    assert second_torque(diameter, share * diameter, by * kc, 1.0) == pytest.approx(by * torque)
    assert second_torque(diameter, share * diameter, kc, by) == pytest.approx(by * torque)
    assert second_torque(by * diameter, by * share * diameter, kc, 1.0) == pytest.approx(by**3 * torque)
    assert second_torque(diameter, 1.01 * share * diameter, kc, 1.0) < torque


@given(threads, materials, st.sampled_from(KINDS), st.floats(60.0, 90.0))
def test_bracket_is_ordered(thread: Thread, name: str, kind: Kind, percent: float) -> None:
    torque = tap_torque(thread, kind, force(name), cut_hole(thread, percent))
    assert 0.0 < torque.low <= torque.used <= torque.high


@given(threads, st.lists(st.floats(60.0, 90.0), min_size=1, max_size=4))
def test_an_array_of_holes_equals_a_loop(thread: Thread, percents: list[float]) -> None:
    holes = cut_hole(thread, np.array(percents))
    steel = force("low-carbon-steel")
    together = cut_torque(thread, steel, holes)
    alone = [cut_torque(thread, steel, float(hole)) for hole in holes]
    assert together.low == pytest.approx(np.array([each.low for each in alone]))
    assert together.high == pytest.approx(np.array([each.high for each in alone]))
    assert list(np.atleast_1d(together.high_from)) == [each.high_from for each in alone]


def test_each_end_names_the_formula_that_gave_it() -> None:
    thread, steel = parse("M8"), force("low-carbon-steel")
    torque = cut_torque(thread, steel, 6.8e-3)
    assert (torque.low_from, torque.high_from) == (SECOND, SECOND)
    assert steel.second is not None
    assert torque.used == first_torque(thread.diameter, thread.pitch, steel.first)
    assert torque.low == pytest.approx(second_torque(8e-3, 6.8e-3, steel.second, 0.95))
    assert torque.high == pytest.approx(second_torque(8e-3, 6.8e-3, steel.second, 1.43))
    wide = cut_torque(thread, steel, 7.2e-3)
    assert (wide.low_from, wide.high_from) == (SECOND, FIRST)
    assert wide.high == wide.used


def test_fine_threads_take_their_own_correction() -> None:
    steel = force("low-carbon-steel")
    assert steel.second is not None
    torque = cut_torque(parse("M8x1"), steel, 7.0e-3)
    assert torque.low == pytest.approx(second_torque(8e-3, 7.0e-3, steel.second, 1.00))
    assert torque.high == pytest.approx(second_torque(8e-3, 7.0e-3, steel.second, 1.50))


@pytest.mark.parametrize("name", ["copper", "aluminium-soft", "bronze", "ferritic-stainless"])
def test_without_a_second_figure_there_is_no_bracket_and_it_says_so(name: str) -> None:
    torque = cut_torque(parse("M5"), force(name))
    assert torque.low == torque.used == torque.high
    assert any("not bracketed" in note for note in torque.notes)


def test_own_force_is_not_bracketed_with_the_tables() -> None:
    torque = cut_torque(parse("M6"), own_force(2.3e9))
    assert torque.low == torque.used == torque.high == pytest.approx(1.725)
    assert any("own specific cutting force" in note for note in torque.notes)


def test_own_force_may_be_an_array() -> None:
    torque = tap_torque(parse("M6"), "form", own_force(np.array([1.0e9, 2.0e9])))
    assert torque.used == pytest.approx(3.0 * np.array([0.75, 1.5]))


@pytest.mark.parametrize("hole", [6.0e-3, 7.0e-3, 4.0e-3])
def test_a_hole_that_cannot_be_is_refused(hole: float) -> None:
    with pytest.raises(HoleError):
        tap_torque(parse("M6"), "cut", force("copper"), hole)


def test_a_forming_tap_is_an_estimate_that_does_not_know_its_hole() -> None:
    thread, steel = parse("M4"), force("low-carbon-steel")
    torque = tap_torque(thread, "form", steel, 3.7e-3)
    assert torque.estimate
    assert torque.used == form_torque(thread, steel).used
    assert any("percent of thread is not counted" in note for note in torque.notes)


@given(st.sampled_from(KINDS), st.floats(1.0, 3.0), st.floats(1.0, 3.0))
def test_wear_and_lubrication_multiply(kind: Kind, wear: float, dry: float) -> None:
    thread, steel = parse("M5"), force("low-carbon-steel")
    new, worn = tap_torque(thread, kind, steel), tap_torque(thread, kind, steel, wear=wear, lubrication=dry)
    for end in ("low", "used", "high"):
        assert getattr(worn, end) == pytest.approx(wear * dry * getattr(new, end))


def test_factors_are_named_as_assumptions() -> None:
    thread, steel = parse("M5"), force("low-carbon-steel")
    assert "new tap and tapping oil assumed" in tap_torque(thread, "cut", steel).notes
    assert any("common practice" in note for note in tap_torque(thread, "cut", steel, wear=1.5).notes)


@pytest.mark.parametrize("factors", [{"wear": 0.0}, {"lubrication": -1.0}, {"wear": float("nan")}])
def test_factors_must_be_above_zero(factors: dict[str, float]) -> None:
    with pytest.raises(FigureError, match="factor"):
        tap_torque(parse("M5"), "cut", force("brass"), **factors)


def test_the_chamfers_share_is_the_groove_cut_so_far() -> None:
    """Against the groove of the basic profile, 3/4 P wide at the minor and P/8 at the major diameter, summed."""
    x = np.linspace(0.0, 1.0, 100001)
    width = 0.75 + (0.125 - 0.75) * x
    cut = np.concatenate(([0.0], np.cumsum((width[1:] + width[:-1]) / 2.0))) / np.sum((width[1:] + width[:-1]) / 2.0)
    share = chamfer_share(x * 3e-3, 1.0, 3.0, 1e-3)
    assert share == pytest.approx(cut, abs=1e-9)


heights = st.floats(0.5e-3, 10e-3)
chamfers = st.floats(0.0, 8.0)
depths = st.floats(-2e-3, 25e-3)


@given(depths, heights, chamfers, pitches)
def test_share_is_a_share(depth: float, height: float, chamfer: float, pitch: float) -> None:
    share = chamfer_share(depth, height, chamfer, pitch)
    assert 0.0 <= share <= 1.0 + 1e-12
    if depth <= 0.0 or depth >= height + max(chamfer, 1.0) * pitch:
        assert share == pytest.approx(0.0)


@given(heights, chamfers, pitches, st.floats(0.1e-3, 25e-3))
def test_peak_share_is_the_greatest_on_the_way(height: float, chamfer: float, pitch: float, deepest: float) -> None:
    on_the_way = np.append(np.linspace(0.0, deepest, 500), min(height, deepest))
    shares = chamfer_share(on_the_way, height, chamfer, pitch)
    assert peak_share(deepest, height, chamfer, pitch) == pytest.approx(np.max(shares))


def test_strip_thinner_than_the_chamfer_never_takes_the_full_torque() -> None:
    assert peak_share(5e-3, 1e-3, 3.5, 0.7e-3) < 0.8
    assert peak_share(5e-3, 3.5 * 0.7e-3, 3.5, 0.7e-3) == pytest.approx(1.0)


def test_without_a_chamfer_the_load_still_takes_a_turn_to_build_up() -> None:
    assert chamfer_share(0.35e-3, 2e-3, 0.0, 0.7e-3) == chamfer_share(0.35e-3, 2e-3, 1.0, 0.7e-3) < 1.0


@given(depths, heights, chamfers, pitches, st.sampled_from(KINDS))
def test_turning_back_takes_no_more_than_going_in(
    depth: float, height: float, chamfer: float, pitch: float, kind: Kind
) -> None:
    going_in = torque_at(2.0, depth, height, chamfer, pitch, kind, "in")
    coming_out = torque_at(2.0, depth, height, chamfer, pitch, kind, "out")
    assert 0.0 <= coming_out <= going_in <= 2.0 + 1e-12


def test_course_over_the_depth() -> None:
    depth = np.array([-1.0, 0.0, 0.7, 1.4, 1.5, 2.9, 4.0]) * 1e-3
    course = torque_at(1.0, depth, 1.5e-3, 2.0, 0.7e-3, "form", "in")
    assert course == pytest.approx([0.0, 0.0, (12 * 0.5 - 5 * 0.25) / 7, 1.0, 1.0, 0.5, 0.5])
    back = np.asarray(torque_at(1.0, depth, 1.5e-3, 2.0, 0.7e-3, "form", "out"))
    assert back[-1] == FRICTION_SHARE["form"]
    assert list(back) == [float(torque_at(1.0, float(each), 1.5e-3, 2.0, 0.7e-3, "form", "out")) for each in depth]


def test_no_height_no_course() -> None:
    with pytest.raises(FigureError, match="threaded height"):
        torque_at(1.0, 1e-3, 0.0, 2.0, 0.7e-3, "cut", "in")


def test_inertia_torque_in_turns() -> None:
    """T = I alpha with alpha in rad/s^2: 4e-5 kg m^2 brought to 3000 /min in 10 ms takes 1.2566 N m."""
    turns = 3000.0 / 60.0 / 10e-3
    assert inertia_torque(4e-5, turns) == pytest.approx(4e-5 * 2.0 * np.pi * 50.0 / 0.01)
    assert inertia_torque(4e-5, np.array([-turns, turns])) == pytest.approx([1.2566, 1.2566], abs=5e-5)


@given(threads, st.sampled_from(KINDS))
def test_breaking_estimate_is_ordered_and_says_so(thread: Thread, kind: Kind) -> None:
    breaking = breaking_torque(thread, kind)
    assert 0.0 < breaking.low < breaking.used < breaking.high
    assert breaking.estimate
    assert "estimate" in breaking.basis


def test_a_forming_tap_is_stronger_for_want_of_flutes() -> None:
    assert breaking_torque(parse("M4"), "form").low > breaking_torque(parse("M4"), "cut").used


def test_a_given_breaking_torque_replaces_the_estimate() -> None:
    breaking = breaking_torque(parse("M4"), "cut", 2.0)
    assert (breaking.low, breaking.used, breaking.high, breaking.estimate) == (2.0, 2.0, 2.0, False)
    with pytest.raises(FigureError, match="breaking torque"):
        breaking_torque(parse("M4"), "cut", 0.0)


@pytest.mark.parametrize(
    ("peak", "clutch", "breaking", "margin"),
    [
        (1.0, 2.0, 4.0, 1.0),
        (1.0, 3.5, 4.0, 0.5),
        (2.5, 2.0, 4.0, -0.5),  # the clutch slips while tapping
        (1.0, 5.0, 4.0, -1.0),  # the tap breaks before the clutch slips
        (1.0, None, 4.0, 3.0),
        (5.0, None, 4.0, -1.0),
    ],
)
def test_margin_of_the_clutch(peak: float, clutch: float | None, breaking: float, margin: float) -> None:
    assert torque_margin(peak, breaking, clutch) == pytest.approx(margin)


@given(st.lists(st.floats(0.1, 10.0), min_size=1, max_size=4))
def test_margin_of_an_array_equals_a_loop(peaks: list[float]) -> None:
    assert list(np.atleast_1d(torque_margin(np.array(peaks), 8.0, 4.0))) == [
        torque_margin(each, 8.0, 4.0) for each in peaks
    ]
