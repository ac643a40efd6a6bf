"""The program: the table of commands, and the only place that turns errors into exit status."""

from __future__ import annotations

import errno
import io
import os
import signal
import sys
from types import FrameType
from typing import NoReturn

import typer

from harness import __version__
from harness.commands.accept_unit import accept_unit
from harness.commands.calibrate import calibrate
from harness.commands.compare_runs import compare
from harness.commands.demo import demo
from harness.commands.devices import devices
from harness.commands.discharge import discharge
from harness.commands.duplexer import duplexer
from harness.commands.export_run import export
from harness.commands.field import field
from harness.commands.health import health
from harness.commands.import_recording import import_recording
from harness.commands.instruments import instruments
from harness.commands.levels import levels
from harness.commands.listen import listen
from harness.commands.measure import measure
from harness.commands.plain_help import PlainCommand, PlainProgram
from harness.commands.play import play
from harness.commands.record import record
from harness.commands.remeasure import remeasure
from harness.commands.report_run import report
from harness.commands.runs import runs
from harness.commands.self_check import self_check
from harness.commands.squelch import squelch
from harness.commands.verify_run import verify
from harness.errors import HarnessError, one_line

INTERRUPTED = 130
"""Exit status after Ctrl-C: 128 + SIGINT, the shell's custom."""

HELP = "Measure and judge FM repeaters, on the bench, simulated, or from recordings."

SELF_CHECK_HELP = """Measure the simulated bench against its settings.

Each reading is compared with what the simulated bench was set to. That checks the measuring code;
it says nothing of your receiver, its calibration or any other hardware.
"""

app = typer.Typer(
    name="harness",
    cls=PlainProgram,
    help=HELP,
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"harness {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True, help=HELP)
def root(
    context: typer.Context,
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Show the version and end."
    ),
) -> None:
    """Show the help where no command is given."""
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


app.command("demo", cls=PlainCommand)(demo)
app.command("accept", cls=PlainCommand)(accept_unit)
app.command("squelch", cls=PlainCommand)(squelch)
app.command("discharge", cls=PlainCommand)(discharge)
app.command("levels", cls=PlainCommand)(levels)
app.command("duplexer", cls=PlainCommand)(duplexer)
app.command("devices", cls=PlainCommand)(devices)
app.command("health", cls=PlainCommand)(health)
app.command("record", cls=PlainCommand)(record)
app.command("calibrate", cls=PlainCommand)(calibrate)
app.command("measure", cls=PlainCommand)(measure)
app.command("remeasure", cls=PlainCommand)(remeasure)
app.command("import", cls=PlainCommand)(import_recording)
app.command("report", cls=PlainCommand)(report)
app.command("verify", cls=PlainCommand)(verify)
app.command("compare", cls=PlainCommand)(compare)
app.command("runs", cls=PlainCommand)(runs)
app.command("export", cls=PlainCommand)(export)
app.command("field", cls=PlainCommand)(field)
app.command("instruments", cls=PlainCommand)(instruments)
app.command("play", cls=PlainCommand)(play)
app.command("listen", cls=PlainCommand)(listen)
app.command("self-check", cls=PlainCommand, help=SELF_CHECK_HELP)(self_check)

_STOPPED = "stopped; what was recorded is kept"


def main(other: typer.Typer | None = None, name: str = "harness") -> None:
    """Run the program and end the process with its exit status.

    Parameters
    ----------
    other, name : a script's own commands instead of the program's, and what it is started as

    Notes
    -----
    A closed terminal or a plain ``kill`` ends it like Ctrl-C: with RF off and what was recorded
    kept. Python by itself would end without either. Where ``nohup`` has it ignored, it stays so.
    """
    for number in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, _stop)
    _ready_streams()
    try:
        status = (other or app)(prog_name=name, standalone_mode=False)
        sys.stdout.flush()
    except HarnessError as error:
        _fail(str(error), error.exit_status)
    except (typer.Abort, KeyboardInterrupt):
        _fail(_STOPPED, INTERRUPTED)
    except typer.TyperException as error:
        _fail(_usage(error), 2)
    except BrokenPipeError:
        _abandon_output()
        sys.exit(0)
    except SystemExit as ended:
        # Nothing of ours ends so; ``rich`` does with 1 when nobody reads any more.
        sys.exit(0 if ended.code == 1 else ended.code)
    except MemoryError:
        _fail("the memory is full. Close other programs, or measure a shorter part (--span).", 3)
    except OSError as error:
        # With a file's name it is a defect: whoever opened that file ought to have told.
        if error.filename is not None or error.errno not in _OUTPUT_FAULTS:
            raise
        _abandon_output()
        reason = (error.strerror or "fault").lower()
        _fail(f"standard output: cannot be written ({reason}). Send it elsewhere.", 3)
    if status == INTERRUPTED:
        # The library takes Ctrl-C for itself, and tells by the status alone.
        _fail(_STOPPED, INTERRUPTED)
    sys.exit(status if isinstance(status, int) else 0)


_OUTPUT_FAULTS = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)


def _ready_streams() -> None:
    """Let any file name be printed, whatever the locale, and nothing be needed to print on."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _usage(error: typer.TyperException) -> str:
    context = getattr(error, "ctx", None)
    where = context.command_path if context else "harness"
    told = error.format_message().rstrip(".")
    for theirs, ours in _PLAINER:
        told = told.replace(theirs, ours)
    return f"{told}. Try {where} --help."


_PLAINER = (
    ("Input should be a valid number, unable to parse string as a number", "not a plain number"),
    ("Input should be a valid integer, unable to parse string as an integer", "not a whole number"),
)
"""What the library's checker of types says, and how it is said here."""


def _abandon_output() -> None:
    """Let what is still in the buffer of standard output go nowhere when the process ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _stop(number: int, _frame: FrameType | None) -> NoReturn:
    _fail(_STOPPED, 128 + number)


def _fail(line: str, status: int) -> NoReturn:
    sys.stderr.write(one_line(line) + "\n")
    sys.exit(status)
