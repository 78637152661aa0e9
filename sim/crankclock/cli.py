"""The command line: parse, call, print, and map one family of errors to an exit status."""

from __future__ import annotations

import logging
import os
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

import rich_click as click
from click.exceptions import Abort, Exit

from crankclock import __version__
from crankclock.errors import CrankclockError, InputError, Problem, UnfinishedError

if os.environ.get("NO_COLOR"):
    click.rich_click.COLOR_SYSTEM = None

OK, FAILED, WRONG_INPUT, UNFINISHED, OUR_FAULT = 0, 1, 2, 3, 4
UNITS = click.Choice(["metric", "inch"])
READINGS = click.Choice(["hand", "rigid", "running"])
HINT = "\nA first step: crankclock new first.toml, then crankclock check first.toml."
CAUTION = "An aid to planning, not a release to run: bar it over by hand before power."


def _scenario_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options every command that reads a scenario takes."""
    for option in (
        click.option("--root", type=click.Path(path_type=Path), help="Folder that used files must lie in."),
        click.option("--units", type=UNITS, help="How to report; the scenario's own by default."),
        click.option(
            "--reading",
            type=READINGS,
            help="How to read the cycle; running by default where the scenario has the data, else rigid.",
        ),
        click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Override a key."),
    ):
        command = option(command)
    return command


@click.group(invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="crankclock")
@click.option("-v", "--verbose", is_flag=True, help="Log to stderr; show the traceback of our own faults.")
@click.pass_context
def cli(context: click.Context, verbose: bool) -> None:
    """Times one press cycle of tapping inside a progressive die, and says what collides with what, and when.

    FILE is a scenario file or the name of a shipped scenario.
    """
    logging.basicConfig(stream=sys.stderr, level=logging.DEBUG if verbose else logging.WARNING)
    logging.getLogger("matplotlib").setLevel(logging.WARNING)
    if context.invoked_subcommand is None:
        from crankclock.scenario.files import shipped

        click.echo(context.get_help())
        names = textwrap.fill(
            f"Shipped scenarios: {', '.join(shipped())}.", 80, subsequent_indent="  ", break_on_hyphens=False
        )
        click.echo("\n".join([HINT, names, CAUTION]))


def _checked(file: str, settings: tuple[str, ...], reading: Any, units: Any, root: Path | None) -> Any:
    """Judge a scenario, with every way the command itself can be wrong told first."""
    from crankclock.api import check

    return check(file, *settings, reading=reading, units=units, root=root)


def _status(verdict: str) -> int:
    return OK if verdict in ("pass", "tight") else FAILED


@cli.command()
@click.argument("file")
@_scenario_options
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
    result = _checked(file, settings, reading, units, root)
    if sheet:
        text = setup_words.as_text(result)
        if output is None:
            click.echo(text, nl=False)
            return _status(result.verdict)
        files.write_whole(output, text.encode())
    elif output is not None:
        files.write(result, output)
    if as_json:
        click.echo(data.as_json(result), nl=False)
    elif output is None:
        click.echo(words.as_text(result), nl=False)
    else:
        click.echo(f"{result.verdict}: written to {output}")
    return _status(result.verdict)


@cli.command()
@click.argument("file", required=False)
@_scenario_options
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
        checks = [_checked(name, settings, reading, units, root) for name in shipped()]
        for below in files.write_all(checks, folder):
            click.echo(str(below))
        return OK
    assert file is not None
    assert output is not None
    files.check_output(output)
    result = _checked(file, settings, reading, units, root)
    files.write(result, output)
    click.echo(f"{result.verdict}: written to {output}")
    return _status(result.verdict)


@cli.command()
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--title", default="My first scenario", show_default=True)
def new(path: Path, title: str) -> int:
    """Write a commented starter scenario that passes, to change to your own."""
    from crankclock.report.files import write_whole
    from crankclock.scenario.starter import starter

    if path.exists():
        raise InputError([Problem("PATH", f'"{path}"', "a file that is not there yet: nothing is overwritten")])
    if path.suffix != ".toml" or not path.parent.is_dir():
        raise InputError([Problem("PATH", f'"{path}"', "a name ending in .toml, in a folder that exists")])
    write_whole(path, starter(title).encode())
    click.echo(f"{path} written. Next: crankclock check {path}")
    return OK


@cli.command()
@click.argument("key")
def explain(key: str) -> int:
    """Tell what a KEY of the scenario means, what it takes, and its default."""
    from crankclock.scenario import describe

    for line in describe.explain(key).splitlines():
        indent = line[: len(line) - len(line.lstrip())]
        click.echo(textwrap.fill(line, 80, subsequent_indent=indent + "    "))
    return OK


@cli.command()
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


@cli.command()
@click.option("-o", "output", type=click.Path(path_type=Path), help="Write to a file instead of stdout.")
def schema(output: Path | None) -> int:
    """Write the JSON Schema of scenario files."""
    from crankclock.report.files import write_whole
    from crankclock.scenario.describe import json_schema_text

    if output is None:
        click.echo(json_schema_text(), nl=False)
    else:
        write_whole(output, json_schema_text().encode())
        click.echo(str(output))
    return OK


def run(arguments: list[str]) -> int:
    """Run a command and give its exit status."""
    verbose = [each for each in arguments if each in ("-v", "--verbose")]
    arguments = [*verbose[:1], *(each for each in arguments if each not in verbose)]
    try:
        result = cli.main(arguments, prog_name="crankclock", standalone_mode=False)
        sys.stdout.flush()
        return result if isinstance(result, int) else OK
    except InputError as wrong:
        click.echo(str(wrong), err=True)
        return WRONG_INPUT
    except UnfinishedError as wrong:
        click.echo(str(wrong), err=True)
        return UNFINISHED
    except CrankclockError as wrong:
        click.echo(str(wrong), err=True)
        return OUR_FAULT
    except Exit as done:
        return done.exit_code
    except click.ClickException as wrong:
        wrong.show()
        return WRONG_INPUT
    except (KeyboardInterrupt, Abort):
        click.echo("interrupted", err=True)
        return UNFINISHED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return UNFINISHED
    except OSError as wrong:
        click.echo(f"could not finish: {wrong.strerror or wrong}", err=True)
        return UNFINISHED
    except Exception as wrong:
        if verbose:
            raise
        click.echo(f"crankclock itself failed ({type(wrong).__name__}: {wrong}). Nothing it printed counts.", err=True)
        click.echo("Please report it, with the scenario, to the project's issue tracker; -v shows more.", err=True)
        return OUR_FAULT


def main() -> None:
    """Entry point of the `crankclock` command."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(encoding="utf-8", errors="backslashreplace")
    sys.exit(run(sys.argv[1:]))
