"""`gearing`: the gearings that can be had, side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.cli.options import FAILED, OK, scenario_options


@click.command()
@click.argument("file")
@scenario_options
@click.option("--tap", metavar="NAME", help="Change this tap alone; by default every press-driven tap in turn.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file: .json .txt .png .svg.")
def gearing(
    file: str,
    tap: str | None,
    settings: tuple[str, ...],
    reading: Any,
    units: Any,
    root: Path | None,
    as_json: bool,
    output: Path | None,
) -> int:
    """The gearings that can be had, side by side: what each takes, how fast it lets the press run, which to choose."""
    from crankclock.report import files, gearing_data, gearing_words
    from crankclock.scenario.load import open_scenario
    from crankclock.studies.gearing import gearings

    if output is not None:
        files.check_output(output)
    result = gearings(open_scenario(file, settings, root), tap, reading, units)
    if output is not None:
        files.write_whole(output, _render(result, output.suffix.lower()))
    if as_json:
        click.echo(gearing_data.as_json(result), nl=False)
    elif output is None:
        click.echo(gearing_words.as_text(result), nl=False)
    else:
        click.echo(f"written to {output}")
    return OK if result.passes else FAILED


def _render(result: Any, suffix: str) -> bytes:
    from crankclock.report import gearing_data, gearing_words

    if suffix == ".json":
        return gearing_data.as_json(result).encode()
    if suffix == ".txt":
        return gearing_words.as_text(result).encode()
    from crankclock.report import gearing_chart

    return gearing_chart.render(result, "png" if suffix == ".png" else "svg")
