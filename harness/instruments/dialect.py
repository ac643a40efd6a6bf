"""Which words an instrument understands: a small table of commands, as TOML."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, ValidationInfo

from harness.describe.document import Description, checked, nearest, read_toml, shown
from harness.describe.quantities import Name, Source, refuse, within
from harness.errors import BadInput

LONGEST_COMMAND = 200
VALUE = "{value}"
SHIPPED = Path(str(files("harness") / "data" / "dialects"))


def _command(text: str, info: ValidationInfo) -> str:
    if not text.strip() or not text.isascii() or not text.isprintable():
        refuse(f"{info.field_name} = {shown(text)} is no command; write one line of plain letters")
    if len(text) > LONGEST_COMMAND:
        refuse(f"{info.field_name} is longer than {LONGEST_COMMAND} characters")
    return text


def _question(text: str, info: ValidationInfo) -> str:
    if "?" not in _command(text, info):
        refuse(f"{info.field_name} = {shown(text)} has no question mark and would get no answer")
    return text


def _with_value(text: str, info: ValidationInfo) -> str:
    if _command(text, info).count(VALUE) != 1 or text.replace(VALUE, "").strip("{}") != (
        text.replace(VALUE, "")
    ):
        refuse(f"{info.field_name} = {shown(text)} needs {VALUE} once, where the number goes")
    return text


def _order(text: str, info: ValidationInfo) -> str:
    if "{" in _command(text, info):
        refuse(f"{info.field_name} = {shown(text)} takes no number")
    return text


Question = Annotated[str, AfterValidator(_question)]
WithValue = Annotated[str, AfterValidator(_with_value)]
Order = Annotated[str, AfterValidator(_order)]
Resolution = Annotated[float, AfterValidator(within(1e-9, 1e6, ""))]


class Asked(Description):
    """Something that is asked for, and where its command is written."""

    query: Question
    source: Source


class Ordered(Description):
    """Something that is sent once."""

    set: Order
    source: Source


class Setting(Description):
    """A number that is set and read back; ``resolution`` is what both may differ by."""

    set: WithValue
    query: Question
    resolution: Resolution
    source: Source

    def command(self, value: float) -> str:
        """Write the command that sets a value, a digit finer than it is read back to."""
        decimals = 0
        while self.resolution * 10.0**decimals < 1.0 - 1e-9:
            decimals += 1
        return self.set.replace(VALUE, f"{value:.{decimals + 1}f}")


class LevelSetting(Setting):
    """The level; ``least`` and ``greatest`` ask an instrument for its own range."""

    least: Question | None = None
    greatest: Question | None = None


class Switch(Description):
    """Something that is on or off, and read back."""

    on: Order
    off: Order
    query: Question
    source: Source


class GeneratorDialect(Description):
    """Commands of a generator; without ``fm``, ``deviation`` and ``tone`` it gives no FM."""

    prepare: tuple[Ordered, ...] = ()
    rf: Switch
    level: LevelSetting
    frequency: Setting
    fm: Switch | None = None
    deviation: Setting | None = None
    tone: Setting | None = None


class MeterDialect(Description):
    """Commands of a meter."""

    voltage: Asked | None = None
    current: Asked | None = None


class Dialect(Description):
    """The commands of an instrument, and where they are written."""

    name: Name
    source: Source
    identity: Asked | None = None
    errors: Asked | None = None
    generator: GeneratorDialect | None = None
    meter: MeterDialect | None = None


def shipped() -> tuple[str, ...]:
    """Names of the dialects that come with the program."""
    return tuple(sorted(path.stem for path in SHIPPED.glob("*.toml")))


def load_dialect(name: str | None, folder: Path | None = None) -> Dialect:
    """Read a dialect: one that comes with the program, or a TOML file.

    Parameters
    ----------
    name : one of ``shipped()``, or a path that ends in ``.toml``; None is SCPI-99
    folder : that a path is relative to; None is the folder one stands in

    Raises
    ------
    BadInput : there is none of that name, or a key is unknown, missing or wrong.
    """
    name = name or "scpi-99"
    if name.endswith(".toml"):
        path = (folder or Path()) / name
        return checked(Dialect, read_toml(path), str(path))
    known = shipped()
    if name in known:
        path = SHIPPED / f"{name}.toml"
        return checked(Dialect, read_toml(path), path.name)
    guess = nearest(name, known)
    hint = f"; did you mean {shown(guess)}?" if guess else f"; there is {', '.join(known)}"
    raise BadInput(f"{shown(name)} is no dialect{hint}", "dialect", "Or name a .toml file.")
