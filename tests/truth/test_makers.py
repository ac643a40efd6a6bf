"""The makers of truth against published numbers, before anything is judged by them.

Sources: bessel_sidebands.csv (J_n by definition), fm_post_detection.csv (Haykin & Moher, solution
9.18), fm_clicks_rice.csv (Rice 1963), worked-examples.md sections 2 and 4.
"""

import csv
import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from tests.truth.battery import BatteryRun
from tests.truth.files import quantise, write_pair
from tests.truth.repeater import (
    Keyings,
    SinadSweep,
    SquelchStaircases,
    fm_through_limiter,
    limiter_discriminator,
    noise_rms_for_sinad,
    straight,
    with_ceiling,
    with_knee,
)
from tests.truth.signals import (
    Carrier,
    Dongle,
    Sine,
    band_noise,
    noise_dbfs_hz,
    peaks_hz,
    rectangular_noise,
)


def test_sidebands_of_a_made_carrier(reference: Path) -> None:
    text = (reference / "bessel_sidebands.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert len(rows) > 50
    for row in rows:
        beta, n = float(row["beta"]), int(row["n"])
        # One second of whole periods: each line falls in one bin, so ten digits must agree.
        sine = Sine(frequency_hz=1000.0, deviation_hz=1000.0 * beta)
        iq = Dongle(
            sample_rate_hz=65536.0,
            carriers=(
                Carrier(frequency_hz=153.825e6, level_dbfs=0.0, phase_rad=0.0, sines=(sine,)),
            ),
        ).samples(65536)
        line = np.fft.fft(iq)[1000 * n] / len(iq)
        assert line == pytest.approx(float(row["jn"]), abs=6e-11)


def test_carrier_to_noise_is_as_stated() -> None:
    density = noise_dbfs_hz(-10.0, 17.0, 11e3)
    noise = Dongle(sample_rate_hz=250e3, noise_dbfs_hz=density).samples(1 << 19)
    lines = np.abs(np.fft.fft(noise) / len(noise)) ** 2
    inside = np.abs(np.fft.fftfreq(len(noise), 1 / 250e3)) < 5.5e3
    # Five sigma of 23 000 exponential lines is 3.3 %.
    assert 10 * np.log10(lines[inside].sum()) == pytest.approx(-27.0, abs=0.14)


def test_a_fast_dongle_sees_the_carrier_low_and_slow() -> None:
    e = 38.6e-6
    iq = Dongle(
        sample_rate_hz=250e3,
        clock_error_ppm=38.6,
        carriers=(Carrier(frequency_hz=153.826e6),),
    ).samples(1 << 16)
    cycles_per_sample = np.angle(np.vdot(iq[:-1], iq[1:])) / (2 * np.pi)
    expected_hz = 153.826e6 - 153.825e6 * (1 + e)
    assert cycles_per_sample * 250e3 * (1 + e) == pytest.approx(expected_hz, abs=1e-5)


@pytest.mark.parametrize(
    ("value", "datatype", "codes"),
    [
        (0.0 + 0.0j, "cu8", (128, 128)),
        (1.0 - 1.0j, "cu8", (255, 0)),
        (7.0 - 7.0j, "cu8", (255, 0)),
        (0.5 + 0.25j, "ci16_le", (16384, 8192)),
        (-1.0 + 1.0j, "ci16_le", (-32768, 32767)),
    ],
)
def test_codes(value: complex, datatype: str, codes: tuple[int, int]) -> None:
    assert tuple(quantise(np.array([value]), datatype)[0]) == codes


def test_pair_is_what_its_description_says(tmp_path: Path) -> None:
    dongle = Dongle(sample_rate_hz=50e3, carriers=(Carrier(frequency_hz=153.83e6),))
    meta = write_pair(tmp_path / "a", dongle.chunks(70000), "cu8", 50e3, 153.825e6)
    octets = (tmp_path / "a.sigmf-data").read_bytes()
    assert len(octets) == 140000
    said = json.loads(meta.read_text(encoding="utf-8"))["global"]["core:sha512"]
    assert said == hashlib.sha512(octets).hexdigest()


@pytest.mark.parametrize("sinad_db", [6.0, 12.0, 20.0, 40.0])
def test_band_noise_gives_its_sinad(sinad_db: float) -> None:
    rms = noise_rms_for_sinad(1500.0, sinad_db)
    noise, phase = band_noise(150000, 50e3, 300.0, 3000.0, rms, 1)
    total = 1500.0**2 / 2 + np.mean(noise**2)
    assert 10 * np.log10(total / np.mean(noise**2)) == pytest.approx(sinad_db, abs=1e-9)
    # The phase is the integral of the noise: its central difference is the noise again, less
    # the droop of a difference, (2 pi 3000 / 50e3)^2 / 6 = 2.4 % of the highest line.
    slope = (phase[2:] - phase[:-2]) * 50e3 / (4 * np.pi)
    assert np.sqrt(np.mean((slope - noise[1:-1]) ** 2)) < 0.02 * rms
    lines = np.abs(np.fft.rfft(noise)) ** 2
    frequency_hz = np.fft.rfftfreq(150000, 1 / 50e3)
    outside = (frequency_hz < 299.9) | (frequency_hz > 3000.1)
    assert lines[outside].sum() < 1e-20 * lines.sum()


@pytest.mark.parametrize(
    ("deviation_hz", "bandwidth_hz", "cnr_db", "snr_db"),
    [(1500.0, 11e3, 20.0, 21.393), (3000.0, 16e3, 20.0, 29.041), (1500.0, 8.5e3, 20.0, 20.2676)],
)
def test_receiver_model_follows_fm_theory(
    deviation_hz: float, bandwidth_hz: float, cnr_db: float, snr_db: float
) -> None:
    """Worked example 2.1: S/N = 1.5 dev^2 B rho / (f2^3 - f1^3)."""
    rate_hz, seconds = 48e3, 8
    iq = fm_through_limiter(
        int(rate_hz * seconds), rate_hz, 1000.0, deviation_hz, bandwidth_hz, cnr_db, 4
    )
    audio = limiter_discriminator(iq, rate_hz)
    audio = np.append(audio, audio[-1])
    frequency_hz = np.fft.rfftfreq(len(audio), 1 / rate_hz)
    # A step's mean frequency droops as sinc: made good before powers are compared.
    density = np.abs(np.fft.rfft(audio) / np.sinc(frequency_hz / rate_hz)) ** 2
    tone = np.abs(frequency_hz - 1000.0) < 1.0
    band = (frequency_hz >= 300.0) & (frequency_hz <= 3000.0) & ~tone
    got = 10 * np.log10(density[tone].sum() / density[band].sum())
    # 21 600 lines of noise rising as f^2: five sigma is 0.2 dB; the theory leaves out terms of
    # second order in 1 / CNR, 0.14 dB in the reference's own simulation.
    assert got == pytest.approx(snr_db, abs=0.25)


@pytest.mark.parametrize(("cnr_db", "clicks_per_s"), [(4.0, 79.39), (0.0, 499.5), (2.0, 238.2)])
def test_receiver_model_clicks_as_rice_says(cnr_db: float, clicks_per_s: float) -> None:
    """Worked example 2.3: at a click the phasor crosses the negative real axis."""
    rate_hz, seconds = 200e3, 10
    iq = fm_through_limiter(int(rate_hz * seconds), rate_hz, 0.0, 0.0, 11e3, cnr_db, 6)
    before, after = iq[:-1], iq[1:]
    crosses = np.signbit(before.imag) != np.signbit(after.imag)
    share = before.imag[crosses] / (before.imag[crosses] - after.imag[crosses])
    at = before.real[crosses] + share * (after.real[crosses] - before.real[crosses])
    got = np.count_nonzero(at < 0.0) / seconds
    # Five sigma of the count, and 3 % for crossings there and back within a sample.
    assert got == pytest.approx(clicks_per_s, rel=0.03 + 5 / np.sqrt(seconds * clicks_per_s))
    # The folder's own discriminator sees the same turns.
    turns = np.cumsum(limiter_discriminator(iq, rate_hz)) / rate_hz + np.angle(iq[0]) / 2 / np.pi
    assert np.abs(np.diff(np.floor(turns + 0.5))).sum() / seconds == pytest.approx(got, rel=0.01)


@pytest.mark.parametrize(
    "curve", [straight(-117.0), with_ceiling(-117.0, 32.0), with_knee(-117.0, 1.5, 2.0)]
)
def test_curves_pass_12_db_at_their_level(curve) -> None:
    assert curve(-117.0) == pytest.approx(12.0, abs=1e-9)
    levels = [curve(-117.0 + x) for x in np.linspace(-8, 40, 97)]
    assert np.all(np.diff(levels) > 0)


def test_ceiling_is_where_it_is_said() -> None:
    assert with_ceiling(-117.0, 32.0)(0.0) == pytest.approx(32.0, abs=1e-3)


def test_peaks_of_a_third_harmonic() -> None:
    sines = (
        Sine(frequency_hz=1000.0, deviation_hz=1000.0),
        Sine(frequency_hz=3000.0, deviation_hz=100.0),
    )
    assert peaks_hz(sines, 1e-3) == pytest.approx((1100.0, -1100.0), abs=1e-3)


def test_rectangular_noise_has_its_power_and_band() -> None:
    noise = rectangular_noise(1 << 18, 48e3, 11e3, 0.04, 9)
    # 60 000 exponential lines: five sigma is 2 %.
    assert np.mean(np.abs(noise) ** 2) == pytest.approx(0.04, rel=0.02)


def test_keying_is_at_half_power_on_time(tmp_path: Path) -> None:
    carrier = Carrier(frequency_hz=153.825e6, level_dbfs=0.0, keyed_s=((0.1, 0.3),), rise_s=0.02)
    at_edges = carrier.at(np.array([0.0, 0.1, 0.2, 0.3, 0.4]), 153.825e6)
    assert np.abs(at_edges) ** 2 == pytest.approx([0.0, 0.5, 1.0, 0.5, 0.0], abs=1e-9)
    keyings = Keyings(
        input_s=((0.2, 0.6),), attack_s=0.05, hang_s=0.3, duration_s=1.2, audio_delay_s=0.004
    )
    assert keyings.output_s == ((pytest.approx(0.25), pytest.approx(0.9)),)
    paths = keyings.write(tmp_path, datatype="cf32_le", input_skew_s=0.01)
    for role, on_s, off_s in (("input", 0.19, 0.59), ("output", 0.25, 0.9)):
        data = paths[role].with_suffix(".sigmf-data")
        pairs = np.fromfile(data, "<f4").reshape(-1, 2).astype(float)
        power = (pairs**2).sum(axis=1) * 10**0.6
        power = np.convolve(power, np.ones(5) / 5, "same")
        keyed = np.flatnonzero(power > 0.5) / 50e3
        assert (keyed[0], keyed[-1]) == pytest.approx((on_s, off_s), abs=1e-4)


def test_staircases_hold_hidden_thresholds() -> None:
    stairs = SquelchStaircases(
        opening_dbm=-118.0,
        closing_dbm=-121.0,
        spread_db=0.75,
        levels_dbm=tuple(np.arange(-124.0, -113.9, 0.5)),
        sweeps=400,
    )
    steps = stairs.sequence()
    per_sweep = 2 * len(stairs.levels_dbm)
    opened = [
        next(level for level, keyed in steps[s * per_sweep : (s + 1) * per_sweep] if keyed)
        for s in range(400)
    ]
    # A step of 0.5 dB shows the threshold 0.25 dB late; five sigma of 400 sweeps is 0.19 dB.
    assert np.mean(opened) - 0.25 == pytest.approx(-118.0, abs=0.19)
    assert np.std(opened) == pytest.approx(np.hypot(0.75, 0.5 / np.sqrt(12)), rel=0.2)


def test_sweep_is_annotated_as_it_runs(tmp_path: Path) -> None:
    sweep = SinadSweep(levels_dbm=(-120.0, -110.0), sinad_db=straight(-117.0), dwell_s=0.5)
    meta = json.loads(sweep.write(tmp_path / "s").read_text(encoding="utf-8"))
    assert [a["harness:level_dbm"] for a in meta["annotations"]] == [-120.0, -110.0]
    assert [a["core:sample_start"] for a in meta["annotations"]] == [0, 25000]
    assert (tmp_path / "s.sigmf-data").stat().st_size == 2 * 50000


def test_battery_run_agrees_with_its_rows(tmp_path: Path) -> None:
    run = BatteryRun()
    assert run.time_to_s(1.0) == pytest.approx(5 * 3600)
    assert run.power_dbm(run.time_to_s(3.0)) == pytest.approx(33.0)
    with run.write(tmp_path / "log.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    volts = np.array([float(row["voltage_v"]) for row in rows])
    amperes = np.array([float(row["current_a"]) for row in rows])
    # One row's interval of 10 s in six hours at most.
    assert (volts * amperes).sum() * 10 / 3600 == pytest.approx(run.energy_wh, rel=5e-4)
    assert amperes.sum() * 10 / 3600 == pytest.approx(run.charge_ah, rel=5e-4)
