"""How long the studies take, each from a loaded scenario to its result.

    python tests/bench/bench_studies.py [--million]

One function a row: what it is, the bound [s] or none, and the work. Times are by the clock; beside them stands the
processor time of this process, which is what to go by where others use the machine, and the load is told. With
--million also the memory that a million rigid variants take.
"""

from __future__ import annotations

import importlib.util
import multiprocessing
import os
import resource
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from crankclock.cycle import Reading
from crankclock.scenario.load import open_scenario
from crankclock.scenario.schema import Scenario
from crankclock.studies.store import Result
from crankclock.studies.sweep import sweep
from crankclock.studies.tolerance import Wish, tolerance
from crankclock.studies.tolerance_batch import counted
from crankclock.studies.tolerance_rates import Sampler
from crankclock.studies.tolerance_sample import spread_of
from crankclock.studies.variants import Array, evaluate, value_at
from crankclock.studies.work import Chunk, Crew


@dataclass(frozen=True)
class Row:
    """One line of the table; the work says what it did."""

    name: str
    bound: float | None
    work: Callable[[], str]


def swept(name: str, reading: Reading) -> Callable[[], str]:
    """A sweep of 200 rates and the search between them; running has the rigid reading and other contacts with it."""
    loaded = open_scenario(name)

    def work() -> str:
        found = sweep(loaded, reading=reading)
        rates = sum(each.scan.rates.size for each in found.readings.values())
        ceiling = found.swept.ceiling
        return f"{rates} rates, ceiling {60.0 * ceiling.rate:.2f} /min" if ceiling is not None else f"{rates} rates"

    return work


def within_tolerances(samples: int) -> Callable[[], str]:
    """The whole study: risk at the rate, over the rates, and what to tighten."""
    loaded = open_scenario("latch-plate-in-its-limits")

    def work() -> str:
        with Crew() as crew:
            found = tolerance(loaded, Wish(samples=samples, reading="rigid"), crew)
        assert found.at_rate is not None
        return f"{found.at_rate.overall.failing} of {samples:,} fail, {len(found.rates)} rates"

    return work


def sampled(samples: int) -> Callable[[], str]:
    """Rigid samples at one rate."""
    loaded = open_scenario("latch-plate-in-its-limits")

    def work() -> str:
        with Crew() as crew:
            sampler = Sampler(loaded.scenario, "rigid", spread_of(loaded), 0, samples, crew)
            sampler.look("samples", [float(loaded.scenario.press.rate)], sampler.each)
        return f"memory peak {peak():.0f} MiB so far"

    return work


def scattered(scenario: Scenario, count: int) -> dict[str, Array]:
    """Values about the scenario's own, by 3 % and with a fixed seed."""
    rng = np.random.default_rng(0)
    paths = ["press.rate", "strip.thickness", "strip.lift", "stripper.travel", "feeder.start", "feeder.latency"]
    paths += [f"tap.{name}.rest_clearance" for name in scenario.tap or {}]
    paths += ["press.slide.stroke"] if scenario.press.slide.kind == "eccentric" else []
    middles = {path: np.asarray(value_at(scenario, path), dtype=float) for path in paths}
    return {path: middle * (1.0 + 0.03 * rng.uniform(-1.0, 1.0, count)) for path, middle in middles.items()}


def varied(name: str, count: int) -> Callable[[], str]:
    """Rigid variants, judged at once in this process."""
    scenario = open_scenario(name).scenario
    values = scattered(scenario, count)
    evaluate(scenario, scattered(scenario, 2), "rigid")

    def work() -> str:
        found = evaluate(scenario, values, "rigid")
        return f"{len(found.rows)} rules, {int(found.fails.sum()):,} fail"

    return work


def peak() -> float:
    """The most memory this process has taken [MiB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def million() -> str:
    """In a process of its own, all margins kept."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as one:
        return f"{one.submit(_million).result():.0f} MiB at its peak, of 1024"


def _million() -> float:
    varied("shelf-bracket", 1_000_000)()
    return peak()


PARTS, EACH = 20, 500
"""Running variants that are shared out."""

KEEPS_MEMORY = {"OMP_NUM_THREADS": "1", "MALLOC_TRIM_THRESHOLD_": str(2**27), "MALLOC_MMAP_THRESHOLD_": str(2**25)}
"""Environment of a dask worker. By its own default it gives freed memory back at once, which doubles the work."""


def timed(*arguments: Any) -> Result:
    """One chunk, with the processor time [s] of its own thread."""
    start = time.thread_time()
    found = counted(*arguments)
    return {**found, "seconds": np.array(time.thread_time() - start)}


def share(crew: Crew, jobs: int) -> tuple[float, float]:
    """Time by the clock [s] for all parts, once the processes are up, and their processor time [s]."""
    scenario = open_scenario("shelf-bracket").scenario
    values = scattered(scenario, PARTS * EACH)
    few = {path: each[:16] for path, each in values.items()}
    crew.run("warming up", timed, [Chunk(f"warm {k}", (scenario, "running", few, 1, False)) for k in range(jobs)], jobs)
    parts = [{path: each[k * EACH : (k + 1) * EACH] for path, each in values.items()} for k in range(PARTS)]
    chunks = [Chunk(str(k), (scenario, "running", part, 1, False)) for k, part in enumerate(parts)]
    start = time.perf_counter()
    done = crew.run("variants", timed, chunks, PARTS)
    return time.perf_counter() - start, sum(float(each["seconds"]) for each in done.results.values())


def shared() -> str:
    """The same variants by one process, by two, and by two dask workers on this machine."""
    told, before = [], None
    for name, jobs in (("one process", 1), ("two", 2)):
        with Crew(jobs) as crew:
            seconds, busy = share(crew, jobs)
        told.append(f"{name} {seconds:.1f} s ({busy:.1f} s busy)")
        ratio = "" if before is None else f": {before / seconds:.2f} times one, aim 1.7"
        before = seconds
    told[-1] += ratio
    if importlib.util.find_spec("distributed") is None:
        return "; ".join([*told, "distributed is not installed"])
    local: Any = importlib.import_module("distributed").LocalCluster
    importlib.import_module("dask").config.set({"distributed.nanny.pre-spawn-environ": KEEPS_MEMORY})
    manner = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": None}
    with local(**manner) as there, Crew(cluster=there.scheduler_address) as crew:
        seconds, busy = share(crew, 2)
    told.append(
        f"two dask workers {seconds:.1f} s ({busy:.1f} s busy): {seconds / (before or 1.0):.2f} of two, aim 1.2"
    )
    return "; ".join(told)


def rows() -> list[Row]:
    return [
        Row("sweep, rigid", 0.5, swept("shelf-bracket", "rigid")),
        Row("sweep, running", 5.0, swept("shelf-bracket", "running")),
        Row("sweep, running, many bounces", 10.0, swept("thin-cover-bounces", "running")),
        Row("tolerance, rigid, 2^16", 10.0, within_tolerances(2**16)),
        Row("2^20 rigid samples", 30.0, sampled(2**20)),
        Row("100,000 rigid, eccentric", 1.0, varied("shelf-bracket", 100_000)),
        Row("10,000 rigid, motion table", 1.0, varied("servo-dwell", 10_000)),
        Row("10,000 running, shared out", None, shared),
    ]


def main() -> None:
    table = [*rows(), *([Row("a million rigid, memory", None, million)] if "--million" in sys.argv else [])]
    print(f"{'':30}{'time':>10}{'processor':>11}{'bound':>10}  what; load {os.getloadavg()[0]:.1f}")
    for row in table:
        start, busy = time.perf_counter(), time.process_time()
        what = row.work()
        seconds, busy = time.perf_counter() - start, time.process_time() - busy
        bound = "" if row.bound is None else f"{row.bound:8.1f} s"
        print(f"{row.name:30}{seconds:8.2f} s{busy:9.2f} s{bound:>10}  {what}", flush=True)
    print(f"memory peak {peak():.0f} MiB, load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
