"""Prints how often the troubleshooter finds a planted cause, what it takes it for instead, and how well it knows.

python tests/bench/confusion.py            200 cases
python tests/bench/confusion.py 40 1       40 cases, seed 1
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from crankclock.studies.breakage_causes import KINDS
from reference.planted import Verdict, calibration, trial


def main(cases: int = 200, seed: int = 0) -> None:
    """Run the trial and print its tables."""
    start = time.perf_counter()
    verdicts = trial(cases, 10, seed)
    took = time.perf_counter() - start
    second = sum(each.rank <= 2 for each in verdicts)
    first = sum(each.rank == 1 for each in verdicts)
    print(f"{len(verdicts)} planted causes, seed {seed}, {took:.0f} s")
    print(f"first: {first / len(verdicts):.1%}   first or second: {second / len(verdicts):.1%}")
    print("\nstated probability of the first group, and how often it held the planted cause")
    for count, stated, right in calibration(verdicts):
        print(f"  {count:>4} cases   stated {stated:5.1%}   right {right:5.1%}")
    never = {kind.name for kind in KINDS} - {_kind(each.planted) for each in verdicts}
    print(f"\nnever planted: {', '.join(sorted(never)) or 'none'}")
    print("\nplanted, and what was put first")
    for planted in sorted({_kind(each.planted) for each in verdicts}):
        print(f"  {planted:<22}{_row([each for each in verdicts if _kind(each.planted) == planted])}")


def _kind(name: str) -> str:
    return name.split(":")[0]


def _row(verdicts: list[Verdict]) -> str:
    """How many of a kind, how many first or second, and what the others were taken for."""
    taken: dict[str, int] = {}
    for each in verdicts:
        if not each.hit:
            taken[_kind(each.first)] = taken.get(_kind(each.first), 0) + 1
    others = ", ".join(f"{name} {count}" for name, count in sorted(taken.items(), key=lambda pair: -pair[1]))
    right = sum(each.hit for each in verdicts)
    near = sum(each.rank <= 2 for each in verdicts)
    tail = f"; else {others}" if others else ""
    return f"{len(verdicts):>3} planted, first {right:>2}, first or second {near:>2}{tail}"


if __name__ == "__main__":
    main(*(int(each) for each in sys.argv[1:3]))
