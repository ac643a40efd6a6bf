"""Loss and reflection against frequency from a Touchstone file: the border to scikit-rf.

Version 1 of the format: ``.sNp``, one option line, S parameters at 50 ohm, frequencies ascending.
What else such files can hold (version 2, other parameters, other impedances) is refused, because
|S21| would then not be the loss on a bench of 50 ohm.
"""

from __future__ import annotations

import hashlib
import io
import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.describe.document import AGAIN, engineering, read_bytes
from harness.errors import BadInput
from harness.units import FloatArray

LARGEST_TOUCHSTONE_BYTES = 20_000_000
"""Chosen: some 100 000 points of a two-port; analysers give a few thousand."""
IMPEDANCE_OHM = 50.0
GAIN_ALLOWED_DB = 0.5
"""Chosen: what an analyser misses by on a short cable; more gain is an amplifier or wrong ports."""
OPTION_LINE = "# MHz S DB R 50"
SAVE = "Save it again as Touchstone version 1.1."
FIELDS_OF_NOISE = 5
"""Numbers in a line of a two-port's noise data, which may follow: Touchstone 1.1."""


@dataclass(frozen=True, slots=True)
class LossCurve:
    """Loss of a part between two of its ports, as a Touchstone file gives it.

    Parameters
    ----------
    path : str, the file
    frequency_hz : ascending
    loss_db : -20 lg |S| on the way through, one for each frequency; negative where it gains
    back_db : the same on the way back
    """

    path: str
    frequency_hz: tuple[float, ...] = field(repr=False)
    loss_db: tuple[float, ...] = field(repr=False)
    back_db: tuple[float, ...] = field(repr=False)

    def at_db(self, frequency_hz: float) -> float:
        """Give the loss at a frequency, between two points by a straight line in dB.

        Raises
        ------
        BadInput : the frequency lies outside the file's, or nothing passes there.
        """
        loss_db, _ = self.ways_db(frequency_hz)
        if not np.isfinite(loss_db):
            raise self.nothing_passes(frequency_hz)
        return loss_db

    def least_db(self, frequency_hz: float) -> float:
        """Give the smaller loss of both ways: what a level plan may count on.

        Raises
        ------
        BadInput : as ``at_db``.
        """
        return min(self.at_db(frequency_hz), self._between(frequency_hz, self.back_db))

    def ways_db(self, frequency_hz: float) -> tuple[float, float]:
        """Give the loss on the way through and on the way back; infinite where nothing passes.

        Raises
        ------
        BadInput : the frequency lies outside the file's.
        """
        self._require(frequency_hz)
        return self._between(frequency_hz, self.loss_db), self._between(frequency_hz, self.back_db)

    def nothing_passes(self, frequency_hz: float) -> BadInput:
        """Make the error of a loss that is asked for where there is none to give."""
        return BadInput(
            f"nothing passes between its ports at {frequency_hz / 1e6:.6g} MHz (|S| = 0)",
            self.path,
            "Choose other ports, or measure it again.",
        )

    def _require(self, frequency_hz: float) -> None:
        first_hz, last_hz = self.frequency_hz[0], self.frequency_hz[-1]
        if not first_hz <= frequency_hz <= last_hz:
            raise BadInput(
                f"runs from {first_hz / 1e6:.6g} to {last_hz / 1e6:.6g} MHz, and its loss is asked"
                f" for at {frequency_hz / 1e6:.6g} MHz",
                self.path,
                "Measure it there, or write its loss_db instead.",
            )

    def _between(self, frequency_hz: float, values_db: tuple[float, ...]) -> float:
        # Beside an infinite loss a straight line is not a number; nothing is counted on there.
        with np.errstate(invalid="ignore"):
            found = float(np.interp(frequency_hz, self.frequency_hz, values_db))
        return float("inf") if np.isnan(found) else found


@dataclass(frozen=True, slots=True)
class SParameters:
    """What a Touchstone file holds.

    Parameters
    ----------
    path : str, the file. sha512 : of its bytes, in hexadecimal digits
    frequency_hz : float64, shape (n,), ascending, n at least 1
    s : complex128, shape (n, ports, ports); s[:, b, a] is what leaves port b of what enters port a
    """

    path: str
    sha512: str
    frequency_hz: FloatArray = field(repr=False)
    s: NDArray[np.complex128] = field(repr=False)

    @property
    def ports(self) -> int:
        """How many ports the part has."""
        return int(self.s.shape[1])

    def loss(self, into: int, out: int) -> LossCurve:
        """Give the loss from one port to another, both counted from 1.

        With one and the same port it is the return loss.
        """
        with np.errstate(divide="ignore"):
            there_db, back_db = (
                -20.0 * np.log10(np.abs(self.s[:, b - 1, a - 1]))
                for a, b in [(into, out), (out, into)]
            )
        return LossCurve(
            path=self.path,
            frequency_hz=tuple(self.frequency_hz.tolist()),
            loss_db=tuple(there_db.tolist()),
            back_db=tuple(back_db.tolist()),
        )


def load_loss(path: Path, ports: tuple[int, int]) -> LossCurve:
    """Read the loss between two ports out of a Touchstone file.

    Parameters
    ----------
    path : ``.s2p`` to ``.s99p``
    ports : (in, out), counted from 1; (1, 2) gives |S21|

    Raises
    ------
    BadInput : no such file, another ending, one port only, no such port, or no readable S
        parameters at 50 ohm with ascending frequencies.

    References
    ----------
    Touchstone File Format Specification, version 1.1 (2002), EIA/IBIS Open Forum: option line,
    and the order N11 N21 N12 N22 of two-port data; from memory.
    """
    count = port_count(path)
    if not all(1 <= port <= count for port in ports):
        raise BadInput(
            f"has {count} ports, and the bench file asks for ports = [{ports[0]}, {ports[1]}]",
            str(path),
            "Correct ports in the bench file.",
        )
    return load_parameters(path).loss(*ports)


def port_count(path: Path) -> int:
    """Give the number of ports that the ending of a file's name says, 2 to 99.

    Raises
    ------
    BadInput : another ending, or one port only.
    """
    ending = re.fullmatch(r"\.s(\d{1,2})p", path.suffix.lower())
    if ending is None:
        raise BadInput("does not end in .s2p", str(path), "Name a Touchstone file of S parameters.")
    count = int(ending[1])
    if count < 2:
        raise BadInput(
            "has one port, so nothing passes through it",
            str(path),
            "Measure the part as a two-port.",
        )
    return count


def load_parameters(path: Path) -> SParameters:
    """Read a Touchstone file.

    Parameters
    ----------
    path : ``.s2p`` to ``.s99p``

    Raises
    ------
    BadInput : as ``load_loss``, the ports apart.
    """
    port_count(path)
    content = read_bytes(path, LARGEST_TOUCHSTONE_BYTES, "Touchstone")
    frequency_hz, s = _parameters(content, path)
    return SParameters(
        path=str(path),
        sha512=hashlib.sha512(content).hexdigest(),
        frequency_hz=frequency_hz,
        s=s,
    )


def _parameters(content: bytes, path: Path) -> tuple[FloatArray, NDArray[np.complex128]]:
    """Give the frequencies in Hz, shape (n,), and the S parameters, shape (n, ports, ports)."""
    where = str(path)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Only comments hold other letters; what is no text at all fails below.
        text = content.decode("latin-1")
    # Comments go first: the library reads meanings into some of them.
    lines = [bare for line in text.splitlines() if (bare := line.partition("!")[0].strip())]
    if any(line.startswith("[") for line in lines):
        raise BadInput("is Touchstone version 2, which is not read here", where, SAVE)
    if not any(line.startswith("#") for line in lines):
        raise BadInput(
            "has no option line, so its unit of frequency is unknown",
            where,
            f"Save it again, or write the line, such as {OPTION_LINE}.",
        )
    # Heavy, and wanted only where a bench file names a Touchstone file.
    from skrf.io.touchstone import Touchstone

    file = io.StringIO("\n".join(lines))
    file.name = f"file{path.suffix.lower()}"
    try:
        with np.errstate(all="ignore"):
            read = Touchstone(file)
    except (ValueError, IndexError, TypeError, OverflowError) as error:
        reason = str(error).removeprefix("ERROR: ").strip().partition("\n")[0]
        raise BadInput(f"cannot be read as Touchstone: {reason}", where, SAVE) from error
    if read.parameter != "s":
        raise BadInput(
            f"holds {str(read.parameter).upper()} parameters", where, "Save S parameters."
        )
    if len(read.f) == 0:
        raise BadInput("holds no data", where, SAVE)
    # The library spreads one number over all parameters where the others are missing.
    if read.s_flat.shape[1] != read.rank**2:
        raise BadInput(f"has other data than those of {read.rank} ports", where, SAVE)
    if np.any(read.z0 != IMPEDANCE_OHM):
        ohms = ", ".join(engineering(abs(each)) for each in dict.fromkeys(read.z0[0]))
        raise BadInput(
            f"is for {ohms} ohm, a bench for 50",
            where,
            "Save it for 50 ohm.",
        )
    if not np.all(np.isfinite(read.f)) or not np.all(np.isfinite(read.s)):
        raise BadInput("holds something that is no number", where, AGAIN)
    # What falls back in frequency is taken for noise data, and may be data in disorder.
    is_noise = read.noise is None or read.noise.shape[-1] == FIELDS_OF_NOISE
    if read.f[0] < 0.0 or np.any(np.diff(read.f) <= 0.0) or not is_noise:
        raise BadInput("has frequencies that do not ascend", where, SAVE)
    return read.f, read.s
