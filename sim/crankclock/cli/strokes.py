"""`strokes`: many strokes in real time, with faults that strike."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.cli.options import FAILED, OK, UNFINISHED, scenario_options


@click.command()
@click.argument("file")
@scenario_options
@click.option("--strokes", "count", default=200, show_default=True, type=click.IntRange(1, 100_000), help="Of a run.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="FAULT",
    help='A fault, such as "misfeed-short@12=2 mm" (at stroke 12) or "tap-broken:m4~1e-3" (by chance, per stroke): '
    "misfeed-short, misfeed-long, late-feed, late-valve, tap-broken, spring-lost, stock-change, sensor-stuck-on, "
    "sensor-stuck-off, sensor-noisy. May be given several times.",
)
@click.option("--runs", default=1, show_default=True, type=click.IntRange(1, 1_000_000), help="How many, by chance.")
@click.option("--without-sensor", "without", multiple=True, metavar="NAME", help="Leave a sensor out.")
@click.option("--seed", default=0, show_default=True, type=click.IntRange(min=0), help="Of the random numbers.")
@click.option("--jobs", default=1, show_default=True, type=click.IntRange(1, 256), help="Processes to work with.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file: .txt .json, .csv: the log.")
def strokes(
    file: str,
    count: int,
    faults: tuple[str, ...],
    runs: int,
    without: tuple[str, ...],
    seed: int,
    jobs: int,
    settings: tuple[str, ...],
    reading: Any,
    units: Any,
    root: Path | None,
    as_json: bool,
    output: Path | None,
) -> int:
    """Many strokes in real time, with faults: what is seen, where the slide stops, what is hit, what gets past.

    Exit status 1 where a fault got past, was not stopped in time or never struck, or the cycle itself fails.
    """
    from crankclock.cli.progress import Told
    from crankclock.report import files, strokes_data, strokes_files, strokes_words
    from crankclock.scenario.load import open_scenario
    from crankclock.studies.strokes import strokes as study
    from crankclock.studies.strokes_runs import Wish
    from crankclock.studies.work import Crew

    if output is not None:
        files.check_output(output, strokes_files.SUFFIXES)
    wish = Wish(count, faults, runs, seed, without, reading, units)
    with Told() as told, Crew(jobs, progress=told) as crew:
        found = study(open_scenario(file, settings, root), wish, crew)
    if not found.whole:
        click.echo("interrupted", err=True)
    if output is not None:
        files.write_whole(output, strokes_files.render(found, output.suffix.lower()))
    if as_json:
        click.echo(strokes_data.as_json(found), nl=False)
    elif output is None:
        click.echo(strokes_words.as_text(found), nl=False)
    else:
        click.echo(f"{strokes_words.headline(found)[0]} Written to {output}.")
    if not found.whole:
        return UNFINISHED
    return OK if found.sound else FAILED
