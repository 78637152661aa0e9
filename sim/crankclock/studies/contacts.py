"""How a cycle moves when the contact values, which are guesses, are halved and doubled."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crankclock.cycle import Cycle, running_cycle
from crankclock.parts.numbers import Flags, Floats
from crankclock.scenario.build import Machine

FACTORS = (0.5, 1.0, 2.0)


@dataclass(frozen=True)
class Corner:
    """One choice of contact values, as factors of those in force."""

    stiffness: float
    damping: float

    @property
    def words(self) -> str:
        names = {0.5: "halved", 2.0: "doubled"}
        told = [
            f"{key} {names[f]}" for key, f in (("stiffness", self.stiffness), ("damping", self.damping)) if f != 1.0
        ]
        return " and ".join(told)


CORNERS = tuple(Corner(k, z) for k in FACTORS for z in FACTORS if (k, z) != (1.0, 1.0))
"""Stiffness and damping of the contacts halved and doubled, each alone and both together."""


@dataclass(frozen=True)
class Swing:
    """A margin over the other contact values.

    Attributes
    ----------
    least, most : float
        Margins [SI]; nan where an event cannot happen with some of them.
    failing : tuple of Corner
        The choices with which the rule fails.
    """

    least: float
    most: float
    failing: tuple[Corner, ...]


def other_contacts(rigid: Cycle) -> Cycle:
    """The running cycle of a machine of single values with every other choice of contacts, one variant for each."""
    machine = rigid.machine
    contact = machine.scenario.contact
    stiffness = contact.stiffness * np.array([each.stiffness for each in CORNERS])
    damping = contact.damping * np.array([each.damping for each in CORNERS])
    scenario = machine.scenario.model_copy(
        update={"contact": contact.model_copy(update={"stiffness": stiffness, "damping": damping})}
    )
    other: Machine = replace(machine, scenario=scenario)
    return running_cycle(other, rigid)


def swing(margin: Floats, fails: Flags) -> Swing:
    """What a rule's margins over the corners amount to."""
    wide = np.broadcast_to(np.asarray(margin, dtype=float), (len(CORNERS),))
    failing = np.broadcast_to(np.asarray(fails), (len(CORNERS),))
    return Swing(
        float(wide.min()), float(wide.max()), tuple(each for each, bad in zip(CORNERS, failing, strict=True) if bad)
    )
