"""What an opened recording says. Rules: SigMF schema 1.2.6; DESIGN section 3, Conventions."""

from datetime import UTC, datetime

import numpy as np
import pytest

from harness.errors import BadInput, Damaged
from harness.recordings import Annotation, Segment, open_recording


@pytest.mark.parametrize("suffix", [".sigmf-meta", ".sigmf-data", ""])
def test_opens_by_either_file_or_the_base_name(put, describe, codes, suffix):
    meta = put(describe(codes), codes, "g001_433.92M")
    recording = open_recording(str(meta).removesuffix(".sigmf-meta") + suffix)
    assert recording.name == "g001_433.92M"
    assert recording.path == meta
    assert recording.sample_count == 1000
    assert recording.duration_s == 1000 / 250_000


def test_gives_every_field(put, describe, codes):
    document = describe(
        codes,
        harness__role="input",
        harness__full_scale_dbm=-31.5,
        harness__port_offset_db=40,
        harness__skew_s=-0.002,
        harness__skew_uncertainty_s=1e-5,
        harness__clock_error_ppm=38.6,
        harness__clock_uncertainty_ppm=0.05,
        harness__gain_db=20.7,
        core__hw="dongle 00000102",
    )
    document["captures"][0]["core:datetime"] = "2025-03-01T06:00:00.123456789Z"
    recording = open_recording(put(document, codes))
    got = {
        name: getattr(recording, name)
        for name in (
            "datatype sample_rate_hz role full_scale_dbm port_offset_db skew_s skew_uncertainty_s "
            "clock_error_ppm clock_uncertainty_ppm gain_db hardware"
        ).split()
    }
    assert got == {
        "datatype": "cu8",
        "sample_rate_hz": 250e3,
        "role": "input",
        "full_scale_dbm": -31.5,
        "port_offset_db": 40.0,
        "skew_s": -0.002,
        "skew_uncertainty_s": 1e-5,
        "clock_error_ppm": 38.6,
        "clock_uncertainty_ppm": 0.05,
        "gain_db": 20.7,
        "hardware": "dongle 00000102",
    }
    # Nine digits are cut to microseconds, as the docstring says.
    when = datetime(2025, 3, 1, 6, 0, 0, 123456, UTC)
    assert recording.segments == (Segment(start_sample=0, centre_hz=153.825e6, start_utc=when),)


def test_what_is_absent_is_none(put, describe, codes):
    document = describe(codes)
    del document["global"]["core:sha512"]
    recording = open_recording(put(document, codes))
    absent = (
        "role full_scale_dbm port_offset_db skew_s skew_uncertainty_s clock_error_ppm "
        "clock_uncertainty_ppm gain_db sha512"
    ).split()
    assert [getattr(recording, name) for name in absent] == [None] * len(absent)
    assert recording.annotations == ()


def test_no_centre_frequency_is_a_caution(put, describe, codes):
    document = describe(codes)
    document["captures"] = []
    recording = open_recording(put(document, codes))
    assert recording.segments == (Segment(start_sample=0),)
    assert "no centre frequency" in recording.cautions[0]


def test_annotations(put, describe, codes):
    document = describe(codes)
    document["annotations"] = [
        {
            "core:sample_start": 100,
            "core:sample_count": 200,
            "core:label": "step",
            "core:comment": "by hand",
            "core:freq_lower_edge": 1.0,
            "core:freq_upper_edge": 2.0,
            "harness:level_dbm": -120,
            "harness:knob": "3:30",
            "harness:offset_hz": -750,
            "harness:transmitter": "off",
        },
        {"core:sample_start": 300, "core:label": "no signal"},
    ]
    recording = open_recording(put(document, codes))
    first = Annotation(
        start_sample=100,
        sample_count=200,
        label="step",
        comment="by hand",
        level_dbm=-120.0,
        knob="3:30",
        offset_hz=-750.0,
        transmitter="off",
        freq_lower_hz=1.0,
        freq_upper_hz=2.0,
    )
    assert recording.annotations[0] == first
    assert recording.span(recording.annotations[0]) == (100, 300)
    # SigMF: without a count it reaches to the end of its segment.
    assert recording.span(recording.annotations[1]) == (300, 1000)


def _two_parts(describe, codes, first=None, second=None, note=None, **fields):
    document = describe(codes, **fields)
    document["captures"] = [
        {"core:sample_start": 0, "core:frequency": 1e6, **(first or {})},
        {"core:sample_start": 400, "core:frequency": 2e6, **(second or {})},
    ]
    document["annotations"] = [note] if note else []
    return document


SIX = {"core:datetime": "2025-03-01T06:00:00.000000Z"}
LOST_50 = {"core:sample_start": 400, "core:sample_count": 0, "harness:lost_samples": 50}


@pytest.mark.parametrize(
    ("first", "second", "note", "lost"),
    [
        # 400 samples at 250 kS/s are 1.6 ms: no gap.
        pytest.param(SIX, {"core:datetime": "2025-03-01T06:00:00.001600Z"}, None, 0, id="none"),
        # Half a millisecond more is within the clock's grain.
        pytest.param(SIX, {"core:datetime": "2025-03-01T06:00:00.002100Z"}, None, 0, id="grain"),
        # 8.4 ms more: 2100 samples, exact.
        pytest.param(SIX, {"core:datetime": "2025-03-01T06:00:00.010000Z"}, None, 2100, id="time"),
        pytest.param({}, {}, LOST_50, 50, id="annotated"),
        # Both tell of the same loss: 1.6 ms + 2000 samples (8 ms) = 9.6 ms.
        pytest.param(
            SIX,
            {"core:datetime": "2025-03-01T06:00:00.009600Z"},
            {**LOST_50, "harness:lost_samples": 2000},
            2000,
            id="annotated and timed",
        ),
        pytest.param({"core:global_index": 10}, {"core:global_index": 417}, None, 7, id="by index"),
        pytest.param(
            {"core:global_index": 10}, {"core:global_index": 460}, LOST_50, 50, id="index, note"
        ),
    ],
)
def test_gaps(put, describe, codes, first, second, note, lost):
    recording = open_recording(put(_two_parts(describe, codes, first, second, note), codes))
    assert recording.lost_samples == lost
    assert recording.end_sample == 1000 + lost
    assert recording.duration_s == (1000 + lost) / 250_000
    assert recording.segments[1].start_sample == 400 + lost
    assert recording.cautions == ()
    blocks = list(recording.blocks())
    assert [(b.start, len(b.samples), b.lost_before) for b in blocks] == [
        (0, 400, 0),
        (400 + lost, 600, lost),
    ]
    assert np.array_equal(np.concatenate([b.samples for b in blocks]), codes)


def test_a_declared_clock_explains_the_times(put, describe, codes):
    # 1000 ppm fast: 400 samples take 1.6 ms / 1.001, and 1 s later a further 1 ms is explained.
    document = _two_parts(
        describe,
        codes,
        {**SIX, "core:global_index": 0},
        {"core:datetime": "2025-03-01T06:00:10.000000Z"},
        harness__clock_error_ppm=1000.0,
        harness__clock_uncertainty_ppm=0.0,
    )
    recording = open_recording(put(document, codes))
    # 10 s at 250 kS/s x 1.001, less the 400 that are there.
    assert recording.lost_samples == 2_502_500 - 400


def test_a_time_that_falls_back_is_a_caution_and_no_gap(put, describe, codes):
    document = _two_parts(describe, codes, SIX, {"core:datetime": "2025-03-01T05:59:59.000000Z"})
    recording = open_recording(put(document, codes))
    assert recording.lost_samples == 0
    assert recording.cautions == (
        "captures[1] begins 1.0016 s before the end of the samples ahead of it; "
        "its time is not used",
    )


def test_annotations_stand_in_the_stream(put, describe, codes):
    document = _two_parts(describe, codes)
    document["annotations"] = [
        {"core:sample_start": 300, "core:sample_count": 200},
        LOST_50,
        {"core:sample_start": 500, "core:sample_count": 10},
    ]
    across, _, behind = open_recording(put(document, codes)).annotations
    # 100 before the gap, 50 lost, 100 behind it.
    assert (across.start_sample, across.sample_count) == (300, 250)
    assert (behind.start_sample, behind.sample_count) == (550, 10)


def test_a_data_file_named_by_core_dataset(put, describe, codes, tmp_path):
    document = describe(codes, core__dataset="raw.iq", core__trailing_bytes=3)
    document["captures"][0]["core:header_bytes"] = 44
    (tmp_path / "raw.iq").write_bytes(bytes(44) + codes.tobytes() + bytes(3))
    recording = open_recording(put(document, None))
    assert np.array_equal(next(recording.blocks()).samples, codes)


def test_offset_counts_in_every_start(put, describe, codes):
    document = describe(codes, core__offset=5000)
    document["captures"][0]["core:sample_start"] = 5000
    document["annotations"] = [{"core:sample_start": 5100, "core:sample_count": 10}]
    recording = open_recording(put(document, codes))
    assert recording.segments[0].start_sample == 0
    assert recording.annotations[0].start_sample == 100


def test_verify(put, describe, codes):
    recording = open_recording(put(describe(codes), codes))
    assert recording.verify() == recording.sha512
    changed = codes.copy()
    changed[-1, 1] ^= 1
    recording.data_path.write_bytes(changed.tobytes())
    with pytest.raises(Damaged, match=r"take-1\.sigmf-data: the checksum is wrong: SHA-512 "):
        recording.verify()


def test_a_file_cut_after_opening_is_found(put, describe, codes):
    recording = open_recording(put(describe(codes), codes))
    recording.data_path.write_bytes(codes[:700].tobytes())
    with pytest.raises(Damaged, match="ends at sample 700 though it was 1000 long when opened"):
        list(recording.blocks())


def test_a_file_that_vanishes_after_opening_is_one_line(put, describe, codes):
    recording = open_recording(put(describe(codes), codes))
    recording.data_path.unlink()
    with pytest.raises(BadInput, match="cannot be read"):
        list(recording.blocks())


@pytest.mark.parametrize(
    ("name", "rate_hz", "centre_hz", "count"),
    [
        # Size of the file over two bytes; rate and centre from the captures' README.
        ("ook_433m92_250k", 250e3, 433.92e6, 131_072),
        ("wmbus_t1_868m95_1m6", 1.6e6, 868.95e6, 1_048_576),
    ],
)
def test_real_recordings(captures, name, rate_hz, centre_hz, count):
    recording = open_recording(captures / name)
    assert recording.sample_rate_hz == rate_hz
    assert recording.segments[0].centre_hz == centre_hz
    assert recording.sample_count == count
    assert recording.verify() == recording.sha512
    raw = b"".join(block.samples.tobytes() for block in recording.blocks())
    assert raw == (captures / f"{name}.sigmf-data").read_bytes()
