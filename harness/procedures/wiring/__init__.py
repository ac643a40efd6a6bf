"""Opens the devices that a bench file names: the only room that knows concrete drivers.

``bench`` tells what goes together.
"""

from harness.procedures.clock import Clock
from harness.procedures.wiring.bench import open_bench
from harness.procedures.wiring.found import DEVICE_LISTS
from harness.procedures.wiring.instruments import open_instruments
from harness.procedures.wiring.live import live_bench
from harness.procedures.wiring.parts import LIVE, Instruments, OpenBench
from harness.procedures.wiring.receivers import OFF_CHANNEL_HZ, open_source, receiver_roles
from harness.procedures.wiring.simulated import devices_of, simulated_bench
from harness.procedures.wiring.sound import (
    Signal,
    SignalKind,
    SoundIn,
    described_sound,
    play_tones,
    sound_input,
)

__all__ = [
    "DEVICE_LISTS",
    "LIVE",
    "OFF_CHANNEL_HZ",
    "Clock",
    "Instruments",
    "OpenBench",
    "Signal",
    "SignalKind",
    "SoundIn",
    "described_sound",
    "devices_of",
    "live_bench",
    "open_bench",
    "open_instruments",
    "open_source",
    "play_tones",
    "receiver_roles",
    "simulated_bench",
    "sound_input",
]
