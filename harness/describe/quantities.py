"""Numbers and names of descriptions: their ranges, and a word when the prefix is off."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, NoReturn

from pydantic import AfterValidator, ValidationInfo
from pydantic_core import PydanticCustomError

from harness.describe.document import engineering, shown

LONGEST_SOURCE = 400
LONGEST_NAME = 80
"""Chosen: a name fits a line of a report."""


def refuse(sentence: str) -> NoReturn:
    """Refuse a value from within a model, in our own words (braces are only braces)."""
    raise PydanticCustomError("own", "{sentence}", {"sentence": sentence})


def within(
    low: float, high: float, unit: str, prefixes: tuple[tuple[str, int], ...] = ()
) -> Callable[[float, ValidationInfo], float]:
    """Make the check of a number.

    Parameters
    ----------
    low, high : ends of the range, both allowed
    unit : str, for the error; "" for a plain number
    prefixes : (name, power of ten) of what somebody may have written it in by mistake
    """
    reach = f"{engineering(low)} to {engineering(high)}{' ' if unit else ''}{unit}"

    def check(value: float, info: ValidationInfo) -> float:
        key = info.field_name
        if low <= value <= high:
            return value
        for name, power in prefixes:
            if low <= value * 10.0**power <= high:
                refuse(f"{key} = {value:.12g} looks like {name}; write {value:.12g}e{power}")
        refuse(f"{key} = {shown(value)} is outside {reach}")

    return check


def _one_line(value: str, info: ValidationInfo) -> str:
    key = info.field_name
    if not value.strip():
        refuse(f"{key} is empty")
    if len(value) > LONGEST_NAME:
        refuse(f"{key} is longer than {LONGEST_NAME} characters")
    if not value.isprintable():
        refuse(f"{key} = {shown(value)} holds a line break or another unprintable character")
    return value


def _device(value: str, info: ValidationInfo) -> str:
    if not value.strip() or not value.isprintable() or len(value) > LONGEST_SOURCE:
        refuse(f"{info.field_name} = {shown(value)} is no name of a device")
    return value


def _says_something(value: str, info: ValidationInfo) -> str:
    key = info.field_name
    if not value.strip() or not value.isprintable():
        refuse(f'{key} = {shown(value)} says nothing; name the rule, the sheet, or "chosen"')
    if len(value) > LONGEST_SOURCE:
        refuse(f"{key} is longer than {LONGEST_SOURCE} characters")
    return value


def _whole(value: int, info: ValidationInfo) -> int:
    if not 0 <= value < 2**63:
        refuse(f"{info.field_name} = {shown(value)} is outside 0 to 2^63 - 1")
    return value


Name = Annotated[str, AfterValidator(_one_line)]
"""Text of one printable line."""

Source = Annotated[str, AfterValidator(_says_something)]
"""Where a figure is written, or "chosen"."""
Whole = Annotated[int, AfterValidator(_whole)]

RadioHz = Annotated[float, AfterValidator(within(25e6, 3e9, "Hz", (("MHz", 6), ("kHz", 3))))]
"""Chosen: from above the short waves to what a low-cost receiver's neighbours reach."""
SpacingHz = Annotated[float, AfterValidator(within(5e3, 1e6, "Hz", (("kHz", 3), ("MHz", 6))))]
"""Chosen: 6.25 kHz is the narrowest channel of 47 CFR 90.209."""
DeviationHz = Annotated[float, AfterValidator(within(100.0, 100e3, "Hz", (("kHz", 3),)))]
SampleRateHz = Annotated[float, AfterValidator(within(8e3, 20e6, "Hz", (("MHz", 6), ("kHz", 3))))]
TransmitterW = Annotated[float, AfterValidator(within(0.01, 200.0, "W", (("mW", -3),)))]
"""Chosen: small repeaters; 200 W is far above them."""
RatingW = Annotated[float, AfterValidator(within(0.001, 10e3, "W", (("mW", -3),)))]
SupplyV = Annotated[float, AfterValidator(within(1.0, 60.0, "V", (("mV", -3),)))]
"""Chosen: up to extra-low voltage."""
CapacityAh = Annotated[float, AfterValidator(within(0.1, 1000.0, "Ah", (("mAh", -3),)))]
LevelDbm = Annotated[float, AfterValidator(within(-150.0, 60.0, "dBm"))]
GainDb = Annotated[float, AfterValidator(within(-20.0, 100.0, "dB"))]
LossDb = Annotated[float, AfterValidator(within(0.0, 150.0, "dB"))]
"""A loss is written positive; an amplifier has no place in a path that power is planned through."""
NoiseDbcPerHz = Annotated[float, AfterValidator(within(-200.0, -60.0, "dBc/Hz"))]
"""Chosen: from below thermal noise under a strong transmitter to what spoils its own channel."""
ToleratedDb = Annotated[float, AfterValidator(within(0.01, 20.0, "dB"))]
UncertaintyDb = Annotated[float, AfterValidator(within(0.0, 20.0, "dB"))]
TemperatureDegC = Annotated[float, AfterValidator(within(-60.0, 100.0, "degC"))]
DeviationScale = Annotated[float, AfterValidator(within(0.8, 1.25, ""))]
"""Chosen: further off, a generator is broken or was read wrongly."""
ScaleUncertainty = Annotated[float, AfterValidator(within(0.0, 1.0, ""))]
ToneHz = Annotated[float, AfterValidator(within(20.0, 20e3, "Hz", (("kHz", 3),)))]
ClockPpm = Annotated[float, AfterValidator(within(-500.0, 500.0, "ppm"))]
ClockUncertaintyPpm = Annotated[float, AfterValidator(within(0.0, 500.0, "ppm"))]
SkewS = Annotated[float, AfterValidator(within(-60.0, 60.0, "s"))]
SkewUncertaintyS = Annotated[float, AfterValidator(within(0.0, 60.0, "s"))]
DelayS = Annotated[float, AfterValidator(within(0.0, 1.0, "s", (("ms", -3),)))]
LimitValue = Annotated[float, AfterValidator(within(-1e12, 1e12, ""))]
SoundV = Annotated[float, AfterValidator(within(1e-6, 1000.0, "V"))]
"""Chosen: from the noise of a card to far above what any stands."""
MeterV = Annotated[float, AfterValidator(within(0.0, 10.0, "V"))]
MeterA = Annotated[float, AfterValidator(within(0.0, 10.0, "A"))]
TimeoutS = Annotated[float, AfterValidator(within(0.1, 600.0, "s", (("ms", -3),)))]
BaudRate = Annotated[int, AfterValidator(within(300, 4_000_000, "Bd"))]
DeviceName = Annotated[str, AfterValidator(_device)]
"""Text of one printable line; sound systems give long names."""
