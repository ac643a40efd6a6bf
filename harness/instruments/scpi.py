"""Generator and meter by SCPI: what is set is read back, and what they complain of is told.

Each setting goes the same way: the command, the error queue, the value read back and compared.
RF is off from opening until a level has been set, and off again on every way out; where that
cannot be confirmed the operator is told to do it by hand.
"""

from __future__ import annotations

import math

from harness.closing import Closing
from harness.describe import GeneratorDescription, MeterDescription
from harness.devices import SupplyReading
from harness.errors import BadInput, HardwareFault
from harness.instruments.dialect import Dialect, GeneratorDialect, Setting, Switch
from harness.instruments.level_range import highest_dbm, require_within
from harness.instruments.undisturbed import undisturbed
from harness.instruments.visa import DEFAULT_BAUD_RATE, DEFAULT_TIMEOUT_S, Line, quoted

MOST_ERRORS = 50
"""An error queue that has not emptied after so many does not empty. Chosen."""
NOT_A_NUMBER = 9e37
"""SCPI-99 Volume 1 writes infinity as 9.9E37 and "not a number" as 9.91E37: from memory."""
LEAST_V, MOST_V = -1.0, 100.0
LEAST_A, MOST_A = -100.0, 100.0
"""Outside, no supply of a small repeater: the meter is in another unit or range. Chosen."""
SHOWN_ERRORS = 3
BY_HAND = "Switch RF off at the generator itself."


class Instrument:
    """What generator and meter share: a line, the words for it, the queue of errors.

    Parameters
    ----------
    line : open
    dialect : the commands
    what : "generator" or "meter", for the errors

    Raises
    ------
    HardwareFault : it does not answer.
    """

    def __init__(self, line: Line, dialect: Dialect, what: str) -> None:
        self.line = line
        self._dialect = dialect
        self.what = what
        self.where = f"{what} {line.resource}"
        self.identity = ""
        self.cautions: tuple[str, ...] = ()
        if dialect.identity is not None:
            self.identity = line.ask(dialect.identity.query)
        earlier = self.errors()
        if earlier:
            told = "; ".join(earlier[:SHOWN_ERRORS])
            self.cautions = (f"{self.where}: its error queue held {told}.",)

    def errors(self) -> list[str]:
        """Empty the error queue; give what stood in it, the oldest first."""
        if self._dialect.errors is None:
            return []
        found: list[str] = []
        for _ in range(MOST_ERRORS):
            answer = self.line.ask(self._dialect.errors.query)
            code = answer.partition(",")[0]
            try:
                if int(code) == 0:
                    return found
            except ValueError:
                raise HardwareFault(
                    f"answers {self._dialect.errors.query} with {quoted(answer)}, which is no"
                    " error and no end of them",
                    self.where,
                    "Give the query of its error queue in a dialect file.",
                ) from None
            found.append(answer)
        raise HardwareFault(
            f"its error queue does not empty; the first is {found[0]}",
            self.where,
            "Switch it off and on.",
        )

    def order(self, command: str) -> None:
        """Send a command and see that it was accepted.

        Raises
        ------
        HardwareFault : an error stands in the queue afterwards.
        """
        self.line.send(command)
        refused = self.errors()
        if refused:
            told = "; ".join(refused[:SHOWN_ERRORS])
            more = len(refused) - SHOWN_ERRORS
            raise HardwareFault(
                f"refuses {command}: {told}{f' and {more} more' if more > 0 else ''}",
                self.where,
                "Look up its range and its words, and correct the bench file or the dialect.",
            )

    def number(self, question: str) -> float:
        """Ask for a number.

        Raises
        ------
        HardwareFault : the answer is none.
        """
        answer = self.line.ask(question)
        try:
            value = float(answer)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or abs(value) >= NOT_A_NUMBER:
            raise HardwareFault(
                f"answers {question} with {quoted(answer)}, which is no value",
                self.where,
                "Check its range and its connections.",
            )
        return value

    def set_number(self, setting: Setting, value: float, name: str, unit: str) -> None:
        """Set a number, and compare what is read back.

        Raises
        ------
        HardwareFault : it was refused, or another value is set than was asked for.
        """
        self.order(setting.command(value))
        got = self.number(setting.query)
        # The least bit more, for the rounding of decimal numbers.
        if not abs(got - value) <= setting.resolution * (1.0 + 1e-6):
            raise HardwareFault(
                f"was set to {value:.9g} {unit} of {name} and says {got:.9g} {unit}",
                self.where,
                f"They may differ by {setting.resolution:g} {unit}: check its range, or the"
                " resolution in the dialect file.",
            )

    def switch(self, switch: Switch, on: bool, name: str) -> None:
        """Switch something, and compare what is read back.

        Raises
        ------
        HardwareFault : it was refused, or it did not follow.
        """
        self.order(switch.on if on else switch.off)
        answer = self.line.ask(switch.query).upper()
        state = {"1": True, "ON": True, "0": False, "OFF": False}.get(answer.removeprefix("+"))
        if state is not on:
            raise HardwareFault(
                f"was told to switch {name} {'on' if on else 'off'} and says {quoted(answer)}",
                self.where,
                "Check it at the instrument.",
            )


class Generator(Closing):
    """A generator at the unit's receiver port, by SCPI; a context manager.

    Parameters
    ----------
    instrument : at the end of an open line
    words : its commands
    loss_db : from its output to the unit's port
    minimum_dbm, maximum_dbm : declared range at its output. The lowest may be None where it tells
        its range itself, which narrows both; nothing above the highest is ever sent

    Raises
    ------
    BadInput : its range is not known
    HardwareFault : it does not answer, or refuses what it is prepared with

    Notes
    -----
    Satisfies ``harness.devices.Generator``. RF is switched off before anything else is sent.
    """

    def __init__(
        self,
        instrument: Instrument,
        words: GeneratorDialect,
        *,
        loss_db: float,
        minimum_dbm: float | None,
        maximum_dbm: float,
    ) -> None:
        self._instrument = instrument
        self._words = words
        self._loss_db = loss_db
        self._is_open = True
        self._level_dbm: float | None = None
        self._modulation: tuple[float, float] | None = None
        self._is_on = False
        self.rf_off()
        for each in words.prepare:
            instrument.order(each.set)
        self._minimum_dbm, self._maximum_dbm = self._range(minimum_dbm, maximum_dbm)

    @property
    def identity(self) -> str:
        """What it says that it is."""
        return self._instrument.identity

    @property
    def cautions(self) -> tuple[str, ...]:
        """What it had to complain of before anything was set."""
        return self._instrument.cautions

    @property
    def range_port_dbm(self) -> tuple[float, float]:
        """Lowest and highest level at the unit's port."""
        return self._minimum_dbm - self._loss_db, self._maximum_dbm - self._loss_db

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the carrier frequency.

        Raises
        ------
        HardwareFault : it did not follow.
        """
        self._instrument.set_number(self._words.frequency, frequency_hz, "frequency", "Hz")

    def set_modulation(self, tone_hz: float, deviation_hz: float) -> None:
        """Set sine FM; a deviation of 0 is an unmodulated carrier. What is set already stays.

        Raises
        ------
        BadInput : the dialect has no words for it
        HardwareFault : it did not follow.
        """
        wanted = (tone_hz if deviation_hz else 0.0, deviation_hz)
        if wanted == self._modulation:
            return
        words = self._words
        if words.fm is None or words.tone is None or words.deviation is None:
            if deviation_hz:
                raise BadInput(
                    "its dialect has no fm, deviation and tone, and FM is asked for",
                    self._instrument.where,
                    "Add them to the dialect file, or leave the modulated steps out.",
                )
            self._modulation = wanted
            return
        self._modulation = None
        if deviation_hz:
            self._instrument.set_number(words.tone, tone_hz, "tone", "Hz")
            self._instrument.set_number(words.deviation, deviation_hz, "deviation", "Hz")
        self._instrument.switch(words.fm, deviation_hz > 0.0, "FM")
        self._modulation = wanted

    def set_level(self, level_port_dbm: float) -> None:
        """Set the level at the unit's port and switch RF on.

        Raises
        ------
        BadInput : outside the range; nothing is sent
        HardwareFault : it did not follow.
        """
        level_dbm = level_port_dbm + self._loss_db
        require_within(level_port_dbm, self.range_port_dbm, self._instrument.where)
        if level_dbm != self._level_dbm or not self._is_on:
            self._level_dbm = None
            self._instrument.set_number(self._words.level, level_dbm, "level", "dBm")
            self._level_dbm = level_dbm
        if not self._is_on:
            # Counts as on from before it is told so: a broken command may have arrived.
            self._is_on = True
            self._instrument.switch(self._words.rf, True, "RF")

    def rf_off(self) -> None:
        """Switch RF off: allowed at any time, any number of times. Signals wait for it.

        Raises
        ------
        HardwareFault : it could not be confirmed, on a new connection either.
        """
        if not self._is_open:
            return
        with undisturbed():
            try:
                self._instrument.switch(self._words.rf, False, "RF")
            except HardwareFault:
                self._off_once_more()
        self._is_on = False

    def _off_once_more(self) -> None:
        """Try on a new connection: the old one may be gone, or hold answers of another question.

        First the bare command, so that it is on its way whatever is wrong with the answers.
        """
        try:
            self._instrument.line.reopen()
            self._instrument.line.send(self._words.rf.off)
            self._instrument.errors()
            self._instrument.switch(self._words.rf, False, "RF")
        except HardwareFault as fault:
            raise HardwareFault(
                f"RF may still be on: {fault.what}", self._instrument.where, BY_HAND
            ) from fault

    def close(self) -> None:
        """Switch RF off and close the line; may be called again."""
        try:
            self.rf_off()
        finally:
            self._is_open = False
            self._instrument.line.close()

    def _range(self, minimum_dbm: float | None, maximum_dbm: float) -> tuple[float, float]:
        """Give the range that both the bench file and the generator itself allow."""
        words = self._words.level
        lows = [] if minimum_dbm is None else [minimum_dbm]
        highs = [maximum_dbm]
        if words.least is not None:
            lows.append(self._instrument.number(words.least))
        if words.greatest is not None:
            highs.append(self._instrument.number(words.greatest))
        if not lows:
            raise BadInput(
                "the lowest level that it can be set to is not known",
                self._instrument.where,
                "Write minimum_dbm into [generator] of the bench file.",
            )
        low, high = max(lows), min(highs)
        if low >= high:
            raise BadInput(
                f"no level lies within what it says it gives and the bench file allows"
                f" ({low:g} to {high:g} dBm)",
                self._instrument.where,
                "Correct minimum_dbm and maximum_dbm in the bench file.",
            )
        return low, high


def open_generator(
    described: GeneratorDescription, dialect: Dialect, *, loss_db: float
) -> Generator:
    """Open the generator of a bench file, with RF off.

    Raises
    ------
    BadInput : it cannot be used so. HardwareFault : it cannot be reached or does not follow.
    """
    assert described.resource is not None
    if dialect.generator is None:
        raise BadInput("has no [generator]", f"dialect {dialect.name}", "Name another dialect.")
    maximum_dbm = highest_dbm(described, f"generator {described.resource}")
    line = _line(described.resource, described.timeout_s, described.baud_rate)
    try:
        return Generator(
            Instrument(line, dialect, "generator"),
            dialect.generator,
            loss_db=loss_db,
            minimum_dbm=described.minimum_dbm,
            maximum_dbm=maximum_dbm,
        )
    except BaseException:
        line.close()
        raise


class Meter(Closing):
    """A meter on the unit's supply, by SCPI; a context manager.

    Parameters
    ----------
    volts : shows the voltage. amps : shows the current, or None; may be the same
    dialect : the commands of both

    Notes
    -----
    Satisfies ``harness.devices.SupplyMeter``. What is not measured is NaN. A reading that does not
    come is asked for once more on a new connection: a long run shall not end for one late answer.
    """

    def __init__(self, volts: Instrument, amps: Instrument | None, dialect: Dialect) -> None:
        words = dialect.meter
        if words is None or words.voltage is None or (amps is not None and words.current is None):
            missing = "voltage" if words is None or words.voltage is None else "current"
            raise BadInput(
                f"has no query for the {missing}",
                f"dialect {dialect.name}",
                f"Add [meter.{missing}] to the dialect file.",
            )
        self._volts, self._amps = volts, amps
        self._volts_query = words.voltage.query
        self._amps_query = words.current.query if words.current is not None else ""
        self.repeated = 0

    @property
    def identity(self) -> str:
        """What it says that it is; of two, both."""
        names = [each.identity for each in (self._volts, self._amps) if each is not None]
        return "; ".join(dict.fromkeys(name for name in names if name))

    @property
    def cautions(self) -> tuple[str, ...]:
        """What they had to complain of before anything was read."""
        other = self._amps.cautions if self._amps not in (None, self._volts) else ()
        return (*self._volts.cautions, *other)

    def read_supply(self) -> SupplyReading:
        """Give voltage and current now.

        Raises
        ------
        HardwareFault : no reading came, or one that no supply has.
        """
        voltage_v = self._read(self._volts, self._volts_query, LEAST_V, MOST_V, "V")
        current_a = math.nan
        if self._amps is not None:
            current_a = self._read(self._amps, self._amps_query, LEAST_A, MOST_A, "A")
        return SupplyReading(voltage_v=voltage_v, current_a=current_a, temperature_degc=math.nan)

    def _read(
        self, instrument: Instrument, query: str, low: float, high: float, unit: str
    ) -> float:
        try:
            value = instrument.number(query)
        except HardwareFault:
            self.repeated += 1
            instrument.line.reopen()
            value = instrument.number(query)
        if not low <= value <= high:
            raise HardwareFault(
                f"shows {value:.6g} {unit}, which is no supply of a small repeater",
                instrument.where,
                "Check its range and its connections.",
            )
        return value

    def close(self) -> None:
        """Close the lines; may be called again."""
        self._volts.line.close()
        if self._amps is not None:
            self._amps.line.close()


def open_meter(described: MeterDescription, dialect: Dialect) -> Meter:
    """Open the meter of a bench file.

    Raises
    ------
    BadInput : it cannot be used so. HardwareFault : it cannot be reached or does not answer.
    """
    assert described.resource is not None
    opened: dict[str, Instrument] = {}
    lines: list[Line] = []
    try:
        for resource in (described.resource, described.current_resource):
            if resource is not None and resource not in opened:
                lines.append(_line(resource, described.timeout_s, described.baud_rate))
                opened[resource] = Instrument(lines[-1], dialect, "meter")
        amps = opened[described.current_resource] if described.current_resource else None
        return Meter(opened[described.resource], amps, dialect)
    except BaseException:
        for line in lines:
            line.close()
        raise


def _line(resource: str, timeout_s: float | None, baud_rate: int | None) -> Line:
    return Line(
        resource,
        timeout_s=timeout_s or DEFAULT_TIMEOUT_S,
        baud_rate=baud_rate or DEFAULT_BAUD_RATE,
    )
