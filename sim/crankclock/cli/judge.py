"""`check` and `report`: one cycle judged, printed or written."""

from __future__ import annotations

from pathlib import Path

import rich_click as click

from crankclock.cli.options import OK, checked, scenario_options, status
from crankclock.errors import InputError, Problem


@click.command()
@click.argument("file")
@scenario_options
@click.option("--json", "as_json", is_flag=True, help="Machine-readable on stdout, nothing else there.")
@click.option("--setup", "sheet", is_flag=True, help="The setting sheet only: switch angles, heights, what to look at.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file: .json .txt .png .svg.")
def check(
    file: str,
    sheet: bool,
    settings: tuple[str, ...],
    reading: str | None,
    units: str | None,
    root: Path | None,
    as_json: bool,
    output: Path | None,
) -> int:
    """Judge one cycle: verdict, findings, events."""
    from crankclock.report import data, files, setup_words, words

    if output is not None:
        files.check_output(output)
    if sheet and (as_json or (output is not None and output.suffix.lower() != ".txt")):
        given = "--json" if as_json else f'-o "{output}"'
        raise InputError([Problem("--setup", given, "no --json (it has the sheet anyway) and no file but a .txt")])
    result = checked(file, settings, reading, units, root)
    if sheet:
        text = setup_words.as_text(result)
        if output is None:
            click.echo(text, nl=False)
            return status(result.verdict)
        files.write_whole(output, text.encode())
    elif output is not None:
        files.write(result, output)
    if as_json:
        click.echo(data.as_json(result), nl=False)
    elif output is None:
        click.echo(words.as_text(result), nl=False)
    else:
        click.echo(f"{result.verdict}: written to {output}")
    return status(result.verdict)


@click.command()
@click.argument("file", required=False)
@scenario_options
@click.option("-o", "output", type=click.Path(path_type=Path), help="The file to write: .json .txt .png .svg.")
@click.option("--all", "folder", type=click.Path(path_type=Path), help="Write every shipped scenario's reports here.")
def report(
    file: str | None,
    settings: tuple[str, ...],
    reading: str | None,
    units: str | None,
    root: Path | None,
    output: Path | None,
    folder: Path | None,
) -> int:
    """Write the report of one scenario, or of every shipped one."""
    from crankclock.report import files
    from crankclock.scenario.files import shipped

    if (folder is None) == (file is None) or (folder is None) == (output is None):
        given = "both" if folder is not None else "neither"
        raise InputError([Problem("report", given, "either FILE with -o OUT, or --all DIR")])
    if folder is not None:
        checks = [checked(name, settings, reading, units, root) for name in shipped()]
        for below in files.write_all(checks, folder):
            click.echo(str(below))
        return OK
    assert file is not None
    assert output is not None
    files.check_output(output)
    result = checked(file, settings, reading, units, root)
    files.write(result, output)
    click.echo(f"{result.verdict}: written to {output}")
    return status(result.verdict)
