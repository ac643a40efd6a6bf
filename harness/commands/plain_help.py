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
    """The program, whose few options stand in the line of its usage: a screen is short."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Name the options, then what follows."""
        return ["[-h | --help]", "[--version]", self.subcommand_metavar]

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write the commands alone."""
        self.format_commands(ctx, formatter)
