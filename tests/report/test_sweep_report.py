"""What is told of a sweep: text at 80 columns, the contract's JSON, CSV, chart, exit status."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crankclock.api import check, open_scenario
from crankclock.cli import run
from crankclock.report import sweep_chart, sweep_words
from crankclock.report.sweep_data import as_csv, as_data, as_json, down, up
from crankclock.studies.sweep import Sweep, sweep

COARSE = 4.0 / 60.0
NO_FEEDER = (
    'title = "No feeder"\n[press]\nrate = "55 /min"\n[press.slide]\nkind = "eccentric"\nstroke = "120 mm"\n'
    '[press.limits]\nrate_min = "20 /min"\nrate_max = "60 /min"\n'
    '[strip]\nmaterial = "low-carbon-steel"\nthickness = "1.5 mm"\nlift = "1.2 mm"\npitch = "40 mm"\n'
    '[stripper]\ntravel = "40 mm"\n'
)


@pytest.fixture(scope="module")
def running() -> Sweep:
    return sweep(open_scenario("thin-cover-bounces"), step=COARSE)


@pytest.fixture(scope="module")
def rigid() -> Sweep:
    return sweep(open_scenario("shelf-bracket"), step=COARSE, reading="rigid")


@pytest.fixture(scope="module")
def failing() -> Sweep:
    return sweep(open_scenario("timed-at-speed-only"), step=COARSE, reading="rigid")


@pytest.fixture(scope="module")
def incomplete(tmp_path_factory: pytest.TempPathFactory) -> Sweep:
    path = tmp_path_factory.mktemp("scenario") / "bare.toml"
    path.write_text(NO_FEEDER)
    return sweep(open_scenario(str(path)), reading="rigid")


@pytest.fixture
def each(request: pytest.FixtureRequest) -> Sweep:
    found: Sweep = request.getfixturevalue(request.param)
    return found


ALL = pytest.mark.parametrize("each", ["running", "rigid", "failing", "incomplete"], indirect=True)


@ALL
def test_text_fits_80_columns_and_cautions(each: Sweep) -> None:
    text = sweep_words.as_text(each)
    assert not [line for line in text.splitlines() if len(line) > 80]
    assert "not a release to run" in " ".join(text.split())
    assert "Scanned every" in text
    assert "nan" not in text


@ALL
def test_json_has_the_contracts_keys_and_plain_numbers(each: Sweep) -> None:
    found = json.loads(as_json(each), parse_constant=lambda name: pytest.fail(name))
    assert found.keys() >= {
        "rate_ceiling_per_min",
        "rate_floor_per_min",
        "passing",
        "failing_bands",
        "binding",
        "ceilings",
    }
    assert found.keys() >= {"schema", "crankclock", "scenario", "input_sha256", "overrides", "reading", "rate_per_min"}
    assert found["schema"] == 1
    assert found["caution"]
    keys = {"rule", "subject", "rate_per_min", "rate_with_allowance_per_min"}
    assert all(each.keys() >= keys for each in found["ceilings"])
    for low, high in [*found["passing"], *found["failing_bands"]]:
        assert low <= high


def test_a_rule_that_never_fails_has_null_and_one_that_never_holds_0(failing: Sweep) -> None:
    ceilings = {(each["rule"], each["subject"]): each for each in as_data(failing)["ceilings"]}
    assert ceilings["feed-starts-after-tools", "pilot:p1"]["rate_per_min"] == 0.0
    assert ceilings["feed-starts-after-tools", "pilot:p1"]["holds"] == []
    never = [each for each in ceilings.values() if each["rate_per_min"] is None]
    assert never
    assert all(each["holds"] == [[30.0, 120.0]] for each in never if each["floor_per_min"] is None)


def test_a_ceiling_as_printed_passes_and_a_hair_above_fails(rigid: Sweep) -> None:
    found = as_data(rigid)
    at = found["rate_ceiling_per_min"]
    assert check("shelf-bracket", f"press.rate={at} /min", reading="rigid").verdict in ("pass", "tight")
    assert check("shelf-bracket", f"press.rate={at + 1e-3} /min", reading="rigid").verdict == "fail"
    said = re.search(r"RATE CEILING ([\d.]+) /min", sweep_words.as_text(rigid))
    assert said is not None
    assert float(said[1]) == math.floor(10.0 * at) / 10.0
    assert found["binding"] == {"rule": "cut-speed", "subject": "tap:m4"}


@pytest.mark.parametrize(
    ("per_minute", "below", "above"), [(66.58, 66.5, 66.6), (66.6, 66.6, 66.6), (120.0, 120.0, 120.0)]
)
def test_rates_are_rounded_to_the_passing_side(per_minute: float, below: float, above: float) -> None:
    assert down(per_minute / 60.0, 1) == below
    assert up(per_minute / 60.0, 1) == above


def test_readings_stand_side_by_side(running: Sweep) -> None:
    text = sweep_words.as_text(running)
    rows = dict(line.split(maxsplit=1) for line in text.splitlines() if re.match(r"  (running|rigid) +\d", line))
    found = as_data(running)["by_reading"]
    assert set(rows) == set(found) == {"running", "rigid"}
    assert found["running"]["rate_ceiling_per_min"] < found["rigid"]["rate_ceiling_per_min"] - 10.0
    for reading, row in rows.items():
        assert f"to {down(found[reading]['rate_ceiling_per_min'] / 60.0, 1):.1f}" in row
    assert "halved and doubled" in text
    assert "guesses" in text


def test_an_incomplete_span_is_nowhere_called_passing(incomplete: Sweep) -> None:
    found, text = as_data(incomplete), sweep_words.as_text(incomplete)
    assert incomplete.verdict == found["verdict"] == "incomplete"
    assert incomplete.swept.passing
    assert found["passing"] == found["passing_with_allowance"] == []
    assert found["rate_ceiling_per_min"] is None
    assert "RATE CEILING" not in text
    assert "INCOMPLETE" in text
    assert "CORE" in text
    assert "passes" not in text


def test_a_span_without_a_passing_rate_says_so(failing: Sweep) -> None:
    text = sweep_words.as_text(failing)
    assert "NO RATE PASSES" in text
    assert "nowhere" in text
    assert as_data(failing)["rate_ceiling_per_min"] is None
    assert as_data(failing)["binding"] is None


def test_a_rigid_ceiling_says_what_it_leaves_out(rigid: Sweep, running: Sweep) -> None:
    assert "bind at speed, are not judged" in " ".join(sweep_words.as_text(rigid).split())
    assert "are not judged" not in sweep_words.as_text(running).split("By reading")[0]


def test_a_press_of_one_rate_is_judged_at_it() -> None:
    loaded = open_scenario("shelf-bracket", ("press.limits.rate_min=55 /min", "press.limits.rate_max=55 /min"))
    found = sweep(loaded, reading="rigid")
    assert found.swept.scan.rates.tolist() == [55.0 / 60.0]
    assert as_data(found)["passing"] == [[55.0, 55.0]]
    assert "RATE CEILING 55.0 /min" in sweep_words.as_text(found)
    sweep_chart.render(found, "png")


def test_inch_reports_speak_inch() -> None:
    found = sweep(open_scenario("shelf-bracket"), step=COARSE, reading="rigid", units="inch")
    text = sweep_words.as_text(found)
    assert " ft/min" in text
    assert not re.search(r"\d m/min|\d mm\b", text.split("\n", 1)[1].split("Assumed")[0])


def test_csv_holds_every_margin_at_every_rate(running: Sweep) -> None:
    rows = list(csv.DictReader(io.StringIO(as_csv(running))))
    assert {row["reading"] for row in rows} == {"running", "rigid"}
    scanned = running.swept.scan
    mine = [row for row in rows if row["reading"] == "running"]
    assert [float(row["rate_per_min"]) for row in mine] == pytest.approx(list(60.0 * scanned.rates), abs=1e-5)
    assert [row["status"] == "fail" for row in mine] == list(scanned.fails)
    course = next(each for each in scanned.courses if each.rule == "clamp-force")
    column = [float(row["clamp-force tap:m3 [N]"] or "nan") for row in mine]
    assert column == pytest.approx(list(course.margin), abs=1e-5, nan_ok=True)


@ALL
def test_the_chart_is_reproducible_and_tells_what_the_text_tells(each: Sweep) -> None:
    drawn = sweep_chart.render(each, "svg")
    assert drawn == sweep_chart.render(each, "svg")
    svg = drawn.decode()
    assert "not a release to run" in svg
    assert ("CEILING" in svg) == (each.verdict == "pass")
    if each.verdict == "pass":
        assert each.swept.ceiling is not None
        name = sweep_words.spoken(each.swept.ceiling.binding[0])
        assert f"{down(each.swept.ceiling.rate, 1):.1f} /min: {name}" in svg
    for limit in each.swept.limits:
        if limit.ceiling:
            assert sweep_words.spoken(limit.key) in svg


def test_the_chart_shades_what_passes_and_nothing_else(rigid: Sweep, failing: Sweep, incomplete: Sweep) -> None:
    def shaded(found: Sweep) -> list[tuple[float, float]]:
        from matplotlib.colors import to_hex
        from matplotlib.patches import Rectangle

        patches: list[Any] = [each for each in sweep_chart.draw(found).axes[0].patches if isinstance(each, Rectangle)]
        return [
            (p.get_x(), p.get_x() + p.get_width()) for p in patches if to_hex(p.get_facecolor()) == sweep_chart.SHADE
        ]

    expected = [tuple(60.0 * np.array(each)) for each in rigid.swept.passing]
    assert np.array(shaded(rigid)) == pytest.approx(np.array(expected))
    assert shaded(failing) == shaded(incomplete) == []


def test_exit_status_and_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    quick = ["--reading", "rigid", "--step", "5 /min"]
    for suffix, start in (
        (".json", b"{"),
        (".txt", b"Shelf"),
        (".csv", b"reading,"),
        (".png", b"\x89PNG"),
        (".svg", b"<?xml"),
    ):
        out = tmp_path / f"swept{suffix}"
        assert run(["sweep", "shelf-bracket", *quick, "-o", str(out)]) == 0
        assert out.read_bytes().startswith(start)
        assert "RATE CEILING" in capsys.readouterr().out
    assert run(["sweep", "timed-at-speed-only", *quick]) == 1
    bare = tmp_path / "bare.toml"
    bare.write_text(NO_FEEDER)
    capsys.readouterr()
    assert run(["sweep", str(bare), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["verdict"] == "incomplete"
    assert run(["sweep", "shelf-bracket", *quick, "--from", "30/min", "--to", "50/min", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["from_per_min"], found["to_per_min"], found["step_per_min"]) == (30.0, 50.0, 5.0)
    assert found["binding"] is None  # only the span ends there


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--from", "20"], "--from"),
        (["--to", "-5 /min"], "--to"),
        (["--step", "1 mm"], "--step"),
        (["--from", "60 /min", "--to", "50 /min"], "the lower one first"),
        (["--from", "20 /min ± 1 /min"], "tolerance"),
        (["-o", "swept.xlsx"], ".csv"),
    ],
)
def test_wrong_options_are_refused(arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sweep", "shelf-bracket", "--reading", "rigid", *arguments]) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert told.out == ""
