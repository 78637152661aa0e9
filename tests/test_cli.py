"""The command line as a stranger meets it: exit status, messages, what is on which stream."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from crankclock.cli import run
from crankclock.scenario.files import shipped
from crankclock.scenario.starter import STARTER


@pytest.fixture
def first(tmp_path: Path) -> Path:
    path = tmp_path / "first.toml"
    assert run(["new", str(path)]) == 0
    return path


def crankclock(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """The installed command in a process of its own."""
    env = {**os.environ, "NO_COLOR": "1"}
    command = [sys.executable, "-m", "crankclock", *arguments]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", cwd=cwd, env=env, check=False)


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Run a command that must be refused as wrong input; give what it says."""
    assert run(list(arguments)) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "Traceback" not in told.err
    return told.err


def test_without_arguments_tells_what_to_do_next(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([]) == 0
    said = capsys.readouterr().out
    assert "crankclock new first.toml" in said
    assert all(name in said for name in shipped())
    assert "not a release" in said


def test_starter_passes_and_is_not_overwritten(first: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", str(first)]) == 0
    capsys.readouterr()
    first.write_text("mine")
    assert "nothing is overwritten" in refused(capsys, "new", str(first))
    assert first.read_text() == "mine"


def test_text_fits_80_columns_and_is_ordered_worst_first(capsys: pytest.CaptureFixture[str]) -> None:
    for name in shipped():
        run(["check", name])
        said = capsys.readouterr().out
        assert max(len(line) for line in said.splitlines()) <= 80, name
        places = [
            said.find(part)
            for part in ("What breaks or is tight", "What holds", "Order of the cycle", "Assumed", "Caution")
        ]
        assert [place for place in places if place >= 0] == sorted(place for place in places if place >= 0)


def test_json_is_alone_on_stdout_and_has_the_contract_keys(first: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", str(first), "--set", "press.rate=55 /min", "--reading", "rigid", "--json"]) == 0
    told = capsys.readouterr()
    data = json.loads(told.out)
    assert told.err == ""
    wanted = {"schema", "crankclock", "scenario", "input_sha256", "overrides", "reading", "rate_per_min", "verdict",
              "not_judged", "events", "findings", "taps", "feed", "setup", "assumed", "caution"}  # fmt: skip
    assert wanted <= set(data)
    assert data["overrides"] == ["press.rate=55 /min"]
    assert {"id", "deg", "ms", "hand_deg", "rigid_deg"} <= set(data["events"][0])
    assert {
        "rule",
        "subject",
        "status",
        "reading",
        "margin",
        "allowance",
        "from_deg",
        "to_deg",
        "missing",
        "says",
    } <= set(data["findings"][0])
    assert data["not_judged"] == sum(each["status"] == "not judged" for each in data["findings"])
    # The contract's own example of this press and tap, to the places it prints.
    tap = data["taps"][0]
    assert tap["engage_height_mm"] == pytest.approx(32.08, abs=0.005)
    assert tap["turns"] == pytest.approx(7.571, abs=0.0005)
    assert tap["mean_rule_rpm"] == pytest.approx(3115.2, abs=0.05)
    assert tap["peak_rpm_in_cut"] == pytest.approx(3932.7, rel=1e-3)
    assert tap["full_depth_mm"] == pytest.approx(3.6, abs=1e-6)
    assert data["feed"]["start_deg"] == pytest.approx(271.96, abs=1e-6)
    assert data["feed"]["end_deg"] == pytest.approx(301.0, abs=0.01)
    assert data["feed"]["window_from_deg"] == pytest.approx(259.5, abs=0.05)
    assert data["feed"]["window_to_deg"] == pytest.approx(460.5, abs=0.05)
    assert data["feed"]["slack_deg"] == pytest.approx(159.5, abs=0.05)


def test_a_failing_cycle_exits_1(first: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", str(first), "--set", "feeder.start=200 deg"]) == 1
    assert "FAIL" in capsys.readouterr().out


def test_a_missing_feeder_is_incomplete_and_exits_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = STARTER.format(title="No feeder")
    start, end = text.index("[feeder]"), text.index("[pilot.p1]")
    path = tmp_path / "nofeed.toml"
    path.write_text(text[:start] + text[end:])
    assert run(["check", str(path), "--json"]) == 1
    data = json.loads(capsys.readouterr().out)
    assert data["verdict"] == "incomplete"
    missing = {each["rule"]: each["missing"] for each in data["findings"] if each["status"] == "not judged"}
    assert missing["feed-ends-in-time"] == ["feeder"]


def test_all_problems_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "three.toml"
    text = STARTER.format(title="Three mistakes")
    text = text.replace('stroke = "120 mm"', 'stroke = "120 kg"').replace("lift =", "lfit =")
    path.write_text(text.replace('mount = "die"', 'mount = "dye"'))
    said = refused(capsys, "check", str(path))
    assert "press.slide.stroke" in said
    assert "given a mass, expected a length" in said
    assert "strip.lfit" in said
    assert 'nearest is "lift"' in said
    assert "tap.m4.mount" in said


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "press.rate"),
        (bytes(range(256)) * 8, "not text"),
        (b"x = [[[[", "TOML"),
        (b"[" * 20_000, "TOML"),
        (b"x = " + b"[" * 5000 + b"]" * 5000, "TOML"),
        (b"a = 1\n" * 2_000_000, "MB"),
        (b'use = "me.toml"', "circle"),
        (b'use = "../../../etc/passwd"', "inside"),
        (b"use = 3", "name of a TOML file"),
        (b"title = 3", "title"),
        (b"press = 3\nstrip = []\ntap = 'x'", "a table"),
        (b'[press]\nrate = "1e400 /min"', "press.rate"),
        (b"[press]\nrate = nan", "bare number"),
        (b"[press]\nrate = 1979-05-27", "press.rate"),
        (b'[tap."A B"]\nthread = "M4x0.7"', "small letters"),
        (b'[tap.a]\nthread = "M4x0.9"', "M4"),
        (b"[tap.a]\nchamfer = 1" + b"0" * 400, "tap.a.chamfer"),
        (b"[tap.a]\nchamfer = nan", "tap.a.chamfer"),
        (b"[strip]\nlift = 1.5 mm", 'lift = "1.5 mm"'),
    ],
)
def test_hostile_files_are_refused(
    content: bytes, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "me.toml"
    path.write_bytes(content)
    assert says in refused(capsys, "check", str(path))


def test_no_file_a_folder_a_device(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "shelf-bracket" in refused(capsys, "check", "no-such-scenario")
    assert "folder" in refused(capsys, "check", str(tmp_path))
    assert "not a plain file" in refused(capsys, "check", os.devnull)
    assert "FILE" in refused(capsys, "check", "a\0b")
    assert "FILE" in refused(capsys, "check", "x" * 5000)


@pytest.mark.skipif(os.geteuid() == 0, reason="root reads every file; the message is tested for other users")
def test_unreadable_file(first: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first.chmod(0)
    assert "permission" in refused(capsys, "check", str(first))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--set", "press.rate"], "KEY=VALUE"),
        (["--set", "press.rate=70"], "bare number"),
        (["--set", "press.rte=70 /min"], 'nearest is "rate"'),
        (["--set", "strip=3"], "a table"),
        (["-o", "out.docx"], ".json, .txt, .png, .svg"),
        (["-o", "no/such/folder/out.json"], "does not"),
        (["--reading", "running", "--set", "stripper.spring.main=none"], "stripper.spring.main"),
        (["--frobnicate"], "No such option"),
        (["--set", "press.slide.kind=table"], "press.slide.points"),
        (["--set", "press.slide.connecting_rod=10 mm"], "half the stroke"),
        (["--set", "tap.m4.mount=stripper", "--set", "tap.m4.side=below"], "cannot tap from below"),
    ],
)
def test_wrong_options(first: Path, arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert says in refused(capsys, "check", str(first), *arguments)


def test_a_material_of_ones_own_needs_its_values(first: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = first.read_text(encoding="utf-8").replace('"low-carbon-steel"', '"unobtainium"')
    first.write_text(text.replace("[strip.properties]\ncutting_speed", "#"), encoding="utf-8")
    assert "strip.properties" in refused(capsys, "check", str(first))


def test_output_is_whole_or_not_at_all(first: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "verdict.json"
    out.write_text("what was there")

    def full(_file: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert run(["check", str(first), "-o", str(out)]) == 3
    assert out.read_text() == "what was there"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["first.toml", "verdict.json"]


def test_our_own_fault_exits_4_without_a_traceback(
    first: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("planted")

    monkeypatch.setattr("crankclock.studies.check.turn", broken)
    assert run(["check", str(first)]) == 4
    told = capsys.readouterr()
    assert "planted" in told.err
    assert "Traceback" not in told.err
    with pytest.raises(RuntimeError, match="planted"):
        run(["-v", "check", str(first)])


def test_a_motor_spindle_is_told_what_it_does_not_use(first: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sets = ["kind=motor", "start=120 deg", "speed=3600 /min", "acceleration=900 rev/s^2"]
    arguments = [part for each in sets for part in ("--set", f"tap.m4.drive.{each}")]
    assert run(["check", str(first), *arguments]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "tap.m4.drive.gearing is not used" in said
    assert "motor-driven, 7.57 turns" in said


def test_use_merges_and_the_file_wins(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = STARTER.format(title="Used press")
    start, end = text.index("[press]"), text.index("[strip]")
    press = text[start:end].replace("[press.", "[").replace("[press]\n", "")
    (tmp_path / "press.toml").write_text("\ufeff" + press.replace("\n", "\r\n"), encoding="utf-8")
    (tmp_path / "me.toml").write_text(text[:start] + '[press]\nuse = "press.toml"\nrate = "44 /min"\n' + text[end:])
    assert run(["check", str(tmp_path / "me.toml"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["rate_per_min"] == 44.0


def test_explain_and_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["explain", "tap.m4.threaded_height"]) == 0
    said = capsys.readouterr().out
    assert "strip.thickness" in said
    assert run(["explain", "stripper"]) == 0
    assert "stripper.travel" in capsys.readouterr().out
    assert "stripper.travel" in refused(capsys, "explain", "stripper.travl")
    assert run(["schema"]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == "crankclock scenario"


@pytest.mark.parametrize("suffix", ["png", "svg", "txt", "json"])
def test_report_by_suffix(first: Path, tmp_path: Path, suffix: str) -> None:
    out = tmp_path / f"out.{suffix}"
    assert run(["report", str(first), "-o", str(out)]) == 0
    starts = {"png": b"\x89PNG", "svg": b"<?xml", "txt": b"My first", "json": b"{"}
    assert out.read_bytes().startswith(starts[suffix])


def test_report_wants_one_thing(first: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "FILE with -o OUT, or --all DIR" in refused(capsys, "report")
    assert "FILE with -o OUT, or --all DIR" in refused(capsys, "report", str(first), "--all", str(tmp_path))


def test_nothing_heavy_is_imported_by_check() -> None:
    script = (
        "import sys; from crankclock.cli import run; run(['check', 'shelf-bracket', '--json']); "
        "print([m for m in ('scipy.optimize', 'scipy.interpolate', 'matplotlib') if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


def test_as_a_process(tmp_path: Path) -> None:
    done = crankclock("check", "shelf-bracket", cwd=tmp_path)
    assert done.returncode == 0
    assert done.stdout.isascii() or "°" in done.stdout
    assert "\x1b" not in done.stdout
    wrong = crankclock("check", "nothing-here", cwd=tmp_path)
    assert (wrong.returncode, wrong.stdout) == (2, "")
