"""The border to ``pyvisa``: a line to an instrument, by socket, USB or serial port.

An answer that was not waited for would be taken for the answer to the next question. So a line on
which a question was broken off (no answer in time, Ctrl-C) is opened anew before it is used
again: with the connection, what was still to come is gone.
"""

from __future__ import annotations

import contextlib
import re
from typing import Any

from harness.errors import BadInput, HardwareFault, one_line

DEFAULT_TIMEOUT_S = 5.0
"""Chosen: some instruments take seconds to settle a level before they answer."""
DEFAULT_BAUD_RATE = 9600
"""Of serial ports: common practice, no source."""
LONGEST_ANSWER = 4096
"""Bytes; chosen. What goes on beyond is no answer to any question here."""
PORTS = ("TCPIP", "USB", "ASRL")
_LONGEST_SHOWN = 60


class Line:
    """A line to an instrument.

    Parameters
    ----------
    resource : VISA name, such as ``TCPIP::192.0.2.10::5025::SOCKET``
    timeout_s : for each answer
    baud_rate : of a serial port

    Raises
    ------
    BadInput : the name is none, or a package for its kind of port is missing
    HardwareFault : the instrument cannot be reached
    """

    def __init__(
        self,
        resource: str,
        *,
        timeout_s: float = DEFAULT_TIMEOUT_S,
        baud_rate: int = DEFAULT_BAUD_RATE,
    ) -> None:
        if not resource.upper().startswith(PORTS):
            raise _no_name(resource)
        self.resource = resource
        self._timeout_ms = round(timeout_s * 1e3)
        self._timeout_s = timeout_s
        self._baud_rate = baud_rate
        self._line: Any = None
        self._is_clean = False
        self._open()

    def send(self, command: str) -> None:
        """Send a command that is not answered.

        Raises
        ------
        HardwareFault : it could not be sent.
        """
        if not self._is_clean:
            self.reopen()
        self._is_clean = False
        try:
            self._line.write_raw(command.encode("ascii") + b"\n")
        except Exception as fault:  # pyvisa-py lets errors of its ports through as they are
            raise self._lost(f"could not be sent {command}", fault) from fault
        self._is_clean = True

    def ask(self, question: str) -> str:
        """Ask and give the answer, without the blanks around it.

        Raises
        ------
        HardwareFault : no answer in time, or none that is text.
        """
        self.send(question)
        self._is_clean = False
        try:
            raw = self._line.read_bytes(LONGEST_ANSWER, break_on_termchar=True)
        except Exception as fault:  # as above
            raise self._lost(f"does not answer {question}", fault) from fault
        if len(raw) >= LONGEST_ANSWER:
            raise HardwareFault(
                f"answers {question} with more than {LONGEST_ANSWER} bytes",
                self.resource,
                "Is it the right port?",
            )
        self._is_clean = True
        try:
            return str(raw.decode("ascii")).strip()
        except UnicodeDecodeError as fault:
            raise HardwareFault(
                f"answers {question} with bytes that are no text ({raw[:12].hex(' ')})",
                self.resource,
                "Check the port, and the baud rate of a serial one.",
            ) from fault

    def reopen(self) -> None:
        """Drop the connection with all that was still to come on it, and make it anew."""
        self.close()
        self._open()

    def close(self) -> None:
        """Close the line; may be called again."""
        line, self._line = self._line, None
        self._is_clean = False
        if line is not None:
            # A connection that is gone already may refuse to be closed.
            with contextlib.suppress(Exception):
                line.close()

    def _open(self) -> None:
        # Loads its parts for each kind of port, which nothing else here needs.
        import pyvisa

        try:
            self._manager = pyvisa.ResourceManager("@py")
            self._line = self._manager.open_resource(self.resource, open_timeout=self._timeout_ms)
            self._line.timeout = self._timeout_ms
            self._line.read_termination = "\n"
            self._line.write_termination = "\n"
            if self.resource.upper().startswith("ASRL"):
                self._line.baud_rate = self._baud_rate
        except Exception as fault:  # pyvisa-py raises bare Exception where it cannot connect
            self.close()
            raise self._not_opened(fault) from fault
        self._is_clean = True

    def _not_opened(self, fault: Exception) -> BadInput | HardwareFault:
        text = _reason(fault)
        if "VI_ERROR_INV_RSRC_NAME" in text or "parsing" in text.lower():
            return _no_name(self.resource)
        if "backend" in text.lower():
            return BadInput(
                "needs the library libusb, which is not there",
                self.resource,
                "Install the system's package libusb-1.0-0.",
            )
        return HardwareFault(
            f"cannot be opened ({text})",
            self.resource,
            "Is it switched on, connected and not in use by another program?",
        )

    def _lost(self, what: str, fault: Exception) -> HardwareFault:
        text = _reason(fault)
        if "VI_ERROR_TMO" in text:
            text = f"nothing within {self._timeout_s:g} s"
        return HardwareFault(f"{what} ({text})", self.resource, "Is it switched on and connected?")


def _no_name(resource: str) -> BadInput:
    return BadInput(
        "is no VISA name of an instrument on the network, on USB or at a serial port",
        resource,
        "Write it like TCPIP::192.0.2.10::5025::SOCKET, USB0::0x1234::0x5678::SERIAL::INSTR or"
        " ASRL/dev/ttyUSB0::INSTR.",
    )


def _reason(fault: Exception) -> str:
    """Give what the library says, without the number of its error."""
    text = one_line(str(fault) or type(fault).__name__)
    text = re.sub(r"\[Errno -?\d+\] ", "", text)
    return text.rstrip(".")


def quoted(answer: str) -> str:
    """Show an answer, short and printable."""
    text = one_line(answer)
    return f'"{text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 4] + " ..."}"'
