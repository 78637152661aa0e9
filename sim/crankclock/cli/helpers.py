"""`new`, `explain`, `thread`, `schema`: what helps with writing a scenario."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import rich_click as click

from crankclock.cli.options import OK, UNITS
from crankclock.errors import InputError, Problem


@click.command()
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--title", default="My first scenario", show_default=True)
@click.option("--case", is_flag=True, help="A case file for breakage instead: what was found after a tap broke.")
def new(path: Path, title: str, case: bool) -> int:
    """Write a commented starter scenario that passes, to change to your own."""
    from crankclock.report.files import write_whole
    from crankclock.scenario.case_starter import CASE_STARTER
    from crankclock.scenario.starter import starter

    if path.exists():
        raise InputError([Problem("PATH", f'"{path}"', "a file that is not there yet: nothing is overwritten")])
    if path.suffix != ".toml" or not path.parent.is_dir():
        raise InputError([Problem("PATH", f'"{path}"', "a name ending in .toml, in a folder that exists")])
    write_whole(path, (CASE_STARTER if case else starter(title)).encode())
    click.echo(f"{path} written. Next: crankclock {'breakage SCENARIO' if case else 'check'} {path}")
    return OK


@click.command()
@click.argument("key")
def explain(key: str) -> int:
    """Tell what a KEY of the scenario means, what it takes, and its default; "case.KEY" is one of a case file."""
    from crankclock.scenario import case_describe, describe

    of_case = key == "case" or key.startswith("case.")
    text = case_describe.explain_case(key[5:]) if of_case else describe.explain(key)
    for line in text.splitlines():
        indent = line[: len(line) - len(line.lstrip())]
        click.echo(textwrap.fill(line, 80, subsequent_indent=indent + "    "))
    return OK


@click.command()
@click.argument("designation", metavar="THREAD")
@click.option("--kind", type=click.Choice(["cut", "form"]), help="Kind of tap; both by default.")
@click.option("--percent", type=float, help="Percent of thread wanted, 40 to 100.")
@click.option("--hole", help='Tap hole at hand, such as "4.6 mm": what percent it leaves.')
@click.option("--length", help="Length of full thread wanted: how high an extruded hole must be.")
@click.option("--thickness", help="Strip thickness: what an extruded hole can give.")
@click.option("--units", type=UNITS, help="How to report; the thread's own by default.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
def thread(designation: str, units: Any, as_json: bool, **wanted: Any) -> int:
    """Tell the sizes of a THREAD, its tap hole, the extruded hole for it, and tap chamfers."""
    from crankclock.report import thread_words
    from crankclock.scenario.thread_request import thread_figures

    figures = thread_figures(designation, **wanted)
    click.echo(thread_words.as_json(figures) if as_json else thread_words.as_text(figures, units), nl=False)
    return OK


@click.command()
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file instead of stdout.")
@click.option("--case", is_flag=True, help="That of case files instead.")
def schema(output: Path | None, case: bool) -> int:
    """Write the JSON Schema of scenario files."""
    from crankclock.report.files import write_whole
    from crankclock.scenario.case_describe import case_schema_text
    from crankclock.scenario.describe import json_schema_text

    text = case_schema_text() if case else json_schema_text()
    if output is None:
        click.echo(text, nl=False)
    else:
        write_whole(output, text.encode())
        click.echo(str(output))
    return OK
