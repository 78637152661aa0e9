"""A slide's motion from a CSV file: where it is looked for, how it is written, and what is said when it is not."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from crankclock.cli import run
from crankclock.errors import InputError
from crankclock.parts.slide import Eccentric
from crankclock.scenario.load import Loaded, open_scenario
from crankclock.scenario.starter import STARTER

SLIDE = Eccentric(0.1, 0.4)
HEADER = "angle [deg],height [mm]"


def lines(unit: float = 1e-3, digits: int = 7) -> list[str]:
    return [f"{a},{float(SLIDE.height(math.radians(a))) / unit:.{digits}f}" for a in range(0, 361, 5)]


def scenario(folder: Path, file: str = "motion.csv", extra: str = "") -> Path:
    head, _, tail = STARTER.format(title="t").partition("[press.slide]")
    rest = tail[tail.index("\n[") :]
    slide = f'[press.slide]\nkind = "table"\nstroke = "100 mm"\nfile = "{file}"\n{extra}'
    path = folder / "job.toml"
    path.write_text(head + slide + rest, encoding="utf-8")
    return path


def write(folder: Path, rows: list[str], header: str = HEADER, name: str = "motion.csv") -> None:
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")


def opened(folder: Path, file: str = "motion.csv", **options: Path) -> Loaded:
    return open_scenario(str(scenario(folder, file)), **options)


def told(folder: Path, file: str = "motion.csv") -> str:
    with pytest.raises(InputError) as wrong:
        opened(folder, file)
    assert all(problem.where == "press.slide.file" for problem in wrong.value.problems)
    return str(wrong.value)


def test_metric_and_inch_say_the_same(tmp_path: Path) -> None:
    write(tmp_path, lines())
    metric = opened(tmp_path).scenario.press.slide.points
    write(tmp_path, lines(0.0254, 9), "Angle [deg], Height [in]")
    inch = opened(tmp_path).scenario.press.slide.points
    assert metric is not None
    assert inch is not None
    for one, other in zip(metric, inch, strict=True):
        assert one == pytest.approx(other, abs=1e-10)
    assert metric[1] == pytest.approx((math.radians(5.0), float(SLIDE.height(math.radians(5.0)))), abs=1e-10)


def test_windows_files_blank_lines_and_spaces(tmp_path: Path) -> None:
    text = "\ufeff" + HEADER + "\r\n\r\n" + "\r\n".join(each.replace(",", " , ") for each in lines()) + "\r\n\r\n"
    (tmp_path / "motion.csv").write_bytes(text.encode())
    assert len(opened(tmp_path).scenario.press.slide.points or ()) == 73


def test_the_digest_covers_the_file(tmp_path: Path) -> None:
    write(tmp_path, lines())
    before = opened(tmp_path).source.digest
    write(tmp_path, lines(digits=6))
    assert opened(tmp_path).source.digest != before


def test_a_used_file_names_its_own_neighbour(tmp_path: Path) -> None:
    write(tmp_path, lines(), name="presses/motion.csv")
    (tmp_path / "presses" / "press.toml").write_text(
        '[slide]\nkind = "table"\nstroke = "100 mm"\nfile = "motion.csv"\n', encoding="utf-8"
    )
    head, _, tail = STARTER.format(title="t").partition("[press.slide]")
    text = head.replace("[press]", '[press]\nuse = "presses/press.toml"') + tail[tail.index("\n[") :]
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    slide = open_scenario(str(tmp_path / "job.toml")).scenario.press.slide
    assert slide.file == "presses/motion.csv"
    assert len(slide.points or ()) == 73


def test_outside_the_folder_only_with_root(tmp_path: Path) -> None:
    inner = tmp_path / "jobs"
    inner.mkdir()
    write(tmp_path, lines())
    assert "a file inside" in told(inner, "../motion.csv")
    assert "a file inside" in told(inner, str(tmp_path / "motion.csv"))
    assert opened(inner, "../motion.csv", root=tmp_path).scenario.press.slide.points


def test_files_that_are_not_there_or_no_text(tmp_path: Path) -> None:
    assert "a file that exists" in told(tmp_path)
    (tmp_path / "motion.csv").mkdir()
    assert "a folder" in told(tmp_path)
    (tmp_path / "motion.csv").rmdir()
    (tmp_path / "motion.csv").write_bytes(b"\xff\xfe\x00")
    assert "UTF-8 text" in told(tmp_path)
    (tmp_path / "motion.csv").write_bytes(b"0" * 1_100_000)
    assert "at most 1 MB" in told(tmp_path)
    (tmp_path / "motion.csv").write_bytes(b"\n \n")
    assert "an empty file" in told(tmp_path)


@pytest.mark.parametrize(
    "header",
    ["0,100", "angle,height", "angle [deg];height [mm]", "height [mm],angle [deg]", "angle [mm],height [mm]",
     "angle [deg],height [mm],speed [m/s]", "angle [deg],height [furlong]", "angle [deg],height [mm ± 1]", '"'],
)  # fmt: skip
def test_a_first_line_without_units(tmp_path: Path, header: str) -> None:
    write(tmp_path, lines(), header)
    said = told(tmp_path)
    assert "line 1" in said
    assert HEADER in said


@pytest.mark.parametrize(
    "row", ["10;99", "10,99,1", "10", "ten,99", "10 deg,99 mm", "10,nan", "10,inf", "10,99 ± 1", "1_0,99", "0x10,99"]
)
def test_rows_that_are_not_two_plain_numbers(tmp_path: Path, row: str) -> None:
    write(tmp_path, [row, *lines()[3:]])
    said = told(tmp_path)
    assert "line 2" in said
    assert "two plain numbers" in said


def test_numbers_out_of_all_proportion(tmp_path: Path) -> None:
    write(tmp_path, [*lines()[:5], "22,1e300", "23,1e9", *lines()[5:]])
    said = told(tmp_path)
    assert "line 7" in said
    assert "line 8" in said


def test_many_wrong_rows_are_counted(tmp_path: Path) -> None:
    write(tmp_path, [each.replace(",", ";") for each in lines()])
    said = told(tmp_path)
    assert "68 more lines like these" in said
    assert said.count("press.slide.file") == 6


def test_points_and_file_contradict(tmp_path: Path) -> None:
    write(tmp_path, lines())
    path = scenario(tmp_path, extra='points = [["0 deg", "100 mm"], ["180 deg", "0 mm"], ["270 deg", "50 mm"]]\n')
    with pytest.raises(InputError, match=r"either press\.slide\.points or press\.slide\.file, not both"):
        open_scenario(str(path))


def test_check_tells_all_that_is_wrong_and_gives_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A bad table, a bad key elsewhere and a missing one: one message, no traceback, nothing on stdout."""
    write(tmp_path, lines()[:30])
    path = scenario(tmp_path)
    path.write_text(path.read_text(encoding="utf-8").replace("lift = ", "lyft = "), encoding="utf-8")
    assert run(["check", str(path)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "Traceback" not in said.err
    for where in ("press.slide.file", "strip.lyft", "strip.lift"):
        assert where in said.err


def test_a_file_that_is_not_for_this_kind_is_not_read(tmp_path: Path) -> None:
    path = scenario(tmp_path, "nowhere.csv")
    path.write_text(path.read_text(encoding="utf-8").replace('"table"', '"eccentric"'), encoding="utf-8")
    assert any("press.slide.file is not used" in note for note in open_scenario(str(path)).notes)
