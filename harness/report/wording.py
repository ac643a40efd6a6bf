"""How a number is written for people: one rule, used by pages and by the terminal alike.

U is given with two significant figures and the value to the same place (JCGM 100, 7.2.6: at most
two figures suffice; clause from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Decimal

from harness.readings import ConditionValue, Limit, Reading, sentence
from harness.units import mhz_in_words, uv_from_dbm, w_from_dbm
from harness.vocabulary import TERMS

MINUS = "−"
TIE = "\N{NO-BREAK SPACE}"
_MILLISECONDS_BELOW_S = 1.0  # chosen
_HOURS_FROM_S = 600.0  # chosen
_SIGNIFICANT = 2


def quantity(
    value: float,
    unit: str,
    uncertainty: float | None = None,
    *,
    decimals: int = 2,
    signed: bool = False,
) -> str:
    """Write a value with its unit and, where there is one, its expanded uncertainty.

    Parameters
    ----------
    value : float, in ``unit``; infinite is written as such
    unit : str, as in the vocabulary
    uncertainty : float or None, U in ``unit``
    decimals : int, places of a value without uncertainty, or with none left
    signed : whether a positive value carries its sign, as differences do

    Returns
    -------
    str : ``−116.42 ± 0.38 dBm``, ``20.30 ± 0.20 ms``, ``6 h 41 min 12 s ± 10 s``
    """
    if not math.isfinite(value):
        return f"{_sign(value, signed)}∞ {unit}".rstrip()
    size = max(abs(value), uncertainty or 0.0)
    if unit == "s" and size >= _HOURS_FROM_S:
        return _clock(value, uncertainty, signed)
    if unit == "s" and size < _MILLISECONDS_BELOW_S:
        value, unit, decimals = value * 1e3, "ms", max(decimals - 3, 0)
        uncertainty = None if uncertainty is None else uncertainty * 1e3
    places = decimals
    text = ""
    if uncertainty is not None and math.isfinite(uncertainty) and uncertainty > 0.0:
        places = _places(uncertainty)
        text = f" ± {_fixed(uncertainty, places)}"
    number = _fixed(abs(value), places)
    sign = _sign(value, signed) if number.strip("0.") else ""
    return f"{sign}{number}{text} {_unit(unit)}".rstrip()


def watts_in_words(power_w: float) -> str:
    """Write a power that may warm something: ``3.61 W``; below 1 mW only that it is less."""
    return f"{power_w:.3g} W" if power_w >= 1e-3 else "under 1 mW"


def plain(value: float, unit: str) -> str:
    """Write a value that is exact, such as a limit, with no more figures than it needs."""
    if unit == "s" and 0.0 < abs(value) < _MILLISECONDS_BELOW_S:
        value, unit = value * 1e3, "ms"
    elif unit == "s" and abs(value) >= _HOURS_FROM_S:
        return _clock(value, None, False)
    return f"{value:.10g} {_unit(unit)}".replace("-", MINUS).rstrip()


def in_words(reading: Reading) -> str:
    """Write a reading: value and U, the ends of a lopsided interval, a bound, or a state."""
    value = reading.value
    if value is None:
        return "never within the run" if is_never(reading) else "not measured"
    if isinstance(value, str):
        return value
    decimals = TERMS[reading.name].decimals
    if reading.bound is not None:
        reach = "at most" if reading.bound == "upper" else "at least"
        return f"{reach} {quantity(value, reading.unit, decimals=decimals)}"
    if reading.interval is not None:
        return _with_interval(value, reading.interval, reading.unit, decimals)
    return quantity(value, reading.unit, reading.expanded_uncertainty, decimals=decimals)


def _with_interval(value: float, interval: tuple[float, float], unit: str, decimals: int) -> str:
    """Write a value and the two ends about it, to the place that the shorter side asks for."""
    low, high = interval
    sides = [side for side in (value - low, high - value) if math.isfinite(side) and side > 0.0]
    if unit == "s" or not sides:
        ends = (quantity(end, unit, decimals=decimals) for end in interval)
        return f"{quantity(value, unit, decimals=decimals)} ({' to '.join(ends)})"
    places = max(_places(min(sides)), 0)
    numbers = [
        f"{_sign(number, False)}{_fixed(abs(number), places)}"
        if math.isfinite(number)
        else f"{_sign(number, False)}∞"
        for number in (value, low, high)
    ]
    return f"{numbers[0]} ({numbers[1]} to {numbers[2]}) {_unit(unit)}".rstrip()


def also(reading: Reading, nominal_hz: float | None = None) -> str:
    """Write the same reading in the other unit that the trade uses for it, or nothing.

    Microvolts (across 50 ohm) for sensitivity, watts for carrier power, parts in a million of
    ``nominal_hz`` for frequency error.
    """
    value, spread = reading.value, reading.expanded_uncertainty
    if not isinstance(value, int | float) or reading.bound is not None:
        return ""
    # First order in U, as everywhere: d(dB) = 10/ln 10 dP/P.
    per_db = math.log(10.0) / 10.0
    if reading.name == "carrier_power":
        power_w = w_from_dbm(value)
        return quantity(power_w, "W", None if spread is None else power_w * per_db * spread)
    if reading.unit == "dBm" and reading.name.startswith(("sensitivity", "quieting")):
        level_uv = uv_from_dbm(value)
        half = None if spread is None else level_uv * per_db / 2.0 * spread
        return f"{quantity(level_uv, 'µV', half)} across 50 ohm"
    if reading.name == "frequency_error" and nominal_hz:
        half = None if spread is None else spread / nominal_hz * 1e6
        return quantity(value / nominal_hz * 1e6, "ppm", half)
    return ""


def coverage(reading: Reading) -> str:
    """Write what the uncertainty stands for."""
    if reading.value is None or isinstance(reading.value, str):
        return ""
    if reading.bound is not None:
        return f"{reading.bound} bound"
    if reading.interval is not None:
        return "95 % interval"
    return f"k = {reading.coverage_factor:.3g}"


def limit_in_words(limit: Limit) -> str:
    """Write a limit: ``at most 200 Hz``, ``−200 to 200 Hz``, ``normal``."""
    low, high = limit.minimum, limit.maximum
    if limit.allowed:
        return " or ".join(limit.allowed)
    if low is not None and high is not None:
        if low == -high:
            return f"within ± {plain(high, limit.unit)}"
        ends = plain(low, limit.unit), plain(high, limit.unit)
        if limit.unit == "s" and low < _MILLISECONDS_BELOW_S <= high < _HOURS_FROM_S:
            return f"{low:g} to {high:g} s".replace("-", MINUS)
        unit = f" {_unit(limit.unit)}"
        first = ends[0].removesuffix(unit) if ends[1].endswith(unit) else ends[0]
        return f"{first} to {ends[1]}"
    if low is not None:
        return f"at least {plain(low, limit.unit)}"
    if high is not None:
        return f"at most {plain(high, limit.unit)}"
    return "none"


_CONDITIONS = {
    "knob": "knob at {}",
    "input_level_port_dbm": "{} dBm at the input",
    "weighting": "{} weighting",
    "tone_hz": "{} Hz tone",
    "deviation_hz": "{} Hz deviation",
    "spacing_hz": "{} Hz channel",
    "method": "by {}",
}
_UNITS_OF_NAMES = (
    ("_dbm", "dBm"),
    ("_dbfs", "dBFS"),
    ("_dbc", "dBc"),
    ("_db", "dB"),
    ("_hz", "Hz"),
    ("_ppm", "ppm"),
    ("_percent", "%"),
    ("_degc", "°C"),
    ("_per_s", "a second"),
    ("_s", "s"),
    ("_v", "V"),
    ("_a", "A"),
    ("_w", "W"),
)


def conditions_in_words(
    conditions: Mapping[str, ConditionValue] | Mapping[str, ConditionValue | tuple[float, float]],
) -> str:
    """Write what a reading holds under, in order; a pair of numbers is a range."""
    return ", ".join(_condition(key, value) for key, value in conditions.items())


def _condition(key: str, value: ConditionValue | tuple[float, float]) -> str:
    name = key.replace("_", " ")
    if isinstance(value, bool):
        name = name.replace("de emphasis", "de-emphasis")
        return f"with {name}" if value else f"without {name}"
    if isinstance(value, str):
        shown = value
    else:
        ends = value if isinstance(value, tuple) else (value,)
        shown = " to ".join(f"{end:.6g}" for end in ends).replace("-", MINUS)
    if key == "frequency_hz" and isinstance(value, int | float):
        return f"at {mhz_in_words(value)}"
    if key in _CONDITIONS:
        return _CONDITIONS[key].format(shown)
    for ending, unit in _UNITS_OF_NAMES:
        if key.endswith(ending):
            return f"{key.removesuffix(ending).replace('_', ' ')} {shown} {unit}"
    return f"{name} {shown}"


def minus(text: str) -> str:
    """Write the sign of each negative number in a sentence as people do."""
    return re.sub(r"(?<![\w.)\]/-])-(?=\d)", MINUS, text)


def remark(reading: Reading, nominal_hz: float | None = None) -> str:
    """Write a reading's note without what ``also`` says already, and more exactly."""
    note = minus(reading.note)
    other = also(reading, nominal_hz)
    if other.endswith("µV across 50 ohm"):
        note = re.sub(r"[\d.]+ µV across 50 ohm(; )?", "", note)
    if other.endswith("ppm"):
        note = re.sub(rf"(, |; )?[+{MINUS}]?[\d.]+ ppm\b", "", note)
    note = note.strip("; ")
    return sentence(note[len("never") :].lstrip(":,. ")) if is_never(reading) else note


def is_never(reading: Reading) -> bool:
    """Whether a time was waited for to the end of the run, and did not come."""
    return reading.value is None and reading.note.lower().startswith("never")


def tied(text: str) -> str:
    """Tie each number to its unit and its uncertainty, so that no line ends between them."""
    return re.sub(r"(?<=[\d)∞]) (?=[^\W\d(]|[%°µ])|(?<=±) ", TIE, text)


def title_of(name: str) -> str:
    """Give a reading's plain title."""
    term = TERMS.get(name)
    title = term.title if term else name.replace("_", " ")
    return re.sub(r"-(?=\d)", MINUS, title[:1].upper() + title[1:])


def _unit(unit: str) -> str:
    return {"1": "", "1/h": "per hour"}.get(unit, unit)


def _sign(value: float, signed: bool) -> str:
    return MINUS if value < 0.0 else "+" if signed and value > 0.0 else ""


def _places(uncertainty: float) -> int:
    """Decimal places of two significant figures; negative for tens and hundreds."""
    exponent = math.floor(math.log10(uncertainty))
    places = _SIGNIFICANT - 1 - exponent
    # 0.0996 becomes 0.100: one place fewer.
    if Decimal(uncertainty).quantize(_step(places), ROUND_HALF_EVEN) >= Decimal(1).scaleb(
        exponent + 1
    ):
        places -= 1
    return places


def _step(places: int) -> Decimal:
    return Decimal(1).scaleb(-places)


def _fixed(value: float, places: int) -> str:
    rounded = Decimal(value).quantize(_step(places), ROUND_HALF_EVEN)
    return f"{rounded:f}" if places >= 0 else f"{int(rounded)}"


def _clock(value: float, uncertainty: float | None, signed: bool) -> str:
    """Write a long time in hours, minutes and seconds, rounded to what U allows."""
    if not uncertainty or not math.isfinite(uncertainty):
        return f"{_sign(value, signed)}{hours_in_words(round(abs(value)))}"
    step = 10.0 ** max(-_places(uncertainty), 0)
    shown, half = (step * round(abs(number) / step) for number in (value, uncertainty))
    half = max(half, 1.0)
    return f"{_sign(value, signed)}{hours_in_words(round(shown))} ± {hours_in_words(round(half))}"


def hours_in_words(seconds: int) -> str:
    """Write a time in hours, minutes and seconds, leaving out what is none of it."""
    hours, rest = divmod(seconds, 3600)
    minutes, rest = divmod(rest, 60)
    parts = [(hours, "h"), (minutes, "min"), (rest, "s")]
    kept = [f"{number} {unit}" for number, unit in parts if number]
    return " ".join(kept) or "0 s"
