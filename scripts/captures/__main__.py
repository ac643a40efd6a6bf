"""``./scripts/capture NAME OPTIONS``: the scripts of this folder, each a command."""

import importlib
from pathlib import Path

import typer

from harness.commands.app import main
from harness.commands.plain_help import PlainCommand
from scripts.captures import taking

NOT_SCRIPTS = ("__main__", taking.__name__.rpartition(".")[2])
app = typer.Typer(
    help="Make takes on a bench, the simulated one unless told. A script of your own beside these"
    " in scripts/captures is a command too: copy one and change it.",
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
)


@app.callback(invoke_without_command=True)
def root(context: typer.Context) -> None:
    """Show the help where no script is named."""
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


for file in sorted(Path(__file__).parent.glob("*.py")):
    if file.stem not in NOT_SCRIPTS:
        script = importlib.import_module(f"scripts.captures.{file.stem}")
        app.command(file.stem, cls=PlainCommand, help=script.__doc__)(script.capture)

if __name__ == "__main__":
    main(app, "capture")
