"""Slides in a scenario: what is refused, with what words, and what is built and checked."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crankclock.cli import run
from crankclock.parts.drag_link import DragLink
from crankclock.parts.motion_table import MotionTable
from crankclock.parts.slide import Eccentric
from crankclock.scenario.build import build
from crankclock.scenario.crosscheck import unused
from crankclock.scenario.defaults import resolve
from crankclock.scenario.load import check_tree
from crankclock.scenario.starter import STARTER

LINKS = {"kind": "drag-link", "ground": "60 mm", "input": "150 mm", "coupler": "160 mm", "output": "140 mm"}
STROKE = 0.12
Rows = list[list[str]]


def tree(**slide: Any) -> dict[str, Any]:
    """The starter with another slide; None takes a key away."""
    found = tomllib.loads(STARTER.format(title="t"))
    keys = {"stroke": "120 mm", "connecting_rod": "480 mm"} | slide
    found["press"]["slide"] = {key: value for key, value in keys.items() if value is not None}
    return found


def refused(**slide: Any) -> dict[str, str]:
    problems = check_tree(tree(**slide))[1]
    found: dict[str, str] = {}
    for problem in problems:
        found[problem.where] = f"{found.get(problem.where, '')} {problem.given}; {problem.expected}"
    return found


def rows(step: float = 5.0, digits: int = 9, turn: float = 0.0, raised: float = 0.0, scale: float = 1.0) -> Rows:
    """An eccentric as a table."""
    slide = Eccentric(STROKE, 0.48)
    angle = np.arange(0.0, 360.0, step)
    height = 1e3 * scale * np.asarray(slide.height(np.radians(angle))) + 1e3 * raised
    return [[f"{a + turn:.6g} deg", f"{h:.{digits}f} mm"] for a, h in zip(angle, height, strict=True)]


def table(points: Any, **slide: Any) -> dict[str, str]:
    return refused(**({"kind": "table", "connecting_rod": None, "points": points} | slide))


def test_each_kind_is_built() -> None:
    kinds = {"eccentric": Eccentric, "drag-link": DragLink, "table": MotionTable}
    keys: dict[str, dict[str, Any]] = {"drag-link": LINKS, "table": {"points": rows(), "connecting_rod": None}}
    for kind, made in kinds.items():
        scenario, problems = check_tree(tree(**({"kind": kind} | keys.get(kind, {}))))
        assert not problems
        slide = build(resolve(scenario)[0]).slide
        assert isinstance(slide, made)
        assert slide.top - slide.bottom == pytest.approx(STROKE, rel=1e-6)


def test_drag_link_needs_its_lengths() -> None:
    found = refused(kind="drag-link")
    assert set(found) == {f"press.slide.{name}" for name in ("ground", "input", "coupler", "output")}
    assert all("nothing; this key (drag-link)" in each for each in found.values())


@pytest.mark.parametrize(
    ("change", "where", "says"),
    [
        ({"ground": "150 mm"}, "ground", "the shortest link, less than press.slide.output, 140.00 mm"),
        ({"ground": "140 mm"}, "ground", "the shortest link"),
        ({"coupler": "235 mm"}, "coupler", "less than 230.00 mm: the longest link and press.slide.ground together"),
        ({"input": "400 mm"}, "input", "press.slide.coupler and press.slide.output together"),
        ({"coupler": "227 mm"}, "coupler", "they bind"),
        ({"connecting_rod": "50 mm"}, "connecting_rod", "more than half the stroke"),
        ({"connecting_rod": "70 mm", "offset": "40 mm"}, "connecting_rod", "so that the crank can turn"),
        ({"connecting_rod": None, "offset": "4 mm"}, "connecting_rod", "since press.slide.offset is given"),
        ({"coupler": "0 mm"}, "coupler", "greater than 0"),
        ({"coupler": "nan mm"}, "coupler", "not a finite number"),
        ({"coupler": 160}, "coupler", "a bare number has no unit"),
    ],
)
def test_links_that_cannot_turn(change: dict[str, Any], where: str, says: str) -> None:
    found = refused(**(LINKS | change))
    assert list(found) == [f"press.slide.{where}"]
    assert says in found[f"press.slide.{where}"]


def test_links_and_rod_are_both_told() -> None:
    found = refused(**(LINKS | {"ground": "200 mm", "connecting_rod": "50 mm", "output": None}))
    assert set(found) == {"press.slide.ground", "press.slide.connecting_rod", "press.slide.output"}


def test_a_table_needs_points_or_file() -> None:
    assert "this key or press.slide.file" in table(None)["press.slide.points"]


def test_tables_that_are_taken() -> None:
    """From coarse to fine, closing row or not, from -180 on, with an infinitely small lead of TDC, rounded sensibly."""
    for points in (rows(1.0), rows(15.0), rows(20.0), rows(5.0, 2), rows(5.0, turn=0.5), rows(5.0, turn=-0.9)):
        assert table(points) == {}
    assert table([*rows(), ["360 deg", "120 mm"]]) == {}
    half = [[f"{5 * k - 180} deg", h] for k, (_, h) in enumerate([*rows()[36:], *rows()[:36]])]
    assert table(half) == {}


def changed(at: int, angle: str | None = None, height: str | None = None) -> Rows:
    found = rows()
    found[at] = [angle or found[at][0], height or found[at][1]]
    return found


@pytest.mark.parametrize(
    ("points", "says"),
    [
        (changed(10, angle="44 deg"), "44.0 deg after 45.0 deg; dial angles that grow from row to row"),
        ([*rows(), ["370 deg", "119 mm"]], "one turn: the last angle at most 360 deg after the first"),
        ([*rows(), ["360 deg", "119 mm"]], "120.00 mm at 0.0 deg and 119.00 mm at 360.0 deg; a cycle"),
        (
            changed(20, height="70 mm"),
            "rises from 58.51 mm at 95.0 deg to 70.00 mm at 100.0 deg; a slide that only falls",
        ),
        (changed(50, height="20 mm"), "falls from"),
        (
            rows(turn=12.0),
            "highest place at 12.0 deg; the top of the stroke at dial 0, within 1.0 deg: subtract 12.0 deg",
        ),
        (rows(turn=-30.0), "add 30.0 deg all over the table"),
        (rows(raised=0.3), "the lowest 0 mm within 0.1% of the stroke: subtract 300.00 mm"),
        (rows(24.0), "no row over 24.0 deg from 0.0 deg on"),
        (rows(1.0, 2), "heights with more digits, or fewer rows"),
        (rows(5.0, 1), "heights with more digits, or fewer rows"),
        (rows()[:9], "9 rows; 12 rows or more in the turn"),
        ([[f"{k} deg", "5 mm"] for k in range(0, 360, 5)], "a slide that moves"),
    ],
)
def test_tables_that_are_no_press_motion(points: Rows, says: str) -> None:
    assert says in table(points)["press.slide.points"]


def test_every_fault_of_a_table_is_told_at_once() -> None:
    problems = check_tree(
        tree(kind="table", connecting_rod=None, points=rows(5.0, turn=20.0, raised=0.05), stroke="90 mm")
    )
    told = "\n".join(str(each) for each in problems[1])
    assert "press.slide.stroke: given 90.00 mm; expected the stroke of the table, 120.00 mm" in told
    assert "subtract 50.00 mm" in told
    assert "subtract 20.0 deg" in told


def test_a_motion_too_fast_for_its_rows_is_told_where() -> None:
    """A move of the whole stroke within 60 deg by rows every 10 deg."""
    share = np.clip(np.arange(0, 360, 10) / 60.0, 0.0, 1.0)
    back = np.clip((np.arange(0, 360, 10) - 180.0) / 180.0, 0.0, 1.0)
    height = 120.0 * (1.0 - share**3 * (10 - 15 * share + 6 * share**2) + back**3 * (10 - 15 * back + 6 * back**2))
    points = [[f"{10 * k} deg", f"{h:.9f} mm"] for k, h in enumerate(height)]
    said = table(points)["press.slide.points"]
    assert "where the motion bends too fast for them" in said
    assert "keeps an event within 0.05 deg" in said


def test_the_limit_for_coarse_rows_is_honest() -> None:
    """What is just taken is within the error it promises: the events of an eccentric by rows every 20 deg."""
    scenario, problems = check_tree(tree(kind="table", connecting_rod=None, points=rows(20.0)))
    assert not problems
    found, true = build(resolve(scenario)[0]).slide, Eccentric(STROKE, 0.48)
    height = np.linspace(0.05, 0.95, 181) * STROKE
    off = np.abs(np.array(found.passes(height)) - np.array(true.passes(height)))
    assert math.degrees(off.max()) < 0.05


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("60 mm ± 0.1 mm", "without a tolerance"),
        ("nan mm", "not a finite number"),
        ("60", "no unit"),
        ("60 deg", "a length"),
    ],
)
def test_a_wrong_cell(cell: str, says: str) -> None:
    assert says in table(changed(18, height=cell))["press.slide.points"]


def test_what_a_kind_does_not_use_is_told() -> None:
    points = check_tree(tree(**LINKS, points=rows(), file="x.csv"))[0]
    assert sum("does not belong" in each for each in unused(points)) == 2
    rod = check_tree(tree(kind="table", points=rows(), offset="3 mm", ground="3 mm"))[0]
    told = " ".join(unused(rod))
    assert all(f"press.slide.{name} is not used" in told for name in ("connecting_rod", "offset", "ground"))


def test_rod_and_offset_are_no_assumption_about_a_table() -> None:
    scenario = check_tree(tree(kind="table", connecting_rod=None, points=rows()))[0]
    assumed = {each.path for each in resolve(scenario)[1]}
    assert not assumed & {"press.slide.connecting_rod", "press.slide.offset"}


def test_a_table_of_the_eccentric_is_judged_as_the_eccentric(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The whole program: every event within 0.001 deg, every verdict the same, by the starter's press as a table."""
    path = tmp_path / "plain.toml"
    path.write_text(STARTER.format(title="t"), encoding="utf-8")
    press = tomllib.loads(path.read_text(encoding="utf-8"))["press"]["slide"]
    scenario = resolve(check_tree(tomllib.loads(path.read_text(encoding="utf-8")))[0])[0]
    slide = build(scenario).slide
    lines = ["angle [deg],height [mm]"]
    lines += [f"{a},{1e3 * float(slide.height(math.radians(a))):.9f}" for a in range(0, 360, 5)]
    (tmp_path / "motion.csv").write_text("\n".join(lines), encoding="utf-8")
    assert press["kind"] == "eccentric"
    found = []
    for settings in ([], ["--set", "press.slide.kind=table", "--set", "press.slide.file=motion.csv"]):
        assert run(["check", str(path), "--json", "--reading", "rigid", *settings]) == 0
        found.append(json.loads(capsys.readouterr().out))
    for one, other in zip(*(each["events"] for each in found), strict=True):
        assert one["id"] == other["id"]
        assert one["deg"] == pytest.approx(other["deg"], abs=1e-3)
    assert [each["status"] for each in found[0]["findings"]] == [each["status"] for each in found[1]["findings"]]
    assert found[0]["input_sha256"] != found[1]["input_sha256"]
