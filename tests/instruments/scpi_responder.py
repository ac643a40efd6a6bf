"""A generator and a meter that speak SCPI on a loopback socket, and can misbehave.

It reads commands by its own table of SCPI-99 notation (capitals are the short form, brackets may
be left out) and shares nothing with the harness. ``on_change`` is told of each thing that was set,
so that a simulated generator can stand behind it.
"""

import re
import socket
import threading
import time
from dataclasses import dataclass, field

GREETING = "Chosen Works,Responder,0007,1.0"
LEVEL_RANGE_DBM = (-140.0, 13.0)

NUMBERS = {
    "[SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]": ("level", "DBM", LEVEL_RANGE_DBM),
    "[SOURce]:FREQuency[:CW]": ("frequency", "HZ", (9e3, 3e9)),
    "[SOURce]:FM:DEViation": ("deviation", "HZ", (0.0, 100e3)),
    "[SOURce]:FM:INTernal:FREQuency": ("tone", "HZ", (0.1, 20e3)),
}
SWITCHES = {"OUTPut[:STATe]": "rf", "[SOURce]:FM:STATe": "fm"}
WORDS = {"UNIT:POWer": "DBM", "[SOURce]:FM:SOURce": "INT"}
READINGS = {"MEASure[:SCALar]:VOLTage:DC": "volts", "MEASure[:SCALar]:CURRent:DC": "amps"}


def matches(notation: str, header: str) -> bool:
    """Whether a header is one way to write what the notation says."""
    pattern = ""
    for bracket, word in re.findall(r"(\[?):?([A-Za-z]+)\]?", notation):
        short = "".join(c for c in word if c.isupper())
        one = f"(?:{short}|{word.upper()}):"
        pattern += f"(?:{one})?" if bracket else one
    return re.fullmatch(pattern, header.upper().lstrip(":") + ":") is not None


def found(table: dict, header: str):
    return next((value for notation, value in table.items() if matches(notation, header)), None)


@dataclass
class Fault:
    """What goes wrong with commands that begin so; ``after`` of them go well, ``times`` go wrong.

    ``kind``: "late" (by ``value`` seconds), "silent", "garbage", "wrong" (answers ``value``),
    "other" (sets ``value`` instead), "refused" (an error in the queue), "deaf" (takes it and does
    nothing), "drop" (the connection ends), "bytes", "endless".
    """

    begins: str
    kind: str
    value: object = None
    after: int = 0
    times: int = 10**9


@dataclass
class Responder:
    """The instrument; a context manager that listens while it is open."""

    on_change: object = None
    volts: object = lambda: 12.53
    amps: object = lambda: 1.42
    faults: list = field(default_factory=list)
    log: list = field(default_factory=list)
    errors: list = field(default_factory=list)
    state: dict = field(
        default_factory=lambda: {
            "level": -20.0,
            "frequency": 100e6,
            "deviation": 0.0,
            "tone": 1000.0,
            "rf": True,
            "fm": False,
        }
    )
    open_connections: list = field(default_factory=list)
    connections: int = 0
    rf_seen_on: int = 0

    def __enter__(self):
        self._server = socket.create_server(("127.0.0.1", 0))
        self._lock = threading.RLock()
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()
        return self

    def __exit__(self, *_):
        # Closing alone does not wake a thread that waits in accept().
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        for connection in list(self.open_connections):
            self._shut(connection)
        for thread in self._threads:
            thread.join()

    @property
    def resource(self) -> str:
        """Its VISA name."""
        return f"TCPIP::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"

    def sent(self, begins: str = "") -> list[str]:
        """What it was sent, in order."""
        return [text for text in self.log if text.upper().startswith(begins.upper())]

    def _accept(self):
        while True:
            try:
                connection, _ = self._server.accept()
            except OSError:
                return
            self.connections += 1
            self.open_connections.append(connection)
            thread = threading.Thread(target=self._serve, args=(connection,))
            self._threads.append(thread)
            thread.start()

    @staticmethod
    def _shut(connection):
        try:
            connection.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass

    def _serve(self, connection):
        try:
            with connection, connection.makefile("rb") as lines:
                for line in lines:
                    answer = self._take(line.decode("ascii").strip())
                    if answer is ConnectionAbortedError:
                        return
                    if answer is not None:
                        connection.sendall(answer)
        except OSError:
            pass
        finally:
            self.open_connections.remove(connection)

    def _take(self, text):
        self.log.append(text)
        fault = self._fault(text)
        kind = fault.kind if fault else ""
        if kind == "drop":
            return ConnectionAbortedError
        if kind == "late":
            time.sleep(fault.value)
        if kind == "refused":
            self.errors.append('-222,"Data out of range"')
            return None
        if kind == "deaf":
            return None
        with self._lock:
            answer = self._obey(text, fault.value if kind == "other" else None)
        if answer is None or kind == "silent":
            return None
        given = {
            "garbage": b"%&!;;\n",
            "bytes": b"\xff\xfe\x81\n",
            "wrong": f"{fault.value if fault else ''}\n".encode(),
            "endless": b"0" * 100_000,
        }
        return given.get(kind, f"{answer}\n".encode())

    def _fault(self, text):
        for fault in self.faults:
            if text.upper().startswith(fault.begins.upper()):
                if fault.after > 0:
                    fault.after -= 1
                elif fault.times > 0:
                    fault.times -= 1
                    return fault
        return None

    def _obey(self, text, instead):
        header, _, argument = text.partition(" ")
        if header.upper() == "*IDN?":
            return GREETING
        if matches("SYSTem:ERRor[:NEXT]", header.rstrip("?")):
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if header.endswith("?"):
            return self._answer(header[:-1], argument.upper())
        number = found(NUMBERS, header)
        if number is not None:
            self._set(*number, argument, instead)
        elif (name := found(SWITCHES, header)) is not None:
            self._change(name, argument.upper() in ("1", "ON"))
        elif found(WORDS, header) is None:
            self.errors.append(f'-113,"Undefined header; {header}"')
        elif not argument.upper().startswith(found(WORDS, header)):
            self.errors.append('-224,"Illegal parameter value"')
        return None

    def _set(self, name, unit, limits, argument, instead):
        text, _, given_unit = argument.partition(" ")
        low, high = limits
        value = float(text)
        if given_unit.upper() not in ("", unit):
            self.errors.append('-131,"Invalid suffix"')
        elif not low <= value <= high:
            self.errors.append('-222,"Data out of range"')
        else:
            self._change(name, value if instead is None else instead)

    def _change(self, name, value):
        self.state[name] = value
        self.rf_seen_on += name == "rf" and value is True
        if self.on_change is not None:
            self.on_change(name, value, self.state)

    def _answer(self, header, argument):
        number = found(NUMBERS, header)
        if number is not None:
            name, _, (low, high) = number
            if argument:
                return f"{low if argument.startswith('MIN') else high:.6e}"
            return f"{self.state[name]:.9e}"
        name = found(SWITCHES, header)
        if name is not None:
            return int(self.state[name])
        name = found(READINGS, header)
        if name is not None:
            return f"{getattr(self, name)():.6e}"
        self.errors.append(f'-113,"Undefined header; {header}?"')
        return None
