"""How long the running reading takes: one cycle, a batch, the compiled batch, and a rigid-body engine beside it.

    python tests/bench/bench_running.py

The named set turns at 60 /min on contacts of 300 kN/mm, half of its spring force from gas and half from coils. A
cycle is the turn and its running events. Batches scatter every number of the set by 3 % and are shared between two
processes that are already up; their start-up stands by itself. The engine's step is the longest stable one at which
its events are within 0.02 deg of ours. What is compared is run by turns. Best and median of several runs; on a
machine that does other work the processor time, of one process, is nearest to what the program costs.
"""

from __future__ import annotations

import functools
import importlib.util
import math
import multiprocessing
import os
import statistics
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from crankclock.cycle import turn
from crankclock.dynamics import fast_available, run
from crankclock.scenario.build import build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.load import open_scenario
from crankclock.studies.variants import with_values

sys.path.insert(0, str(Path(__file__).parents[1]))

from test_dynamics import NAMED, Case, batch_of

BATCH, PROCESSES, SCATTER = 1_000, 2, 0.03
SLOWEST = 1.0  # /min
AGREES = 0.02  # deg
AIMS = {"one": 20e-3, "batch": 500.0, "fast": 2.0, "engine": 20.0}


@dataclass(frozen=True)
class Timing:
    """Best and median time of some runs, and the least processor time of one, a process's share of it [s]."""

    best: float
    median: float
    busy: float


def timed(*calls: Callable[[], object], times: int) -> list[Timing]:
    """Time calls by turns, once beforehand to warm them up; one that others work for says what they spent."""
    taken = np.empty((times, len(calls), 2))
    for each in calls:
        each()
    for number in range(times):
        for place, each in enumerate(calls):
            start, busy = time.perf_counter(), time.process_time()
            spent = each()
            spent = spent if isinstance(spent, float) else time.process_time() - busy
            taken[number, place] = time.perf_counter() - start, spent
    return [
        Timing(float(wall.min()), statistics.median(wall), float(busy.min())) for wall, busy in taken.transpose(1, 2, 0)
    ]


def scattered(n: int, seed: int) -> list[Case]:
    """The named set with each number but the springs' exponent scattered evenly."""
    rng = np.random.default_rng(seed)

    def near(value: object) -> object:
        if isinstance(value, tuple):
            return tuple(near(part) for part in value)
        return value * (1.0 + SCATTER * rng.uniform(-1.0, 1.0)) if isinstance(value, float) else value

    keys = [each.name for each in fields(NAMED)]
    cases = [replace(NAMED, **{key: near(getattr(NAMED, key)) for key in keys}) for _ in range(n)]
    return [replace(case, gas=(*case.gas[:2], 1.0)) for case in cases if case.gas]


@functools.cache
def prepared(n: int, seed: int):
    return batch_of(scattered(n, seed))


def share(n: int, seed: int, fast: bool) -> float:
    """What one process does of a batch, and its processor time [s]; the system is made once and kept."""
    system = prepared(n, seed)
    start = time.process_time()
    assert run(*system, fast=fast).events["stripper.touch"].shape == (n,)
    return time.process_time() - start


def batches(times: int) -> tuple[float, list[Timing]]:
    """Start-up of two processes [s], and a batch shared between them once they are up, by numpy and compiled."""
    start = time.perf_counter()
    with ProcessPoolExecutor(PROCESSES, multiprocessing.get_context("spawn")) as pool:

        def batch(fast: bool) -> float:
            shares = [pool.submit(share, BATCH // PROCESSES, seed, fast) for seed in range(PROCESSES)]
            return sum(each.result() for each in shares) / PROCESSES

        batch(False)
        up = time.perf_counter() - start
        kinds = [False, True] if fast_available() else [False]
        calls = [functools.partial(batch, fast) for fast in kinds]
        for call in 3 * calls:  # until either process has made either half's system
            call()
        return up, timed(*calls, times=times)


@dataclass(frozen=True)
class Beside:
    """A rigid-body engine on the named set: its step [s], its worst event [deg], its time and ours."""

    step: float
    worst: float
    theirs: Timing
    alone: Timing
    ours: Timing


def engine() -> Beside:
    """The engine at the longest stable step that agrees; `alone` are its steps without the springs."""
    import mujoco

    from test_running_engine import apart, engine_turn, model_of, stable_step

    reading = NAMED.run()
    start = reading.at(0.0)
    face, strip = float(start.face[0]), float(start.strip[0])
    step = stable_step(NAMED)
    while True:
        theirs = engine_turn(NAMED, face, strip, step)
        worst = max(away for _, away in apart(NAMED, reading.events, theirs.events()))
        if worst <= AGREES:
            break
        step /= 1.25
    model = model_of(NAMED, step)
    data, steps = mujoco.MjData(model), math.ceil(60.0 / NAMED.rate / step)
    found = timed(
        lambda: engine_turn(NAMED, face, strip, step),
        lambda: mujoco.mj_step(model, data, nstep=steps),
        lambda: [NAMED.run().events for _ in range(10)],
        times=7,
    )
    ours = Timing(found[2].best / 10, found[2].median / 10, found[2].busy / 10)
    return Beside(step, worst, *found[:2], ours)


def shipped() -> tuple[Timing, Timing]:
    """The whole running reading of the shelf bracket, one and a batch of rates; parts built aside."""
    scenario = open_scenario("shelf-bracket").scenario
    rates = scenario.press.rate * np.linspace(1.0 - SCATTER, 1.0 + SCATTER, BATCH)
    one, many = (build(resolve(each)[0]) for each in (scenario, with_values(scenario, {"press.rate": rates})))
    return (
        *timed(lambda: turn(one, running=True), times=15),
        *timed(lambda: turn(many, running=True), times=3),
    )


def row(what: str, timing: Timing, count: int = 0, aim: str = "") -> None:
    """A line of the table: a time in milliseconds, or how many a second."""
    shown = [count / t if count else 1e3 * t for t in (timing.best, timing.median, timing.busy)]
    line(what, shown, "/s" if count else "ms", aim)


def times_faster(what: str, slow: Timing, quick: Timing, aim: str = "") -> None:
    """A line that tells how often one time goes into another."""
    shown = [slow.best / quick.best, slow.median / quick.median, slow.busy / quick.busy]
    line(f"  times faster{what}", shown, "", aim)


def line(what: str, numbers: list[float], unit: str, aim: str) -> None:
    print(f"{what:48}{''.join(f'{number:10.1f}' for number in numbers):30} {unit:3}{aim:>8}")


def main() -> None:
    for library in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(library, "1")  # of the processes: one core each
    load = os.getloadavg()[0]
    print(f"{'':48}{'best':>10}{'median':>10}{'processor':>10}{'aim':>12}")
    row("one cycle", *timed(lambda: NAMED.run().events, times=30), aim=f"<= {1e3 * AIMS['one']:.0f}")
    slow = replace(NAMED, rate=SLOWEST)
    row(f"one cycle at {SLOWEST:.0f} /min, the slowest legal rate", *timed(lambda: slow.run().events, times=15))
    up, found = batches(9)
    row(f"batch of {BATCH:,}, two processes", found[0], BATCH, f">= {AIMS['batch']:.0f}")
    for compiled in found[1:]:
        row("the same compiled", compiled, BATCH)
        times_faster("", found[0], compiled, f">= {AIMS['fast']:.0f}")
    single, many = shipped()
    row("shelf-bracket, all three readings", single)
    row(f"the same for {BATCH:,} rates, one process", many, BATCH)
    if importlib.util.find_spec("mujoco") is None:
        print("rigid-body engine: not installed")
    else:
        against(engine(), found[0])
    print(f"\nstart-up of the two processes {up:.1f} s; load {load:.1f} before, {os.getloadavg()[0]:.1f} after")


def against(beside: Beside, batch: Timing) -> None:
    """The lines about the rigid-body engine."""
    row("rigid-body engine on the named set", beside.theirs)
    row("  its steps alone, without the springs", beside.alone)
    row("  one cycle of ours between its runs", beside.ours)
    times_faster(", one cycle", beside.theirs, beside.ours, f">= {AIMS['engine']:.0f}")
    share_of_batch = [PROCESSES * spent / BATCH for spent in (batch.best, batch.median, batch.busy)]
    times_faster(", a cycle of the batch on one core", beside.theirs, Timing(*share_of_batch))
    print(f"  at a step of {1e6 * beside.step:.1f} us its events are within {beside.worst:.4f} deg of ours")


if __name__ == "__main__":
    main()
