"""The compiled march against the plain one: the same contact changes, the same motion."""

import importlib.util
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from crankclock.dynamics import Run, Side, fast_available, run
from test_dynamics import NAMED, Case, batch_of, random_case

SAME = 1e-9  # s, m


def both(*given) -> tuple[Run, Run]:
    return run(*given), run(*given, fast=True)


def check_same(plain: Run, compiled: Run) -> None:
    for name, time in plain.events.items():
        np.testing.assert_allclose(compiled.events[name], time, rtol=0, atol=SAME)
    for side in Side:
        mine, theirs = compiled.pressing(side), plain.pressing(side)
        np.testing.assert_allclose(mine.start, theirs.start, rtol=0, atol=SAME)
        np.testing.assert_allclose(mine.end, theirs.end, rtol=0, atol=SAME)
    np.testing.assert_allclose(compiled.reach, plain.reach, rtol=1e-12)
    times = np.linspace(0.0, 1.0, 101)[:, None] * plain.reach
    mine, theirs = compiled.at(times), plain.at(times)
    for part in ("strip", "face"):
        np.testing.assert_allclose(getattr(mine, part), getattr(theirs, part), rtol=0, atol=SAME)


class TestWithNumba:
    @pytest.fixture(autouse=True)
    def numba(self):
        return pytest.importorskip("numba")

    def test_a_batch_of_random_systems(self):
        check_same(*both(*batch_of([random_case(number) for number in range(2, 121, 3)])))

    @pytest.mark.parametrize(
        "case",
        [
            NAMED,
            replace(NAMED, rate=1.0),
            replace(NAMED, lift=0.0),
            replace(NAMED, damping=1.0, strip=42.0),
            replace(NAMED, gas=(6000.0, 1.2 / NAMED.travel, 1.0)),
            replace(NAMED, rate=200.0, lifter_force=16.0, lifter_rate=100.0, lift=0.006),
            replace(NAMED, lifter_force=0.0, lifter_rate=0.0),
            replace(random_case(9), gas=None),
        ],
        ids=["named", "slow", "no lift", "critical", "past its volume", "settles late", "no lifters", "coils"],
    )
    def test_one_at_a_time(self, case: Case):
        check_same(*both(case.system(), case.slide(), 60.0 / case.rate))

    def test_it_takes_the_same_samples(self):
        plain, compiled = both(*batch_of([random_case(number) for number in (2, 5, 8)]))
        np.testing.assert_allclose(compiled.samples.time, plain.samples.time, rtol=0, atol=1e-9)
        np.testing.assert_allclose(compiled.samples.strip, plain.samples.strip, rtol=0, atol=1e-9)


def test_without_numba_it_says_so(monkeypatch):
    monkeypatch.setitem(sys.modules, "numba", None)
    monkeypatch.delitem(sys.modules, "crankclock.dynamics.fast", raising=False)
    with pytest.raises(ImportError, match="numba"):
        run(NAMED.system(), NAMED.slide(), 1.0, fast=True)
    assert run(NAMED.system(), NAMED.slide(), 1.0).events


def test_plain_runs_do_not_load_numba():
    code = "import sys, crankclock.api, crankclock.cli, crankclock.dynamics; sys.exit('numba' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_it_tells_whether_numba_is_there():
    assert fast_available() == (importlib.util.find_spec("numba") is not None)


@pytest.mark.skipif(not fast_available(), reason="needs the extra fast: numba")
def test_bulk_work_takes_the_compiled_march_and_says_the_same(monkeypatch) -> None:
    """A chunk of running variants as studies bring it: compiled where it can be, every margin as without."""
    from crankclock.api import open_scenario
    from crankclock.cycle import running
    from crankclock.studies.variants import CHUNK, evaluate

    scenario = open_scenario("thin-cover-bounces").scenario
    values = {"press.rate": np.linspace(40.0, 120.0, CHUNK["running"]) / 60.0}
    asked: list[bool] = []
    real = running.run

    def watched(*arguments, fast, **named):
        asked.append(fast)
        return real(*arguments, fast=fast, **named)

    monkeypatch.setattr(running, "run", watched)
    compiled = evaluate(scenario, values, "running")
    monkeypatch.setattr(running, "fast_available", lambda: False)
    plain = evaluate(scenario, values, "running")
    assert asked == [True, False]
    for one, other in zip(compiled.rows, plain.rows, strict=True):
        np.testing.assert_array_equal(one.fails, other.fails)
        np.testing.assert_allclose(one.margin, other.margin, rtol=1e-7, atol=1e-9)
