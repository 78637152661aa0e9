"""Torque of tap and drive: the formula with its factors, the clutch between the two, and nothing without data."""

from __future__ import annotations

import math
import tomllib

import pytest

from crankclock.api import Check, Finding, check
from crankclock.scenario.load import check_tree
from crankclock.scenario.starter import STARTER
from crankclock.studies.variants import evaluate

OWN = ("tap.m4.kind=cut", "tap.m4.hole=3.4 mm", "strip.properties.specific_cutting_force=2000 N/mm^2",
       "tap.m4.breaking_torque=2 N*m", "tap.m4.drive.torque_max=1 N*m", "tap.m4.drive.inertia=0 kg*m^2")  # fmt: skip
PLAIN = 2000.0 * 0.7**2 * 4.0 / 8000.0
"""kc P^2 D / 8000 of an M4 cutting tap: 0.49 N m; an own kc has no pair in the second formula."""


def checked(*settings: str) -> Check:
    return check("shelf-bracket", *OWN, *settings, reading="rigid")


def finding(rule: str, *settings: str) -> Finding:
    return next(each for each in checked(*settings).findings if each.rule == rule)


def margin(rule: str, *settings: str) -> float:
    found = finding(rule, *settings).margin
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("settings", "torque"),
    [
        ((), PLAIN),
        (("tap.m4.wear=1.5",), 1.5 * PLAIN),
        (("tap.m4.wear=1.5", "tap.m4.lubrication=1.5"), 2.25 * PLAIN),
        (("tap.m4.kind=form", "tap.m4.hole=3.7 mm"), 3.0 * PLAIN),  # two to three times a cutting tap's: the higher
    ],
)
def test_what_is_left_to_breaking_and_to_the_drive(settings: tuple[str, ...], torque: float) -> None:
    assert margin("tap-torque", *settings) == pytest.approx(2.0 - torque, abs=1e-12)
    assert margin("drive-torque", *settings) == pytest.approx(1.0 - torque, abs=1e-12)
    figures = checked(*settings).taps[0]
    assert figures.torque == pytest.approx(torque)
    assert figures.breaking_torque == pytest.approx(2.0)


def test_inch_in_is_newton_metre_out() -> None:
    pounds = f"tap.m4.breaking_torque={2.0 / (4.4482216152605 * 0.0254)!r} lbf*in"
    assert margin("tap-torque", pounds) == pytest.approx(2.0 - PLAIN, abs=1e-12)


@pytest.mark.parametrize(
    ("clutch", "left", "says"),
    [
        (1.0, 1.0 - PLAIN, "between the two"),
        (1.9, 2.0 - 1.9, "between the two"),
        (0.45, 0.45 - PLAIN, "it slips while the tap cuts"),
        (2.1, 2.0 - 2.1, "the tap breaks before it slips"),
    ],
)
def test_a_clutch_slips_between_cutting_and_breaking(clutch: float, left: float, says: str) -> None:
    found = finding("tap-torque", f"tap.m4.drive.clutch_torque={clutch} N*m")
    assert found.margin == pytest.approx(left, abs=1e-12)
    assert found.status == ("fail" if left < 0.0 else "pass")
    assert says in found.says


def test_the_drive_turns_its_own_inertia_as_well() -> None:
    """J x angular acceleration: 2 pi times the turns a second squared that the check reports."""
    peak = checked().taps[0].peak_acceleration
    assert peak is not None
    own = 4e-5 * 2.0 * math.pi * peak
    assert margin("drive-torque", "tap.m4.drive.inertia=4e-5 kg*m^2") == pytest.approx(1.0 - PLAIN - own, abs=1e-9)


def test_a_tap_that_breaks_fails() -> None:
    found = finding("tap-torque", "tap.m4.breaking_torque=0.4 N*m")
    assert found.status == "fail"
    assert "The tap breaks." in found.says


def test_a_breaking_torque_not_given_is_an_estimate_and_says_so() -> None:
    found = check("shelf-bracket", reading="rigid")
    said = next(each.says for each in found.findings if each.rule == "tap-torque")
    assert "by estimate" in said
    assert "estimated; the least counts" in said


def test_a_material_without_data_is_not_judged() -> None:
    found = check("shelf-bracket", "strip.material=my-steel", "tap.m4.drive.torque_max=1 N*m", reading="rigid")
    for rule in ("tap-torque", "drive-torque"):
        told = next(each for each in found.findings if each.rule == rule)
        assert told.status == "not judged"
        assert told.missing == ("strip.properties.specific_cutting_force",)
    assert found.taps[0].torque is None


def test_a_material_without_a_cutting_speed_is_not_judged_by_one() -> None:
    """A stripped starter: an own material with a cutting force, but no speed."""
    tree = tomllib.loads(STARTER.format(title="t"))
    tree["strip"] |= {"material": "my-steel", "properties": {"specific_cutting_force": "2000 N/mm^2"}}
    scenario, problems = check_tree(tree)
    assert not problems
    found = evaluate(scenario, {}, "rigid", ["cut-speed", "tap-torque"])
    assert [row.rule.name for row in found.rows] == ["tap-torque"]
    (told,) = found.unjudged
    assert told.rule.name == "cut-speed"
    assert told.missing.keys == ("strip.properties.cutting_speed",)
