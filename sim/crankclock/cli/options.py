"""What commands share: exit statuses, options, and how a scenario is judged."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import rich_click as click

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
