"""Random scenarios with masses, springs, contacts and motors in them, on top of the rigid ones."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from . import running
from .scenarios import MM, PLAIN, Rng, Tree, between, chance, random_scenario, thread_size
from .scenarios import UNITS as LENGTHS_AND_RATES

UNITS = LENGTHS_AND_RATES | {
    "kg": 1.0, "lb": 0.45359237, "N": 1.0, "kN": 1e3, "lbf": 4.4482216152605, "N/mm": 1e3, "kN/mm": 1e6,
    "m/s": 1.0, "rev/s^2": 1.0,
}  # fmt: skip


@dataclass(frozen=True)
class Pair:
    """The same scenario as the file writes it and in SI floats."""

    toml: Tree
    si: Tree


def quantity(text: str) -> float:
    """A quantity as the files here write it, in SI."""
    amount, unit = text.rsplit(" ", 1)
    return float(sum(map(Fraction, amount.split()))) * UNITS[unit]


def si_form(tree: Tree) -> Tree:
    """The SI tree the reference takes, from the TOML form."""

    def convert(key: str, value: Any) -> Any:
        if isinstance(value, dict):
            return {name: convert(name, item) for name, item in value.items()}
        if isinstance(value, list):
            return [convert(key, item) for item in value]
        if key == "thread":
            return thread_size(value)
        return quantity(value) if isinstance(value, str) and key not in PLAIN else value

    converted: Tree = convert("", tree)
    return converted


def write(rng: Rng, value: float, *units: str) -> str:
    """A quantity in one of the units."""
    unit = str(rng.choice(units))
    return f"{value / UNITS[unit]:.7f} {unit}"


def spread(rng: Rng, low: float, high: float) -> float:
    """Even on a logarithmic scale."""
    return math.exp(between(rng, math.log(low), math.log(high)))


def plates(rng: Rng, tree: Tree, *, weak: bool) -> None:
    """Masses, lifters and contacts; weak lifters do not carry the strip, or only with the help of their rate."""
    strip = tree["strip"]
    strip["mass"] = write(rng, spread(rng, 0.3, 4.0), "kg", "lb")
    weight = quantity(strip["mass"]) * running.GRAVITY
    force = weight * (between(rng, 0.3, 0.98) if weak else between(rng, 1.5, 20.0))
    strip["lifter_force"] = write(rng, force, "N", "lbf")
    strip["lifter_rate"] = write(rng, 0.0 if chance(rng, 0.2) else spread(rng, 1e3, 2e4), "N/mm")
    if chance(rng, 0.3):
        strip["play"] = write(rng, between(rng, 0.02, 0.2) * MM, "mm", "in")
    tree["stripper"]["mass"] = write(rng, spread(rng, 8.0, 80.0), "kg", "lb")
    stiffness = write(rng, spread(rng, 3e7, 6e8), "kN/mm", "N/mm")
    tree["contact"] = {"stiffness": stiffness, "damping": round(between(rng, 0.08, 0.9), 4)}


def springs(rng: Rng, tree: Tree) -> None:
    """One or two groups of stripper springs, gas or coil, from far too weak to strong."""
    si = si_form(tree)
    travel = si["stripper"]["travel"] + abs(si["press"].get("bdc_shift", 0.0))
    total = spread(rng, 1.5e3, 3e4)
    names = ["main", "second"][: 1 + int(chance(rng, 0.3))]
    groups: Tree = {}
    for name in names:
        count = int(rng.integers(1, 9))
        force = total / len(names) / count
        rated = write(rng, travel * between(rng, 1.12, 1.6) + 2 * MM, "mm", "in")
        groups[name] = {"count": count, "force": write(rng, force, "N", "lbf"), "travel": rated}
        if chance(rng, 0.5):
            end_force = write(rng, force * between(rng, 1.15, 1.8), "N", "lbf")
            groups[name] |= {"kind": "gas", "end_force": end_force, "speed": write(rng, between(rng, 0.3, 2.0), "m/s")}
            if chance(rng, 0.5):
                groups[name]["exponent"] = round(between(rng, 1.0, 1.4), 3)
        else:
            rate = write(rng, force * between(rng, 0.1, 2.0) / travel, "N/mm")
            groups[name] |= {"kind": "coil", "rate": rate}
    tree["stripper"]["spring"] = groups


def motor(rng: Rng, tree: Tree, name: str) -> None:
    """A motor in place of a tap's drive, in time for BDC or a good deal off."""
    si = si_form(tree)
    rate, way = si["press"]["rate"], between(rng, 20.0, 100.0) / 360.0 / si["press"]["rate"]
    turns = max(running.motor_turns(si, si["tap"][name]), 1.0)
    speed = write(rng, turns / way * between(rng, 1.05, 1.9), "/min")
    start = (180.0 - 360.0 * rate * way + between(rng, -15.0, 25.0)) % 360.0
    tree["tap"][name]["drive"] = {
        "kind": "motor",
        "speed": speed,
        "acceleration": write(rng, quantity(speed) / way * between(rng, 1.5, 8.0), "rev/s^2"),
        "start": f"{start:.5f} deg",
        "latency": write(rng, between(rng, 0.0, 12e-3), "ms"),
    }


def random_running(seed: int) -> Pair:
    """A scenario by number: every third of the hostile kind, one in five with lifters too weak.

    Strokes never fully raised or clamped, bounces and tools in at TDC come with the rigid scenarios; motors replace
    a quarter of the drives.
    """
    rng = np.random.default_rng([seed, 3])
    tree = random_scenario(rng, hostile=seed % 3 == 2)
    plates(rng, tree, weak=seed % 5 == 4)
    springs(rng, tree)
    for name in tree.get("tap", {}):
        if chance(rng, 0.25):
            motor(rng, tree, name)
    return Pair(tree, si_form(tree))
