"""Stripper springs: how much of a gas spring's stroke is to be used."""

from __future__ import annotations

import pytest

from crankclock.api import Finding, check

RULE = "It is more than 90 %, the most a gas spring should be used by: Gas-Spring Safety, MetalForming, February 2018"


def travel(rated: str, name: str = "shelf-bracket") -> Finding:
    """The shelf bracket's gas springs are used by 40 mm."""
    found = check(name, f"stripper.spring.main.travel={rated}", reading="rigid").findings
    return next(each for each in found if each.rule == "spring-travel")


@pytest.mark.parametrize(
    ("rated", "told"),
    [("44 mm", True), (f"{40 / 0.9 - 1e-6!r} mm", True), (f"{40 / 0.9 + 1e-6!r} mm", False), ("60 mm", False)],
)
def test_more_than_nine_tenths_of_a_gas_spring_s_stroke_is_told(rated: str, told: bool) -> None:
    found = travel(rated)
    assert found.status == "pass"
    assert (RULE in found.says) is told


def test_beyond_its_stroke_the_failure_says_enough() -> None:
    found = travel("39 mm")
    assert found.status == "fail"
    assert "more than its rated 39.00 mm" in found.says
    assert RULE not in found.says


def test_it_is_a_rule_for_gas_springs() -> None:
    """The gauge plate's coil springs are used by 46.42 mm."""
    assert RULE not in travel("47 mm", "gauge-plate-own-motor").says
