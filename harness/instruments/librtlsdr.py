"""The door to the dongles' C library: ``pyrtlsdr`` is imported here and nowhere else.

What stands in the way, and what is done about it (read in pyrtlsdr 0.5.1):

- It loads librtlsdr on import and binds functions that only one branch of that library has
  (dithering, GPIO). The librtlsdr 0.6.0 that Debian 12 ships lacks them, and the import fails. So
  we load the library and hand it over by the door that pyrtlsdr leaves open for a loader of its
  own; what is missing answers "not supported", and dithering "on", as that library always has it.
- It closes the device by itself when a setting or a read fails, also while another thread uses it.
  Its ``close`` is kept from that: ``Chip.close`` closes, once.
- It rounds the frequency read back to kHz and works the rate out anew from a rounded one. The
  library itself is asked.
- On opening it sets automatic gain, a rate and a frequency: ours are set after it and read back.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import sys
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from harness.errors import HardwareFault

NO_LIBRARY = "Install librtlsdr (Debian: apt install rtl-sdr; macOS: brew install librtlsdr)."
UDEV_FILE = "/etc/udev/rules.d/60-rtlsdr.rules"
UDEV_RULE = 'SUBSYSTEM=="usb", ATTR{idVendor}=="0bda", ATTR{idProduct}=="283[28]", TAG+="uaccess"'
"""Vendor and product of the common dongles: common practice, no source."""
_NOT_SUPPORTED = -12
"""As libusb counts: the table of pyrtlsdr's LibUSBError."""
_IO, _ACCESS, _GONE, _BUSY = -1, -3, -4, -6
_ABSENT = {
    "rtlsdr_set_dithering": 0,
    "rtlsdr_set_gpio_output": _NOT_SUPPORTED,
    "rtlsdr_set_gpio_input": _NOT_SUPPORTED,
    "rtlsdr_set_gpio_bit": _NOT_SUPPORTED,
    "rtlsdr_get_gpio_bit": _NOT_SUPPORTED,
    "rtlsdr_set_gpio_byte": _NOT_SUPPORTED,
    "rtlsdr_get_gpio_byte": _NOT_SUPPORTED,
    "rtlsdr_set_gpio_status": _NOT_SUPPORTED,
}
"""Functions that not every librtlsdr has, and what they answer then."""
_TUNERS = {1: "E4000", 2: "FC0012", 3: "FC0013", 4: "FC2580", 5: "R820T", 6: "R828D"}
"""As librtlsdr counts them; from memory of its header."""


class _Absent:
    """A function that the library lacks; takes the types that pyrtlsdr gives it."""

    def __init__(self, answer: int) -> None:
        self.restype: Any = None
        self.argtypes: Any = None
        self._answer = answer

    def __call__(self, *_: object) -> int:
        return self._answer


class _Library(ctypes.CDLL):
    def __getattr__(self, name: str) -> Any:
        try:
            return super().__getattr__(name)
        except AttributeError:
            if name not in _ABSENT:
                raise
            absent = _Absent(_ABSENT[name])
            setattr(self, name, absent)
            return absent


def _names() -> Iterator[str]:
    """Places to look for the library, as the system's loader would, newest names first."""
    for folder in os.environ.get("LD_LIBRARY_PATH", "").split(os.pathsep):
        if folder.strip():
            yield os.path.join(folder, "librtlsdr.so")
    found = ctypes.util.find_library("rtlsdr")
    if found:
        yield found
    yield from ("librtlsdr.so", "librtlsdr.so.2", "librtlsdr.so.0", "librtlsdr.dylib")


def _load_library() -> ctypes.CDLL:
    for name in _names():
        try:
            return _Library(name)
        except OSError:
            continue
    raise HardwareFault("there is no librtlsdr on this computer", "dongle", NO_LIBRARY)


def load() -> Any:
    """Give the module ``rtlsdr.rtlsdr``, its library loaded.

    Raises
    ------
    HardwareFault : the library is not there, or is none that can be used.
    """
    if "rtlsdr.rtlsdr" in sys.modules:
        return sys.modules["rtlsdr.rtlsdr"]
    loader = types.ModuleType("pyrtlsdrlib")
    library = _load_library()
    loader.load_librtlsdr = lambda: library  # type: ignore[attr-defined]
    before = sys.modules.get("pyrtlsdrlib")
    sys.modules["pyrtlsdrlib"] = loader
    try:
        import rtlsdr.rtlsdr
    except AttributeError as fault:
        # A symbol that every version has is missing: another library of that name.
        for name in [name for name in sys.modules if name.partition(".")[0] == "rtlsdr"]:
            del sys.modules[name]
        raise HardwareFault(
            f"the librtlsdr on this computer cannot be used ({fault})", "dongle", NO_LIBRARY
        ) from fault
    finally:
        if before is None:
            del sys.modules["pyrtlsdrlib"]
        else:
            sys.modules["pyrtlsdrlib"] = before
    return rtlsdr.rtlsdr


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """A dongle that is plugged in; ``serial`` is None, and ``fault`` says why, if not told."""

    index: int
    name: str
    serial: str | None
    fault: str = ""


def list_dongles() -> list[Listed]:
    """List the dongles that are plugged in; none is opened for it."""
    library = load().librtlsdr
    found = []
    for index in range(library.rtlsdr_get_device_count()):
        name = (library.rtlsdr_get_device_name(index) or b"").decode("utf-8", "replace")
        text = (ctypes.c_ubyte * 256)()
        answer = library.rtlsdr_get_device_usb_strings(index, None, None, text)
        serial = bytes(text).split(b"\0", 1)[0].decode("utf-8", "replace")
        found.append(
            Listed(
                index=index,
                name=name,
                serial=serial if answer == 0 else None,
                fault="" if answer == 0 else in_words(answer),
            )
        )
    return found


def tuner_of(index: int) -> str:
    """Name a dongle's tuner, or say why it is not told; opened and closed for it."""
    library = load().librtlsdr
    device = ctypes.c_void_p(None)
    answer = library.rtlsdr_open(ctypes.byref(device), index)
    if answer < 0:
        return in_words(answer)
    try:
        return _TUNERS.get(library.rtlsdr_get_tuner_type(device), "unknown tuner")
    finally:
        library.rtlsdr_close(device)


def in_words(answer: int) -> str:
    """Say what an answer of the library means."""
    return {
        _IO: "input/output error",
        _ACCESS: "no permission",
        _GONE: "not there any more",
        _BUSY: "in use by another program",
    }.get(answer, f"error {answer} of librtlsdr")


def find(serial: str | None) -> Listed:
    """Find the dongle with a serial number; without one, the only one there is.

    Raises
    ------
    HardwareFault : it is not there, or which one is meant cannot be told.
    """
    dongles = list_dongles()
    where = "dongle" if serial is None else f"dongle {serial}"
    if not dongles:
        raise HardwareFault("no dongle is plugged in", where, "Plug it in and run again.")
    if serial is None and len(dongles) == 1:
        return dongles[0]
    right = [each for each in dongles if serial is not None and each.serial == serial]
    if len(right) == 1:
        return right[0]
    told = [each.serial for each in dongles if each.serial is not None]
    there = ", ".join(text or "(no serial)" for text in told)
    if len(right) > 1:
        raise HardwareFault(
            f"{len(right)} dongles have this serial",
            where,
            "Give each its own (rtl_eeprom -s), or unplug the other.",
        )
    if len(told) < len(dongles):
        raise _refused(next(each.fault for each in dongles if each.fault), where)
    if serial is None:
        raise HardwareFault(
            f"there are {len(dongles)}: {there}", where, "Write the one that is meant as serial."
        )
    raise HardwareFault(
        f"not there; there is {there}",
        where,
        "Correct the serial, or plug it in.",
    )


def _refused(why: str, where: str) -> HardwareFault:
    remedy = {
        in_words(_ACCESS): (
            f"Put the line {UDEV_RULE} into {UDEV_FILE}, run udevadm control --reload, and plug"
            " the dongle in again."
        ),
        in_words(_BUSY): (
            "End that program; if there is none, the kernel's television driver holds it: run"
            " modprobe -r dvb_usb_rtl28xxu."
        ),
    }.get(why, "Unplug it, plug it in again and run again.")
    return HardwareFault(f"cannot be opened: {why}", where, remedy)


class Chip:
    """An open dongle, setting by setting; what cannot be set or read back is a HardwareFault.

    Parameters
    ----------
    listed : of ``find``
    """

    def __init__(self, listed: Listed) -> None:
        module = load()
        self.where = f"dongle {listed.serial or listed.index}"
        try:
            self._handle = module.RtlSdr(device_index=listed.index)
        except OSError as fault:
            number = fault.errno if isinstance(fault.errno, int) else _IO
            raise _refused(in_words(number), self.where) from fault
        # Not under our hands, see above. The class keeps the real one.
        self._handle.close = lambda: None
        self._library = module.librtlsdr
        self._device = self._handle.dev_p
        self._open = True
        self.tuner = _TUNERS.get(self._library.rtlsdr_get_tuner_type(self._device), "tuner")
        self.gain_steps_db = tuple(sorted(step / 10.0 for step in self._handle.gain_values))

    @contextmanager
    def _refusing(self, what: str) -> Iterator[None]:
        try:
            yield
        except OSError as fault:
            number = fault.errno if isinstance(fault.errno, int) else _IO
            raise HardwareFault(
                f"{what} could not be set ({in_words(number)})",
                self.where,
                "Unplug it, plug it in again and run again.",
            ) from fault

    def set_gain(self, gain_db: float) -> float:
        """Set the tuner's gain by hand, nothing automatic; give the step that it took, in dB."""
        with self._refusing("manual gain"):
            self._handle.set_agc_mode(False)
            self._handle.set_gain(gain_db)
        return float(self._library.rtlsdr_get_tuner_gain(self._device)) / 10.0

    def set_sample_rate(self, sample_rate_hz: int) -> int:
        """Set the rate; give what the library reads back, whole Hz."""
        with self._refusing(f"a rate of {sample_rate_hz} Hz"):
            self._handle.set_sample_rate(sample_rate_hz)
        return int(self._library.rtlsdr_get_sample_rate(self._device))

    def clear_correction(self) -> int:
        """Set the chip's own whole ppm to 0; give what is read back."""
        # Setting what is set already is an error to the library (from memory of its source).
        if self._library.rtlsdr_get_freq_correction(self._device) != 0:
            with self._refusing("a clock correction of 0 ppm"):
                self._handle.set_freq_correction(0)
        return int(self._library.rtlsdr_get_freq_correction(self._device))

    def set_centre(self, centre_hz: int) -> int:
        """Tune; give what the library reads back, whole Hz. Allowed while it streams."""
        answer = self._library.rtlsdr_set_center_freq(self._device, centre_hz)
        if answer < 0:
            raise HardwareFault(
                f"cannot be tuned to {centre_hz / 1e6:.6f} MHz ({in_words(answer)})",
                self.where,
                "Name a frequency that its tuner reaches.",
            )
        return int(self._library.rtlsdr_get_center_freq(self._device))

    def stream(self, take: Callable[[Any], None], buffer_bytes: int) -> str:
        """Hand each buffer to ``take`` until cancelled; give why it ended. Blocks.

        ``take`` gets a ctypes array of uint8 that is used again as soon as it returns.
        """
        try:
            self._handle.read_bytes_async(lambda values, _: take(values), buffer_bytes)
        except OSError as fault:
            return in_words(fault.errno if isinstance(fault.errno, int) else _IO)
        return "the stream ended by itself"

    def cancel(self) -> None:
        """Ask the stream to end; allowed at any time."""
        if self._open:
            self._library.rtlsdr_cancel_async(self._device)

    def close(self) -> None:
        """Close, once; no stream may be running."""
        if self._open:
            self._open = False
            type(self._handle).close(self._handle)
