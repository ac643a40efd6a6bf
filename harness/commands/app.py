"""The program: the table of commands, and the only place that turns errors into exit status."""

from __future__ import annotations

import sys

import click
import typer

from harness import __version__
from harness.commands.compare_runs import compare
from harness.commands.demo import demo
from harness.commands.import_recording import import_recording
from harness.commands.measure import measure
from harness.commands.report_run import report
from harness.commands.self_check import self_check
from harness.errors import HarnessError

INTERRUPTED = 130
"""Exit status after Ctrl-C: 128 + SIGINT, the shell's custom."""

app = typer.Typer(
    name="harness",
    help="Record, measure and judge FM repeaters on software-defined radio.",
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"harness {__version__}")
        raise typer.Exit


@app.callback(no_args_is_help=True)
def root(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Show the version and end."
    ),
) -> None:
    """Record, measure and judge FM repeaters on software-defined radio."""


app.command("demo")(demo)
app.command("measure")(measure)
app.command("import")(import_recording)
app.command("report")(report)
app.command("compare")(compare)
app.command("self-check")(self_check)


def main() -> None:
    """Run the program and end the process with its exit status."""
    try:
        status = app(standalone_mode=False)
    except HarnessError as error:
        _fail(str(error), error.exit_status)
    except click.exceptions.Abort:
        _fail("stopped; what was recorded is kept", INTERRUPTED)
    except KeyboardInterrupt:
        _fail("stopped; what was recorded is kept", INTERRUPTED)
    except click.UsageError as error:
        where = error.ctx.command_path if error.ctx else "harness"
        _fail(f"{error.format_message().rstrip('.')}. Try {where} --help.", 2)
    except click.ClickException as error:
        _fail(error.format_message(), 2)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    sys.exit(status if isinstance(status, int) else 0)


def _fail(line: str, status: int) -> None:
    sys.stderr.write(" ".join(line.split()) + "\n")
    sys.exit(status)
