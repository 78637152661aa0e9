"""How long one rigid cycle takes, and 100,000 variants of it.

    python tests/bench/bench_rigid.py

From parts already built to the verdict: the turn, the margins of all rules and, for one cycle, the findings with
their sentences. Variants are drawn about the shipped shelf bracket, with an infinitely long rod and with its own.
One core: nothing here calls a threaded library.
"""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable

import numpy as np

from crankclock.cycle import turn
from crankclock.rules import Words
from crankclock.scenario.build import Machine, build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.load import open_scenario
from crankclock.scenario.schema import Scenario
from crankclock.studies.check import findings
from crankclock.studies.margins import Margin, margins

VARIANTS, CHUNK, SCATTER, SEED = 100_000, 5_000, 0.03, 0
AIMS = {"one cycle, findings": 2e-3, "variants, no rod": 2.0, "variants, rod": 2.0}


def variants(scenario: Scenario, n: int, rng: np.random.Generator) -> Machine:
    """The scenario with nineteen of its values scattered by 3 %, as arrays of n."""
    many = scenario.model_copy(deep=True)
    assert many.feeder is not None
    assert many.feeder.pilot_release is not None
    places: list[tuple[object, tuple[str, ...]]] = [
        (many.press, ("rate",)),
        (many.press.slide, ("stroke", "connecting_rod")),
        (many.strip, ("thickness", "lift", "pitch")),
        (many.stripper, ("travel",)),
        (many.feeder, ("start", "latency", "speed", "acceleration")),
        (many.feeder.pilot_release, ("open", "latency")),
        *((pilot, ("penetration", "nose")) for pilot in many.pilot.values()),
        *((punch, ("penetration",)) for punch in many.punch.values()),
        *((tap, ("rest_clearance",)) for tap in many.tap.values()),
        *((tap.drive, ("gearing", "backlash")) for tap in many.tap.values()),
    ]
    for table, names in places:
        for key in names:
            value = getattr(table, key)
            if value is not None:
                setattr(table, key, value * (1.0 + SCATTER * rng.uniform(-1.0, 1.0, n)))
    return build(resolve(many)[0])


def median(run: Callable[[], object], times: int) -> float:
    """Median time of a run [s]."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def batch(scenario: Scenario) -> tuple[float, float]:
    """Time [s] for all variants in chunks, building them aside, and the share that fails a rule."""
    rng, seconds, failing = np.random.default_rng(SEED), 0.0, 0
    for _ in range(VARIANTS // CHUNK):
        machine = variants(scenario, CHUNK, rng)
        start = time.perf_counter()
        found = [each for each in margins(turn(machine, running=False)) if isinstance(each, Margin)]
        seconds += time.perf_counter() - start
        failing += int(np.logical_or.reduce([np.broadcast_to(each.fails, CHUNK) for each in found]).sum())
    return seconds, failing / VARIANTS


def main() -> None:
    loaded = open_scenario("shelf-bracket")
    machine = build(loaded.resolved()[0])
    found = {
        "one cycle, turn": median(lambda: turn(machine, running=False), 300),
        "one cycle, margins": median(lambda: margins(turn(machine, running=False)), 300),
        "one cycle, findings": median(lambda: findings(turn(machine, running=False), "rigid", Words("metric")), 300),
    }
    rodless = loaded.scenario.model_copy(deep=True)
    rodless.press.slide.connecting_rod = None
    failing = {}
    for row, scenario in (("variants, no rod", rodless), ("variants, rod", loaded.scenario)):
        found[row], failing[row] = batch(scenario)
    print(f"{'':22}{'time':>12}{'bound':>12}")
    for row, seconds in found.items():
        bound = f"{1e3 * AIMS[row]:9.1f} ms" if row in AIMS else ""
        print(f"{row:22}{1e3 * seconds:9.2f} ms{bound:>12}")
    print(f"{VARIANTS:,} variants in chunks of {CHUNK:,}, seed {SEED}; {failing['variants, rod']:.1%} fail a rule")
    print(f"memory peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0:.0f} MiB")


if __name__ == "__main__":
    main()
