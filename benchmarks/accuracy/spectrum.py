"""Spectrum trials: lines and neighbours of known power, carriers that settle by exponentials.

What is at chance on a bench is drawn with the noise: where a carrier falls between the lines, its
phase, how uneven the recorder's noise is, the moment of a key-up, how the power rises.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.accuracy.trial import Trial, Truth
from harness.blocks import Block
from harness.measure.run import measure_recordings
from harness.measure.setup import Channel, Options
from harness.measure.spectrum import Spectrum
from harness.readings import Findings
from tests.truth.emissions import (
    NoiseCarrier,
    SettlingCarrier,
    fm_lines,
    noise_occupied_hz,
    occupied_hz,
)
from tests.truth.files import write_pair
from tests.truth.signals import Carrier, Dongle, Sine, noise_dbfs_hz

RATE_HZ = 200e3
CENTRE_HZ = 153e6
SECONDS = 0.4
LEVEL_DBFS = -6.0
UNEVEN_DB, UNEVEN_WAVES = 0.25, 4
"""How far from flat a recorder's noise is. Chosen."""
ADJACENT_HZ = {12500.0: 8500.0, 20e3: 14e3, 25e3: 16e3}
"""Measuring bandwidths: harness/data/channels.toml, where their source stands."""
RESOLUTION_HZ = 100.0
FILE_RATE_HZ, SENT_HZ = 500e3, CENTRE_HZ + 50e3
CAPTURE_DB, T1_S = -30.0, 5e-3
"""t_on: where the carrier captures a receiver, 30 dB under itself (chosen, as in
harness/measure/transient.py); t1 lasts 5 ms at 150 to 174 MHz (47 CFR 90.214, read)."""
MASK_D_AT_10_KHZ_DB = 51.7624
"""Mask D 10 kHz off at 12.5 kHz: 47 CFR 90.210(d), cfr90_mask_points.csv."""


def _noise(count: int, rate_hz: float, density_dbfs_hz: float, draw: int) -> np.ndarray:
    """Make a recorder's noise: not quite flat, by a quarter of a decibel (effective value)."""
    rng = np.random.default_rng([draw, 94])
    normal = rng.standard_normal((2, count))
    frequency_hz = np.fft.fftfreq(count, 1.0 / rate_hz)
    uneven_db = np.zeros(count)
    for period_hz in rng.uniform(15e3, 80e3, UNEVEN_WAVES):
        turn = rng.uniform(0.0, 1.0)
        uneven_db += np.cos(2.0 * np.pi * (frequency_hz / period_hz + turn))
    uneven_db *= UNEVEN_DB * np.sqrt(2.0 / UNEVEN_WAVES)
    power = 10.0 ** (density_dbfs_hz / 10.0) * rate_hz
    lines = np.fft.fft(np.sqrt(power / 2.0) * (normal[0] + 1j * normal[1]))
    return np.fft.ifft(lines * 10.0 ** (uneven_db / 20.0))


def _trial(
    signal: str,
    carriers: Callable[[int, float], tuple[Any, ...]],
    density_dbfs_hz: float,
    truths: tuple[Truth, ...],
    *,
    mask: str | None = None,
    spacing_hz: float = 12500.0,
    seconds: float = SECONDS,
    burst: bool = False,
) -> Trial:
    """``carriers`` of a draw and of how far off the middle chance puts them, in Hz.

    With ``burst`` the last carrier is there for a quarter of the time only.
    """

    def measure(draw: int, folder: Path) -> Findings:
        rate_hz = 16.0 * spacing_hz
        time_s = np.arange(round(seconds * rate_hz)) / rate_hz
        off_hz = float(np.random.default_rng([draw, 96]).uniform(-100.0, 100.0))
        parts = [carrier.at(time_s, CENTRE_HZ) for carrier in carriers(draw, off_hz)]
        if burst:
            parts[-1] = np.where(np.abs(time_s / seconds - 0.5) < 0.125, parts[-1], 0.0)
        iq = np.sum(parts, axis=0) + _noise(len(time_s), rate_hz, density_dbfs_hz, draw)
        channel = Channel(
            name="made",
            role="output",
            sample_rate_hz=rate_hz,
            centre_hz=CENTRE_HZ,
            nominal_hz=CENTRE_HZ,
            spacing_hz=spacing_hz,
            width_spacings=8.0,
        )
        spectrum = Spectrum({"output": channel}, Options(mask=mask, power_w=4.0))
        spectrum.push("output", Block(iq.astype(np.complex64), 0, rate_hz))
        return spectrum.finish()

    return Trial(signal=signal, truths=truths, measure=measure)


def _tone(
    off_hz: float, tone_hz: float = 1000.0, deviation_hz: float = 1500.0, phase_rad: float = 0.0
) -> Carrier:
    sines = (Sine(frequency_hz=tone_hz, deviation_hz=deviation_hz, phase_rad=phase_rad),)
    return Carrier(frequency_hz=CENTRE_HZ + off_hz, level_dbfs=LEVEL_DBFS, sines=sines)


def _neighbour(to_carrier_db: float, below_noise_db: float, spacing_hz: float = 12500.0) -> Trial:
    """Put a line anywhere about the middle of the upper adjacent channel."""

    def carriers(draw: int, off_hz: float) -> tuple[Carrier, ...]:
        neighbour = Carrier(
            frequency_hz=CENTRE_HZ + spacing_hz + 10.0 * off_hz,
            level_dbfs=LEVEL_DBFS + to_carrier_db,
            phase_rad=0.3 * draw,
        )
        deviation_hz = 0.12 * spacing_hz
        return _tone(off_hz, deviation_hz=deviation_hz, phase_rad=0.7 * draw), neighbour

    return _trial(
        f"{spacing_hz / 1e3:g} kHz spacing, neighbour at {to_carrier_db:g} dB, noise in its"
        f" channel {below_noise_db:g} dB",
        carriers,
        noise_dbfs_hz(LEVEL_DBFS, below_noise_db, ADJACENT_HZ[spacing_hz]),
        (
            Truth(
                reading="adjacent_channel_power",
                value=to_carrier_db,
                goal=0.5,
                conditions={"side": "upper"},
            ),
        ),
        spacing_hz=spacing_hz,
    )


def _occupied(
    tone_hz: float, deviation_hz: float, cnr_db: float, spacing_hz: float = 12500.0
) -> Trial:
    def carriers(draw: int, off_hz: float) -> tuple[Carrier, ...]:
        return (_tone(off_hz, tone_hz, deviation_hz, 0.7 * draw),)

    return _trial(
        f"{tone_hz:g} Hz at {deviation_hz:g} Hz, {cnr_db:g} dB carrier to noise",
        carriers,
        noise_dbfs_hz(LEVEL_DBFS, cnr_db, 12500.0),
        (
            Truth(
                reading="occupied_bandwidth",
                value=occupied_hz(fm_lines(tone_hz, deviation_hz)),
                goal=spacing_hz / 125.0,
            ),
        ),
        spacing_hz=spacing_hz,
    )


def _occupied_by_speech(deviation_rms_hz: float, cnr_db: float) -> Trial:
    def carriers(draw: int, off_hz: float) -> tuple[NoiseCarrier, ...]:
        return (
            NoiseCarrier(
                frequency_hz=CENTRE_HZ + off_hz,
                deviation_rms_hz=deviation_rms_hz,
                draw=draw,
                level_dbfs=LEVEL_DBFS,
            ),
        )

    return _trial(
        f"noise of 300 to 3000 Hz at {deviation_rms_hz:g} Hz, {cnr_db:g} dB carrier to noise",
        carriers,
        noise_dbfs_hz(LEVEL_DBFS, cnr_db, 12500.0),
        (
            Truth(
                reading="occupied_bandwidth",
                value=noise_occupied_hz(deviation_rms_hz),
                goal=100.0,
            ),
        ),
        seconds=4.0,
    )


def _mask(over_db: float, over_noise_db: float, side: int = 1, *, burst: bool = False) -> Trial:
    line_dbfs = LEVEL_DBFS - MASK_D_AT_10_KHZ_DB + over_db

    def carriers(draw: int, off_hz: float) -> tuple[Carrier, ...]:
        # The mask hangs on the channel, not on the carrier: the line stays where it was.
        line = Carrier(
            frequency_hz=CENTRE_HZ + side * 10e3, level_dbfs=line_dbfs, phase_rad=0.3 * draw
        )
        return Carrier(frequency_hz=CENTRE_HZ + off_hz, level_dbfs=LEVEL_DBFS), line

    return _trial(
        f"line{' for a quarter of the time' if burst else ''} {over_db:+g} dB at mask D,"
        f" {side * 10} kHz off, {over_noise_db:g} dB over the noise",
        carriers,
        noise_dbfs_hz(line_dbfs, over_noise_db, RESOLUTION_HZ),
        (Truth(reading="emission_mask_margin", value=-over_db, goal=0.5),),
        mask="90.210-D",
        burst=burst,
    )


def _settling(
    draw: int, up_hz: float, down_hz: float, rises_s: tuple[float, float]
) -> SettlingCarrier:
    """Draw what is at chance: moments within a sample, law of the rise, error of the crystal."""
    rng = np.random.default_rng([draw, 95])
    low_s, high_s = rises_s
    return SettlingCarrier(
        frequency_hz=SENT_HZ + float(rng.uniform(-100.0, 100.0)),
        on_s=0.05 + float(rng.uniform(0.0, 1e-4)),
        off_s=0.3 + float(rng.uniform(0.0, 1e-4)),
        up_hz=up_hz,
        up_tau_s=4e-3,
        down_hz=down_hz,
        down_tau_s=2e-3,
        rise_s=float(np.exp(rng.uniform(np.log(low_s), np.log(high_s)))),
        rise_order=float(np.exp(rng.uniform(np.log(0.5), np.log(3.0)))),
    )


def _transient(
    signal: str,
    up_hz: float,
    down_hz: float,
    cnr_db: float,
    rises_s: tuple[float, float] = (2e-4, 4e-3),
    spacing_hz: float = 12500.0,
) -> Trial:
    def truths(draw: int) -> tuple[Truth, ...]:
        carrier = _settling(draw, up_hz, down_hz, rises_s)
        captured_s = carrier.reaches_s(CAPTURE_DB)
        moments = {
            "t1": captured_s,
            "t2": captured_s + T1_S,
            "t3": carrier.off_s + carrier.on_s - captured_s,
        }
        return tuple(
            Truth(
                reading="transient_frequency",
                value=abs(
                    carrier.frequency_hz - SENT_HZ + float(carrier.offset_hz(np.float64(at_s)))
                ),
                goal=0.05,
                relative=True,
                conditions={"interval": interval},
            )
            for interval, at_s in moments.items()
        )

    def measure(draw: int, folder: Path) -> Findings:
        dongle = Dongle(
            sample_rate_hz=FILE_RATE_HZ,
            centre_hz=CENTRE_HZ,
            carriers=(_settling(draw, up_hz, down_hz, rises_s),),
            noise_dbfs_hz=noise_dbfs_hz(LEVEL_DBFS, cnr_db, 12500.0),
            draw=draw,
        )
        made = [dongle.samples(round(0.35 * FILE_RATE_HZ))]
        path = write_pair(folder / "r", made, "ci16_le", FILE_RATE_HZ, CENTRE_HZ)
        return measure_recordings("spectrum", [path], at_hz=SENT_HZ, spacing_hz=spacing_hz)

    return Trial(signal=f"settling from {up_hz:g} Hz, {signal}", truths=truths, measure=measure)


TRIALS = (
    _occupied(1000.0, 1500.0, 45.0),
    _occupied(1000.0, 1500.0, 30.0),
    _occupied(1000.0, 1500.0, 21.0),
    _occupied(400.0, 2500.0, 35.0),
    _occupied(1000.0, 5000.0, 35.0, 25e3),
    _occupied_by_speech(800.0, 40.0),
    _neighbour(-30.0, 50.0),
    _neighbour(-40.0, 60.0),
    _neighbour(-50.0, 54.0),
    _neighbour(-50.0, 52.0),
    _neighbour(-45.0, 55.0, 20e3),
    _neighbour(-45.0, 55.0, 25e3),
    _mask(3.0, 25.0),
    _mask(-2.0, 25.0, -1),
    _mask(3.0, 14.0),
    _mask(3.0, 10.0),
    _mask(3.0, 25.0, burst=True),
    _transient("60 dB carrier to noise", 10e3, -6e3, 60.0),
    _transient("60 dB carrier to noise", -4e3, 3e3, 60.0),
    _transient("comes at once, 60 dB carrier to noise", 10e3, -6e3, 60.0, (1e-6, 2e-5)),
    _transient("25 kHz channel, 55 dB carrier to noise", 18e3, 12e3, 55.0, spacing_hz=25e3),
    _transient("45 dB carrier to noise", 10e3, -6e3, 45.0),
    _transient("38 dB carrier to noise", 10e3, -6e3, 38.0),
)
