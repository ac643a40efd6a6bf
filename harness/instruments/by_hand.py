"""Generator, meter and knob by the operator's hand: prompts, checked answers, nothing lost.

An empty line says that something has been done, ``b`` that the setting before has to be done once
more. A typed value is kept before anything is made of it.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

from harness import devices
from harness.devices import GoBack, Memory, Operator, SupplyReading
from harness.errors import Stopped
from harness.instruments.level_range import require_within
from harness.instruments.typed import number_typed

BACK = "b"
HOW = f"Enter when done, {BACK} to go back"
MOST_V, MOST_A = 60.0, 100.0
"""Chosen: extra-low voltage, as in unit files, and what no small repeater draws."""
WHERE = "generator set by hand"
LOWEST_DBM = -200.0
"""Where nobody declared what is lowest: whoever sets it sees by himself. Chosen."""


@dataclass(slots=True)
class Hand:
    """Asks for settings and readings until they are done, or typed as they can be.

    Parameters
    ----------
    operator : who is asked
    memory : keeps what is typed
    """

    operator: Operator
    memory: Memory

    def confirm(self, request: str) -> None:
        """Ask to do something, and wait until it is done.

        Raises
        ------
        GoBack : the setting before has to be done once more
        Stopped : nobody answers any more
        """
        while True:
            typed = self._ask(f"{request} [{HOW}] ").strip().lower()
            if typed == BACK:
                raise GoBack
            if typed in ("", "y", "yes", "ok", "done"):
                return
            self.operator.say(f"{typed[:40]} is neither: press Enter alone when it is done.")

    def number(self, key: str, request: str, unit: str, most: float) -> float:
        """Ask for a number; one that was typed in an earlier run is taken from there.

        Parameters
        ----------
        key : names this very question, for the memory
        request : what to read
        unit : "V" or "A"
        most : highest value allowed; the lowest is 0

        Raises
        ------
        GoBack : the question before has to be asked once more
        Stopped : nobody answers any more
        """
        kept = self.memory.recall(key)
        if kept is not None:
            try:
                value = number_typed(kept, unit, 0.0, most)
            except ValueError as fault:
                self.operator.say(f"Of before, for {key}: {fault}")
            else:
                self.operator.say(f"{request}: {value:.12g} {unit}, typed before.")
                return value
        while True:
            typed = self._ask(f"{request}, in {unit} [{BACK} to go back]: ")
            if typed.strip().lower() == BACK:
                raise GoBack
            try:
                value = number_typed(typed, unit, 0.0, most)
            except ValueError as fault:
                self.operator.say(str(fault))
                continue
            self.memory.keep(key, f"{value!r} {unit}")
            if "," in typed:
                self.operator.say(f"Taken as {value:.12g} {unit}.")
            return value

    def _ask(self, question: str) -> str:
        try:
            return self.operator.ask(question)
        except EOFError:
            raise Stopped(
                "the input ended where an answer was needed", "", self.memory.resuming
            ) from None


class Generator:
    """A generator that the operator sets.

    Parameters
    ----------
    hand : who is asked
    loss_db : from its output to the unit's port
    minimum_dbm, maximum_dbm : range at its output
    behind : the simulated generator that is set with it, in a rehearsal

    Notes
    -----
    Satisfies ``harness.devices.Generator``. What changes is asked for together, with the level: a
    frequency or a tone alone has no effect while RF is off.
    """

    def __init__(
        self,
        hand: Hand,
        *,
        loss_db: float,
        minimum_dbm: float | None,
        maximum_dbm: float,
        behind: devices.Generator | None = None,
    ) -> None:
        self._hand = hand
        self._loss_db = loss_db
        lowest_dbm = LOWEST_DBM if minimum_dbm is None else minimum_dbm
        self._range_port_dbm = (lowest_dbm - loss_db, maximum_dbm - loss_db)
        self._behind = behind
        # What stands in an instrument that somebody else has used is not known.
        self._done: dict[str, str] = {}
        self._wanted: dict[str, str] = {}
        self._is_on: bool | None = None

    def set_frequency(self, frequency_hz: float) -> None:
        """Have the carrier frequency set with the next level."""
        self._wanted["frequency"] = f"{frequency_hz / 1e6:.6f} MHz"
        if self._behind is not None:
            self._behind.set_frequency(frequency_hz)

    def set_modulation(self, tone_hz: float, deviation_hz: float) -> None:
        """Have sine FM set with the next level."""
        self._wanted["FM"] = (
            f"FM {tone_hz:g} Hz, deviation {deviation_hz:g} Hz" if deviation_hz else "FM off"
        )
        if self._behind is not None:
            self._behind.set_modulation(tone_hz, deviation_hz)

    def set_level(self, level_port_dbm: float) -> None:
        """Have the level set and RF switched on, with all else that has changed.

        Raises
        ------
        BadInput : outside the range; nobody is asked
        GoBack : the setting before has to be done once more
        Stopped : nobody answers any more
        """
        require_within(level_port_dbm, self._range_port_dbm, WHERE)
        self._wanted["level"] = f"{level_port_dbm + self._loss_db:.2f} dBm"
        changed = [text for key, text in self._wanted.items() if self._done.get(key) != text]
        if self._is_on is not True:
            changed.append("RF on")
        if changed:
            at_port = f" ({level_port_dbm:.2f} dBm at the unit)" if self._loss_db else ""
            # Until it is said to be done, nothing is known of what stands there.
            self._is_on, self._done, done = None, {}, dict(self._wanted)
            self._hand.confirm(f"Set the generator: {', '.join(changed)}{at_port}.")
            self._done, self._is_on = done, True
        if self._behind is not None:
            self._behind.set_level(level_port_dbm)

    def rf_off(self) -> None:
        """Have RF switched off: allowed at any time, any number of times.

        On the way out of a fault, of Ctrl-C or of a kill nobody is waited for: then it is said.
        """
        leaving = sys.exception() is not None and not isinstance(sys.exception(), GoBack)
        if self._behind is not None and leaving:
            self._behind.rf_off()
        if self._is_on is not False:
            if leaving:
                self._hand.operator.say("Switch the generator's RF off now.")
            else:
                self._hand.confirm("Switch the generator's RF off.")
            self._is_on = False
        if self._behind is not None:
            self._behind.rf_off()


class Meter:
    """A meter that the operator reads.

    Parameters
    ----------
    hand : who is asked
    reads_current : whether the current is asked for too
    behind : the simulated meter whose display is read, in a rehearsal
    readings_done : in earlier parts of the run; they are counted on from there

    Notes
    -----
    Satisfies ``harness.devices.SupplyMeter``. What is not read is NaN.
    """

    def __init__(
        self,
        hand: Hand,
        *,
        reads_current: bool = True,
        behind: devices.SupplyMeter | None = None,
        readings_done: int = 0,
    ) -> None:
        self._hand = hand
        self._reads_current = reads_current
        self._behind = behind
        self._readings = readings_done

    def read_supply(self) -> SupplyReading:
        """Ask for voltage and current; going back from the current asks for the voltage again.

        Raises
        ------
        GoBack : from the voltage
        Stopped : nobody answers any more
        """
        number = self._readings + 1
        if self._behind is not None:
            shown = self._behind.read_supply()
            self._hand.operator.say(
                f"The simulated meter shows {shown.voltage_v:.2f} V and {shown.current_a:.3f} A."
            )
        while True:
            voltage_v = self._hand.number(
                f"reading {number}, voltage", "Read the meter on the supply, volts", "V", MOST_V
            )
            current_a = math.nan
            if self._reads_current:
                try:
                    current_a = self._hand.number(
                        f"reading {number}, current", "Read the current, amperes", "A", MOST_A
                    )
                except GoBack:
                    continue
            self._readings = number
            return SupplyReading(
                voltage_v=voltage_v, current_a=current_a, temperature_degc=math.nan
            )


class Knob:
    """A squelch knob that the operator turns."""

    def __init__(self, hand: Hand) -> None:
        self._hand = hand

    def turn_knob(self, position: str) -> None:
        """Have it turned.

        Raises
        ------
        GoBack : the setting before has to be done once more
        Stopped : nobody answers any more
        """
        self._hand.confirm(f"Turn the squelch knob to {position}.")


class Transmitter:
    """The unit's transmitter, which the operator disables and keys.

    How that is done hangs on the unit, so it is asked for by what it has to do. Satisfies
    TransmitterSwitch and TransmitterKey of ``harness.devices``.
    """

    def __init__(self, hand: Hand) -> None:
        self._hand = hand

    def set_transmitter_enabled(self, enabled: bool) -> None:
        """Have it enabled or disabled.

        Raises
        ------
        GoBack : the setting before has to be done once more
        Stopped : nobody answers any more
        """
        if enabled:
            self._hand.confirm(
                "Enable the transmitter again. The load stays on the port; hands off the antenna"
                " side."
            )
            return
        self._hand.confirm(
            "Disable the transmitter so that it gives no power however it is keyed, as the unit's"
            " papers and local practice say (its exciter's supply, a jumper, a switch). The"
            " receiver stays on, the load stays on the port."
        )

    def hold_transmitter(self, held: bool) -> None:
        """Have its key held, or let go.

        Raises
        ------
        GoBack, Stopped : as above
        """
        if held:
            self._hand.confirm(
                "Key the transmitter by hand (its local key, or the keying line) and keep it keyed."
            )
        else:
            self._hand.confirm("Let the transmitter's key go.")
