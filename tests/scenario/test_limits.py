"""Tolerances against the bounds of their keys, and against other keys, when a scenario is loaded."""

from __future__ import annotations

import pytest

from crankclock.errors import InputError
from crankclock.scenario.load import open_scenario


def problems(*settings: str, name: str = "shelf-bracket") -> dict[str, tuple[str, str]]:
    try:
        open_scenario(name, settings)
    except InputError as wrong:
        return {each.where: (each.given, each.expected) for each in wrong.problems}
    return {}


@pytest.mark.parametrize(
    ("setting", "expected"),
    [
        ("strip.lift=0.1 mm ± 0.2 mm", "at least 0.00 mm over its whole tolerance"),
        ("strip.thickness=1 mm +0/-1 mm", "greater than 0.00 mm over its whole tolerance"),
        ("strip.pitch=99.95 m ± 0.1 m", "at most 100000.00 mm over its whole tolerance"),
    ],
)
def test_a_tolerance_may_not_leave_the_range_of_its_key(setting: str, expected: str) -> None:
    path, _, text = setting.partition("=")
    found = problems(setting)
    assert list(found) == [path]
    assert found[path][0] == f'"{text}"'
    assert expected in found[path][1]


def test_a_tolerance_may_reach_the_end_of_a_range_that_holds_it() -> None:
    assert problems("strip.lift=0.3 mm ± 0.3 mm", "feeder.latency=8 ms +2/-8 ms") == {}


@pytest.mark.parametrize(
    ("settings", "where", "corner"),
    [
        (["press.limits.rate_min=100 /min ± 30 /min"], "press.limits.rate_min", "press.limits.rate_min = 130.0 /min"),
        (["tap.m4.hole=3.7 mm ± 0.6 mm"], "tap.m4.hole", "tap.m4.hole = 3.10 mm"),
        (
            ["stripper.spring.main.end_force=2.1 kN ± 60 N", "stripper.spring.main.force=2 kN ± 60 N"],
            "stripper.spring.main.end_force",
            "stripper.spring.main.force = 2060 N, stripper.spring.main.end_force = 2040 N",
        ),
    ],
)
def test_keys_may_not_contradict_each_other_within_their_tolerances(
    settings: list[str], where: str, corner: str
) -> None:
    """Neither of the two springs' forces alone does: only both at their limits."""
    found = problems(*settings)
    assert list(found) == [where]
    assert corner in found[where][1]


def test_two_forces_whose_limits_do_not_meet_are_sound() -> None:
    assert problems("stripper.spring.main.end_force=2.2 kN ± 60 N", "stripper.spring.main.force=2 kN ± 60 N") == {}


def test_links_are_tried_in_every_combination() -> None:
    """Four links together leave what the cranks need to turn round; each one alone does not."""
    name = "link-drive-quick-return"
    slide = open_scenario(name).scenario.press.slide
    keys = ("ground", "input", "coupler", "output")
    sizes = {key: 1e3 * float(getattr(slide, key)) for key in keys}
    alone = [problems(f"press.slide.{key}={sizes[key]} mm ± 16 mm", name=name) for key in keys]
    together = problems(*(f"press.slide.{key}={sizes[key]} mm ± 16 mm" for key in keys), name=name)
    assert alone == [{}] * 4
    assert together
    assert all("not so within the tolerances" in expected for _, expected in together.values())


def test_all_that_is_wrong_is_told_at_once() -> None:
    found = problems("strip.mass=-1 kg", "strip.lift=0.1 mm ± 0.2 mm", "tap.m4.hole=3.7 mm ± 0.6 mm")
    assert set(found) == {"strip.mass", "strip.lift", "tap.m4.hole"}


def test_what_is_wrong_with_nominal_values_is_told_once_and_as_such() -> None:
    found = problems("tap.m4.hole=3.1 mm ± 0.1 mm")
    assert list(found) == ["tap.m4.hole"]
    assert "tolerance" not in found["tap.m4.hole"][1]


@pytest.mark.parametrize(
    ("setting", "where"),
    [
        ('tap.m4.drive.gearings=["0.2 /mm ± 1 %"]', "tap.m4.drive.gearings"),
        ('press.slide.points=[["0 deg", "120 mm ± 1 mm"], ["180 deg", "0 mm"], ["270 deg", "60 mm"]]',
         "press.slide.points"),
    ],
)  # fmt: skip
def test_lists_take_no_tolerance(setting: str, where: str) -> None:
    assert "without a tolerance" in problems(setting)[where][1]


def test_overrides_bring_and_take_tolerances() -> None:
    loaded = open_scenario("latch-plate-in-its-limits", ("strip.lift=1.2 mm", "strip.pitch=32 mm ± 0.1 mm"))
    assert "strip.lift" not in loaded.tolerances
    assert loaded.tolerances["strip.pitch"].plus == pytest.approx(1e-4)
