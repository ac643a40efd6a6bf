"""What is plugged in to this computer."""

from __future__ import annotations

from collections.abc import Callable

from harness.devices import FoundDevice


def _dongles() -> list[FoundDevice]:
    from harness.instruments.dongles import found_dongles

    return found_dongles()


def _sound_devices() -> list[FoundDevice]:
    from harness.instruments.sound_card import sound_devices

    return [
        FoundDevice(kind="sound card", name=name, value=each.name, detail=f"{count} channels")
        for each in sound_devices()
        for name, count in (("input_device", each.inputs), ("output_device", each.outputs))
        if count
    ]


DEVICE_LISTS: dict[str, Callable[[], list[FoundDevice]]] = {
    "RTL-SDR dongles": _dongles,
    "sound card": _sound_devices,
}
"""What can be looked for on this computer, and how; each may raise a HarnessError."""
