"""How long the studies take, each from a loaded scenario to its result.

    python tests/bench/bench_studies.py

One function a row: what it is, the bound [s] or none, and the work.
"""

from __future__ import annotations

import importlib.util
import resource
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from crankclock.cycle import Reading
from crankclock.scenario.load import open_scenario
from crankclock.studies.sweep import sweep
from crankclock.studies.tolerance import Wish, tolerance
from crankclock.studies.tolerance_batch import counted
from crankclock.studies.tolerance_rates import Sampler
from crankclock.studies.tolerance_sample import points, spread_of
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


def sampled(reading: Reading, samples: int, jobs: int = 1, cluster: bool = False) -> Callable[[], str]:
    """Samples at one rate, shared out to so many processes, or to as many workers of a cluster on this machine."""
    loaded = open_scenario("latch-plate-in-its-limits")
    rate = float(loaded.scenario.press.rate)

    def spread_over(crew: Crew) -> str:
        crew.run("warming up", counted, list(warm(jobs)), jobs)
        sampler = Sampler(loaded.scenario, reading, spread_of(loaded), 0, samples, crew)
        start = time.perf_counter()
        sampler.look("samples", [rate], sampler.each)
        seconds = time.perf_counter() - start
        return f"{samples / seconds:,.0f} samples a second, once its processes are up"

    def warm(count: int) -> Iterator[Chunk]:
        spread = spread_of(loaded)
        for k in range(count):
            few = spread.values(points(0, 0, k, spread.size, 0, 16), rate)
            yield Chunk(f"warm {k}", (loaded.scenario, reading, few, 1, False))

    def work() -> str:
        if not cluster:
            with Crew(jobs) as crew:
                return spread_over(crew)
        if importlib.util.find_spec("distributed") is None:
            return "distributed is not installed"
        local: Any = importlib.import_module("distributed").LocalCluster
        manner = {"n_workers": jobs, "threads_per_worker": 1, "dashboard_address": None}
        with local(**manner) as there, Crew(cluster=there.scheduler_address) as crew:
            return spread_over(crew)

    return work


def rows() -> list[Row]:
    return [
        Row("sweep, rigid", 0.5, swept("shelf-bracket", "rigid")),
        Row("sweep, running", 5.0, swept("shelf-bracket", "running")),
        Row("sweep, running, many bounces", 10.0, swept("thin-cover-bounces", "running")),
        Row("tolerance, rigid, 2^16", 10.0, within_tolerances(2**16)),
        Row("2^20 rigid samples", 30.0, sampled("rigid", 2**20)),
        Row("2^13 running samples", None, sampled("running", 2**13)),
        Row("the same by two processes", 30.0, sampled("running", 2**13, 2)),
        Row("the same by two dask workers", None, sampled("running", 2**13, 2, cluster=True)),
    ]


def main() -> None:
    print(f"{'':30}{'time':>10}{'bound':>10}  what")
    for row in rows():
        start = time.perf_counter()
        what = row.work()
        seconds = time.perf_counter() - start
        bound = "" if row.bound is None else f"{row.bound:8.1f} s"
        print(f"{row.name:30}{seconds:8.2f} s{bound:>10}  {what}")
    print(f"memory peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0:.0f} MiB")


if __name__ == "__main__":
    main()
