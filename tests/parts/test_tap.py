"""The tap's gap for every head placement, and the press-driven spindle with its backlash."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankclock.parts.strip import Strip
from crankclock.parts.tap import PressSpindle, Tap

MM = 1e-3
STRIP = Strip(1.5 * MM, 4.0 * MM, 30.0 * MM)
Mount = Literal["die", "stripper", "lifter"]
PLACES: list[tuple[Mount, Literal["above", "below"]]] = [
    ("die", "above"), ("die", "below"), ("stripper", "above"), ("lifter", "above"), ("lifter", "below"),
]  # fmt: skip


def tap(mount: Mount = "die", side: Literal["above", "below"] = "above", **other: Any) -> Tap:
    """M6 with 2 pitches of chamfer in the strip's 1.5 mm, half a millimetre clear at rest."""
    given_values: dict[str, Any] = {
        "name": "t1", "diameter": 6.0 * MM, "pitch": 1.0 * MM, "chamfer": 2.0 * MM, "height": 1.5 * MM,
        "extra": 1.0 * MM, "clearance": 0.5 * MM, "point": 0.0, "flange_toward": False,
    }  # fmt: skip
    return Tap(mount=mount, side=side, **(given_values | other))


def at(slide: float, part: Tap, spindle: PressSpindle | None = None) -> tuple[float, float]:
    """Rest gap and drive travel coordinate at a slide height, both in mm."""
    y = slide * MM
    underside, face = STRIP.underside(y), STRIP.stripper_face(y)
    drive = spindle or PressSpindle(360.0, 25.0 * MM, 0.0, "head")
    gap = part.rest_gap(STRIP, y, underside, face)
    return float(gap) / MM, float(drive.travel(part, STRIP, y, underside, face)) / MM


# The model's gap table at slide heights of 50 (raised), 32 (being pressed down) and 10 mm (clamped).
@pytest.mark.parametrize(
    ("mount", "side", "gaps", "travels"),
    [
        ("die", "above", (0.5, 2.5, 4.5), (50.0, 32.0, 10.0)),  # (L - zs) + c; y
        ("die", "below", (4.5, 2.5, 0.5), (50.0, 32.0, 10.0)),  # zs + c; y
        ("stripper", "above", (16.5, 0.5, 0.5), (30.0, 30.0, 10.0)),  # zf - (zs + t) + c; min(y, X)
        ("lifter", "above", (0.5, 0.5, 0.5), (46.0, 30.0, 10.0)),  # c; y - zs
        ("lifter", "below", (0.5, 0.5, 0.5), (46.0, 30.0, 10.0)),
    ],
)
def test_gap_and_travel_of_every_placement(
    mount: Mount, side: Literal["above", "below"], gaps: tuple[float, ...], travels: tuple[float, ...]
) -> None:
    for slide, gap, travel in zip((50.0, 32.0, 10.0), gaps, travels, strict=True):
        assert at(slide, tap(mount, side)) == pytest.approx((gap, travel))


@pytest.mark.parametrize(("mount", "side"), PLACES)
def test_a_flange_toward_the_tap_starts_nearer(mount: Mount, side: Literal["above", "below"]) -> None:
    """By threaded height less stock thickness; a flange that points away changes nothing."""
    plain, tall = tap(mount, side), tap(mount, side, height=4.0 * MM)
    toward = tap(mount, side, height=4.0 * MM, flange_toward=True)
    for slide in (50.0, 32.0, 10.0):
        assert at(slide, tall)[0] == pytest.approx(at(slide, plain)[0])
        assert at(slide, toward)[0] == pytest.approx(at(slide, plain)[0] - 2.5)
    assert tall.wanted_depth == pytest.approx(6.0 * MM)


@pytest.mark.parametrize(("mount", "side"), PLACES)
def test_a_drive_counted_from_the_die_is_turned_by_the_slide(mount: Mount, side: Literal["above", "below"]) -> None:
    over_die = PressSpindle(360.0, 25.0 * MM, 0.0, "die")
    for slide in (50.0, 32.0, 10.0):
        assert at(slide, tap(mount, side), over_die)[1] == pytest.approx(slide)


def test_turns_by_hand() -> None:
    """0.36 turns a millimetre from 25 mm down: 3.6 turns at 15 mm; a quarter turn of backlash is 0.694 mm."""
    spindle = PressSpindle(360.0, 25.0 * MM, 0.25, "head")
    assert spindle.turns(30.0 * MM) == 0.0
    assert spindle.turns(15.0 * MM) == pytest.approx(3.6)
    assert spindle.lost_travel == pytest.approx(0.25 / 360.0)
    assert spindle.home_height == pytest.approx(25.0 * MM + 0.25 / 360.0)
    waits = (15.0 * MM, 15.0 * MM + 0.2 / 360.0)
    assert [float(spindle.turns_back(q, 15.0 * MM)) for q in waits] == pytest.approx([3.6, 3.6])
    assert spindle.turns_back(20.0 * MM, 15.0 * MM) == pytest.approx(3.6 - 0.36 * 5.0 + 0.25)
    assert spindle.turns_back(spindle.home_height, 15.0 * MM) == pytest.approx(0.0, abs=1e-12)


@given(st.floats(50.0, 900.0), st.floats(0.005, 0.05), st.floats(0.0, 2.0), st.floats(0.0, 0.01), st.floats(0.0, 0.1))
def test_backlash_only_holds_the_way_back_up(
    gearing: float, engage: float, backlash: float, lowest: float, travel: float
) -> None:
    """Never more turns than at reversal, never fewer than without backlash, and at most the backlash more."""
    spindle = PressSpindle(gearing, engage, backlash, "head")
    travel = max(travel, lowest)
    down, back = float(spindle.turns(travel)), float(spindle.turns_back(travel, lowest))
    assert down - 1e-12 <= back <= float(spindle.turns(lowest)) + 1e-12
    assert back - down <= backlash + 1e-9
    without = PressSpindle(gearing, engage, 0.0, "head")
    assert without.turns_back(travel, lowest) == pytest.approx(down)


@given(st.sampled_from(PLACES), st.floats(-0.002, 0.06))
def test_slide_height_undoes_travel(place: tuple[Mount, Literal["above", "below"]], travel: float) -> None:
    """Back to the travel where the head gets there; infinity where it never does."""
    part, spindle = tap(*place), PressSpindle(360.0, 25.0 * MM, 0.0, "head")
    slide = float(spindle.slide_height(part, STRIP, travel))
    if place[0] == "stripper" and travel > STRIP.travel:
        assert slide == np.inf
        return
    assert at(slide / MM, part, spindle)[1] == pytest.approx(travel / MM, abs=1e-9)


@given(st.sampled_from(PLACES), st.floats(-0.002, 0.08), st.floats(0.0, 0.005))
def test_more_rest_clearance_is_as_much_more_gap(
    place: tuple[Mount, Literal["above", "below"]], slide: float, more: float
) -> None:
    near, far = (at(slide / MM, tap(*place, clearance=0.5 * MM + extra))[0] for extra in (0.0, more))
    assert far - near == pytest.approx(more / MM, abs=1e-9)


def test_arrays_are_loops_of_floats() -> None:
    rng = np.random.default_rng(7)
    gearing, engage, backlash = rng.uniform(100.0, 500.0, 50), rng.uniform(0.01, 0.06, 50), rng.uniform(0.0, 1.0, 50)
    slide, clearance = rng.uniform(0.0, 0.08, 50), rng.uniform(0.0, 0.003, 50)
    underside, face = np.asarray(STRIP.underside(slide)), np.asarray(STRIP.stripper_face(slide))
    for place in PLACES:
        part, spindle = tap(*place, clearance=clearance), PressSpindle(gearing, engage, backlash, "head")
        travel = spindle.travel(part, STRIP, slide, underside, face)
        found = [
            part.rest_gap(STRIP, slide, underside, face), travel, spindle.slide_height(part, STRIP, engage),
            spindle.turns(travel), spindle.turns_back(travel, 0.0),
        ]  # fmt: skip
        for k in range(50):
            one = tap(*place, clearance=clearance[k])
            single = PressSpindle(gearing[k], engage[k], backlash[k], "head")
            q = single.travel(one, STRIP, slide[k], underside[k], face[k])
            expected = [
                one.rest_gap(STRIP, slide[k], underside[k], face[k]), q, single.slide_height(one, STRIP, engage[k]),
                single.turns(q), single.turns_back(q, 0.0),
            ]  # fmt: skip
            assert [np.asarray(each)[k] for each in found] == [float(each) for each in expected]
