"""Spectrum trials: lines and neighbours of known power, carriers that settle by exponentials."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from benchmarks.accuracy.trial import Trial, Truth
from harness.blocks import Block
from harness.measure.setup import Channel, Options
from harness.measure.spectrum import Spectrum
from harness.readings import Findings
from tests.truth.emissions import SettlingCarrier
from tests.truth.signals import Carrier, Sine, noise_dbfs_hz

RATE_HZ = 200e3
CENTRE_HZ = 153e6
SECONDS = 0.4
LEVEL_DBFS = -6.0
OCCUPIED_HZ = 4000.0
"""Of 1 kHz at 1500 Hz: lines of J_n(1.5)^2, of which 99 % lie from -2 to +2 kHz (A&S 9.1)."""
RESOLUTION_HZ = 100.0
MASK_D_AT_10_KHZ_DB = 51.7624
"""Mask D 10 kHz off at 12.5 kHz: 47 CFR 90.210(d), cfr90_mask_points.csv."""


def _measure(clean: np.ndarray, density_dbfs_hz: float, draw: int, mask: str | None) -> Findings:
    rng = np.random.default_rng([draw, 94])
    power = 10.0 ** (density_dbfs_hz / 10.0) * RATE_HZ
    normal = rng.standard_normal((2, len(clean)))
    iq = clean + np.sqrt(power / 2.0) * (normal[0] + 1j * normal[1])
    channel = Channel(
        name="made",
        role="output",
        sample_rate_hz=RATE_HZ,
        centre_hz=CENTRE_HZ,
        nominal_hz=CENTRE_HZ,
        width_spacings=8.0,
    )
    spectrum = Spectrum({"output": channel}, Options(mask=mask, power_w=4.0))
    spectrum.push("output", Block(iq.astype(np.complex64), 0, RATE_HZ))
    return spectrum.finish()


def _trial(
    signal: str,
    carriers: tuple[Carrier | SettlingCarrier, ...],
    density_dbfs_hz: float,
    truths: tuple[Truth, ...],
    mask: str | None = None,
) -> Trial:
    def measure(draw: int, folder: Path) -> Findings:
        time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
        clean = sum(carrier.at(time_s, CENTRE_HZ) for carrier in carriers)
        return _measure(np.asarray(clean), density_dbfs_hz, draw, mask)

    return Trial(signal=signal, truths=truths, measure=measure)


def _voice(level_dbfs: float = LEVEL_DBFS, at_hz: float = 100.0) -> Carrier:
    tone = Sine(frequency_hz=1000.0, deviation_hz=1500.0)
    return Carrier(frequency_hz=CENTRE_HZ + at_hz, level_dbfs=level_dbfs, sines=(tone,))


def _neighbour(to_carrier_db: float, below_noise_db: float) -> Trial:
    neighbour = Carrier(frequency_hz=CENTRE_HZ + 12.8e3, level_dbfs=LEVEL_DBFS + to_carrier_db)
    return _trial(
        f"neighbour at {to_carrier_db:g} dB, noise in its channel {below_noise_db:g} dB",
        (_voice(), neighbour),
        noise_dbfs_hz(LEVEL_DBFS, below_noise_db, 8500.0),
        (
            Truth(
                reading="adjacent_channel_power",
                value=to_carrier_db,
                goal=0.5,
                conditions={"side": "upper"},
            ),
        ),
    )


def _occupied(cnr_db: float) -> Trial:
    return _trial(
        f"1 kHz at 1500 Hz, {cnr_db:g} dB carrier to noise",
        (_voice(),),
        noise_dbfs_hz(LEVEL_DBFS, cnr_db, 12500.0),
        (Truth(reading="occupied_bandwidth", value=OCCUPIED_HZ, goal=RESOLUTION_HZ),),
    )


def _mask(over_db: float, over_noise_db: float) -> Trial:
    line_dbfs = LEVEL_DBFS - MASK_D_AT_10_KHZ_DB + over_db
    line = Carrier(frequency_hz=CENTRE_HZ + 10e3, level_dbfs=line_dbfs)
    return _trial(
        f"line {over_db:+g} dB at mask D, {over_noise_db:g} dB over the noise",
        (Carrier(frequency_hz=CENTRE_HZ, level_dbfs=LEVEL_DBFS), line),
        noise_dbfs_hz(line_dbfs, over_noise_db, RESOLUTION_HZ),
        (Truth(reading="emission_mask_margin", value=-over_db, goal=0.5),),
        mask="90.210-D",
    )


def _transient(up_hz: float, down_hz: float, cnr_db: float) -> Trial:
    carrier = SettlingCarrier(
        frequency_hz=CENTRE_HZ,
        on_s=0.05,
        off_s=0.3,
        up_hz=up_hz,
        up_tau_s=4e-3,
        down_hz=down_hz,
        down_tau_s=2e-3,
    )
    values = {"t1": abs(up_hz), "t2": abs(up_hz) * np.exp(-5.0 / 4.0), "t3": abs(down_hz)}
    return _trial(
        f"settling from {up_hz:g} Hz, {cnr_db:g} dB carrier to noise",
        (carrier,),
        noise_dbfs_hz(LEVEL_DBFS, cnr_db, 12500.0),
        tuple(
            Truth(
                reading="transient_frequency",
                value=float(value),
                goal=0.05,
                relative=True,
                conditions={"interval": interval},
            )
            for interval, value in values.items()
        ),
    )


TRIALS = (
    _occupied(45.0),
    _occupied(30.0),
    _occupied(24.0),
    _neighbour(-30.0, 50.0),
    _neighbour(-40.0, 60.0),
    _neighbour(-50.0, 54.0),
    _mask(3.0, 25.0),
    _mask(-2.0, 25.0),
    _mask(3.0, 14.0),
    _transient(10e3, -6e3, 60.0),
    _transient(-4e3, 3e3, 60.0),
    _transient(10e3, -6e3, 45.0),
)
