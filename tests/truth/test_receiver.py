"""The receiver model against published figures, before anything is measured with it.

thermal_noise.csv (k T B at 290 K), fm_post_detection.csv (Haykin & Moher, solution 9.18, and its
simulated values), fm_clicks_rice.csv (Rice 1963, formula from memory, simulated there).
"""

import csv
from dataclasses import replace

import numpy as np
import pytest

from tests.truth.receiver import (
    AUDIO_RATE_HZ,
    IF_RATE_HZ,
    FmReceiver,
    ReceiverTake,
    Step,
    band_power,
)

IDEAL = FmReceiver(noise_figure_db=0.0, edge_hz=0.0)
NOISE_11_KHZ_DBM = -133.5613  # thermal_noise.csv


def test_noise_is_k_t_b() -> None:
    """Five sigma of noise in 11 kHz over 20 s: 5 x 4.34 / sqrt(220 000) = 0.046 dB."""
    iq = IDEAL.selected(20.0, None, draw=1)
    assert 10 * np.log10(np.mean(np.abs(iq) ** 2)) == pytest.approx(NOISE_11_KHZ_DBM, abs=0.046)
    keyed = replace(IDEAL, transmitter_noise_db=3.0).selected(20.0, None, keyed=True, draw=1)
    assert np.mean(np.abs(keyed) ** 2) == pytest.approx(
        10**0.3 * np.mean(np.abs(iq) ** 2), rel=1e-9
    )


def test_noise_bandwidth_is_that_of_the_slopes() -> None:
    receiver = FmReceiver(centre_hz=300.0)
    frequency_hz = np.arange(-20e3, 20e3, 1.0)
    squared = receiver.response(frequency_hz) ** 2
    assert squared.sum() == pytest.approx(receiver.noise_bandwidth_hz, rel=1e-6)
    middle_hz = (frequency_hz * squared).sum() / squared.sum()
    assert middle_hz == pytest.approx(300.0, abs=1e-6)
    assert receiver.response(np.array([300.0 + 5500.0]))[0] == pytest.approx(0.5)


@pytest.mark.parametrize(("cnr_db", "tolerance_db"), [(20.0, 0.1), (12.0, 0.15), (10.0, 0.25)])
def test_fm_theory(reference, cnr_db: float, tolerance_db: float) -> None:
    """Five sigma of 24 s of noise is 0.085 dB; clicks (0.02 and 2 a second) and the table's own
    scatter come to that. At 20 dB the closed form, below it the table's simulated value."""
    text = (reference / "fm_post_detection.csv").read_text(encoding="utf-8")
    (row,) = (
        r
        for r in csv.DictReader(text.splitlines())
        if (r["tone_deviation_hz"], r["if_bandwidth_hz"]) == ("1500", "11000")
        and float(r["cnr_db"]) == cnr_db
    )
    if cnr_db == 20.0:
        published_db = float(row["sinad_above_threshold_db"])
    else:
        published_db = 10 * np.log10(1 + 10 ** (float(row["simulated_snr_db"]) / 10))
    whole = rest = 0.0
    for part in range(2):
        audio = IDEAL.audio_hz(12.0, NOISE_11_KHZ_DBM + cnr_db, draw=20 + part)
        whole += band_power(audio, without_tone=False)
        rest += band_power(audio, without_tone=True)
    assert 10 * np.log10(whole / rest) == pytest.approx(published_db, abs=tolerance_db)


@pytest.mark.parametrize(("cnr_db", "clicks_per_s"), [(0.0, 499.4921), (4.0, 79.3909)])
def test_clicks_as_rice_says(cnr_db: float, clicks_per_s: float) -> None:
    """Turns of the phase against the carrier, counted as steps of its whole turns over 10 ms."""
    seconds = 20.0
    iq = IDEAL.selected(seconds, NOISE_11_KHZ_DBM + cnr_db, deviation_hz=0.0, draw=3)
    turned = np.angle(np.roll(iq, -1) * np.conj(iq))
    winding = np.cumsum(turned) - np.angle(iq)
    whole = np.rint(winding / (2 * np.pi))
    clicks = np.abs(np.diff(whole)).sum()
    # Crossings of the cut at pi both ways count as steps too: each click crosses it once more
    # than it comes back, so the count is an upper bound; the net turns of a rate r scatter as
    # a random walk of r T steps, whose variance is the number of clicks.
    pieces = whole[:: round(0.01 * IF_RATE_HZ)]
    net = np.diff(pieces)
    assert np.var(net) / 0.01 == pytest.approx(clicks_per_s, rel=0.16)
    assert clicks >= 0.9 * clicks_per_s * seconds


def test_a_transmitter_costs_what_its_noise_adds() -> None:
    """Same draw, level and noise both up by 3 dB: the very same audio, and so the same SINAD."""
    receiver = FmReceiver(transmitter_noise_db=3.0)
    quiet = receiver.audio_hz(2.0, -115.0, draw=4)
    keyed = receiver.audio_hz(2.0, -112.0, keyed=True, draw=4)
    assert np.abs(quiet - keyed).max() < 1e-6 * np.abs(quiet).max()


def test_the_model_is_even_about_its_centre() -> None:
    """Conjugate noise and opposite offset give minus the audio; SINAD at mirrored offsets agrees
    within five sigma of 4 s of noise on both (0.3 dB)."""
    receiver = FmReceiver(centre_hz=250.0)
    got = []
    for offset_hz in (-2750.0, 3250.0):
        audio = receiver.audio_hz(4.0, -112.0, offset_hz=offset_hz, draw=5)
        whole = band_power(audio, without_tone=False)
        got.append(10 * np.log10(whole / band_power(audio, without_tone=True)))
    assert got[0] == pytest.approx(got[1], abs=0.3)


def test_a_take_is_annotated_as_it_runs(tmp_path) -> None:
    steps = (Step(level_dbm=None, seconds=0.5), Step(level_dbm=-110.0, offset_hz=250.0, seconds=1))
    path = ReceiverTake(steps=steps).write(tmp_path / "a")
    assert path.with_suffix(".sigmf-data").stat().st_size == 4 * 1.5 * AUDIO_RATE_HZ
    text = path.read_text(encoding="utf-8")
    assert '"harness:offset_hz": 250.0' in text
    assert "core:frequency" not in text
