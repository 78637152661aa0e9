"""Stripper springs: a rate or the wire it follows from, and lengths that can be."""

from __future__ import annotations

import tomllib
from typing import Any

import jsonschema
import pytest

from crankclock.api import check
from crankclock.report.data import as_data
from crankclock.scenario.crosscheck import unused
from crankclock.scenario.defaults import resolve
from crankclock.scenario.describe import explain, json_schema
from crankclock.scenario.files import shipped_folder
from crankclock.scenario.load import check_tree, open_scenario

MAIN = "stripper.spring.main"
WIRE: dict[str, Any] = {"wire": "6 mm", "mean_diameter": "36 mm", "coils": 10}
RATE = 81_500.0 * 6.0**4 / (8.0 * 36.0**3 * 10.0)
"""Of that wire in [N/mm] at 81.5 kN/mm2."""


def tree(kind: str = "coil", **keys: Any) -> dict[str, Any]:
    """The gauge plate with other springs."""
    found = tomllib.loads((shipped_folder() / "gauge-plate-own-motor.toml").read_text(encoding="utf-8"))
    found["stripper"]["spring"] = {"main": {"kind": kind, "count": 8, "force": "700 N", **keys}}
    return found


def problems(**keys: Any) -> dict[str, str]:
    """Where each problem is, and what is told of it."""
    return {each.where: f"{each.given}; {each.expected}" for each in check_tree(tree(**keys))[1]}


def rate_of(**keys: Any) -> float:
    scenario, wrong = check_tree(tree(**keys))
    assert not wrong
    rate = resolve(scenario)[0].stripper.spring["main"].rate
    assert rate is not None
    return float(rate)


def test_the_rate_follows_from_the_wire() -> None:
    assert rate_of(**WIRE) / 1e3 == pytest.approx(RATE, rel=1e-12)
    stiff = rate_of(**WIRE, modulus="163 kN/mm^2")
    assert stiff == pytest.approx(2e3 * RATE, rel=1e-12)


def test_units_in_are_units_out() -> None:
    """0.037 in wire, 0.400 in, 10.5 coils, 11.85 Mpsi: 4.131 lbf/in (from memory: Shigley, ex. 10-1)."""
    shigley = {"wire": "0.037 in", "mean_diameter": "0.400 in", "coils": 10.5, "modulus": "11.85e6 psi"}
    assert rate_of(**shigley) * 0.0254 / 4.4482216152605 == pytest.approx(4.131, abs=5e-4)
    metric = {"wire": "6.35 mm", "mean_diameter": "38.1 mm", "coils": 10}
    inch = {"wire": "1/4 in", "mean_diameter": "1 1/2 in", "coils": 10}
    assert rate_of(**metric) == pytest.approx(rate_of(**inch), rel=1e-14)


def test_what_was_worked_out_is_listed_as_assumed() -> None:
    scenario, _ = check_tree(tree(**WIRE))
    listed = {each.path: each for each in resolve(scenario)[1]}
    assert listed[f"{MAIN}.rate"].words == "worked out from wire, mean_diameter, coils and modulus"
    assert listed[f"{MAIN}.modulus"].value == pytest.approx(81.5e9)
    given, _ = check_tree(tree(rate="28 N/mm", **WIRE, modulus="80 kN/mm^2"))
    assert not {f"{MAIN}.rate", f"{MAIN}.modulus"} & {each.path for each in resolve(given)[1]}
    for other in (tree(rate="38 N/mm"), tree("gas", end_force="900 N", travel="50 mm")):
        paths = {each.path for each in resolve(check_tree(other)[0])[1]}
        assert not {f"{MAIN}.rate", f"{MAIN}.modulus"} & paths


def test_a_report_shows_the_rate_and_the_modulus(tmp_path: Any) -> None:
    text = (shipped_folder() / "gauge-plate-own-motor.toml").read_text(encoding="utf-8")
    path = tmp_path / "wire.toml"
    path.write_text(
        text.replace('rate = "38 N/mm"', 'wire = "6 mm"\nmean_diameter = "36 mm"\ncoils = 10'), encoding="utf-8"
    )
    found = check(path)
    told = as_data(found)["assumed"]
    assert f"{MAIN}.rate = 28.3 N/mm (worked out from wire, mean_diameter, coils and modulus)" in told
    assert f"{MAIN}.modulus = 81500 MPa" in told
    rated = check("gauge-plate-own-motor", f"{MAIN}.rate={RATE!r} N/mm")
    assert [each.margin for each in found.findings] == pytest.approx([each.margin for each in rated.findings])
    assert [each.status for each in found.findings] == [each.status for each in rated.findings]


def test_a_wire_overridden_moves_the_rate(tmp_path: Any) -> None:
    text = (shipped_folder() / "gauge-plate-own-motor.toml").read_text(encoding="utf-8")
    path = tmp_path / "wire.toml"
    path.write_text(
        text.replace('rate = "38 N/mm"', 'wire = "6 mm"\nmean_diameter = "36 mm"\ncoils = 10'), encoding="utf-8"
    )
    rates = [
        float(open_scenario(str(path), (f"{MAIN}.wire={wire} mm",)).resolved()[0].stripper.spring["main"].rate or 0.0)
        for wire in (6, 12)
    ]
    assert rates[1] == pytest.approx(16.0 * rates[0])


@pytest.mark.parametrize(
    ("share", "refused"), [(1.0, False), (1.049, False), (1.051, True), (0.951, False), (0.949, True)]
)
def test_a_rate_that_contradicts_its_wire_is_refused(share: float, refused: bool) -> None:
    found = problems(rate=f"{share * RATE!r} N/mm", **WIRE)
    assert set(found) == ({f"{MAIN}.rate"} if refused else set())
    if refused:
        assert "the rate of the wire given, 28.3 N/mm, within 5 %, or no rate" in found[f"{MAIN}.rate"]
    else:
        assert rate_of(rate=f"{share * RATE!r} N/mm", **WIRE) / 1e3 == pytest.approx(share * RATE), (
            "the one given holds"
        )


def test_a_contradiction_by_the_modulus_given() -> None:
    assert not problems(rate="28.3 N/mm", **WIRE)
    assert set(problems(rate="28.3 N/mm", modulus="70 kN/mm^2", **WIRE)) == {f"{MAIN}.rate"}


@pytest.mark.parametrize("name", WIRE)
def test_part_of_the_wire_s_keys_is_not_enough(name: str) -> None:
    found = problems(**{name: WIRE[name]})
    assert set(found) == {f"{MAIN}.{other}" for other in WIRE if other != name}
    assert all(f"since {name} is given" in told for told in found.values())
    assert set(problems(rate="28.3 N/mm", **{name: WIRE[name]})) == set(found)


def test_neither_rate_nor_wire() -> None:
    found = problems()
    assert set(found) == {f"{MAIN}.rate"}
    assert "wire, mean_diameter, coils" in found[f"{MAIN}.rate"]
    assert not check_tree(tree("gas", end_force="900 N", travel="50 mm"))[1]


@pytest.mark.parametrize(
    ("keys", "where"),
    [
        ({**WIRE, "mean_diameter": "6 mm"}, "mean_diameter"),
        ({**WIRE, "mean_diameter": "5 mm"}, "mean_diameter"),
        ({**WIRE, "wire": "0 mm"}, "wire"),
        ({**WIRE, "coils": 0}, "coils"),
        ({**WIRE, "coils": "10"}, "coils"),
        ({**WIRE, "modulus": "81.5 N/mm"}, "modulus"),
        ({**WIRE, "modulus": "0 MPa"}, "modulus"),
        ({**WIRE, "free_length": "60 mm"}, "free_length"),
        ({**WIRE, "free_length": "100 mm", "travel": "40 mm"}, "travel"),
        ({"rate": "38 N/mm", "free_length": "50 mm", "travel": "50 mm"}, "travel"),
        ({"rate": "38 N/mm", "free_length": "-50 mm"}, "free_length"),
        ({"rate": "38 N/mm", "load_class": "extra heavy"}, "load_class"),
        ({"rate": "38 N/mm", "load_class": "stiff"}, "load_class"),
        ({"rate": "38 N/mm", "life": 0}, "life"),
        ({"rate": "38 N/mm", "life": 1.5}, "life"),
        ({"rate": "38 N/mm", "life": "1000000"}, "life"),
    ],
)
def test_what_cannot_be_is_refused_at_its_key(keys: dict[str, Any], where: str) -> None:
    assert set(problems(**keys)) == {f"{MAIN}.{where}"}


def test_lengths_that_can_just_be() -> None:
    assert not problems(**WIRE, free_length="100 mm", travel="39.9 mm")
    assert not problems(rate="38 N/mm", free_length="50 mm", travel="49.9 mm")


def test_what_means_nothing_for_the_spring_is_told() -> None:
    gas = tree(
        "gas", end_force="900 N", travel="50 mm", load_class="light", life=1000, free_length="90 mm", rate="1 N/mm"
    )
    told = " ".join(unused(check_tree(gas)[0]))
    for name in ("load_class", "life", "free_length", "rate"):
        assert f'{MAIN}.{name} is not used: it belongs to "coil", this is "gas"' in told
    told = " ".join(unused(check_tree(tree(rate="38 N/mm", modulus="80 kN/mm^2", speed="2 m/s"))[0]))
    assert f"{MAIN}.modulus is not used: it belongs to wire, mean_diameter, coils" in told
    assert f'{MAIN}.speed is not used: it belongs to "gas", this is "coil"' in told
    daily = tree(rate="38 N/mm")
    daily["press"]["strokes_per_day"] = 20000
    assert "press.strokes_per_day is not used" in " ".join(unused(check_tree(daily)[0]))
    daily["stripper"]["spring"]["main"]["load_class"] = "light"
    assert not unused(check_tree(daily)[0])


def test_every_new_key_is_explained_and_in_the_schema() -> None:
    for name in ("wire", "mean_diameter", "coils", "modulus", "load_class", "free_length", "life"):
        assert explain(f"{MAIN}.{name}").startswith(f"stripper.spring.*.{name}: Coil")
    assert "Left out: 81500 MPa." in explain(f"{MAIN}.modulus")
    assert "Left out: worked out from wire" in explain(f"{MAIN}.rate")
    assert "days" in explain("press.strokes_per_day")
    validator = jsonschema.Draft202012Validator(json_schema())
    good = tree(**WIRE, modulus="80 kN/mm^2", load_class="extra-heavy", free_length="120 mm", life=10)
    assert not list(validator.iter_errors(good))
    assert list(validator.iter_errors(tree(rate="38 N/mm", load_class="extra heavy")))
