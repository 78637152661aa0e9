"""Long work in chunks: kept, resumed, spread over processes and a cluster, always with the same answer."""

from __future__ import annotations

import importlib.util
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crankclock.cli import progress
from crankclock.errors import InputError, UnfinishedError
from crankclock.report.tolerance_data import as_json
from crankclock.scenario.load import open_scenario
from crankclock.studies import work
from crankclock.studies.store import Store
from crankclock.studies.tolerance import Wish, header, tolerance
from crankclock.studies.tolerance_batch import counted
from crankclock.studies.tolerance_rates import Part
from crankclock.studies.tolerance_sample import points, spread_of
from crankclock.studies.work import Chunk, Crew

NAME = "latch-plate-in-its-limits"
CLUSTER = importlib.util.find_spec("distributed") is not None
HEADER = {"input": "a", "seed": 1}


def chunks(count: int = 6, size: int = 64) -> list[Chunk]:
    loaded = open_scenario(NAME)
    spread = spread_of(loaded)
    rate = float(loaded.scenario.press.rate)
    return [
        Chunk(str(k), (loaded.scenario, "rigid", spread.values(points(0, 0, k, spread.size, 0, size), rate), 1, True))
        for k in range(count)
    ]


def same(one: dict[str, Any], other: dict[str, Any]) -> bool:
    return one.keys() == other.keys() and all(
        np.array_equal(one[key][name], other[key][name], equal_nan=one[key][name].dtype.kind == "f")
        for key in one
        for name in one[key]
    )


@pytest.fixture(scope="module")
def alone() -> dict[str, Any]:
    """What one process makes of the chunks."""
    with Crew() as crew:
        done = crew.run("work", counted, chunks(), 6)
    assert done.whole
    return done.results


def test_two_processes_give_the_same_and_tell_how_far_they_are(alone: dict[str, Any]) -> None:
    told: list[tuple[str, int, int]] = []
    with Crew(2, progress=lambda *each: told.append(each)) as crew:
        done = crew.run("work", counted, iter(chunks()), 6)
    assert same(done.results, alone)
    assert told == [("work", k, 6) for k in range(7)]


def test_ctrl_c_keeps_what_is_done(alone: dict[str, Any], tmp_path: Path) -> None:
    def stop(_what: str, done: int, _total: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    with Store(tmp_path / "s", HEADER) as store, Crew(store=store, progress=stop) as crew:
        done = crew.run("work", counted, chunks(), 6)
    assert not done.whole
    assert list(done.results) == ["0", "1", "2"]
    with Store(tmp_path / "s", HEADER) as store:
        assert same(dict(store.done), {key: alone[key] for key in done.results})


def test_a_store_gives_back_what_it_was_given(tmp_path: Path) -> None:
    arrays = {
        "float": np.array([[1.0 / 3.0, np.nan, -np.inf], [5e-324, 0.0, -0.0]]),
        "flag": np.array([True, False]),
        "text": np.array([["a", "bß"]]),
        "none": np.empty((0, 3)),
        "count": np.array(7),
    }
    with Store(tmp_path / "s", HEADER) as store:
        store.add("k", arrays)
    with Store(tmp_path / "s", HEADER) as store:
        back = store.done["k"]
    for name, array in arrays.items():
        assert back[name].dtype == array.dtype
        assert back[name].tobytes() == array.tobytes()
        assert back[name].shape == array.shape


@pytest.mark.parametrize("cut", [1, 20, 200])
def test_a_chunk_cut_short_is_dropped_and_the_others_stay(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "s"
    with Store(path, HEADER) as store:
        for key in "ab":
            store.add(key, {"x": np.arange(30)})
    path.write_bytes(path.read_bytes()[:-cut])
    with Store(path, HEADER) as store:
        assert list(store.done) == ["a"]
        store.add("b", {"x": np.arange(30)})
    with Store(path, HEADER) as store:
        assert list(store.done) == ["a", "b"]


def test_a_header_cut_short_is_written_again(tmp_path: Path) -> None:
    path = tmp_path / "s"
    with Store(path, HEADER):
        whole = path.read_bytes()
    path.write_bytes(whole[:15])
    with Store(path, HEADER) as store:
        assert store.done == {}
    assert path.read_bytes() == whole


def test_a_file_of_another_input_is_refused_and_stays(tmp_path: Path) -> None:
    path = tmp_path / "s"
    with Store(path, HEADER) as store:
        store.add("a", {"x": np.arange(3)})
    before = path.read_bytes()
    with pytest.raises(InputError, match=r"made for another input \(seed 1\); expected the same .*\(seed 2\)"):
        Store(path, {**HEADER, "seed": 2})
    assert path.read_bytes() == before


@pytest.mark.parametrize("content", [b'title = "x"\n', b"no line", b'{"key": 1}\n{"key": 2}\n', bytes(range(256))])
def test_a_file_that_holds_something_else_is_refused_and_stays(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "s"
    path.write_bytes(content)
    with pytest.raises(InputError, match="holds something else"):
        Store(path, HEADER)
    assert path.read_bytes() == content


def test_damage_within_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "s"
    with Store(path, HEADER) as store:
        for key in "ab":
            store.add(key, {"x": np.arange(30)})
    lines = path.read_bytes().split(b"\n")
    lines[1] = lines[1].replace(b"AAAA", b"AAAB", 1)
    path.write_bytes(b"\n".join(lines))
    with pytest.raises(InputError, match="damaged in line 2"):
        Store(path, HEADER)


def test_two_writers_of_one_file_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "s"
    says = (
        f"from crankclock.studies.store import Store; from pathlib import Path; Store(Path({str(path)!r}), {HEADER!r})"
    )
    with Store(path, HEADER):
        other = subprocess.run([sys.executable, "-c", says], capture_output=True, text=True, check=False)
        assert "another process is writing" in other.stderr
    assert subprocess.run([sys.executable, "-c", says], capture_output=True, check=False).returncode == 0


def test_a_store_needs_a_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="folder that exists"):
        Store(tmp_path / "nowhere" / "s", HEADER)
    with pytest.raises(UnfinishedError):
        Store(tmp_path, HEADER)


def command(*more: str) -> list[str]:
    return [sys.executable, "-m", "crankclock", "tolerance", NAME, "--reading", "rigid", "--samples", "2^13",
            "--from", "60 /min", "--to", "90 /min", *more]  # fmt: skip


def wait_for_chunks(path: Path, count: int, process: subprocess.Popen[str]) -> None:
    for _ in range(3000):
        if path.exists() and path.read_bytes().count(b"\n") > count:
            return
        assert process.poll() is None
        time.sleep(0.005)
    raise AssertionError("no chunk was kept")


@pytest.fixture(scope="module")
def uninterrupted() -> str:
    loaded = open_scenario(NAME)
    wish = Wish(samples=2**13, reading="rigid", low=1.0, high=1.5)
    with Crew() as crew:
        return as_json(tolerance(loaded, wish, crew))


def test_killed_and_resumed_gives_what_it_gives_uninterrupted(tmp_path: Path, uninterrupted: str) -> None:
    path = tmp_path / "kept"
    process = subprocess.Popen(command("--resume", str(path)), stdout=subprocess.PIPE, text=True)
    wait_for_chunks(path, 3, process)
    process.kill()
    process.communicate()
    kept = path.read_bytes().count(b"\n")
    resumed = subprocess.run(command("--resume", str(path), "--json"), capture_output=True, text=True, check=False)
    assert resumed.returncode == 1
    assert resumed.stdout == uninterrupted
    lines = path.read_bytes().splitlines()
    assert len(lines) > kept
    assert len({json.loads(line.rpartition(b" ")[0])["key"] for line in lines[1:]}) == len(lines) - 1  # none twice


def test_ctrl_c_at_the_command_line_keeps_what_is_done_and_says_so(tmp_path: Path, uninterrupted: str) -> None:
    path = tmp_path / "kept"
    pipes: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    process = subprocess.Popen(command("--resume", str(path), "--jobs", "2", "--json"), **pipes)
    wait_for_chunks(path, 3, process)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 3
    assert "interrupted" in err
    assert str(path) in err
    partial = json.loads(out)
    assert partial["interrupted"]
    assert partial["rate_at_risk"] is None
    assert partial["at_rate"]["samples"] < 2**13 or partial["sensitivities"] == [] or len(partial["rates"]) < 22
    loaded = open_scenario(NAME)
    wish = Wish(samples=2**13, reading="rigid", low=1.0, high=1.5)
    with Store(path, header(loaded, wish)) as store, Crew(store=store) as crew:
        assert store.done
        assert as_json(tolerance(loaded, wish, crew)) == uninterrupted


def test_progress_is_told_on_stderr_with_the_time_left(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = iter([0.0, 0.5, 2.0, 3.0, 9.0])
    monkeypatch.setattr(progress.time, "monotonic", lambda: next(clock))
    with progress.Told() as told:
        for done in range(5):  # the first is within a second, the fourth too soon after the third
            told("risk", done, 10)
    found = capsys.readouterr()
    assert found.out == ""
    assert found.err.splitlines() == ["risk: 2 of 10 parts, about 8 s left", "risk: 4 of 10 parts, about 14 s left"]


@pytest.mark.skipif(not CLUSTER, reason="distributed is not installed")
@pytest.mark.filterwarnings("ignore")  # the library's own
def test_a_cluster_that_does_not_answer_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work, "ANSWERS_WITHIN", 0.5)
    with pytest.raises(UnfinishedError, match=r"no dask scheduler answers at 127\.0\.0\.1:9"):
        Crew(cluster="127.0.0.1:9")


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two workers as processes of their own, on loopback."""
    dask, quiet = Path(sys.executable).with_name("dask"), {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    place = tmp_path / "scheduler.json"
    common = {"env": {**os.environ, "DASK_TEMPORARY_DIRECTORY": str(tmp_path)}, "cwd": tmp_path, **quiet}
    scheduler = subprocess.Popen(
        [dask, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", place], **common
    )  # type: ignore[call-overload]
    started = [scheduler]
    try:
        for _ in range(600):
            if place.exists() and place.read_text(encoding="utf-8").rstrip().endswith("}"):
                break
            time.sleep(0.05)
        address = json.loads(place.read_text(encoding="utf-8"))["address"].removeprefix("tcp://")
        workers = [
            subprocess.Popen(
                [dask, "worker", address, "--host", "127.0.0.1", "--nthreads", "1", "--no-nanny", "--no-dashboard"],
                **common,
            )  # type: ignore[call-overload]
            for _ in range(2)
        ]
        started += workers
        yield address, workers
    finally:
        for process in started:
            process.kill()
            process.wait()


@pytest.mark.skipif(not CLUSTER, reason="distributed is not installed")
@pytest.mark.filterwarnings("ignore")  # the library's own
def test_a_cluster_that_loses_a_worker_loses_nothing(
    alone: dict[str, Any], cluster: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path
) -> None:
    address, workers = cluster
    done_by_then: list[int] = []

    def told(_what: str, done: int, _total: int) -> None:
        if done == 8 and not done_by_then:
            done_by_then.append(done)
            workers[0].kill()
            workers[0].wait()

    many = [Chunk(f"{k}/{each.key}", each.arguments) for k in range(8) for each in chunks()]
    with Store(tmp_path / "s", HEADER) as store, Crew(cluster=address, store=store, progress=told) as crew:
        crew._client.wait_for_workers(2, timeout=30)
        done = crew.run("work", counted, many, len(many))
    assert done_by_then
    assert workers[0].poll() is not None
    assert workers[1].poll() is None
    assert done.whole
    for k in range(8):
        assert same({key: done.results[f"{k}/{key}"] for key in alone}, alone)


def test_parts_cover_every_point_once() -> None:
    from crankclock.studies.tolerance_rates import BLOCK, REPLICATES, parts

    for each in (16, 64, 512, 1024, 4096):
        seen = np.zeros((REPLICATES, each), dtype=int)
        for part in parts(each):
            assert isinstance(part, Part)
            assert part.replicates * part.count <= max(BLOCK, REPLICATES)
            seen[part.first : part.first + part.replicates, part.start : part.start + part.count] += 1
        assert np.all(seen == 1)
