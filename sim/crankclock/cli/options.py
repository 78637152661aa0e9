"""What commands share: exit statuses, options, and how a scenario is judged."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.errors import InputError, Problem

OK, FAILED, WRONG_INPUT, UNFINISHED, OUR_FAULT = 0, 1, 2, 3, 4
UNITS = click.Choice(["metric", "inch"])
READINGS = click.Choice(["hand", "rigid", "running"])


def scenario_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options every command that reads a scenario takes."""
    for option in (
        click.option("--root", type=click.Path(path_type=Path), help="Folder that used files must lie in."),
        click.option("--units", type=UNITS, help="How to report; the scenario's own by default."),
        click.option(
            "--reading",
            type=READINGS,
            help="How to read the cycle; running by default where the scenario has the data, else rigid.",
        ),
        click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Override a key."),
    ):
        command = option(command)
    return command


def checked(file: str, settings: tuple[str, ...], reading: Any, units: Any, root: Path | None) -> Any:
    """Judge a scenario, with every way the command itself can be wrong told first."""
    from crankclock.api import check

    return check(file, *settings, reading=reading, units=units, root=root)


def status(verdict: str) -> int:
    return OK if verdict in ("pass", "tight") else FAILED


def rates(given: dict[str, str | None]) -> list[float | None]:
    """Rates [strokes/s] of options, with all that are wrong told at once."""
    from crankclock.units import UnitError, read

    found: list[float | None] = []
    problems = []
    for name, text in given.items():
        try:
            rate = None if text is None else read(text, "rate")
        except UnitError as wrong:
            problems.append(Problem(name, "", f'a rate such as "60 /min": {wrong}'))
            continue
        if rate is not None and (rate.value <= 0.0 or rate.tolerance is not None):
            problems.append(Problem(name, f'"{text}"', "a rate above 0 without a tolerance"))
        found.append(None if rate is None else rate.value)
    if problems:
        raise InputError(problems)
    return found
