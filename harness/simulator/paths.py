"""The two dongles and their paths: as they are, and as a bench file would declare them.

What is declared is off the truth by up to two standard uncertainties, as on a real bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.devices import Role
from harness.simulator.dongle import Dongle, DonglePart
from harness.simulator.unit import SimulatedUnit

LO_OFFSET_HZ = 40e3
"""The dongles are tuned so far below the channel, to keep their DC out of it. Chosen."""


def true_dongles(unit: SimulatedUnit, overload: bool) -> tuple[DonglePart, DonglePart]:
    """Give what the two dongles and the paths to them are like in truth. All chosen."""
    missing_pad_db = 9.97 if overload else 0.0
    return (
        DonglePart(
            role="input",
            serial="00000101",
            centre_hz=unit.receive_hz - LO_OFFSET_HZ,
            gain_db=26.0,
            clock_error_ppm=-12.43,
            full_scale_dbm=-26.13,
            port_offset_db=10.07 - 60.06,
            skew_s=0.0,
        ),
        DonglePart(
            role="output",
            serial="00000102",
            centre_hz=unit.transmit_hz - LO_OFFSET_HZ,
            gain_db=0.0,
            clock_error_ppm=38.63,
            full_scale_dbm=0.11,
            port_offset_db=30.16 + 9.97 + 3.03 - missing_pad_db,
            skew_s=13e-6,
        ),
    )


def declared_bench(
    unit: SimulatedUnit, dongles: Mapping[Role, Dongle], seed: int, faults: tuple[str, ...]
) -> dict[str, Any]:
    """Give what a bench file would say of the dongles that are there, shaped like it."""

    def receiver(role: Role, clock_error_ppm: float, full_scale_dbm: float) -> dict[str, Any]:
        part = dongles[role].part
        return {
            "source": "simulated",
            "serial": part.serial,
            "sample_rate_hz": dongles[role].sample_rate_hz,
            "gain_db": part.gain_db,
            "clock_error_ppm": clock_error_ppm,
            "clock_uncertainty_ppm": 0.05,
            "full_scale_dbm": full_scale_dbm,
            "full_scale_uncertainty_db": 0.2,
            "skew_s": 0.0,
            "skew_uncertainty_s": 20e-6,
        }

    def element(name: str, loss_db: float, uncertainty_db: float, rating_w: float) -> Any:
        return {
            "element": name,
            "loss_db": loss_db,
            "uncertainty_db": uncertainty_db,
            "rating_w": rating_w,
        }

    declared: dict[str, Any] = {"name": "packing-shed bench"}
    if "input" in dongles:
        declared["input"] = {
            **receiver("input", -12.4, -26.0),
            "path": [element("tap", 10.0, 0.1, 1.0)],
            "unit_path": [element("60 dB pad", 60.0, 0.1, 10.0)],
        }
    if "output" in dongles:
        declared["output"] = {
            **receiver("output", 38.6, 0.0),
            "path": [
                element("30 dB pad", 30.1, 0.1, 10.0),
                element("10 dB pad", 10.0, 0.05, 1.0),
                element("3 dB pad", 3.0, 0.05, 1.0),
            ],
        }
    declared["generator"] = {
        "source": "simulated",
        "maximum_dbm": 0.0,
        "reverse_power_w": 0.5,
        "level_uncertainty_db": 0.25,
    }
    declared["meter"] = {
        "source": "simulated",
        "voltage_uncertainty_v": 0.01,
        "current_uncertainty_a": 0.005,
    }
    name = unit.name.lower().replace(" ", "-")
    declared["simulated"] = {"unit": name, "seed": seed, "faults": list(faults)}
    return declared
