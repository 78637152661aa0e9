"""`breakage`: after a tap broke, the likeliest causes in order, and what to look at next."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.cli.options import FAILED, OK, scenario_options

SUFFIXES = (".txt", ".json", ".png", ".svg")


@click.command()
@click.argument("file")
@click.argument("case")
@scenario_options
@click.option("--pairs", is_flag=True, help="Also try two causes at once, each too little alone.")
@click.option("--steps", "by_step", is_flag=True, help="The failing cycle step by step; as a picture the die section.")
@click.option("--seed", default=0, show_default=True, type=click.IntRange(min=0), help="Echoed; nothing is drawn.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file: .txt .json .png .svg.")
def breakage(
    file: str,
    case: str,
    pairs: bool,
    by_step: bool,
    seed: int,
    settings: tuple[str, ...],
    reading: Any,
    units: Any,
    root: Path | None,
    as_json: bool,
    output: Path | None,
) -> int:
    """Why a tap broke: causes ranked against what was found, and what to look at next.

    CASE is a case file (crankclock new --case FILE writes one) or the name of a shipped one.
    """
    from crankclock.cli.progress import Told
    from crankclock.report import breakage_data, breakage_files, breakage_words, files
    from crankclock.scenario.load import open_scenario
    from crankclock.studies.breakage import breakage as study
    from crankclock.studies.breakage_steps import steps

    if output is not None:
        files.check_output(output, SUFFIXES)
    loaded = open_scenario(file, settings, root)
    with Told() as told:
        found = study(loaded, case, reading, units, pairs, seed, told)
    ran = steps(found.cycles[0], found.lead) if by_step and found.lead is not None else None
    if output is not None:
        files.write_whole(output, breakage_files.render(found, ran, output.suffix.lower()))
    if as_json:
        click.echo(breakage_data.as_json(found, ran), nl=False)
    elif output is None:
        click.echo(breakage_words.as_text(found, ran), nl=False)
    else:
        click.echo(f"{breakage_words.headline(found)} Written to {output}.")
    return OK if found.explained else FAILED
