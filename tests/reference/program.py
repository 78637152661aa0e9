"""The program's answer in the reference's words: events in dial degrees, margins in degrees or millimetres."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from crankclock.cycle import Cycle, Readings, turn
from crankclock.scenario.build import Machine, build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.load import check_tree
from crankclock.scenario.schema import Scenario
from crankclock.studies.margins import Margin, margins

Key = tuple[str, str | None]
REPORTED = {"angle": 180.0 / math.pi, "length": 1e3}


@dataclass(frozen=True)
class Judged:
    """One rule's margin (None: it has no figure) and whether it fails."""

    margin: float | None
    fails: bool


def scenario_of(tree: dict[str, Any]) -> Scenario:
    """A valid tree's scenario, its gaps open."""
    scenario, problems = check_tree(tree)
    assert not problems, problems
    return scenario


def machine_of(tree: dict[str, Any]) -> Machine:
    return build(resolve(scenario_of(tree))[0])


def readings_of(tree: dict[str, Any]) -> Readings:
    return turn(machine_of(tree))


def events_of(cycle: Cycle) -> dict[str, float | None]:
    """Dial degrees, None where the event does not happen."""
    return {name: None if np.isnan(at) else math.degrees(at) for name, at in cycle.events().items()}


def margins_of(readings: Readings) -> dict[Key, Judged]:
    """Margins in angle and length; the rules of other dimensions and those not judged are left out."""
    found = {}
    for each in margins(readings):
        if isinstance(each, Margin) and each.rule.dimension in REPORTED:
            value = float(each.value) * REPORTED[each.rule.dimension]
            found[each.rule.name, each.subject] = Judged(None if math.isnan(value) else value, bool(each.fails))
    return found
