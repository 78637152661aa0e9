"""Stripper and strip as masses between one-sided contacts: the running reading of a cycle.

Between contact changes the motion is worked out exactly and each change is located, rather than carried on by small
steps. Measured on the named set of `tests/bench/bench_running.py` (60 /min, contacts of 300 kN/mm), processor time on
one core:

- Exact, 33 blocks a turn: 12 ms a cycle, at 1 /min too; in a batch of 1,000 about 1,500 cycles a second, twice as
  many compiled. Contact changes agree with SciPy at rtol 1e-10 within 0.02 deg.
- Explicit small steps: the strip between two dashpots bears no more than 12.5 us, far less than accuracy asks for, so
  80,000 steps a turn, and in proportion more when it turns slower. A compiled rigid-body engine takes 280 ms a cycle,
  100 ms of it without the springs; semi-implicit Euler in numpy, 1,000 abreast, does 120 cycles a second.
- Implicit with variable steps, SciPy's LSODA at rtol 1e-10: 730 ms a cycle, and it does not batch.
"""

from .along import Crossings
from .base import SlideMotion
from .motion import Motion
from .run import Run, Spans, fast_available, run
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
    "fast_available",
    "gas_law",
    "run",
]
