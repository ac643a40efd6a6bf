"""From recordings to findings: which channel, which span, what is refused, what is flagged.

Rules: DESIGN section 3 (Which channel; Clocks; Checksums; Overload) and section 7 of house-style
(one line: what, where, what to do).
"""

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from harness.describe import load_bench, load_unit
from harness.errors import BadInput, Damaged
from harness.measure.run import measure_recordings
from harness.readings import findings_json
from tests.measure.pick import pick
from tests.truth.files import step, write_pair
from tests.truth.signals import Carrier, Dongle, Sine

CENTRE_HZ = 153.825e6
UNIT = """
name = "Frost Watch 2"
receive_hz = 158.425e6
transmit_hz = 153.865e6
channel_spacing_hz = 12500
rated_deviation_hz = 2500
rated_power_w = 4.0
emphasis = true
"""


def two_carriers(
    base: Path, *, datatype: str = "cu8", seconds: float = 1.0, role: str | None = "output", **more
) -> Path:
    """A stronger carrier at +70.11 kHz and a weaker at +40.025 kHz."""
    dongle = Dongle(
        sample_rate_hz=250e3,
        centre_hz=CENTRE_HZ,
        noise_dbfs_hz=-95.0,
        carriers=(
            Carrier(frequency_hz=CENTRE_HZ + 70_110.0, level_dbfs=-8.0),
            Carrier(
                frequency_hz=CENTRE_HZ + 40_025.0,
                level_dbfs=-18.0,
                sines=(Sine(frequency_hz=1000.0, deviation_hz=1500.0),),
            ),
        ),
    )
    fields = {"role": role} if role else {}
    count = round(seconds * 250e3)
    return write_pair(base, dongle.chunks(count), datatype, 250e3, CENTRE_HZ, fields=fields, **more)


def frequency_error_hz(path: Path, **how) -> float:
    return pick(measure_recordings("carrier", [path], **how), "frequency_error").value


def test_the_channel_that_was_asked_for(tmp_path: Path) -> None:
    path = two_carriers(tmp_path / "r")
    assert frequency_error_hz(path, at_hz=CENTRE_HZ + 40e3) == pytest.approx(25.0, abs=0.5)
    assert frequency_error_hz(path, at_hz=CENTRE_HZ + 70e3) == pytest.approx(110.0, abs=0.5)


def test_the_channel_that_is_annotated(tmp_path: Path) -> None:
    """Its middle is the nominal frequency and its time span the part to measure."""
    note = {
        "core:sample_start": 50_000,
        "core:sample_count": 150_000,
        "core:freq_lower_edge": CENTRE_HZ + 40_100.0 - 6250.0,
        "core:freq_upper_edge": CENTRE_HZ + 40_100.0 + 6250.0,
    }
    path = two_carriers(tmp_path / "r", annotations=[note])
    assert frequency_error_hz(path) == pytest.approx(-75.0, abs=0.5)
    # What the user says comes first.
    assert frequency_error_hz(path, at_hz=CENTRE_HZ + 70e3) == pytest.approx(110.0, abs=0.5)


def test_the_annotated_span_is_the_part_measured(tmp_path: Path) -> None:
    dongle_on = Dongle(
        sample_rate_hz=250e3,
        noise_dbfs_hz=-95.0,
        carriers=(Carrier(frequency_hz=CENTRE_HZ + 40_000.0, level_dbfs=-20.0),),
    )
    dongle_high = Dongle(
        sample_rate_hz=250e3,
        noise_dbfs_hz=-95.0,
        carriers=(Carrier(frequency_hz=CENTRE_HZ + 40_500.0, level_dbfs=-6.0),),
    )
    parts = [dongle_on.samples(250_000), dongle_high.samples(250_000)]
    note = {
        "core:sample_start": 10_000,
        "core:sample_count": 200_000,
        "core:freq_lower_edge": CENTRE_HZ + 33_750.0,
        "core:freq_upper_edge": CENTRE_HZ + 46_250.0,
    }
    path = write_pair(tmp_path / "r", parts, "cu8", 250e3, CENTRE_HZ, annotations=[note])
    assert frequency_error_hz(path) == pytest.approx(0.0, abs=0.5)
    assert frequency_error_hz(path, span_s=(1.1, 1.9)) == pytest.approx(500.0, abs=0.5)


def test_the_channel_of_the_unit_file(tmp_path: Path) -> None:
    (tmp_path / "unit.toml").write_text(UNIT, encoding="utf-8")
    unit = load_unit(tmp_path / "unit.toml")
    path = two_carriers(tmp_path / "r")
    assert frequency_error_hz(path, unit=unit) == pytest.approx(25.0, abs=0.5)


def test_else_the_strongest_emission_with_a_caution(tmp_path: Path) -> None:
    path = two_carriers(tmp_path / "r", role=None)
    findings = measure_recordings("carrier", [path])
    # Without a nominal frequency the error is against the recording's tuning.
    assert pick(findings, "frequency_error").value == pytest.approx(70_110.0, abs=0.5)
    assert any("strongest" in caution for caution in findings.cautions)
    assert any("tuning" in caution for caution in findings.cautions)


@pytest.mark.parametrize("ppm", [-50.0, 25.0])
def test_the_clock_moves_the_span_and_the_steps(ppm: float, tmp_path: Path) -> None:
    """Same true carrier, other clock: same answer."""
    dongle = Dongle(
        sample_rate_hz=250e3,
        clock_error_ppm=ppm,
        noise_dbfs_hz=-95.0,
        carriers=(Carrier(frequency_hz=CENTRE_HZ + 40_025.0),),
    )
    path = write_pair(
        tmp_path / "r",
        dongle.chunks(300_000),
        "cu8",
        250e3,
        CENTRE_HZ,
        fields={"clock_error_ppm": ppm},
    )
    assert frequency_error_hz(path, at_hz=CENTRE_HZ + 40e3) == pytest.approx(25.0, abs=0.5)
    assert frequency_error_hz(path) == pytest.approx(40_025.0, abs=0.5)


def test_the_same_recording_gives_the_same_answer_bit_for_bit(tmp_path: Path) -> None:
    path = two_carriers(tmp_path / "r", seconds=3.0)
    before = hashlib.sha512(path.with_suffix(".sigmf-data").read_bytes()).digest()
    answers = [
        json.dumps(findings_json(measure_recordings("carrier", [path], at_hz=CENTRE_HZ + 40e3)))
        for _ in range(2)
    ]
    assert answers[0] == answers[1]
    assert hashlib.sha512(path.with_suffix(".sigmf-data").read_bytes()).digest() == before


def test_what_was_measured_is_named_by_checksum(tmp_path: Path) -> None:
    path = two_carriers(tmp_path / "r")
    findings = measure_recordings("carrier", [path], at_hz=CENTRE_HZ + 40e3)
    data = path.with_suffix(".sigmf-data").read_bytes()
    assert [used.sha512 for used in findings.recordings] == [hashlib.sha512(data).hexdigest()]
    assert [used.role for used in findings.recordings] == ["output"]


def test_a_wrong_checksum_is_refused_or_said(tmp_path: Path) -> None:
    path = two_carriers(tmp_path / "r")
    data = path.with_suffix(".sigmf-data")
    octets = bytearray(data.read_bytes())
    octets[1234] ^= 1
    data.write_bytes(octets)
    with pytest.raises(Damaged):
        measure_recordings("carrier", [path], at_hz=CENTRE_HZ + 40e3)
    findings = measure_recordings("carrier", [path], at_hz=CENTRE_HZ + 40e3, verify=False)
    assert all("not verified" in r.flags for r in findings.readings)
    assert any("verif" in caution for caution in findings.cautions)


def edited(path: Path, **changes) -> Path:
    meta = json.loads(path.read_text(encoding="utf-8"))
    for name, value in changes.items():
        meta["global"][f"core:{name}"] = value
    path.write_text(json.dumps(meta), encoding="utf-8")
    return path


@pytest.mark.parametrize("rate", [0, -250e3, 5, 1e13, "fast", None])
def test_an_impossible_rate_is_refused(rate, tmp_path: Path) -> None:
    path = edited(two_carriers(tmp_path / "r"), sample_rate=rate)
    with pytest.raises(BadInput) as caught:
        measure_recordings("carrier", [path], at_hz=CENTRE_HZ + 40e3)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("datatype", ["cu16_le", "rf32_le", "ci16", "nonsense"])
def test_an_unknown_datatype_is_refused(datatype: str, tmp_path: Path) -> None:
    path = edited(two_carriers(tmp_path / "r"), datatype=datatype)
    with pytest.raises(BadInput):
        measure_recordings("carrier", [path], at_hz=CENTRE_HZ + 40e3)


@pytest.mark.parametrize("octets", [0, 1, 3])
def test_an_empty_or_odd_data_file_is_refused(octets: int, tmp_path: Path) -> None:
    path = two_carriers(tmp_path / "r")
    path.with_suffix(".sigmf-data").write_bytes(bytes(octets))
    with pytest.raises(BadInput):
        measure_recordings("carrier", [path], at_hz=CENTRE_HZ + 40e3, verify=False)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("kind", ["carrier", "audio"])
def test_not_a_number_is_refused(value: float, kind: str, tmp_path: Path) -> None:
    dongle = Dongle(sample_rate_hz=250e3, carriers=(Carrier(frequency_hz=CENTRE_HZ + 40e3),))
    iq = dongle.samples(300_000)
    iq[123_456] = complex(0.0, value)
    path = write_pair(tmp_path / "r", [iq], "cf32_le", 250e3, CENTRE_HZ)
    with pytest.raises(Damaged):
        measure_recordings(kind, [path], at_hz=CENTRE_HZ + 40e3)


@pytest.mark.parametrize(
    "how",
    [
        {"at_hz": CENTRE_HZ + 200e3},
        {"at_hz": CENTRE_HZ + 120e3},
        {"at_hz": CENTRE_HZ, "spacing_hz": 300e3},
        {"at_hz": CENTRE_HZ, "spacing_hz": 0.0},
        {"at_hz": CENTRE_HZ, "spacing_hz": -12500.0},
        {"at_hz": float("nan")},
        {"at_hz": CENTRE_HZ, "spacing_hz": float("nan")},
        {"at_hz": CENTRE_HZ, "span_s": (5.0, 6.0)},
        {"at_hz": CENTRE_HZ, "span_s": (0.5, 0.5)},
        {"at_hz": CENTRE_HZ, "span_s": (-1.0, 0.5)},
        {"at_hz": CENTRE_HZ, "span_s": (float("nan"), 0.5)},
        {"at_hz": CENTRE_HZ, "span_s": (0.1, float("nan"))},
    ],
    ids=str,
)
def test_a_wish_that_cannot_be_heeded_is_refused(how: dict, tmp_path: Path) -> None:
    path = two_carriers(tmp_path / "r")
    with pytest.raises(BadInput) as caught:
        measure_recordings("carrier", [path], **how)
    assert "\n" not in str(caught.value)


def test_an_unknown_kind_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="carrier"):
        measure_recordings("carier", [two_carriers(tmp_path / "r")])


def test_two_recordings_of_one_role_are_refused(tmp_path: Path) -> None:
    paths = [two_carriers(tmp_path / "a"), two_carriers(tmp_path / "b")]
    with pytest.raises(BadInput):
        measure_recordings("carrier", paths, at_hz=CENTRE_HZ + 40e3)


def test_no_recording_is_refused() -> None:
    with pytest.raises(BadInput):
        measure_recordings("carrier", [])


def test_a_missing_recording_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput):
        measure_recordings("carrier", [tmp_path / "none.sigmf-meta"])


def test_input_levels_come_from_the_input_recording_where_it_sees_them(tmp_path: Path) -> None:
    """The generator is 2 dB lower than it was set; the input recording knows."""
    from tests.truth.repeater import SinadSweep, straight

    levels_dbm = tuple(np.arange(-121.0, -109.9, 1.0))
    sweep = SinadSweep(levels_dbm=levels_dbm, sinad_db=lambda set_dbm: straight(-115.0)(set_dbm))
    output = sweep.write(tmp_path / "out")
    parts, notes = [], []
    for number, level in enumerate(levels_dbm):
        dongle = Dongle(
            sample_rate_hz=50e3,
            centre_hz=158.425e6,
            noise_dbfs_hz=-95.0,
            draw=500 + number,
            carriers=(Carrier(frequency_hz=158.425e6 + 6e3, level_dbfs=level - 2.0 + 100.0),),
        )
        parts.append(dongle.samples(150_000))
        notes.append(step(3.0 * number, 3.0, 50e3, level))
    given = write_pair(
        tmp_path / "in",
        parts,
        "ci16_le",
        50e3,
        158.425e6,
        fields={"role": "input", "full_scale_dbm": -60.0, "port_offset_db": -40.0},
        annotations=notes,
    )
    unit_text = UNIT.replace("158.425e6", "158.431e6").replace("153.865e6", "153.8257e6")
    (tmp_path / "unit.toml").write_text(unit_text, encoding="utf-8")
    unit = load_unit(tmp_path / "unit.toml")
    findings = measure_recordings("audio", [output, given], unit=unit)
    reading = pick(findings, "sensitivity_12db_sinad")
    # As set, 12 dB SINAD is at -115; as it was, 2 dB lower.
    assert reading.value == pytest.approx(-117.0, abs=0.3)


def test_progress_goes_from_start_to_end(tmp_path: Path) -> None:
    seen: list[float] = []
    path = two_carriers(tmp_path / "r", seconds=4.0)
    measure_recordings("carrier", [path], at_hz=CENTRE_HZ + 40e3, progress=seen.append)
    assert seen == sorted(seen)
    assert 0.0 <= seen[0] < 0.5 < seen[-1] <= 1.0


BENCH = """
name = "shed"
connection_uncertainty_db = 0.05
[output]
source = "rtlsdr"
full_scale_dbm = -12.3
full_scale_uncertainty_db = 0.2
"""


@pytest.mark.parametrize(
    ("own", "heeded"),
    [({}, True), ({"full_scale_dbm": -12.3}, True), ({"full_scale_dbm": -14.3}, False)],
)
def test_the_uncertainty_of_another_calibration_is_left_out(own, heeded, tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    path = two_carriers(tmp_path / "r", role=None)
    meta = json.loads(path.read_text(encoding="utf-8"))
    meta["global"] |= {f"harness:{name}": value for name, value in own.items()}
    path.write_text(json.dumps(meta), encoding="utf-8")
    findings = measure_recordings(
        "carrier",
        [path],
        at_hz=CENTRE_HZ + 70_110.0,
        spacing_hz=12500.0,
        bench=load_bench(tmp_path / "bench.toml"),
    )
    reading = pick(findings, "carrier_power")
    names = {part.name for part in reading.contributions}
    declared = {"shed.output.full_scale_dbm", "shed.output.connection"}
    assert (names & declared == declared) is heeded
    assert any("another calibration" in caution for caution in findings.cautions) is not heeded
    assert ("outside calibration" in reading.flags) is not heeded
    # Nothing is declared of its clock.
    assert "outside calibration" in pick(findings, "frequency_error").flags
