"""What the recorder adds itself, and recordings that hold too little: bounds, not answers.

DESIGN section 3: "Where the receiver's own noise or its image could explain the answer, the
reading is an upper bound and says so."
"""

import json
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.blocks import Block
from harness.commands.app import main
from harness.errors import BadInput, Damaged
from harness.measure.run import measure_recordings
from harness.measure.setup import Channel, Options
from harness.measure.spectrum import Spectrum
from tests.measure.pick import pick
from tests.truth.emissions import fm_lines, occupied_hz
from tests.truth.files import step, write_pair
from tests.truth.signals import Carrier, Dongle, Sine, noise_dbfs_hz

CENTRE_HZ = 153.825e6
RATE_HZ = 250e3
D = Options(mask="90.210-D", power_w=4.0)


def fm(at_hz: float, **more) -> Carrier:
    sines = (Sine(frequency_hz=1000.0, deviation_hz=1500.0),)
    return Carrier(**{"frequency_hz": at_hz, "sines": sines, **more})


def record(folder: Path, *carriers: Carrier, at_hz: float, **more):
    """Write a recording and measure it."""
    rate_hz = more.pop("rate_hz", RATE_HZ)
    seconds = more.pop("seconds", 0.3)
    datatype = more.pop("datatype", "cu8")
    annotations = more.pop("annotations", ())
    options = more.pop("options", D)
    dongle = Dongle(sample_rate_hz=rate_hz, centre_hz=CENTRE_HZ, carriers=carriers, **more)
    chunks = dongle.chunks(round(seconds * rate_hz))
    ppm = more.get("clock_error_ppm", 0.0)
    meta = write_pair(
        folder / "r",
        chunks,
        datatype,
        rate_hz,
        CENTRE_HZ,
        annotations=annotations,
        fields={"clock_error_ppm": ppm} if ppm else {},
    )
    return measure_recordings("spectrum", [meta], at_hz=at_hz, options=options)


@pytest.mark.parametrize("cnr_db", [50.0, 35.0])
def test_eight_bits_and_noise_bound_the_adjacent_channel(cnr_db: float, tmp_path: Path) -> None:
    """A clean FM carrier: at 1.5 kHz of deviation its own adjacent channel power is below
    -70 dB, so what is seen is the recorder's noise: that of the case and that of its 8 bits, a
    twelfth of a squared step on I and on Q, spread over the rate."""
    at_hz = CENTRE_HZ + 45e3
    density = noise_dbfs_hz(-6.0, cnr_db, 12500.0)
    findings = record(tmp_path, fm(at_hz), at_hz=at_hz, noise_dbfs_hz=density)
    bits = 2.0 * (1.0 / 127.5) ** 2 / 12.0 / RATE_HZ
    truth_db = 10.0 * np.log10(8500.0 * (10.0 ** (density / 10.0) + bits)) + 6.0
    for side in ("upper", "lower"):
        got = pick(findings, "adjacent_channel_power", side=side)
        assert (got.bound, got.flags) == ("upper", ("floor",))
        # Five sigma of the mean of some 2500 samples.
        assert got.value == pytest.approx(truth_db, abs=0.43)
        assert "noise" in got.note


@pytest.mark.parametrize(
    ("away_hz", "side"), [(6000.0, "lower"), (-6000.0, "upper"), (7000.0, "lower")]
)
@pytest.mark.parametrize(("gain_db", "skew_deg"), [(0.3, 2.0), (0.5, 0.0), (0.0, 3.0)])
def test_the_image_bounds_the_side_it_falls_on(
    away_hz: float, side: str, gain_db: float, skew_deg: float, tmp_path: Path
) -> None:
    """Image of a gain ratio g and a skew p: |(1 - g e^jp)/(1 + g e^jp)|^2, common practice."""
    at_hz = CENTRE_HZ + away_hz
    findings = record(
        tmp_path,
        fm(at_hz),
        at_hz=at_hz,
        datatype="cf32_le",
        noise_dbfs_hz=-110.0,
        gain_imbalance_db=gain_db,
        skew_deg=skew_deg,
    )
    g = 10.0 ** (gain_db / 20.0) * np.exp(1j * np.deg2rad(skew_deg))
    image_db = 20.0 * np.log10(abs((1.0 - g) / (1.0 + g)))
    got = pick(findings, "adjacent_channel_power", side=side)
    assert (got.bound, got.flags) == ("upper", ("floor",))
    assert "image" in got.note
    assert got.value == pytest.approx(image_db, abs=0.5)
    other = pick(
        findings, "adjacent_channel_power", side={"upper": "lower", "lower": "upper"}[side]
    )
    assert other.value < -55.0


def test_a_line_6_db_above_the_image_is_measured(tmp_path: Path) -> None:
    """The image is taken off: what it adds, 1 dB, is more than the tolerance, the goal."""
    at_hz = CENTRE_HZ + 6000.0
    g = 10.0 ** (0.3 / 20.0) * np.exp(1j * np.deg2rad(2.0))
    line_db = 20.0 * np.log10(abs((1.0 - g) / (1.0 + g))) + 6.0
    findings = record(
        tmp_path,
        fm(at_hz),
        Carrier(frequency_hz=at_hz - 12.5e3 - 3.7e3, level_dbfs=-6.0 + line_db),
        at_hz=at_hz,
        datatype="cf32_le",
        noise_dbfs_hz=-110.0,
        gain_imbalance_db=0.3,
        skew_deg=2.0,
    )
    got = pick(findings, "adjacent_channel_power", side="lower")
    assert got.bound is None
    assert got.value == pytest.approx(line_db, abs=0.5)


def test_without_imbalance_there_is_no_image_to_blame(tmp_path: Path) -> None:
    """The same place, a real line there: it is measured."""
    at_hz = CENTRE_HZ + 6000.0
    findings = record(
        tmp_path,
        fm(at_hz),
        Carrier(frequency_hz=at_hz - 12.5e3, level_dbfs=-46.0),
        at_hz=at_hz,
        datatype="cf32_le",
        noise_dbfs_hz=-110.0,
    )
    got = pick(findings, "adjacent_channel_power", side="lower")
    assert got.bound is None
    assert got.value == pytest.approx(-40.0, abs=0.5)


@pytest.mark.parametrize("ppm", [0.0, 40.0])
def test_the_centre_spike_bounds_the_side_it_falls_on(ppm: float, tmp_path: Path) -> None:
    """A recorder whose clock is fast has its centre, and its spike, 6 kHz higher."""
    at_hz = CENTRE_HZ * (1.0 + 1e-6 * ppm) + 12.5e3
    findings = record(
        tmp_path,
        fm(at_hz),
        at_hz=at_hz,
        datatype="cf32_le",
        noise_dbfs_hz=-110.0,
        dc=0.01,
        clock_error_ppm=ppm,
    )
    got = pick(findings, "adjacent_channel_power", side="lower")
    assert (got.bound, got.flags) == ("upper", ("floor",))
    assert "centre spike" in got.note
    assert got.value == pytest.approx(-40.0 + 6.0, abs=0.5)
    assert pick(findings, "adjacent_channel_power", side="upper").value < -60.0


def test_a_spike_within_the_emission_does_not_widen_it_unsaid(tmp_path: Path) -> None:
    """A spike of 0.9 % of the carrier's power, 6 kHz beside it: the bandwidth to it is a bound."""
    at_hz = CENTRE_HZ + 6000.0
    findings = record(
        tmp_path, fm(at_hz), at_hz=at_hz, datatype="cf32_le", noise_dbfs_hz=-110.0, dc=0.0475
    )
    got = pick(findings, "occupied_bandwidth")
    assert (got.bound, got.flags) == ("upper", ("floor",))
    assert "DC spike" in got.note


def test_spurs_that_stand_with_the_transmitter_off_are_the_recorders(tmp_path: Path) -> None:
    """A spur in the adjacent channel, on while the transmitter is off (a step says so)."""
    at_hz = CENTRE_HZ + 45e3
    findings = record(
        tmp_path,
        fm(at_hz, keyed_s=((0.3, 1.4),)),
        Carrier(frequency_hz=at_hz + 12.5e3, level_dbfs=-46.0),
        at_hz=at_hz,
        seconds=0.7,
        noise_dbfs_hz=-105.0,
        annotations=[step(0.0, 0.3, RATE_HZ, None)],
    )
    got = pick(findings, "adjacent_channel_power", side="upper")
    assert (got.bound, got.flags) == ("upper", ("floor",))
    assert got.value == pytest.approx(-40.0, abs=0.5)
    assert pick(findings, "occupied_bandwidth").value == pytest.approx(
        occupied_hz(fm_lines(1000.0, 1500.0)), abs=100.0
    )


@pytest.mark.parametrize("cnr_db", [40.0, 25.0, 18.0, 14.0])
def test_occupied_bandwidth_in_noise(cnr_db: float, tmp_path: Path) -> None:
    """Noise in three channel widths is 5 dB more than in one. Taken off, the goal holds; where a
    tenth of it is more than half of what may lie beyond an edge, there is a bound."""
    at_hz = CENTRE_HZ + 45e3
    findings = record(
        tmp_path,
        fm(at_hz, level_dbfs=-15.0),
        at_hz=at_hz,
        seconds=1.2,
        noise_dbfs_hz=noise_dbfs_hz(-15.0, cnr_db, 12500.0),
    )
    got = pick(findings, "occupied_bandwidth")
    truth_hz = occupied_hz(fm_lines(1000.0, 1500.0))
    if got.bound is None:
        assert cnr_db >= 25.0
        assert got.value == pytest.approx(truth_hz, abs=100.0)
        assert abs(got.value - truth_hz) <= got.expanded_uncertainty
    else:
        assert cnr_db < 25.0
        assert (got.bound, got.flags) == ("upper", ("floor",))
        assert got.value > truth_hz


def values(findings) -> set:
    return {r.value for r in findings.readings if r.name != "transient_frequency"}


def test_noise_only(tmp_path: Path) -> None:
    findings = record(tmp_path, at_hz=CENTRE_HZ + 45e3, noise_dbfs_hz=-80.0)
    assert values(findings) == {None}
    assert len(findings.readings) == 7
    assert findings.series == ()
    assert "No carrier found" in findings.cautions[-1]


@pytest.mark.parametrize("seconds", [0.03, 0.0002])
def test_too_short(seconds: float, tmp_path: Path) -> None:
    findings = record(tmp_path, fm(CENTRE_HZ + 45e3), at_hz=CENTRE_HZ + 45e3, seconds=seconds)
    assert values(findings) == {None}
    assert "shorter than the 38 ms" in findings.cautions[-1]


def test_empty(tmp_path: Path) -> None:
    with pytest.raises(Damaged, match="no samples"):
        record(tmp_path, at_hz=CENTRE_HZ, seconds=0.0)


@pytest.mark.parametrize(
    ("rate_hz", "away_hz", "adjacent", "margin_bound"),
    # Flat to 0.46 of the rate less the offset, at most 60 kHz; the adjacent channel ends at
    # 16.75 kHz, mask D is judged to 55.6 kHz.
    [(25e3, 0.0, False, "upper"), (48e3, 2e3, True, "upper"), (250e3, 90e3, True, "upper")],
)
def test_a_narrow_recording_gives_what_fits(
    rate_hz: float, away_hz: float, adjacent: bool, margin_bound: str, tmp_path: Path
) -> None:
    at_hz = CENTRE_HZ + away_hz
    findings = record(
        tmp_path, fm(at_hz), at_hz=at_hz, rate_hz=rate_hz, datatype="cf32_le", noise_dbfs_hz=-100.0
    )
    truth_hz = occupied_hz(fm_lines(1000.0, 1500.0))
    assert pick(findings, "occupied_bandwidth").value == pytest.approx(truth_hz, abs=100.0)
    for side in ("upper", "lower"):
        got = pick(findings, "adjacent_channel_power", side=side)
        assert (got.value is not None) is adjacent
        assert adjacent or "reaches to 16750 Hz" in got.note
    margin = pick(findings, "emission_mask_margin")
    assert margin.bound == margin_bound or margin.verdict == "not measured"
    assert "of 55.6 kHz" in margin.note


def test_a_channel_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="not within"):
        record(tmp_path, at_hz=CENTRE_HZ + 122e3)


def test_clipped_is_flagged(tmp_path: Path) -> None:
    """6 dB over full scale: a clipped carrier has lines of its own, and the flag says why."""
    at_hz = CENTRE_HZ + 45e3
    findings = record(tmp_path, fm(at_hz, level_dbfs=6.0), at_hz=at_hz, noise_dbfs_hz=-100.0)
    assert all("clipped" in reading.flags for reading in findings.readings)


@pytest.mark.parametrize("dc", [0.0, 0.02 - 0.03j])
def test_a_carrier_at_the_recorders_centre(dc: complex, tmp_path: Path) -> None:
    findings = record(
        tmp_path,
        fm(CENTRE_HZ),
        at_hz=CENTRE_HZ,
        dc=dc,
        gain_imbalance_db=0.3,
        skew_deg=2.0,
        noise_dbfs_hz=-100.0,
    )
    truth_hz = occupied_hz(fm_lines(1000.0, 1500.0))
    assert pick(findings, "occupied_bandwidth").value == pytest.approx(truth_hz, abs=100.0)
    assert any("recorder's own centre" in caution for caution in findings.cautions)
    assert pick(findings, "adjacent_channel_power", side="upper").value < -40.0


def test_all_zero_and_the_unmodulated() -> None:
    made = Channel(
        name="made",
        role="output",
        sample_rate_hz=200e3,
        centre_hz=CENTRE_HZ,
        nominal_hz=CENTRE_HZ,
        width_spacings=8.0,
        recorder_centre_hz=CENTRE_HZ,
    )
    spectrum = Spectrum({"output": made}, D)
    spectrum.push("output", Block(np.zeros(60_000, np.complex64), 0, 200e3))
    assert values(spectrum.finish()) == {None}
    spectrum = Spectrum({"output": made}, D)
    plain = Dongle(
        sample_rate_hz=200e3,
        centre_hz=CENTRE_HZ,
        noise_dbfs_hz=-110.0,
        carriers=(Carrier(frequency_hz=CENTRE_HZ + 777.0),),
    )
    spectrum.push("output", Block(plain.samples(60_000).astype(np.complex64), 0, 200e3))
    got = pick(spectrum.finish(), "occupied_bandwidth")
    assert (got.bound, got.value) == ("upper", pytest.approx(100.0, rel=0.05))


def test_a_spacing_without_a_measuring_bandwidth(tmp_path: Path) -> None:
    at_hz = CENTRE_HZ + 30e3
    dongle = Dongle(sample_rate_hz=RATE_HZ, centre_hz=CENTRE_HZ, carriers=(fm(at_hz),))
    meta = write_pair(tmp_path / "r", dongle.chunks(100_000), "cu8", RATE_HZ, CENTRE_HZ)
    findings = measure_recordings("spectrum", [meta], at_hz=at_hz, spacing_hz=10e3)
    got = pick(findings, "adjacent_channel_power", side="upper")
    assert got.verdict == "not measured"
    assert "10000 Hz spacing" in got.note


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("ook_433m92_250k", ()),
        ("wmbus_t1_868m95_1m6", ("--spacing", "250000")),
        ("wmbus_t1_868m95_1m6", ()),
    ],
)
def test_real_recordings_give_no_nonsense(name, words, captures, monkeypatch, capsys) -> None:
    """On-off keying in pulses of 1 ms has no steady line spectrum; 2-FSK of 50 kHz deviation and
    100 kchip/s (EN 13757-4, captures/README.md) fills some 2 (50 + 50) to 4 times 100 kHz."""
    path = captures / f"{name}.sigmf-meta"
    monkeypatch.setattr(
        sys, "argv", ["harness", "measure", "spectrum", str(path), *words, "--json"]
    )
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    answer = json.loads(capsys.readouterr().out)
    for reading in answer["readings"]:
        if reading["name"] == "occupied_bandwidth" and words:
            assert 200e3 < reading["value"] < 400e3
            assert "clipped" in reading["flags"]
        else:
            assert reading["verdict"] == "not measured"


@pytest.mark.parametrize(
    ("kind", "words", "said"),
    [
        ("spectrum", ("--mask", "90.210-D"), "--power W"),
        ("spectrum", ("--mask", "90.210-Q", "--power", "4"), "did you mean"),
        ("spectrum", ("--power", "0"), "is no power"),
        ("spectrum", ("--mask", "90.210-B", "--power", "4", "--spacing", "11000"), "authorised"),
        ("carrier", ("--mask", "90.210-D"), "takes no emission mask"),
        ("timing", ("--power", "4"), "takes no emission mask"),
        ("carrier", ("--weighting", "c-message"), "carrier has no weighted audio"),
        ("squelch", ("--de-emphasis",), "squelch has no audio to de-emphasise"),
        ("timing", ("--end-v", "10.5"), "timing has no end voltage"),
        ("audio", ("--repeater-delay", "0.002"), "audio takes no delay of the repeater"),
        ("spectrum", ("--standard-span", "0:1"), "takes no standard test modulation"),
    ],
)
def test_options_that_cannot_be_heeded(kind, words, said, captures, monkeypatch, capsys) -> None:
    path = captures / "ook_433m92_250k.sigmf-meta"
    monkeypatch.setattr(sys, "argv", ["harness", "measure", kind, str(path), *words])
    with pytest.raises(SystemExit) as ended:
        main()
    printed = capsys.readouterr()
    assert ended.value.code == 2
    assert printed.out == ""
    assert len(printed.err.splitlines()) == 1
    assert said in printed.err
