"""One RTL-SDR dongle: what it is set to, and its stream of samples.

**The clock's error is corrected once, in the measuring.** A bench file's ``clock_error_ppm`` says
how far the dongle's tuning and rate are off, and the measurements take that away (DESIGN section
3). The chip has a correction of its own, in whole ppm; used as well, it would correct twice. It is
left at 0, and read back, so that a recording says what the crystal really did and a better
calibration can be applied to it years later.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from harness.devices import Role, StreamInfo
from harness.errors import BadInput, HardwareFault
from harness.instruments.arrivals import Arrivals
from harness.instruments.librtlsdr import Chip, find

RATES_HZ = ((225_001, 300_000), (900_001, 3_200_000))
"""What the chip's resampler can do; outside the library refuses. From memory of its source."""
CENTRES_HZ = (24e6, 1766e6)
"""Reach of the usual tuner (R820T): common practice, no source."""
_CRYSTAL_HZ = 28_800_000
_FRACTION_BITS = 22
"""The chip divides its crystal by a number with so many bits after the point, the last two of
them 0: pyrtlsdr 0.5.1, ``get_sample_rate``."""
BUFFER_S = 0.03
_BUFFER_BYTES = 16_384
"""Buffers are a whole multiple of it, about BUFFER_S long. Chosen: seldom enough for Python, often
enough for a level on the screen."""
_LETTING_GO_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a dongle is to be set to.

    ``serial`` None means the only dongle there is. ``clock_error_ppm`` (positive: fast) is used
    to tell time by its samples, and for nothing else.
    """

    role: Role
    serial: str | None
    sample_rate_hz: float
    centre_hz: float
    gain_db: float
    clock_error_ppm: float = 0.0


def real_rate_hz(sample_rate_hz: float, where: str = "dongle") -> float:
    """Give the rate that the chip takes for one that is asked for: off by less than 0.1 ppm.

    Raises
    ------
    BadInput : it has no such rate.
    """
    whole = round(sample_rate_hz)
    if whole != sample_rate_hz or not any(low <= whole <= high for low, high in RATES_HZ):
        raise BadInput(
            f"cannot sample at {sample_rate_hz:.12g} Hz",
            where,
            "Its rates are 225001 to 300000 and 900001 to 3200000 Hz, whole; write 250e3.",
        )
    ratio = (_CRYSTAL_HZ << _FRACTION_BITS) // whole & ~3
    return (_CRYSTAL_HZ << _FRACTION_BITS) / ratio


def buffer_bytes(sample_rate_hz: float) -> int:
    """Give how long the library's buffers are to be."""
    return max(1, math.floor(2.0 * sample_rate_hz * BUFFER_S / _BUFFER_BYTES)) * _BUFFER_BYTES


class Dongle:
    """An open dongle whose stream runs from ``run`` until ``close``.

    Parameters
    ----------
    settings : refused as BadInput before anything is opened where no dongle can do them
    clock : gives seconds; the computer's own, unless the samples come by another

    Raises
    ------
    BadInput : a rate or frequency that it does not have
    HardwareFault : not there, not ours to open, or it does not do what it was told
    """

    def __init__(self, settings: Settings, clock: Callable[[], float] = time.monotonic) -> None:
        where = f"dongle {settings.serial}" if settings.serial else "dongle"
        self._rate_hz = real_rate_hz(settings.sample_rate_hz, where)
        _require_centre(settings.centre_hz, where)
        self._clock = clock
        self._role = settings.role
        self.arrivals = Arrivals(
            self._rate_hz, self._rate_hz * (1.0 + settings.clock_error_ppm * 1e-6)
        )
        listed = find(settings.serial)
        self.serial = listed.serial or ""
        self._chip = Chip(listed)
        self.where = self._chip.where
        self._thread: threading.Thread | None = None
        self._closing = False
        try:
            self._gain_db = self._set_gain(settings.gain_db)
            self._set_rate(round(settings.sample_rate_hz))
            if self._chip.clear_correction() != 0:
                raise self._disobeys("its clock correction of 0 ppm", "another")
            self._centre_hz = self._tune(settings.centre_hz)
        except BaseException:
            self._chip.close()
            raise
        self.notes: tuple[str, ...] = ()
        if abs(self._gain_db - settings.gain_db) > 0.05:
            self.notes = (
                f"{self.where}: a gain of {settings.gain_db:g} dB was asked for; its nearest step"
                f" is {self._gain_db:g} dB.",
            )

    @property
    def info(self) -> StreamInfo:
        """What its stream says of itself."""
        return StreamInfo(
            role=self._role,
            datatype="cu8",
            sample_rate_hz=self._rate_hz,
            centre_hz=self._centre_hz,
            hardware=f"RTL-SDR dongle {self.serial}, {self._chip.tuner}".replace(" ,", ","),
            gain_db=self._gain_db,
        )

    @property
    def alive(self) -> bool:
        """Whether its stream runs."""
        return self._thread is not None and self.arrivals.ended is None

    def run(self) -> None:
        """Let the stream begin; allowed once."""
        if self._thread is not None:
            raise ValueError(f"{self.where} streams already")
        self.arrivals.restart_watch()
        self._thread = threading.Thread(target=self._stream, name=self.where, daemon=True)
        self._thread.start()

    def _stream(self) -> None:
        def take(codes: Any) -> None:
            if not self._closing:
                self.arrivals.put(codes, self._clock())

        self.arrivals.end(self._chip.stream(take, buffer_bytes(self._rate_hz)))

    def retune(self, centre_hz: float) -> None:
        """Tune to another frequency; the stream goes on.

        Raises
        ------
        BadInput : out of its reach. HardwareFault : it does not; or is gone.
        """
        _require_centre(centre_hz, self.where)
        if self.arrivals.ended is not None:
            raise HardwareFault(
                f"cannot be tuned: {self.arrivals.ended}; unplugged?",
                self.where,
                "Plug it in and start again.",
            )
        self._centre_hz = self._tune(centre_hz)

    def close(self) -> None:
        """End the stream and give the dongle free; allowed at any time, any number of times."""
        self._closing = True
        thread, begun_s = self._thread, time.monotonic()
        while thread is not None and thread.is_alive():
            # Asked again and again: before the stream has begun the library does not listen.
            self._chip.cancel()
            thread.join(0.02)
            if time.monotonic() - begun_s > _LETTING_GO_S:
                # Closed now, the library would work on freed memory: it is left to the process.
                return
        self._chip.close()

    def _set_gain(self, gain_db: float) -> float:
        step_db = self._chip.set_gain(gain_db)
        nearest_db = min(self._chip.gain_steps_db, key=lambda each: abs(each - gain_db))
        if abs(step_db - nearest_db) > 1e-9:
            raise self._disobeys(f"a gain of {nearest_db:g} dB", f"{step_db:g} dB")
        return step_db

    def _set_rate(self, sample_rate_hz: int) -> None:
        # Read back without what stands behind the point.
        got_hz = self._chip.set_sample_rate(sample_rate_hz)
        if abs(got_hz - self._rate_hz) > 1.0:
            raise self._disobeys(f"{sample_rate_hz} samples per second", f"{got_hz}")

    def _tune(self, centre_hz: float) -> float:
        got_hz = self._chip.set_centre(round(centre_hz))
        if got_hz != round(centre_hz):
            raise self._disobeys(f"{round(centre_hz)} Hz", f"{got_hz} Hz")
        return float(got_hz)

    def _disobeys(self, told: str, got: str) -> HardwareFault:
        return HardwareFault(
            f"was set to {told} and reads back {got}",
            self.where,
            "Unplug it, plug it in again and run again.",
        )


def _require_centre(centre_hz: float, where: str) -> None:
    low_hz, high_hz = CENTRES_HZ
    if not low_hz <= centre_hz <= high_hz:
        raise BadInput(
            f"cannot be tuned to {centre_hz / 1e6:.6f} MHz",
            where,
            f"Its tuner reaches from {low_hz / 1e6:g} to {high_hz / 1e6:g} MHz.",
        )
