"""`compare`: two scenarios, or one with settings, event by event and rule by rule."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.cli.options import scenario_options, status
from crankclock.errors import InputError, Problem

SUFFIXES = (".json", ".txt")


@click.command()
@click.argument("first", metavar="A")
@click.argument("second", metavar="[B]", required=False)
@scenario_options
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file: .json .txt.")
def compare(
    first: str,
    second: str | None,
    settings: tuple[str, ...],
    reading: Any,
    units: Any,
    root: Path | None,
    as_json: bool,
    output: Path | None,
) -> int:
    """What differs between two scenarios A and B, and what it does; or between A and A with --set.

    With both A and B, --set counts for both. The exit status is that of the second one's verdict.
    """
    from crankclock.report import compare_data, compare_words, files
    from crankclock.scenario.load import open_scenario
    from crankclock.studies.compare import compare as study

    if output is not None:
        files.check_output(output, SUFFIXES)
    if second is None and not settings:
        raise InputError([Problem("B", "nothing", "a second scenario, or --set KEY=VALUE to compare A with itself")])
    one, two = _both(
        lambda: open_scenario(first, settings if second is not None else (), root),
        lambda: open_scenario(first if second is None else second, settings, root),
    )
    result = study(one, two, reading, units)
    text = compare_data.as_json(result) if as_json else compare_words.as_text(result)
    if output is not None:
        written = compare_data.as_json(result) if output.suffix.lower() == ".json" else compare_words.as_text(result)
        files.write_whole(output, written.encode())
    if output is None or as_json:
        click.echo(text, nl=False)
    else:
        click.echo(f"{result.first.verdict} -> {result.second.verdict}: written to {output}")
    return status(result.second.verdict)


def _both(*openers: Any) -> list[Any]:
    """What every opener gives; what is wrong with any of them is told at once."""
    found, problems, sources = [], [], []
    for opener in openers:
        try:
            found.append(opener())
        except InputError as wrong:
            problems += [each for each in wrong.problems if each not in problems]
            sources.append(wrong.source)
    if problems:
        raise InputError(problems, " and ".join(dict.fromkeys(each for each in sources if each)))
    return found
