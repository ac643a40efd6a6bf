"""SINAD and sensitivity against signals whose truth is known, at DESIGN's error goals.

Goals (DESIGN section 3): sinad 0.2 dB from 6 to 40 dB, sensitivity_12db_sinad 0.3 dB.
Published: worked examples 4.1 (third harmonic, 20.0432 dB) and 2.1, fm_post_detection.csv (FM
noise theory, Haykin & Moher, solution 9.18, and its simulated values near threshold),
sinad_relations.csv.
"""

import csv
import wave
from pathlib import Path

import numpy as np
import pytest

from harness.errors import BadInput
from harness.measure.run import measure_recordings
from harness.measure.setup import Options
from tests.measure.pick import pick, series
from tests.truth.files import step, write_pair
from tests.truth.repeater import (
    SPEECH_HZ,
    SinadSweep,
    fm_through_limiter,
    limiter_discriminator,
    noise_rms_for_sinad,
    straight,
    with_ceiling,
    with_knee,
)
from tests.truth.signals import Carrier, Dongle, Sine, band_noise

CENTRE_HZ = 153.825e6


def sinad_from_snr(snr_db: float) -> float:
    """(S+N+D)/(N+D) out of S/(N+D), sinad_relations.csv."""
    return 10 * np.log10(1 + 10 ** (snr_db / 10))


def write_audio(
    base: Path,
    sinad_db: float,
    *,
    tone_hz: float = 1000.0,
    deviation_hz: float = 1500.0,
    rate_hz: float = 50e3,
    datatype: str = "ci16_le",
    seconds: float = 5.0,
    draw: int = 1,
    band_hz: tuple[float, float] = SPEECH_HZ,
    subaudible_hz: float = 0.0,
) -> Path:
    """A strong carrier 3 kHz off the recording's middle, its modulation a tone and noise."""
    count = round(seconds * rate_hz)
    rms = noise_rms_for_sinad(deviation_hz, sinad_db)
    _, angle = band_noise(count, rate_hz, *band_hz, rms, draw)
    n = np.arange(count)
    angle += deviation_hz / tone_hz * np.sin(2 * np.pi * tone_hz / rate_hz * n + 0.6)
    angle += subaudible_hz / 88.5 * np.sin(2 * np.pi * 88.5 / rate_hz * n)
    iq = 0.6 * np.exp(1j * (angle + 2 * np.pi * 3000.0 / rate_hz * n))
    return write_pair(base, [iq], datatype, rate_hz, CENTRE_HZ, fields={"role": "output"})


def measure_audio(path: Path, **options):
    return measure_recordings(
        "audio", [path], at_hz=CENTRE_HZ + 3000.0, spacing_hz=12500.0, options=Options(**options)
    )


@pytest.mark.parametrize("sinad_db", [6.0, 8.0, 10.0, 12.0, 16.0, 20.0, 25.0, 30.0, 35.0, 40.0])
def test_sinad_from_6_to_40_db(sinad_db: float, tmp_path: Path) -> None:
    findings = measure_audio(write_audio(tmp_path / "r", sinad_db))
    reading = pick(findings, "sinad", weighting="flat")
    assert reading.value == pytest.approx(sinad_db, abs=0.2)
    assert reading.conditions["de_emphasis"] is False
    # 13 500 values of noise in 5 s: one sigma is at least 0.037 dB, U at least twice that.
    assert 0.07 < reading.expanded_uncertainty < 0.3


@pytest.mark.parametrize(
    "how",
    [
        {"rate_hz": 250e3, "datatype": "cu8"},
        {"tone_hz": 400.0},
        {"tone_hz": 1013.37, "seconds": 3.21},
        {"tone_hz": 2700.0},
        {"subaudible_hz": 350.0},
        {"deviation_hz": 400.0},
        {"deviation_hz": 2400.0},
        {"seconds": 1.1},
    ],
    ids=str,
)
@pytest.mark.parametrize("sinad_db", [12.0, 30.0])
def test_sinad_of_harder_signals(sinad_db: float, how: dict, tmp_path: Path) -> None:
    findings = measure_audio(write_audio(tmp_path / "r", sinad_db, **how))
    reading = pick(findings, "sinad", weighting="flat")
    assert reading.value == pytest.approx(sinad_db, abs=0.2)
    tone = pick(findings, "tone_frequency")
    assert tone.value == pytest.approx(
        how.get("tone_hz", 1000.0), abs=max(0.02, tone.expanded_uncertainty)
    )


def test_noise_outside_the_band_does_not_count(tmp_path: Path) -> None:
    inside = measure_audio(write_audio(tmp_path / "in", 20.0))
    outside = measure_audio(write_audio(tmp_path / "out", 20.0, band_hz=(3100.0, 5000.0)))
    assert pick(inside, "sinad", weighting="flat").value == pytest.approx(20.0, abs=0.2)
    assert pick(outside, "sinad", weighting="flat").value > 40.0


@pytest.mark.parametrize("tone_hz", [1000.0, 900.0, 650.0])
def test_published_third_harmonic(tone_hz: float, tmp_path: Path) -> None:
    """Worked example 4.1: third harmonic of a tenth, nothing else: 20.0432 dB, and not the
    20.0000 dB of S/(N+D). At 1 kHz the harmonic stands on the edge of 300 to 3000 Hz, in it."""
    dongle = Dongle(
        sample_rate_hz=50e3,
        carriers=(
            Carrier(
                frequency_hz=CENTRE_HZ + 3000.0,
                sines=(
                    Sine(frequency_hz=tone_hz, deviation_hz=1500.0),
                    Sine(frequency_hz=3 * tone_hz, deviation_hz=150.0, phase_rad=0.5),
                ),
            ),
        ),
    )
    path = write_pair(tmp_path / "r", [dongle.samples(200_000)], "cf32_le", 50e3, CENTRE_HZ)
    reading = pick(measure_audio(path), "sinad", weighting="flat")
    # Tighter than the goal: without noise the answer is a formula; 0.02 dB tells it from 20.0000.
    assert reading.value == pytest.approx(20.0432, abs=0.02)


def _fm_rows(reference: Path) -> list[dict[str, str]]:
    text = (reference / "fm_post_detection.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@pytest.mark.parametrize("row", range(9))
def test_fm_noise_theory(row: int, reference: Path, tmp_path: Path) -> None:
    """The carrier in noise as a receiver's IF sees it, against the closed form at 20 dB and
    against the table's own simulation, clicks included, below."""
    case = _fm_rows(reference)[row]
    cnr_db = float(case["cnr_db"])
    rate_hz, seconds = 50e3, 10
    iq = fm_through_limiter(
        int(rate_hz * seconds),
        rate_hz,
        1000.0,
        float(case["tone_deviation_hz"]),
        float(case["if_bandwidth_hz"]),
        cnr_db,
        40 + row,
    )
    path = write_pair(tmp_path / "r", [0.5 * iq], "cf32_le", rate_hz, CENTRE_HZ)
    findings = measure_recordings("audio", [path], at_hz=CENTRE_HZ, spacing_hz=25e3)
    reading = pick(findings, "sinad", weighting="flat")
    published = sinad_from_snr(float(case["simulated_snr_db"]))
    if cnr_db >= 20.0:
        published = float(case["sinad_above_threshold_db"])
    # DESIGN's 0.2 dB, and the scatter of both simulations: noise of 10 s and 16 s five sigma
    # 0.2 dB in all, clicks (a few in all at 10 dB, some tens at 8 dB) up to 0.3 dB more.
    tolerance_db = 0.25 if cnr_db >= 12.0 else 0.5
    assert reading.value == pytest.approx(published, abs=tolerance_db)


@pytest.mark.parametrize("sinad_db", [12.0, 25.0])
def test_de_emphasis_weighs_by_6_db_per_octave(sinad_db: float, tmp_path: Path) -> None:
    """Flat noise from 300 to 3000 Hz through (1 kHz / f)^2 gains 1e6 (1/300 - 1/3000) / 2700 =
    1.1111 in power against the tone at 1 kHz."""
    path = write_audio(tmp_path / "r", sinad_db)
    reading = pick(measure_audio(path, de_emphasis=True), "sinad", weighting="flat")
    snr_db = 10 * np.log10((10 ** (sinad_db / 10) - 1) / 1.111111)
    assert reading.value == pytest.approx(sinad_from_snr(snr_db), abs=0.2)
    assert reading.conditions["de_emphasis"] is True


def test_de_emphasis_of_discriminator_noise(tmp_path: Path) -> None:
    """Noise rising as f^2 through (1 kHz / f)^2: 2700 * 1e6 / ((3000^3 - 300^3) / 3) = 0.30031, so
    worked example 2.1's 21.393 dB becomes 26.618 dB of S/N."""
    iq = fm_through_limiter(1_000_000, 50e3, 1000.0, 1500.0, 11e3, 20.0, 61)
    path = write_pair(tmp_path / "r", [0.5 * iq], "cf32_le", 50e3, CENTRE_HZ)
    findings = measure_recordings(
        "audio", [path], at_hz=CENTRE_HZ, spacing_hz=25e3, options=Options(de_emphasis=True)
    )
    reading = pick(findings, "sinad", weighting="flat")
    expected = sinad_from_snr(21.393 - 10 * np.log10(0.30031))
    assert reading.value == pytest.approx(expected, abs=0.25)


def test_sinad_does_not_depend_on_the_level_of_the_carrier(tmp_path: Path) -> None:
    iq = fm_through_limiter(250_000, 50e3, 1000.0, 1500.0, 11e3, 15.0, 62)
    got = []
    for name, gain in (("low", 0.01), ("high", 0.02)):
        path = write_pair(tmp_path / name, [gain * iq], "cf32_le", 50e3, CENTRE_HZ)
        findings = measure_recordings("audio", [path], at_hz=CENTRE_HZ)
        got.append(pick(findings, "sinad", weighting="flat").value)
    assert got[0] == pytest.approx(got[1], abs=1e-5)


def write_wav(path: Path, audio: np.ndarray, rate_hz: int) -> Path:
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(np.rint(32767 * audio).astype("<i2").tobytes())
    return path


@pytest.mark.parametrize("sinad_db", [6.0, 12.0, 25.0, 40.0])
@pytest.mark.parametrize("rate_hz", [8000, 22050, 48000])
def test_sinad_of_an_audio_file(sinad_db: float, rate_hz: int, tmp_path: Path) -> None:
    count = 4 * rate_hz
    noise, _ = band_noise(count, rate_hz, *SPEECH_HZ, noise_rms_for_sinad(0.2, sinad_db), 6)
    audio = noise + 0.2 * np.cos(2 * np.pi * 1000.0 / rate_hz * np.arange(count))
    path = write_wav(tmp_path / "a.wav", np.clip(audio, -1, 1), rate_hz)
    findings = measure_recordings("audio", [path])
    assert pick(findings, "sinad", weighting="flat").value == pytest.approx(sinad_db, abs=0.2)
    assert pick(findings, "tone_frequency").value == pytest.approx(
        1000.0, abs=max(0.02, pick(findings, "tone_frequency").expanded_uncertainty)
    )


def test_uncertainty_covers_the_truth_as_often_as_it_says(tmp_path: Path) -> None:
    """As in test_carrier; true SINAD of each is what its noise really was, so the noise has the
    expected power only on average: Gaussian draws that are not brought to an exact power."""
    shares = []
    for draw in range(40):
        iq = fm_through_limiter(37_500, 25e3, 1000.0, 1500.0, 11e3, 20.0, 200 + draw)
        path = write_pair(tmp_path / str(draw), [0.5 * iq], "cf32_le", 25e3, CENTRE_HZ)
        findings = measure_recordings("audio", [path], at_hz=CENTRE_HZ)
        reading = pick(findings, "sinad", weighting="flat")
        # The closed form at 20 dB, without what it leaves out (its own simulation: 21.39).
        shares.append((reading.value - 21.42) / reading.expanded_uncertainty)
    assert np.count_nonzero(np.abs(shares) <= 1.0) >= 32
    assert 0.22 < np.sqrt(np.mean(np.square(shares))) < 0.78


L12_DBM = -117.23
BY_1_DB = tuple(np.arange(-122.0, -108.9, 1.0))
SWEEPS = [
    pytest.param(straight(L12_DBM), BY_1_DB, 3, id="straight, 1 dB"),
    pytest.param(straight(L12_DBM), BY_1_DB[::3], 4, id="straight, 3 dB"),
    pytest.param(with_ceiling(L12_DBM, 24.0), BY_1_DB[1::2], 3, id="ceiling at 24 dB"),
    pytest.param(with_knee(L12_DBM, 1.5, 2.0), BY_1_DB, 3, id="knee below 12 dB"),
    pytest.param(with_knee(L12_DBM, -1.0, 2.5), BY_1_DB[2:], 3, id="knee above 12 dB"),
    pytest.param(with_knee(L12_DBM, -1.0, 2.5), BY_1_DB[2:], 4, id="the same, other noise"),
    pytest.param(
        straight(L12_DBM), (-114.2, -119.7, -110.1, -116.6, -121.4, -118.3), 4, id="in no order"
    ),
    pytest.param(straight(L12_DBM), (-119.0, -115.0), 3, id="two levels only"),
]


@pytest.mark.parametrize(("curve", "levels_dbm", "draw"), SWEEPS)
def test_sensitivity(curve, levels_dbm, draw: int, tmp_path: Path) -> None:
    sweep = SinadSweep(levels_dbm=levels_dbm, sinad_db=_through_12(curve), draw=draw, dwell_s=2.0)
    path = sweep.write(tmp_path / "r")
    findings = measure_recordings("audio", [path], at_hz=CENTRE_HZ)
    reading = pick(findings, "sensitivity_12db_sinad")
    assert reading.value == pytest.approx(L12_DBM, abs=0.3)
    assert reading.bound is None
    assert abs(reading.value - L12_DBM) < 2 * reading.expanded_uncertainty
    points = series(findings, "sinad_against_level")
    assert list(points.axes[0].values) == pytest.approx(sorted(levels_dbm))
    truths = [sweep.sinad_db(level) for level in sorted(levels_dbm)]
    inside = [(g, t) for g, t in zip(points.values, truths, strict=True) if 6.0 <= t <= 40.0]
    # 0.2 dB, and five sigma of the noise that the ends of a step cut off.
    assert [g for g, _ in inside] == pytest.approx([t for _, t in inside], abs=0.25)


def _through_12(curve):
    """Move a curve along the level so that it passes 12 dB at its level exactly."""
    low, high = L12_DBM - 10.0, L12_DBM + 10.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if curve(middle) < 12.0 else (low, middle)
    return lambda level: curve(level - L12_DBM + low)


def test_sensitivity_of_a_receiver_with_clicks(tmp_path: Path) -> None:
    """The physical curve: carrier in noise before the limiter, noise figure 6 dB, IF 11 kHz.

    fm_post_detection.csv, simulated with clicks: S/N 11.17 dB at 10 dB, 13.26 dB at 12 dB, so
    12 dB SINAD (S/N 11.717) at 10.52 dB; noise -127.561 dBm (worked example 3.1): -117.04 dBm.
    Worked example 2.4 without clicks: -117.23 dBm.
    """
    noise_dbm = -133.561 + 6.0
    levels_dbm = tuple(noise_dbm + np.arange(6.5, 17.0, 1.0))
    parts, notes = [], []
    for number, level in enumerate(levels_dbm):
        iq = fm_through_limiter(200_000, 50e3, 1000.0, 1500.0, 11e3, level - noise_dbm, 70 + number)
        parts.append(0.4 * iq)
        notes.append(step(4.0 * number, 4.0, 50e3, level))
    path = write_pair(tmp_path / "r", parts, "cf32_le", 50e3, CENTRE_HZ, annotations=notes)
    findings = measure_recordings("audio", [path], at_hz=CENTRE_HZ)
    reading = pick(findings, "sensitivity_12db_sinad")
    assert reading.value == pytest.approx(-117.04, abs=0.3)


def _own_sinad_db(iq: np.ndarray, rate_hz: float) -> float:
    """SINAD by this folder's discriminator and one long transform."""
    audio = limiter_discriminator(iq, rate_hz)[: len(iq) - 50]
    audio = audio[: len(audio) // 50 * 50]
    frequency_hz = np.fft.rfftfreq(len(audio), 1 / rate_hz)
    density = np.abs(np.fft.rfft(audio) / np.sinc(frequency_hz / rate_hz)) ** 2
    tone = np.abs(frequency_hz - 1000.0) < 0.5
    band = (frequency_hz >= 300.0) & (frequency_hz <= 3000.0)
    return 10 * np.log10(density[band].sum() / density[band & ~tone].sum())


def test_sensitivity_where_clicks_rule(tmp_path: Path) -> None:
    """25 kHz channel, 3000 Hz, IF 16 kHz: 12 dB SINAD lies well below threshold (worked example
    2.4 calls its 2.7 dB a bound). Truth: long runs of the same physics through another
    discriminator, a line through 1 dB about 12 dB SINAD."""
    cnrs_db = np.array([5.5, 6.0, 6.5])
    truths = [
        _own_sinad_db(fm_through_limiter(800_000, 50e3, 1000.0, 3000.0, 16e3, c, 900), 50e3)
        for c in cnrs_db
    ]
    assert truths[0] < 12.0 < truths[-1]
    slope, at_0 = np.polyfit(cnrs_db, truths, 1)
    parts, notes = [], []
    for number, cnr_db in enumerate(np.arange(3.0, 11.0)):
        parts.append(
            0.4 * fm_through_limiter(200_000, 50e3, 1000.0, 3000.0, 16e3, cnr_db, 950 + number)
        )
        notes.append(step(4.0 * number, 4.0, 50e3, -130.0 + cnr_db))
    path = write_pair(tmp_path / "r", parts, "cf32_le", 50e3, CENTRE_HZ, annotations=notes)
    findings = measure_recordings("audio", [path], at_hz=CENTRE_HZ, spacing_hz=25e3)
    reading = pick(findings, "sensitivity_12db_sinad")
    assert reading.value == pytest.approx(-130.0 + (12.0 - at_0) / slope, abs=0.3)


@pytest.mark.parametrize(
    ("levels_dbm", "bound"), [((-112.0, -108.0, -104.0), "upper"), ((-124.0, -122.0), "lower")]
)
def test_a_sweep_on_one_side_gives_a_bound(levels_dbm, bound: str, tmp_path: Path) -> None:
    path = SinadSweep(levels_dbm=levels_dbm, sinad_db=straight(L12_DBM)).write(tmp_path / "r")
    findings = measure_recordings("audio", [path], at_hz=CENTRE_HZ)
    reading = pick(findings, "sensitivity_12db_sinad")
    if reading.value is None:
        assert reading.verdict == "not measured"
        return
    assert reading.bound == bound
    assert (reading.value >= L12_DBM) if bound == "upper" else (reading.value <= L12_DBM)


def test_a_step_without_the_transmitter_is_left_out(tmp_path: Path) -> None:
    """The squelch holds the two lowest levels closed: noise of the recorder, no SINAD."""
    levels_dbm = tuple(np.arange(-121.0, -109.9, 1.0))
    parts, notes = [], []
    for number, level in enumerate(levels_dbm):
        rms = noise_rms_for_sinad(1500.0, straight(L12_DBM)(level))
        _, angle = band_noise(150_000, 50e3, *SPEECH_HZ, rms, 300 + number)
        angle += 1.5 * np.sin(2 * np.pi * 1000.0 / 50e3 * np.arange(150_000))
        rng = np.random.default_rng([31, number])
        noise = 0.003 * (rng.standard_normal(150_000) + 1j * rng.standard_normal(150_000))
        parts.append(noise if number < 2 else 0.5 * np.exp(1j * angle) + noise)
        notes.append(step(3.0 * number, 3.0, 50e3, level))
    path = write_pair(tmp_path / "r", parts, "cu8", 50e3, CENTRE_HZ, annotations=notes)
    findings = measure_recordings("audio", [path], at_hz=CENTRE_HZ)
    assert pick(findings, "sensitivity_12db_sinad").value == pytest.approx(L12_DBM, abs=0.3)
    points = series(findings, "sinad_against_level")
    assert len(points.values) == len(levels_dbm) - 2
    assert findings.cautions


def test_no_tone_is_not_measured(tmp_path: Path) -> None:
    dongle = Dongle(
        sample_rate_hz=50e3, noise_dbfs_hz=-80.0, carriers=(Carrier(frequency_hz=CENTRE_HZ),)
    )
    path = write_pair(tmp_path / "r", [dongle.samples(150_000)], "cu8", 50e3, CENTRE_HZ)
    reading = pick(measure_recordings("audio", [path], at_hz=CENTRE_HZ), "sinad")
    assert reading.value is None


def test_noise_alone_is_not_measured(tmp_path: Path) -> None:
    dongle = Dongle(sample_rate_hz=50e3, noise_dbfs_hz=-65.0)
    path = write_pair(tmp_path / "r", [dongle.samples(150_000)], "cu8", 50e3, CENTRE_HZ)
    reading = pick(measure_recordings("audio", [path], at_hz=CENTRE_HZ), "sinad")
    assert reading.value is None


@pytest.mark.parametrize("count", [1, 50, 1000])
@pytest.mark.parametrize("kind", ["iq", "wav"])
def test_too_short_is_refused_or_not_measured(count: int, kind: str, tmp_path: Path) -> None:
    tone = np.cos(2 * np.pi * 0.02 * np.arange(count))
    if kind == "iq":
        path = write_pair(tmp_path / "r", [tone + 0j], "cu8", 50e3, CENTRE_HZ)
        where = {"at_hz": CENTRE_HZ}
    else:
        path, where = write_wav(tmp_path / "a.wav", 0.5 * tone, 48000), {}
    try:
        findings = measure_recordings("audio", [path], **where)
    except BadInput:
        return
    assert pick(findings, "sinad").value is None


@pytest.mark.parametrize("value", [0.0, 0.5])
def test_a_silent_audio_file_is_not_measured(value: float, tmp_path: Path) -> None:
    path = write_wav(tmp_path / "a.wav", np.full(96000, value), 48000)
    assert pick(measure_recordings("audio", [path]), "sinad").value is None


def test_a_clean_tone_in_a_file_does_not_break(tmp_path: Path) -> None:
    """A computed tone has next to no noise: a high SINAD or none, but no crash."""
    audio = 0.5 * np.cos(2 * np.pi * 1000.0 / 48000 * np.arange(96000))
    path = write_wav(tmp_path / "a.wav", audio, 48000)
    reading = pick(measure_recordings("audio", [path]), "sinad", weighting="flat")
    assert reading.value is None or reading.value > 70.0


@pytest.mark.parametrize(("change_s", "is_measured"), [(0.5, False), (10.0, True)])
def test_a_tone_that_is_another_each_moment_is_no_test_tone(
    change_s: float, is_measured: bool, tmp_path: Path
) -> None:
    """Tones by chance between 400 and 2800 Hz, half a second each, as data has them; or one."""
    rate_hz = 24000
    draws = np.random.default_rng(8).uniform(400.0, 2800.0, 8)
    time_s = np.arange(4 * rate_hz) / rate_hz
    tone_hz = draws[(time_s / change_s).astype(int)]
    audio = 0.3 * np.cos(2 * np.pi * np.cumsum(tone_hz) / rate_hz)
    noise, _ = band_noise(len(audio), rate_hz, *SPEECH_HZ, 0.02, 5)
    path = write_wav(tmp_path / "a.wav", audio + noise, rate_hz)
    findings = measure_recordings("audio", [path])
    values = [reading.value for reading in findings.readings if reading.name == "sinad"]
    assert [value is not None for value in values] == ([True] * 3 if is_measured else [False])
