"""`suggest`: what to change for a higher rate, less stripper travel, or the least change at a rate."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.cli.options import FAILED, OK, scenario_options


@click.command()
@click.argument("file")
@scenario_options
@click.option(
    "--vary",
    "asked",
    multiple=True,
    metavar="KEY[=WHAT]",
    help="What may change: KEY=FROM..TO, KEY=A, B, C, KEY=gearings, or KEY for a range about its value.",
)
@click.option(
    "--goal",
    type=click.Choice(["rate", "travel", "change"]),
    default="rate",
    show_default=True,
    help="The highest passing rate; the least stripper travel, or the least change, that passes at a rate.",
)
@click.option("--at", metavar="RATE", help="The wanted rate, for travel and change; the scenario's own by default.")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Of the search's sample.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file: .json .txt .png .svg.")
def suggest(
    file: str,
    asked: tuple[str, ...],
    goal: Any,
    at: str | None,
    seed: int,
    settings: tuple[str, ...],
    reading: Any,
    units: Any,
    root: Path | None,
    as_json: bool,
    output: Path | None,
) -> int:  # fmt: skip
    """Search the values of named keys; every point that is suggested was checked as a whole cycle and passed."""
    from crankclock.report import files, suggest_data, suggest_words
    from crankclock.scenario.load import open_scenario
    from crankclock.studies.suggest import suggest as study

    if output is not None:
        files.check_output(output)
    loaded = open_scenario(file, settings, root)
    with Counted() as tell:
        result = study(loaded, asked, goal, at, seed, reading, units, tell)
    if output is not None:
        files.write_whole(output, _render(result, output.suffix.lower()))
    if as_json:
        click.echo(suggest_data.as_json(result), nl=False)
    elif output is None:
        click.echo(suggest_words.as_text(result), nl=False)
    else:
        click.echo(f"{suggest_words.headline(result)} Written to {output}.")
    return OK if result.best is not None else FAILED


def _render(result: Any, suffix: str) -> bytes:
    from crankclock.report import suggest_data, suggest_words

    if suffix == ".json":
        return suggest_data.as_json(result).encode()
    if suffix == ".txt":
        return suggest_words.as_text(result).encode()
    from crankclock.report import suggest_chart

    return suggest_chart.render(result, "png" if suffix == ".png" else "svg")


class Counted:
    """Tells on stderr how many cycles a search has worked out, every few seconds; it cannot know how many are left."""

    EVERY = 5.0

    def __init__(self) -> None:
        self._cycles, self._told = 0, time.monotonic()
        self._status: Any = None

    def __enter__(self) -> Counted:
        if sys.stderr.isatty():
            from rich.console import Console

            self._status = Console(stderr=True).status("searching")
            self._status.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._status is not None:
            self._status.stop()

    def __call__(self, cycles: int) -> None:
        self._cycles += cycles
        now = time.monotonic()
        if self._status is not None:
            self._status.update(f"searching: {self._cycles} cycles worked out")
        elif now - self._told > self.EVERY:
            self._told = now
            click.echo(f"searching: {self._cycles} cycles worked out", err=True)
