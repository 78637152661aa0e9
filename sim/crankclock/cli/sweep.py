"""`sweep`: margins over a span of stroke rates."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.cli.options import FAILED, OK, rates, scenario_options


@click.command()
@click.argument("file")
@scenario_options
@click.option("--from", "low", metavar="RATE", help='Where to begin, as "20 /min"; the least the press may run at.')
@click.option("--to", "high", metavar="RATE", help="Where to end; the most the press may run at.")
@click.option("--step", metavar="RATE", help="Scan at least this finely; 1 /min, or a 200th of the span.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file: .json .txt .csv .png .svg.")
def sweep(
    file: str,
    low: str | None,
    high: str | None,
    step: str | None,
    settings: tuple[str, ...],
    reading: Any,
    units: Any,
    root: Path | None,
    as_json: bool,
    output: Path | None,
) -> int:
    """Margins over a span of stroke rates: the rate ceiling, and what binds there."""
    from crankclock.report import files, sweep_data, sweep_files, sweep_words
    from crankclock.scenario.load import open_scenario
    from crankclock.studies.sweep import sweep as study

    if output is not None:
        files.check_output(output, sweep_files.SUFFIXES)
    start, end, apart = rates({"--from": low, "--to": high, "--step": step})
    result = study(open_scenario(file, settings, root), start, end, apart, reading, units)
    if output is not None:
        files.write_whole(output, sweep_files.render(result, output.suffix.lower()))
    if as_json:
        click.echo(sweep_data.as_json(result), nl=False)
    elif output is None:
        click.echo(sweep_words.as_text(result), nl=False)
    else:
        click.echo(f"{sweep_words.headline(result)[0]} Written to {output}.")
    return OK if result.verdict == "pass" else FAILED
