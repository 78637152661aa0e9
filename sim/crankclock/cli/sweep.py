"""`sweep`: margins over a span of stroke rates."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.cli.options import FAILED, OK, UNFINISHED, rates, scenario_options


@click.command()
@click.argument("file")
@scenario_options
@click.option("--from", "low", metavar="RATE", help='Where to begin, as "20 /min"; the least the press may run at.')
@click.option("--to", "high", metavar="RATE", help="Where to end; the most the press may run at.")
@click.option("--step", metavar="RATE", help="Scan at least this finely; 1 /min, or a 200th of the span.")
@click.option("--jobs", default=1, show_default=True, type=click.IntRange(1, 256), help="Processes to work with.")
@click.option("--cluster", metavar="HOST:PORT", help="A dask scheduler that does the work; only one you trust.")
@click.option("--resume", type=click.Path(path_type=Path), help="Keep results in this file, and go on from it.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file: .json .txt .csv .png .svg.")
def sweep(
    file: str,
    low: str | None,
    high: str | None,
    step: str | None,
    jobs: int,
    cluster: str | None,
    resume: Path | None,
    settings: tuple[str, ...],
    reading: Any,
    units: Any,
    root: Path | None,
    as_json: bool,
    output: Path | None,
) -> int:
    """Margins over a span of stroke rates: the rate ceiling, and what binds there."""
    from crankclock.cli.progress import Told
    from crankclock.report import files, sweep_data, sweep_files, sweep_words
    from crankclock.scenario.load import open_scenario
    from crankclock.studies import sweep as study
    from crankclock.studies.store import Store
    from crankclock.studies.work import Crew

    if output is not None:
        files.check_output(output, sweep_files.SUFFIXES)
    start, end, apart = rates({"--from": low, "--to": high, "--step": step})
    loaded = open_scenario(file, settings, root)
    result = None
    with contextlib.ExitStack() as stack:
        store = None if resume is None else stack.enter_context(Store(resume, study.header(loaded, reading)))
        crew = stack.enter_context(Crew(jobs, cluster, store, stack.enter_context(Told())))
        with contextlib.suppress(KeyboardInterrupt):
            result = study.sweep(loaded, start, end, apart, reading, units, crew)
    if result is None or not result.whole:
        kept = f"; {resume} keeps what was done" if resume is not None else ""
        click.echo(f"interrupted{kept}", err=True)
        if result is not None:
            click.echo(sweep_data.as_json(result) if as_json else sweep_words.as_text(result), nl=False)
        return UNFINISHED
    if output is not None:
        files.write_whole(output, sweep_files.render(result, output.suffix.lower()))
    if as_json:
        click.echo(sweep_data.as_json(result), nl=False)
    elif output is None:
        click.echo(sweep_words.as_text(result), nl=False)
    else:
        click.echo(f"{sweep_words.headline(result)[0]} Written to {output}.")
    return OK if result.verdict == "pass" else FAILED
