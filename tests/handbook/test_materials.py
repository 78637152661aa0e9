"""Strip materials: every figure has a source or says it is an estimate, and nothing is made up for the unknown."""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankclock.handbook.material_tables import FORCES, SECOND_FORCES, SPEEDS, Kind
from crankclock.handbook.materials import MATERIALS, Material, Speed, material, own_force, spindle_speed
from crankclock.handbook.values import FigureError
from crankclock.scenario.schema import MATERIALS as NAMES

KINDS: tuple[Literal["cut", "form"], ...] = get_args(Kind)
EVERY = [(name, kind, coated) for name in NAMES for kind in KINDS for coated in (False, True)]


def speed_in(name: str, kind: Literal["cut", "form"], coated: bool = False) -> Speed:
    found = MATERIALS[name].cutting_speed(kind, coated)
    assert found is not None
    return found


def test_the_table_has_the_scenarios_materials() -> None:
    assert tuple(MATERIALS) == NAMES


@pytest.mark.parametrize("row", [*SPEEDS, *FORCES, *SECOND_FORCES])
def test_every_row_names_a_material_of_the_table(row: tuple[object, ...]) -> None:
    assert row[0] in MATERIALS


@pytest.mark.parametrize(("name", "kind", "coated"), EVERY)
def test_every_speed_has_an_ordered_range_and_a_source(name: str, kind: Literal["cut", "form"], coated: bool) -> None:
    speed = speed_in(name, kind, coated)
    assert 0.0 < speed.low <= speed.used <= speed.high
    assert speed.estimate == speed.source.startswith("estimate")


@pytest.mark.parametrize(("name", "kind", "coated"), EVERY)
def test_a_speed_is_published_only_where_a_row_of_that_material_is(
    name: str, kind: Literal["cut", "form"], coated: bool
) -> None:
    published = any(row[:3] == (name, kind, coated) and row.exact for row in SPEEDS)
    assert speed_in(name, kind, coated).estimate != published


@pytest.mark.parametrize(("name", "kind"), [(name, kind) for name in NAMES for kind in KINDS])
def test_a_coating_never_lowers_the_speed(name: str, kind: Literal["cut", "form"]) -> None:
    assert speed_in(name, kind, coated=True).used >= speed_in(name, kind).used


@pytest.mark.parametrize("coated", [False, True])
@pytest.mark.parametrize("kind", KINDS)
def test_high_strength_steel_is_tapped_at_two_thirds_of_mild_steel(kind: Literal["cut", "form"], coated: bool) -> None:
    mild, strong = speed_in("low-carbon-steel", kind, coated), speed_in("hsla-steel", kind, coated)
    assert (strong.low, strong.used, strong.high) == pytest.approx(
        (mild.low * 2 / 3, mild.used * 2 / 3, mild.high * 2 / 3)
    )
    assert "two thirds of the speed in mild steel, common practice" in strong.source


def test_stainless_cut_speeds_are_published_and_not_a_share_of_mild_steel() -> None:
    for name in ("austenitic-stainless", "ferritic-stainless"):
        assert not speed_in(name, "cut").estimate
        assert "a third of the speed in mild steel, common practice" in speed_in(name, "form").source


def test_a_rule_taken_over_says_so() -> None:
    assert "a coated tap bears at least the speed of a bare one" in speed_in("copper", "cut", coated=True).source
    assert "a forming tap bears at least the speed of a cutting tap" in speed_in("copper", "form").source
    assert "nearest figure" in speed_in("aluminium-hard", "form").source


@pytest.mark.parametrize("name", NAMES)
def test_every_force_has_its_source(name: str) -> None:
    force = MATERIALS[name].force
    assert force is not None
    assert "lubero.de" in force.source
    assert force.estimate == ("estimate" in force.source)
    assert (force.second is None) == (force.family is None) == ("no row" in force.second_source)


def test_forces_of_another_material_are_estimates() -> None:
    guessed = {name for name, each in MATERIALS.items() if each.force is not None and each.force.estimate}
    assert guessed == {"ferritic-stainless", "spring-steel", "copper"}


def test_ferritic_stainless_is_taken_as_the_dearer_austenitic() -> None:
    ferritic, austenitic = MATERIALS["ferritic-stainless"].force, MATERIALS["austenitic-stainless"].force
    assert ferritic is not None
    assert austenitic is not None
    assert ferritic.first == austenitic.first


def test_a_name_of_ones_own_has_no_data() -> None:
    assert material("unobtainium") is None
    unknown = Material("unobtainium")
    assert unknown.force is None
    assert all(unknown.cutting_speed(kind, coated) is None for kind in KINDS for coated in (False, True))


def test_own_force_goes_to_the_first_formula_only() -> None:
    force = own_force(2.0e9)
    assert (force.first, force.second, force.source, force.estimate) == (2.0e9, None, "given", False)
    assert "own specific cutting force" in force.second_source


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan")])
def test_own_force_must_be_above_zero(bad: float) -> None:
    with pytest.raises(FigureError, match="specific cutting force"):
        own_force(bad)


@given(st.lists(st.floats(0.01, 3.0), min_size=1, max_size=4), st.floats(0.002, 0.02))
def test_spindle_speed_of_an_array_equals_a_loop_and_undoes(speeds: list[float], diameter: float) -> None:
    together = spindle_speed(np.array(speeds), diameter)
    assert list(np.atleast_1d(together)) == [spindle_speed(each, diameter) for each in speeds]
    assert np.pi * diameter * together == pytest.approx(np.array(speeds))
