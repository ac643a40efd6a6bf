"""A TOML file in, plain tables out, and whatever is wrong with it in one line.

This file is the border to ``tomllib`` and to pydantic's errors: nothing above it sees either.
"""

from __future__ import annotations

import difflib
import json
import math
import tomllib
import types
import typing
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from harness.errors import BadInput

LARGEST_FILE_BYTES = 1_000_000
"""Chosen: a thousand times a usual description; more is another file given by mistake."""
LARGEST_INTEGER_BITS = 100
"""Chosen: far above every quantity here, and still a finite float."""
AGAIN = "Correct it and run again."


class Description(BaseModel):
    """A table of a description: frozen, and every key known."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, populate_by_name=True
    )

    def plain(self) -> dict[str, Any]:
        """Give its keys as plain text, numbers, lists and tables; dates as text.

        What nobody declared has no key; what has a usual value stands with it.
        """
        return self.model_dump(mode="json", by_alias=True, exclude_none=True)


Model = TypeVar("Model", bound=Description)


def engineering(value: float) -> str:
    """Write a number as people do: 153.825e6 rather than 153825000.0."""
    if not math.isfinite(value) or abs(value) < 1e5:
        return f"{value:.12g}"
    exponent = 3 * int(math.log10(abs(value)) // 3)
    return f"{value / 10.0**exponent:.12g}e{exponent}"


def shown(value: object) -> str:
    """Write a value as it would stand in TOML, on one line and not too long."""
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, bool | str):
        text = json.dumps(value, ensure_ascii=False)
        text = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    elif isinstance(value, int) and value.bit_length() > LARGEST_INTEGER_BITS:
        return "a number of too many digits"
    elif isinstance(value, int | float):
        text = engineering(value)
    else:
        text = str(value)
    return text if len(text) <= 60 else f"{text[:56]} ..."


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Give the known word that is most like this one, or None when none is."""
    lowered = {name.lower(): name for name in known}
    found = difflib.get_close_matches(word.lower(), list(lowered), n=1, cutoff=0.6)
    return lowered[found[0]] if found else None


def read_bytes(path: Path | str, largest_bytes: int, kind: str) -> bytes:
    """Read a small file whole; ``kind`` says in errors what it ought to be.

    Raises
    ------
    BadInput : no such file, no file but a folder, it cannot be read, or it is too large.
    """
    where = str(path)
    file = Path(path)
    try:
        if file.is_dir():
            raise BadInput("is a folder", where, "Give the file in it.")
        if not file.exists():
            raise BadInput("there is no such file", where, "Check the name and run again.")
        if not file.is_file():
            raise BadInput("is not a plain file", where, f"Give a {kind} file.")
        with file.open("rb") as stream:
            content = stream.read(largest_bytes + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BadInput(f"cannot be read: {reason}", where, "Check the name and its rights.") from (
            error
        )
    if len(content) > largest_bytes:
        raise BadInput(
            f"is larger than {largest_bytes} bytes and no description",
            where,
            f"Give the {kind} file.",
        )
    return content


def read_toml(path: Path | str) -> dict[str, Any]:
    """Read a TOML file.

    Parameters
    ----------
    path : file in UTF-8, with or without a byte order mark

    Returns
    -------
    dict : as ``tomllib`` gives it

    Raises
    ------
    BadInput : no such file, no file but a folder, too large, empty, not UTF-8 or not TOML.
    """
    where = str(path)
    content = read_bytes(path, LARGEST_FILE_BYTES, "TOML")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadInput(
            f"is not UTF-8 text (byte {error.start})", where, "Save it as UTF-8 and run again."
        ) from error
    if not text.strip():
        raise BadInput("is empty", where, "Write the description into it.")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise BadInput("is not TOML: nested too deeply", where, AGAIN) from error
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"is not TOML: {error}", where, AGAIN) from error
    except ValueError as error:
        # The interpreter's own limit on the digits of a whole number.
        raise BadInput("holds a number of too many digits", where, AGAIN) from error


def checked(model: type[Model], table: Mapping[str, Any], where: str) -> Model:
    """Make the description of a table.

    Parameters
    ----------
    model : what the table describes
    table : as read from TOML
    where : str, the file's name, for the error

    Raises
    ------
    BadInput : the first thing that is wrong; an unknown key before all else, because a
        misspelt key is also a missing one.
    """
    try:
        return model.model_validate(_frozen(table))
    except RecursionError as error:
        raise BadInput("is nested too deeply for a description", where, AGAIN) from error
    except ValidationError as error:
        problems = error.errors(include_url=False)
        first = min(problems, key=lambda problem: problem["type"] != "extra_forbidden")
        what = _sentence(model, table, first)
        raise BadInput(what, where, AGAIN) from error


def _frozen(value: Any) -> Any:
    """Turn lists into tuples, as frozen descriptions hold them."""
    if isinstance(value, Mapping):
        return {key: _frozen(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return tuple(_frozen(inner) for inner in value)
    return value


_WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": 'text in "quotes"',
    "bool_type": "true or false",
    "date_type": "a date like 2026-11-20",
    "tuple_type": "a list",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dict_type": "a table",
}


def _sentence(model: type[Description], table: Mapping[str, Any], problem: Any) -> str:
    """Say what is wrong: table, key, what it is and what it ought to be."""
    kind: str = problem["type"]
    path: tuple[str | int, ...] = tuple(problem["loc"])
    value: Any = problem.get("input")
    if kind == "own":
        place = _place(table, path)
        return f"{place}{problem['msg']}"
    if not path:
        return str(problem["msg"])
    key = str(path[-1])
    place = _place(table, path[:-1])
    if kind == "extra_forbidden":
        known = _keys(model, path[:-1])
        guess = nearest(key, known)
        hint = f"did you mean {shown(guess)}?" if guess else f"known here: {', '.join(known)}"
        return f"{place}has the unknown key {shown(key)}; {hint}"
    if kind == "missing":
        return f"{place}has no {shown(key)}"
    name = f"number {path[-1] + 1}" if isinstance(path[-1], int) else key
    if isinstance(path[-1], int):
        place, name = _place(table, path[:-2]), f"{path[-2]} number {path[-1] + 1}"
    if kind in ("float_type", "int_type") and isinstance(value, str) and _is_number(value):
        return f"{place}{name} = {shown(value)} is text; write it without quotes"
    if kind == "literal_error":
        words = problem["ctx"]["expected"].replace("'", '"')
        options = [word.strip('"') for word in words.replace(" or ", ", ").split(", ")]
        guess = nearest(value, options) if isinstance(value, str) else None
        hint = f"; did you mean {shown(guess)}?" if guess else f"; it is {words}"
        return f"{place}{name} = {shown(value)} is unknown{hint}"
    if kind == "finite_number":
        return f"{place}{name} = {shown(value)} is not a finite number"
    if kind in _WANTED:
        bare = isinstance(value, Mapping | list | tuple) or shown(value).startswith("a number")
        verb = f"is {shown(value)}," if bare else f"= {shown(value)} is"
        return f"{place}{name} {verb} not {_WANTED[kind]}"
    return f"{place}{name} = {shown(value)}: {problem['msg']}"


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _place(table: Mapping[str, Any], path: tuple[str | int, ...]) -> str:
    """Name a table as it stands in the file: ``[output]``, ``[[output.path]] number 2``."""
    names: list[str] = []
    number: int | None = None
    inner: Any = table
    for step in path:
        try:
            following = inner[step]
        except (KeyError, IndexError, TypeError):
            break
        if not isinstance(following, Mapping | list | tuple):
            break
        inner = following
        if isinstance(step, int):
            number = step + 1
        else:
            names.append(step)
            number = None
    if not names:
        return ""
    dotted = ".".join(names)
    return f"[[{dotted}]] number {number} " if number is not None else f"[{dotted}] "


def _keys(model: type[Description], path: tuple[str | int, ...]) -> list[str]:
    """Keys that a table may have, found by walking the models along the path."""
    for step in path:
        if isinstance(step, int):
            continue
        for name, field in model.model_fields.items():
            if step in (name, field.alias):
                found = _model_in(field.annotation)
                if found is not None:
                    model = found
                break
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_in(annotation: Any) -> type[Description] | None:
    """Find the description inside ``X``, ``X | None`` or ``tuple[X, ...]``."""
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return annotation if issubclass(annotation, Description) else None
    for argument in typing.get_args(annotation):
        found = _model_in(argument)
        if found is not None:
            return found
    return None
