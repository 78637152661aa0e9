"""`crankclock thread`: what it prints, the same in metric and inch, and what it refuses."""

from __future__ import annotations

import json
import math
import re
from typing import Any

import pytest

from crankclock.cli import run
from crankclock.handbook.extrusion import WALLS, extrusions, pierced_hole
from crankclock.handbook.holes import HoleError, flange_height
from crankclock.handbook.material_tables import SPEEDS
from crankclock.handbook.materials import MATERIALS, Material
from crankclock.handbook.threads import THREADS, parse
from crankclock.report import thread_words
from crankclock.scenario.thread_request import thread_figures

MM, INCH = 1e-3, 25.4
FULL = ["--hole", "4.3 mm", "--length", "1.2 mm", "--thickness", "1 mm"]


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(["thread", *arguments]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    return told.out


def data(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(said(capsys, *arguments, "--json"))
    return found


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(["thread", *arguments]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    return told.err


def numbers(text: str, unit: str) -> list[str]:
    return re.findall(rf"(\d+\.\d+) {unit}\b", text)


def test_the_hole_before_a_forming_tap(capsys: pytest.CaptureFixture[str]) -> None:
    """M5x0.8 at 65 %: D - 0.0068 x 65 x P = 4.6464 mm."""
    text = said(capsys, "M5x0.8", "--kind", "form", "--percent", "65")
    assert re.search(r"Form tap +4\.646 mm for 65 % of thread\n", text)
    assert "Cut tap" not in text
    assert "drill" not in text
    hole = data(capsys, "M5x0.8", "--kind", "form", "--percent", "65")["holes"][0]
    assert hole["hole_mm"] == pytest.approx(5.0 - 0.0068 * 65.0 * 0.8, abs=1e-6)
    assert "datumcalc" in hole["source"]


def test_basic_sizes_with_their_sources(capsys: pytest.CaptureFixture[str]) -> None:
    """ISO 724: M5 4.480 and 4.134 mm; ISO 898-1: 14.2 mm2; ASME B1.1: #10-32 .1697 in, .0200 in2."""
    metric = said(capsys, "M5")
    for part in ("M5x0.8, ISO coarse", "4.480 mm", "4.134 mm", "14.18 mm^2", "ISO 724", "ISO 898-1", "DIN 2197"):
        assert part in metric
    inch = said(capsys, "10-32")
    for part in ("#10-32 UNF", "0.1697 in", "0.01999 in^2", "32 threads per inch", "ASME B1.1"):
        assert part in inch
    assert "ISO" not in inch


def test_both_kinds_and_the_usual_drill_where_no_kind_is_given(capsys: pytest.CaptureFixture[str]) -> None:
    found = data(capsys, "M8")
    assert [(each["kind"], each["percent"], each["usual"]) for each in found["holes"]] == [
        ("cut", 75.0, True),
        ("form", 65.0, True),
    ]
    assert found["drill"]["drill_mm"] == pytest.approx(6.8)
    assert found["drill"]["percent"] == pytest.approx(73.90, abs=0.005)
    assert not found["drill"]["computed"]
    assert said(capsys, "M8").count("(common practice)") == 2
    assert "no stock size" in said(capsys, "M20x1.5", "--kind", "cut")


def test_the_percent_of_a_hole_at_hand(capsys: pytest.CaptureFixture[str]) -> None:
    """1/4-20 in .201 in leaves 75.44 % (a tap maker's technical pages); no forming tap can enter it."""
    leaves = data(capsys, "1/4-20", "--hole", "0.201 in")["given_hole"]["leaves"]
    assert leaves[0]["percent"] == pytest.approx(75.44, abs=0.005)
    assert leaves[0]["enough"]
    assert leaves[1]["percent"] is None
    assert "expected at least" in leaves[1]["says"]
    text = said(capsys, "1/4-20", "--hole", "0.201 in")
    assert re.search(r"Given, cut tap +0\.2010 in leaves 75\.4 %", text)
    assert re.search(r"Given, form tap +does not suit", text)


def test_too_little_and_too_much_thread_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "M5", "--kind", "cut", "--hole", "4.7 mm")
    assert "leaves 28.9 %; less than 40 %: too little" in text
    assert not data(capsys, "M5", "--kind", "cut", "--hole", "4.7 mm")["given_hole"]["leaves"][0]["enough"]
    narrow = "Smaller than the minor diameter"
    assert narrow in said(capsys, "M5", "--kind", "cut", "--percent", "90")
    assert narrow in said(capsys, "M5", "--kind", "cut", "--hole", "4.1 mm")
    assert narrow not in said(capsys, "M5", "--kind", "cut", "--hole", "4.14 mm")
    assert narrow not in said(capsys, "M5", "--kind", "form", "--percent", "90")


def test_the_height_of_an_extruded_hole(capsys: pytest.CaptureFixture[str]) -> None:
    """One pitch more than the length of full thread; the volume balance gives that height back."""
    flange = data(capsys, "M5", *FULL)["flange"]
    assert flange["hole_mm"] == pytest.approx(4.3)
    assert flange["height_needed_mm"] == pytest.approx(2.0)
    assert flange["estimate_basis"].startswith("Estimates")
    assert [each["wall_mm"] for each in flange["estimates"]] == pytest.approx([1.0, 0.75, 0.5])
    bent, drawn, half = flange["estimates"]
    assert bent["pierced_mm"] is None, "2.0 mm is more than strip bent without thinning gives"
    height = flange_height(1 * MM, drawn["pierced_mm"] * MM, 4.3 * MM, drawn["outer_mm"] * MM).height
    assert float(height) / MM == pytest.approx(2.0, abs=1e-5)
    assert drawn["highest_mm"] > 2.0 > bent["highest_mm"]
    assert half["wall_left_mm"] == pytest.approx(0.15)
    text = said(capsys, "M5", *FULL)
    assert re.search(r"Height, strip included +2\.000 mm for 1\.200 mm of full thread", text)
    assert "not high enough" in text


def test_a_wall_the_thread_cuts_through_is_not_offered(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["M5", "--hole", "4.0 mm", "--length", "1.5 mm", "--thickness", "1 mm"]
    thin = data(capsys, *arguments)["flange"]["estimates"][-1]
    assert thin["wall_left_mm"] <= 0.0
    assert thin["pierced_mm"] is None
    assert thin["full_thread_mm"] is None
    assert "thread cuts through" in said(capsys, *arguments)


def test_a_strip_alone_tells_what_thread_it_gives(capsys: pytest.CaptureFixture[str]) -> None:
    found = data(capsys, "M5", "--kind", "form", "--thickness", "1.5 mm")["flange"]
    assert found["height_needed_mm"] is None
    assert all(each["full_thread_mm"] == pytest.approx(each["highest_mm"] - 0.8) for each in found["estimates"])
    assert "full thread, highest" in said(capsys, "M5", "--kind", "form", "--thickness", "1.5 mm")
    thick = said(capsys, "M5", "--length", "0.5 mm", "--thickness", "2 mm")
    assert "nothing need be extruded" in thick


@pytest.mark.parametrize("name", [each.designation for each in THREADS])
def test_every_thread_of_the_tables_in_both_systems(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Every figure printed in inches agrees with the one in millimetres to its printed precision."""
    strip = ["--length", "2 mm", "--thickness", "1 mm"]
    metric, inch = (said(capsys, name, *strip, "--units", units) for units in ("metric", "inch"))
    for text in (metric, inch):
        assert max(len(line) for line in text.splitlines()) <= 80
    lengths, inches = numbers(metric, "mm"), numbers(inch, "in")
    areas, square_inches = numbers(metric, r"mm\^2"), numbers(inch, r"in\^2")
    assert len(lengths) == len(inches) > 20
    for millimetres, inch_size in zip(lengths, inches, strict=True):
        if (millimetres, inch_size) in zip(areas, square_inches, strict=True):
            assert float(inch_size) * INCH**2 == pytest.approx(float(millimetres), abs=0.005 + 5e-6 * INCH**2)
        else:
            assert float(inch_size) * INCH == pytest.approx(float(millimetres), abs=5.1e-4 + 5.1e-5 * INCH)


def speed(found: dict[str, Any], material: str, kind: str, *, coated: bool = False) -> dict[str, Any]:
    (row,) = (
        each for each in found["speeds"] if (each["material"], each["kind"], each["coated"]) == (material, kind, coated)
    )
    row_found: dict[str, Any] = row
    return row_found


def test_speeds_of_a_cutting_tap_are_the_printed_ones(capsys: pytest.CaptureFixture[str]) -> None:
    """Low-carbon steel, ft/min: 40 to 80, 50 to 60, 55, 30 to 50 are printed; 50 is what all of them allow.

    50 ft/min is 763.9 /min at 1/4 in: as a supplier's 55 ft/min is 840.3 there.
    """
    row = speed(data(capsys, "1/4-20"), "low-carbon-steel", "cut")
    cutting, spindle = row["cutting_speed_m_min"], row["spindle_speed_per_min"]
    assert cutting == pytest.approx({"low": 30 * 0.3048, "used": 50 * 0.3048, "high": 80 * 0.3048}, abs=1e-6)
    assert spindle["used"] == pytest.approx(840.3 * 50.0 / 55.0, rel=1e-4)
    assert spindle["high"] / spindle["used"] == pytest.approx(80.0 / 50.0, abs=1e-6)
    assert not row["estimate"]
    assert "lavallee-ide.com" in row["source"]


def test_a_forming_tap_s_speed_is_an_estimate_and_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    """About 2800 /min for M4 in mild steel, common practice."""
    row = speed(data(capsys, "M4"), "low-carbon-steel", "form")
    assert row["spindle_speed_per_min"]["used"] == pytest.approx(2800.0, abs=1e-3)
    assert row["estimate"]
    assert row["source"].startswith("estimate")
    text = said(capsys, "M4", "--kind", "form")
    assert re.search(r"low-carbon-steel +35\.2 e +\S+ +2800 ", text)
    assert "e: estimate by a rule of the trade, common practice" in text


def test_every_material_in_both_coats_for_the_kinds_asked(capsys: pytest.CaptureFixture[str]) -> None:
    found = data(capsys, "M5", "--kind", "cut")["speeds"]
    assert {each["kind"] for each in found} == {"cut"}
    assert [(each["material"], each["coated"]) for each in found] == [
        (name, coated) for name in MATERIALS for coated in (False, True)
    ]
    assert len(data(capsys, "M5")["speeds"]) == 4 * len(MATERIALS)
    assert "Form tap, m/min" not in said(capsys, "M5", "--kind", "cut")


@pytest.mark.parametrize("kind", ["cut", "form"])
def test_speeds_in_text_are_those_in_json(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = data(capsys, "M6", "--kind", kind)
    for units, factor in (("metric", 1.0), ("inch", 0.3048)):
        lines = said(capsys, "M6", "--kind", kind, "--units", units).splitlines()
        for name in MATERIALS:
            (line,) = (each for each in lines if each.startswith(f"  {name} "))
            cells = re.findall(r"(\d+\.\d) (e| ) +(\d+\.\d)-(\d+\.\d) +(\d+)\b", line)
            assert len(cells) == 2
            for cell, coated in zip(cells, (False, True), strict=True):
                row = speed(found, name, kind, coated=coated)
                cutting = row["cutting_speed_m_min"]
                for text, key in ((cell[0], "used"), (cell[2], "low"), (cell[3], "high")):
                    assert float(text) * factor == pytest.approx(cutting[key], abs=0.0501 * factor)
                assert (cell[1] == "e") is row["estimate"]
                assert float(cell[4]) == pytest.approx(row["spindle_speed_per_min"]["used"], abs=0.501)


def test_each_source_of_the_speeds_is_named_once(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (["M5"], ["M5", "--kind", "cut"], ["M5", "--kind", "form"]):
        text = " ".join(said(capsys, *arguments).partition("Permitted speeds")[2].split())
        told = " ".join(each["source"] for each in data(capsys, *arguments)["speeds"])
        for source in {row.source for row in SPEEDS}:
            assert text.count(source) == (1 if source in told else 0), source


def test_a_material_without_a_speed_is_not_given_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(MATERIALS, "unobtainium", Material("unobtainium"))
    figures = thread_figures("M5", kind="cut")
    rows = [each for each in thread_words.as_data(figures)["speeds"] if each["material"] == "unobtainium"]
    assert [each["coated"] for each in rows] == [False, True]
    for each in rows:
        assert each["cutting_speed_m_min"] is None
        assert each["spindle_speed_per_min"] is None
        assert each["estimate"] is None
    assert re.search(r"unobtainium +no figure +no figure\n", thread_words.as_text(figures))


def test_a_length_reads_the_same_in_both_units(capsys: pytest.CaptureFixture[str]) -> None:
    assert said(capsys, "M5", "--hole", "4.3 mm") == said(capsys, "M5", "--hole", f"{4.3 / INCH!r} in")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["M5x9"], ['THREAD: given "M5x9"', "M5 has no pitch 9 mm", "nearest: M5x0.8"]),
        (["M99"], ['"M99"', "no size M99"]),
        ([""], ["nothing given"]),
        (["1/4"], ["threads per inch missing"]),
        (["M5", "--hole", "5 mm"], ['--hole: given "5 mm"', "smaller than M5x0.8 (5 mm (0.1969 in))"]),
        (["M5", "--hole", "5.2 mm"], ["smaller than M5x0.8"]),
        (["M5", "--hole", "3.9 mm"], ["at least 3.961 mm", "100 %"]),
        (["M5", "--hole", "4.2 mm", "--kind", "form"], ["at least 4.456 mm"]),
        (["M5", "--hole", "4.2"], ["--hole", "no unit"]),
        (["M5", "--hole", "-4.2 mm"], ["--hole", "above 0"]),
        (["M5", "--hole", "4.2 mm +/- 0.1 mm"], ["--hole", "without a tolerance"]),
        (["M5", "--hole", "4.2 kg"], ["--hole", "given a mass, expected a length"]),
        (["M5", "--percent", "101"], ['--percent: given "101"', "expected 40 to 100 %"]),
        (["M5", "--percent", "39.9"], ["39.9", "expected 40 to 100 %"]),
        (["M5", "--percent", "-65"], ["expected 40 to 100 %"]),
        (["M5", "--percent", "nan"], ["expected 40 to 100 %"]),
        (["M5", "--percent", "many"], ["--percent"]),
        (["M5", "--kind", "roll"], ["--kind"]),
        (["M5", "--length", "0 mm"], ["--length", "above 0"]),
        (["M5", "--thickness", "6 mm"], ['--thickness: given "6 mm"', "smaller than the tap hole"]),
        (["M5x9", "--hole", "4", "--length", "x"], ["3 problems", "THREAD", "--hole", "--length"]),
        (["M5", "--hole", "6 mm", "--percent", "120"], ["2 problems", "--hole", "--percent"]),
    ],
)
def test_what_cannot_be_is_refused(arguments: list[str], says: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    told = refused(capsys, *arguments)
    for part in says:
        assert part in told, told


@pytest.mark.parametrize("arguments", [["\x1b[31mM5"], ["M5\0"], ["M" * 5000], ["M5", "--hole", "\x1b" * 300]])
def test_hostile_text_is_refused_and_not_echoed(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    told = refused(capsys, *arguments)
    assert "\x1b" not in told
    assert len(told) < 1000


def test_a_strip_that_cannot_be_extruded_is_refused() -> None:
    for thickness in (0.0, -1 * MM, 4.3 * MM, math.nan):
        with pytest.raises(HoleError, match="strip thickness"):
            extrusions(parse("M5"), 4.3 * MM, thickness)


@pytest.mark.parametrize("wall", WALLS)
def test_pierced_hole_is_the_inverse_of_the_flange_height(wall: float) -> None:
    inner, outer, strip = 4.3 * MM, (4.3 + 2.0 * wall) * MM, 1.0 * MM
    for pierced in (1.01 * MM, 2.0 * MM, 4.2 * MM):
        height = float(flange_height(strip, pierced, inner, outer).height)
        assert pierced_hole(strip, height, inner, outer) == pytest.approx(pierced)
    too_small = float(flange_height(strip, 0.99 * MM, inner, outer).height)
    assert pierced_hole(strip, too_small, inner, outer) is None, "smaller than the smallest punch"
    assert pierced_hole(strip, strip, inner, outer) is None
    assert pierced_hole(strip, 5.0 * strip, inner, outer) is None
