"""The unit's receiver against physics: noise floor, quieting, SINAD and clicks.

Published values, by way of tables in the reference folder: thermal_noise.csv (kTB, SI 2019),
fm_post_detection.csv (S/N of FM above threshold, Haykin & Moher, solution 9.18),
fm_clicks_rice.csv (Rice 1963). What judges them here shares no code with the simulator.
"""

import csv
import math

import numpy as np
import pytest

from harness.simulator.receiver import RATE_HZ, Receiver
from harness.simulator.unit import Duplexer, ReceiverPart

FRAME = 625
LOSSLESS = Duplexer(receive_loss_db=0.0)


def table(reference, name):
    with (reference / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def density_dbm_per_hz(reference):
    rows = table(reference, "thermal_noise.csv")
    return next(float(row["noise_dbm"]) for row in rows if row["bandwidth_hz"] == "1")


def carrier(level_dbm, first, tone_hz=0.0, deviation_hz=0.0):
    t = (first + np.arange(FRAME)) / RATE_HZ
    index = deviation_hz / tone_hz if tone_hz else 0.0
    return 10 ** (level_dbm / 20) * np.exp(1j * index * np.sin(2 * np.pi * tone_hz * t))


def discriminated(receiver, seconds, level_dbm, seed=1, **modulation):
    """Hz at RATE_HZ, the first tenth of a second left out."""
    random = np.random.default_rng(seed)
    state = receiver.rest()
    given = []
    for number in range(round(seconds * RATE_HZ / FRAME) + 5):
        noise = random.standard_normal((2, FRAME), dtype=np.float32)
        signal = None
        if level_dbm is not None:
            signal = carrier(level_dbm, number * FRAME, **modulation)
        frequency_hz, state = receiver.run(signal, noise, 0.0, state)
        given.append(frequency_hz)
    return np.concatenate(given[5:])


def band_powers(frequency_hz, tone_hz=1000.0, low_hz=300.0, high_hz=3000.0):
    """Power of the tone and of all else in a band, by an FFT with a Hann window."""
    window = np.hanning(len(frequency_hz))
    spectrum = np.abs(np.fft.rfft((frequency_hz - frequency_hz.mean()) * window)) ** 2
    axis_hz = np.fft.rfftfreq(len(frequency_hz), 1 / RATE_HZ)
    band = (axis_hz >= low_hz) & (axis_hz <= high_hz)
    tone = band & (abs(axis_hz - tone_hz) < 5)
    return spectrum[tone].sum(), spectrum[band & ~tone].sum()


def noise_bandwidth_hz(receiver):
    """Of the IF, from what a unit impulse gives: sum |h|^2 over |sum h|^2."""
    silent = np.zeros((2, FRAME), dtype=np.float32)
    impulse = np.zeros(FRAME, dtype=complex)
    impulse[5] = 1.0
    even, state = receiver.selected(impulse, silent, 0.0, receiver.rest())
    late, _ = receiver.selected(None, silent, 0.0, state)
    answer = np.concatenate([even, late]).real
    # The impulse is at the input rate, the answer at twice that: its sum counts both phases.
    return 2 * RATE_HZ * np.sum(answer**2) / np.sum(answer) ** 2


@pytest.mark.parametrize(
    ("noise_figure_db", "receive_loss_db", "further_db"),
    [(0.0, 0.0, None), (4.0, 0.0, None), (4.0, 1.2, None), (10.0, 3.0, None), (6.0, 1.2, -168.0)],
)
def test_noise_floor_is_ktb_and_noise_figure(
    reference, noise_figure_db, receive_loss_db, further_db
):
    receiver = Receiver(
        ReceiverPart(noise_figure_db=noise_figure_db), Duplexer(receive_loss_db=receive_loss_db)
    )
    random = np.random.default_rng(2)
    state, powers = receiver.rest(), []
    further = 0.0 if further_db is None else 10 ** (further_db / 10)
    for _ in range(150):
        noise = random.standard_normal((2, FRAME), dtype=np.float32)
        iq, state = receiver.selected(None, noise, further, state)
        powers.append(np.mean(np.abs(iq) ** 2))
    thermal_dbm = density_dbm_per_hz(reference) + noise_figure_db
    wanted_dbm = 10 * math.log10(
        (10 ** (thermal_dbm / 10) + further) * noise_bandwidth_hz(receiver)
    )
    # Statistics: 3 s of 11 kHz noise is 33 000 independent samples, 0.024 dB each sigma; five.
    assert 10 * math.log10(np.mean(powers[1:])) == pytest.approx(wanted_dbm, abs=0.12)


def test_if_filter_has_the_declared_bandwidth():
    receiver = Receiver(ReceiverPart(), LOSSLESS)
    assert noise_bandwidth_hz(receiver) == pytest.approx(11000, rel=0.01)  # chosen 11 kHz
    assert receiver.noise_bandwidth_hz == pytest.approx(noise_bandwidth_hz(receiver), rel=1e-9)


@pytest.mark.parametrize("cnr_db", [30.0, 20.0, 15.0])
def test_sinad_above_threshold_follows_fm_theory(reference, cnr_db):
    """fm_post_detection.csv, 1500 Hz deviation, 11 kHz, 20 dB; and 1 dB for each dB above it."""
    row = next(
        row
        for row in table(reference, "fm_post_detection.csv")
        if (row["tone_deviation_hz"], row["if_bandwidth_hz"], row["cnr_db"])
        == ("1500", "11000", "20")
    )
    receiver = Receiver(ReceiverPart(), LOSSLESS)
    level_dbm = density_dbm_per_hz(reference) + 4.0 + 10 * math.log10(11000) + cnr_db
    audio = discriminated(receiver, 12.0, level_dbm, tone_hz=1000.0, deviation_hz=1500.0)
    tone, rest = band_powers(audio)
    wanted_db = float(row["snr_above_threshold_db"]) + cnr_db - 20.0
    # Statistics: 12 s of 2.7 kHz is 65 000 numbers, 0.02 dB each sigma; 0.07 dB that a mean over
    # 32 us takes from the noise by f^2; 0.1 dB of clicks and filter at 15 dB.
    assert 10 * math.log10(tone / rest) == pytest.approx(wanted_db, abs=0.25)


def test_quieting_goes_with_the_level():
    """Above threshold the noise in the audio falls 1 dB per dB of carrier (FM theory)."""
    receiver = Receiver(ReceiverPart(), LOSSLESS)
    noise = [band_powers(discriminated(receiver, 6.0, level))[1] for level in (-112.0, -102.0)]
    # 0.03 dB each sigma and what is left of clicks at -112 dBm, 17.6 dB over the noise: none.
    assert 10 * math.log10(noise[0] / noise[1]) == pytest.approx(10.0, abs=0.25)


def test_open_noise_does_not_depend_on_its_level():
    """The limiter takes amplitude away: a noise figure 20 dB worse sounds the same."""
    quiet = Receiver(ReceiverPart(noise_figure_db=4.0), LOSSLESS)
    loud = Receiver(ReceiverPart(noise_figure_db=24.0), LOSSLESS)
    first, second = (discriminated(each, 1.0, None, seed=3) for each in (quiet, loud))
    assert np.allclose(first, second, atol=0.1)  # rounding of float32 angles


# As rectangular as 31.25 kS/s allows, and 11 kHz wide: the formula is for a rectangle.
RECTANGULAR = ReceiverPart(noise_figure_db=0.0, if_cutoff_hz=5527.0, if_transition_hz=250.0)


@pytest.mark.parametrize("cnr_db", ["0", "2", "4", "6"])
def test_clicks_come_at_the_rate_of_rice(reference, cnr_db):
    """Rice's rate is that of carrier and noise crossing the negative real axis, either way."""
    row = next(row for row in table(reference, "fm_clicks_rice.csv") if row["cnr_db"] == cnr_db)
    receiver = Receiver(RECTANGULAR, LOSSLESS)
    level_dbm = density_dbm_per_hz(reference) + 10 * math.log10(11000) + float(cnr_db)
    seconds = 20.0
    wanted = float(row["clicks_per_s"]) * seconds

    random = np.random.default_rng(1)
    state, crossings, before = receiver.rest(), 0, None
    for number in range(round(seconds * RATE_HZ / FRAME)):
        noise = random.standard_normal((2, FRAME), dtype=np.float32)
        iq, state = receiver.selected(carrier(level_dbm, number * FRAME), noise, 0.0, state)
        whole = iq if before is None else np.append(before, iq)
        above = whole.imag > 0
        crossed = np.flatnonzero(above[1:] != above[:-1])
        crossings += np.count_nonzero(whole.real[crossed] < 0)
        before = iq[-1]
    # Five sigma of a Poisson count; 2 % for crossings between two samples at 62.5 kS/s.
    assert crossings == pytest.approx(wanted, abs=0.02 * wanted + 5 * math.sqrt(wanted))

    phase = np.cumsum(discriminated(receiver, seconds, level_dbm)) / RATE_HZ
    phase -= np.angle(np.mean(np.exp(2j * np.pi * phase))) / (2 * np.pi)
    clicks = np.count_nonzero(np.diff(np.floor(phase + 0.5)))
    # As above, but at half the rate a crossing there and back is missed more often: 6 %.
    assert clicks == pytest.approx(wanted, abs=0.06 * wanted + 5 * math.sqrt(wanted))


def test_the_stronger_of_two_carriers_captures():
    """Mean frequency is that of the stronger (reference worked examples 2.5: mean 0 about it)."""
    receiver = Receiver(ReceiverPart(), LOSSLESS)
    silent = np.zeros((2, FRAME), dtype=np.float32)
    t = np.arange(FRAME) / RATE_HZ
    weaker = 0.5 * np.exp(2j * np.pi * 1000.0 * t)
    state = receiver.rest()
    _, state = receiver.run(1e-3 * (1 + weaker), silent, 0.0, state)
    frequency_hz, _ = receiver.run(1e-3 * (1 + weaker), silent, 0.0, state)
    # Worked example: +333.33 to -1000.00 Hz. The finite IF and a mean over 32 us round the peak.
    assert frequency_hz.mean() == pytest.approx(0.0, abs=1.0)
    assert frequency_hz.max() == pytest.approx(333.33, rel=0.01)
    assert frequency_hz.min() == pytest.approx(-1000.0, rel=0.02)
