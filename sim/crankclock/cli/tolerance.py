"""`tolerance`: how likely the cycle fails within its tolerances, and what to tighten."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.cli.options import FAILED, OK, UNFINISHED, rates, scenario_options
from crankclock.errors import InputError, Problem


@click.command()
@click.argument("file")
@scenario_options
@click.option("--samples", default="2^14", show_default=True, help="How many, a power of two.")
@click.option("--risk", default=1e-5, show_default=True, help="Probability of failing that can be borne.")
@click.option(
    "--from", "low", metavar="RATE", help='Where the span begins, as "20 /min"; the least the press may run at.'
)
@click.option("--to", "high", metavar="RATE", help="Where it ends; by default the press's range.")
@click.option("--seed", default=0, show_default=True, type=click.IntRange(min=0), help="Of the random numbers.")
@click.option("--jobs", default=1, show_default=True, type=click.IntRange(1, 256), help="Processes to work with.")
@click.option("--cluster", metavar="HOST:PORT", help="A dask scheduler that does the work; only one you trust.")
@click.option("--resume", type=click.Path(path_type=Path), help="Keep results in this file, and go on from it.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file: .json .txt .csv .xlsx .png .svg.")
def tolerance(
    file: str,
    samples: str,
    risk: float,
    low: str | None,
    high: str | None,
    seed: int,
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
    """Risk of failing within the tolerances, the rate that bears it, and what to tighten."""
    from crankclock.cli.progress import Told
    from crankclock.report import files, tolerance_data, tolerance_files, tolerance_words
    from crankclock.scenario.load import open_scenario
    from crankclock.studies import tolerance as study
    from crankclock.studies.store import Store
    from crankclock.studies.work import Crew

    if output is not None:
        files.check_output(output, tolerance_files.SUFFIXES)
    start, end = rates({"--from": low, "--to": high})
    keep = output is not None and output.suffix.lower() in tolerance_files.SAMPLES
    wish = study.Wish(_count(samples), risk, seed, start, end, reading, units, keep)
    loaded = open_scenario(file, settings, root)
    study.check(loaded, wish)
    with contextlib.ExitStack() as stack:
        store = None if resume is None else stack.enter_context(Store(resume, study.header(loaded, wish)))
        crew = stack.enter_context(Crew(jobs, cluster, store, stack.enter_context(Told())))
        found = study.tolerance(loaded, wish, crew)
    if not found.whole:
        kept = f"; {resume} keeps what was done" if resume is not None else ""
        click.echo(f"interrupted{kept}", err=True)
    if output is not None and (found.whole or not keep):
        files.write_whole(output, tolerance_files.render(found, output.suffix.lower()))
    if as_json:
        click.echo(tolerance_data.as_json(found), nl=False)
    elif output is None or not found.whole:
        click.echo(tolerance_words.as_text(found), nl=False)
    else:
        click.echo(f"{tolerance_words.headline(found)[0]} Written to {output}.")
    if not found.whole:
        return UNFINISHED
    return OK if found.borne else FAILED


def _count(text: str) -> int:
    """A number of samples, plain or as a power of two such as 2^14."""
    power = re.fullmatch(r"2\^(\d{1,2})", text.strip())
    if power:
        return 1 << int(power[1])
    if re.fullmatch(r"\d{1,9}", text.strip()):
        return int(text)
    raise InputError([Problem("--samples", f'"{text[:60]}"', "a power of two, such as 2^14 or 16384")])
