"""The program against the brute-force reference on random scenarios, ordinary and hostile.

The reference knows no closed form: it steps the crank. Where the two differ one of them is wrong by the model.
"""

from __future__ import annotations

import numpy as np
import pytest

from reference import brute
from reference.program import Judged, events_of, margins_of, readings_of
from reference.scenarios import random_scenario, si_form

STEP = 0.02  # deg; events are read off linearly between the steps
ANGLE = 0.02  # deg; the reference near the dead centres, where a height passes slowly
LENGTH = 0.002  # mm, from heights read off the steps
SEEDS = range(5000, 5060)

OTHER_DATA = {"spring-travel", "float", "stop-in-time", "tools-clear-features"}  # rules the reference does not know


def close(mine: float | None, theirs: float | None, within: float) -> bool:
    if mine is None or theirs is None:
        return mine is theirs
    return abs(mine - theirs) <= within


def agrees(rule: str, mine: Judged, theirs: float | None) -> bool:
    """Same pass or fail, and the same margin where both have a figure.

    For a tap that never touches, the reference still gives how much thread is wanting; both call it a failure.
    """
    if mine.fails != brute.fails(theirs):
        return False
    if mine.margin is None or theirs is None:
        return mine.fails
    lengths = ("tap-clear-of-strip", "full-thread", "drive-travel", "open-height", "strip-clears-die")
    return close(mine.margin, theirs, LENGTH if rule in (*lengths, "stripper-clears-strip") else ANGLE)


@pytest.mark.parametrize("seed", SEEDS)
def test_same_events_and_verdicts(seed: int) -> None:
    tree = random_scenario(np.random.default_rng(seed), hostile=bool(seed % 2))
    readings, reference = readings_of(tree), brute.simulate(si_form(tree), step=STEP)
    for cycle, expected in ((readings.hand, reference.hand), (readings.rigid, reference.rigid)):
        mine = events_of(cycle)
        assert mine.keys() == expected.keys()
        assert not {name: (mine[name], at) for name, at in expected.items() if not close(mine[name], at, ANGLE)}
    judged = margins_of(readings)
    assert {rule for rule, _ in judged.keys() - reference.margins.keys()} <= OTHER_DATA
    assert reference.margins.keys() <= judged.keys()
    differing = {key: (judged[key], at) for key, at in reference.margins.items() if not agrees(key[0], judged[key], at)}
    assert not differing


def test_the_seeds_hold_passes_failures_and_what_cannot_happen() -> None:
    """So that agreement above means something."""
    passing, failing, impossible = 0, 0, 0
    for seed in SEEDS:
        judged = margins_of(readings_of(random_scenario(np.random.default_rng(seed), hostile=bool(seed % 2))))
        impossible += any(one.margin is None for one in judged.values())
        failing += any(one.fails for one in judged.values())
        passing += not any(one.fails for one in judged.values())
    assert passing >= 8
    assert failing >= 20
    assert impossible >= 10
