"""Stripper and strip as masses between one-sided contacts: the running reading of a cycle."""

from .base import SlideMotion
from .motion import Motion
from .run import Crossings, Run, Spans, run
from .system import GRAVITY, Coil, Gas, Side, System, gas_law

__all__ = [
    "GRAVITY",
    "Coil",
    "Crossings",
    "Gas",
    "Motion",
    "Run",
    "Side",
    "SlideMotion",
    "Spans",
    "System",
    "gas_law",
    "run",
]
