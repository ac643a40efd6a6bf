"""Emission masks: by name of the rule or from a user's file, and what they ask for at an offset.

A mask file is TOML. Either ``segments`` with formulas, written as the rule prints them (``fd``
the offset in kHz, ``B`` the authorised bandwidth in kHz, ``P`` the power in W, ``log`` to base
10, ``min``, ``max``), each from just over one offset up to and with another; or ``points`` with
straight lines between. A mask is the same on both sides of the channel.
"""

from __future__ import annotations

import ast
import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, Self

import numpy as np
from pydantic import model_validator

from harness.describe.document import AGAIN, Description, checked, nearest, read_toml, shown
from harness.describe.quantities import Name, Source, refuse
from harness.errors import BadInput
from harness.units import FloatArray

Reference = Literal["unmodulated carrier", "highest emission"]
Detector = Literal["mean", "peak hold"]

LONGEST_FORMULA = 200
LEAST_RESOLUTION_HZ, MOST_RESOLUTION_HZ = 10.0, 10e3


class FormulaSegment(Description):
    """From just over one offset up to and with another: a formula of fd, B and P."""

    over_khz: Name
    to_khz: Name = "inf"
    attenuation_db: Name

    @model_validator(mode="after")
    def _readable(self) -> Self:
        for key, allowed in (("over_khz", "BP"), ("to_khz", "BP"), ("attenuation_db", "fdBP")):
            text: str = getattr(self, key)
            names = {"fd": 1.0, "B": 1.0, "P": 1.0}
            if allowed == "BP":
                del names["fd"]
            try:
                evaluate(text, names)
            except FormulaError as error:
                refuse(f"{key} = {shown(text)} {error}")
        return self


class Point(Description):
    """Attenuation at one offset."""

    offset_hz: float
    attenuation_db: float


class MaskFile(Description):
    """A mask as it stands in its file."""

    name: Name
    source: Source
    reference: Reference
    detector: Detector
    resolution_hz: float
    resolution_source: Source = "chosen"
    reach_beyond_edge_khz: float | None = None
    reach_source: Source = "chosen"
    segments: tuple[FormulaSegment, ...] = ()
    points: tuple[Point, ...] = ()

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if not LEAST_RESOLUTION_HZ <= self.resolution_hz <= MOST_RESOLUTION_HZ:
            refuse(
                f"resolution_hz = {self.resolution_hz:g} is outside {LEAST_RESOLUTION_HZ:g} to"
                f" {MOST_RESOLUTION_HZ:g} Hz"
            )
        if bool(self.segments) == bool(self.points):
            refuse("a mask has either segments or points")
        if len(self.points) == 1:
            refuse("points has one point; a line takes two")
        offsets = [point.offset_hz for point in self.points]
        if any(b < a for a, b in itertools.pairwise(offsets)) or min(offsets, default=0.0) < 0.0:
            refuse("the offsets of points must not be negative and must rise")
        return self

    def names(self) -> set[str]:
        """Give the names out of fd, B, P that the formulas use."""
        texts = [text for s in self.segments for text in (s.over_khz, s.to_khz, s.attenuation_db)]
        return {
            node.id
            for text in texts
            for node in ast.walk(ast.parse(text.replace("^", "**"), mode="eval"))
            if isinstance(node, ast.Name)
        } & {"fd", "B", "P"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mask:
    """A mask for one transmitter: power and authorised bandwidth filled in.

    ``power_w`` and ``bandwidth_hz`` are None where the mask does not ask for them.
    ``reach_hz`` is how far from the middle it is judged, infinite where nothing is said.
    """

    file: MaskFile
    power_w: float | None
    bandwidth_hz: float | None
    reach_hz: float

    def borders_khz(self) -> tuple[float, ...]:
        """Where its segments begin and end."""
        names = self._names()
        return tuple(
            float(evaluate(text, names))
            for segment in self.file.segments
            for text in (segment.over_khz, segment.to_khz)
        )

    def _names(self) -> dict[str, Any]:
        return {"P": self.power_w, "B": (self.bandwidth_hz or 0.0) / 1e3}

    def attenuation_db(self, offset_hz: FloatArray) -> FloatArray:
        """Attenuation that is asked for at offsets from the middle of the channel.

        Parameters
        ----------
        offset_hz : float64, any shape; either side

        Returns
        -------
        float64, same shape, dB, at least 0; NaN where the mask says nothing
        """
        offset = np.abs(np.asarray(offset_hz, dtype=np.float64))
        given = np.full(offset.shape, np.nan)
        if self.file.points:
            places = [point.offset_hz for point in self.file.points]
            levels = [point.attenuation_db for point in self.file.points]
            inside = (offset >= places[0]) & (offset <= places[-1])
            given[inside] = np.interp(offset[inside], places, levels)
            return given
        names = self._names()
        # A tenth of a millihertz: an offset on a border is not moved over it by rounding.
        offset_khz = np.round(offset / 1e3, 7)
        for segment in self.file.segments:
            low, high = evaluate(segment.over_khz, names), evaluate(segment.to_khz, names)
            # The first segment holds its lower border too: nothing stands below it.
            inside = (offset_khz > low) & (offset_khz <= high)
            if segment is self.file.segments[0]:
                inside |= offset_khz == low
            with np.errstate(all="ignore"):
                values = evaluate(segment.attenuation_db, {**names, "fd": offset_khz[inside]})
                given[inside] = np.maximum(values, 0.0)
        return given


def mask_names() -> tuple[str, ...]:
    """Names of the shipped masks."""
    folder = files("harness") / "data" / "masks"
    return tuple(sorted(item.name.removesuffix(".toml") for item in folder.iterdir()))


def load_mask(name: str) -> MaskFile:
    """Read a mask by the name of its rule, or from a TOML file.

    Raises
    ------
    BadInput : no such mask, or its file is not one.
    """
    known = {shipped.lower(): shipped for shipped in mask_names()}
    shipped = known.get(name.lower())
    if shipped is not None:
        path = files("harness") / "data" / "masks" / f"{shipped}.toml"
        return checked(MaskFile, read_toml(Path(str(path))), shipped)
    if name.lower().endswith(".toml") or Path(name).exists():
        return checked(MaskFile, read_toml(name), name)
    guess = nearest(name, known.values())
    hint = f"; did you mean {guess}?" if guess else ""
    raise BadInput(
        f"no mask {shown(name)}{hint}",
        "--mask",
        f"Choose one of {', '.join(known.values())}, or name a TOML file.",
    )


def mask_for(file: MaskFile, *, power_w: float | None, bandwidth_hz: float | None) -> Mask:
    """Fill in what a mask's formulas ask for.

    Parameters
    ----------
    power_w : rated power of the transmitter, above 0, or None when nobody said
    bandwidth_hz : authorised bandwidth of the channel, or None where no rule states one

    Raises
    ------
    BadInput : the mask needs what is not known, or has no value there.
    """
    needed = file.names()
    if "P" in needed and power_w is None:
        raise BadInput(
            f"mask {file.name} depends on the transmitter's power",
            "--mask",
            "Give --power W, or a unit file with rated_power_w.",
        )
    beyond_khz = file.reach_beyond_edge_khz
    if bandwidth_hz is None and ("B" in needed or beyond_khz is not None):
        raise BadInput(
            f"mask {file.name} depends on the authorised bandwidth, which no rule states for this"
            " spacing",
            "--mask",
            "Give --spacing 6250, 12500, 20000 or 25000, or a mask of points.",
        )
    reach_hz = math.inf
    if beyond_khz is not None and bandwidth_hz is not None:
        reach_hz = bandwidth_hz / 2.0 + 1e3 * beyond_khz
    mask = Mask(
        file=file,
        power_w=power_w if "P" in needed else None,
        bandwidth_hz=bandwidth_hz,
        reach_hz=reach_hz,
    )
    try:
        mask.attenuation_db(np.array([1.0, 1e4]))
        mask.borders_khz()
    except FormulaError as error:
        raise BadInput(
            f"a formula of it {error} at this power and bandwidth", file.name, AGAIN
        ) from error
    return mask


class FormulaError(ValueError):
    """A formula that cannot be read; the text goes on from the formula."""


_OPERATORS: dict[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: lambda a, b: a + b,
    ast.Sub: lambda a, b: a - b,
    ast.Mult: lambda a, b: a * b,
    ast.Div: lambda a, b: a / b,
    ast.Pow: lambda a, b: a**b,
}


def evaluate(formula: str, names: Mapping[str, Any]) -> Any:
    """Work out a formula: numbers, the given names, + - * / ^, log, min, max and inf.

    Parameters
    ----------
    formula : str, such as ``min(29*log(fd^2/11), 50)``
    names : what may stand in it, to numbers or arrays

    Raises
    ------
    FormulaError : anything else stands in it.
    """
    if len(formula) > LONGEST_FORMULA:
        raise FormulaError("is too long for a formula")
    try:
        tree = ast.parse(formula.replace("^", "**").strip(), mode="eval")
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise FormulaError("is no formula") from None
    return _value(tree.body, names)


def _value(node: ast.expr, names: Mapping[str, Any]) -> Any:
    match node:
        case ast.Constant(value=int() | float() as number) if not isinstance(number, bool):
            return float(number)
        case ast.Name(id="inf"):
            return math.inf
        case ast.Name(id=name) if name in names:
            return names[name]
        case ast.Name(id=name):
            raise FormulaError(f"holds {name}; known: {', '.join(names)}")
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            return -_value(operand, names)
        case ast.BinOp(left=left, op=sign, right=right) if type(sign) in _OPERATORS:
            first, second = _value(left, names), _value(right, names)
            try:
                return _OPERATORS[type(sign)](first, second)
            except (ZeroDivisionError, OverflowError):
                raise FormulaError("has no finite value") from None
        case ast.Call(func=ast.Name(id="log"), args=[argument], keywords=[]):
            with np.errstate(divide="ignore", invalid="ignore"):
                return np.log10(_value(argument, names))
        case ast.Call(func=ast.Name(id="min" | "max" as which), args=[_, *_] as several):
            values = [_value(argument, names) for argument in several]
            pick = np.minimum if which == "min" else np.maximum
            least = values[0]
            for other in values[1:]:
                least = pick(least, other)
            return least
    raise FormulaError("holds more than numbers, fd, B, P, + - * / ^, log, min and max")
