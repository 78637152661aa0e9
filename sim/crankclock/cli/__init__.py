"""The command line: parse, call, print, and map one family of errors to an exit status."""

from __future__ import annotations

import logging
import os
import sys
import textwrap

import rich_click as click
from click.exceptions import Abort, Exit

from crankclock import __version__
from crankclock.cli import breakage, compare, gearing, helpers, judge, strokes, suggest, sweep, tolerance
from crankclock.cli.options import OK, OUR_FAULT, UNFINISHED, WRONG_INPUT
from crankclock.errors import CrankclockError, InputError, UnfinishedError

if os.environ.get("NO_COLOR"):
    click.rich_click.COLOR_SYSTEM = None

HINT = "\nA first step: crankclock new first.toml, then crankclock check first.toml."
CAUTION = "An aid to planning, not a release to run: bar it over by hand before power."


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


for command in (
    judge.check,
    judge.report,
    sweep.sweep,
    gearing.gearing,
    suggest.suggest,
    compare.compare,
    tolerance.tolerance,
    strokes.strokes,
    breakage.breakage,
    helpers.new,
    helpers.explain,
    helpers.thread,
    helpers.schema,
):
    cli.add_command(command)


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
