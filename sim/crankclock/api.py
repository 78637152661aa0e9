"""The few names a notebook user needs."""

from __future__ import annotations

from pathlib import Path

from crankclock.cycle import Reading
from crankclock.errors import CrankclockError, InputError, Problem, UnfinishedError
from crankclock.scenario.files import shipped
from crankclock.scenario.load import Loaded, open_scenario
from crankclock.studies import check as _check
from crankclock.studies.check import Check, Event, Finding
from crankclock.units import System


def check(
    scenario: str | Path,
    *settings: str,
    reading: Reading | None = None,
    units: System | None = None,
    root: Path | None = None,
) -> Check:
    """Judge one cycle of a scenario.

    Parameters
    ----------
    scenario : str or Path
        A file, or the name of a shipped scenario.
    *settings : str
        Overrides such as "press.rate=70 /min".
    reading : {"hand", "rigid", "running"}, optional
        Running by default where the scenario has the data for it, else rigid.
    units : {"metric", "inch"}, optional
        How sentences speak; the scenario's own units by default.
    root : Path, optional
        Folder outside which no used file may lie.

    Returns
    -------
    Check

    Raises
    ------
    InputError
        With every problem found in the input.
    """
    return _check.check(open_scenario(str(scenario), settings, root), reading, units)


__all__ = [
    "Check",
    "CrankclockError",
    "Event",
    "Finding",
    "InputError",
    "Loaded",
    "Problem",
    "UnfinishedError",
    "check",
    "open_scenario",
    "shipped",
]
