"""Help of a command in the words of the bench, without the names of Python types."""

from __future__ import annotations

from typing import Any

from typer.core import TyperCommand, TyperGroup

_TYPES = (("<str>", "NAME"), ("<int range>", "N"))
"""Options that name no metavar."""


class PlainCommand(TyperCommand):
    """A command whose help names an argument by its metavar alone."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments and options as two lists."""
        sections: dict[str, list[tuple[str, str]]] = {"argument": [], "option": []}
        for parameter in self.get_params(ctx):
            record = parameter.get_help_record(ctx)
            if record is None:
                continue
            name, text = record
            if parameter.param_type_name == "argument":
                name, text = name.partition(" <")[0], text.removesuffix("[required]").rstrip()
            else:
                for theirs, ours in _TYPES:
                    name = name.replace(theirs, ours)
            sections[parameter.param_type_name].append((name, text))
        for title, rows in sections.items():
            if rows:
                with formatter.section(f"{title.capitalize()}s"):
                    formatter.write_dl(rows)


class PlainProgram(TyperGroup):
    """The program, whose few options stand in the line of its usage: a screen is short.

    A command has a line of its own, in the order in which ``app.py`` adds it, with the first
    sentence of its docstring. Where a screen would be too small, two that belong together share
    a line: a row in ``TOGETHER``.
    """

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Name the options, then what follows."""
        return ["[-h | --help]", "[--version]", self.subcommand_metavar]

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write the commands alone."""
        self.format_commands(ctx, formatter)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write a line for each command, or for those that share one."""
        rows: list[tuple[str, str]] = []
        told: set[str] = set()
        for name in self.list_commands(ctx):
            command = self.get_command(ctx, name)
            if command is None or command.hidden or name in told:
                continue
            together, text = next((row for row in TOGETHER if name in row[0]), ((), ""))
            if together and all(self.get_command(ctx, other) for other in together):
                rows.append((", ".join(together), text))
                told.update(together)
            else:
                rows.append((name, command.get_short_help_str(formatter.width)))
        with formatter.section("Commands"):
            formatter.write_dl(rows)


TOGETHER: tuple[tuple[tuple[str, ...], str], ...] = (
    (("devices", "health"), "List receivers and instruments; look at receivers."),
    (("measure", "remeasure"), "Measure one take, or many recordings into a file each."),
    (("report", "verify"), "Write a run's report; check it and the recordings."),
    (("runs", "export"), "Find runs in a folder; write one as CSV, Parquet, JSON."),
    (("play", "listen"), "Play test tones on the sound card; record audio from it."),
)
"""Commands that share a line, and what it says of them in their order; a line must not fold at 80
columns. It stands where the first of them is added; while one is missing, each has its own."""
