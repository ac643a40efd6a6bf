"""What is written is a valid recording, whatever ends it; what was there is never touched."""

import json
import os
import signal
import subprocess
import sys
import textwrap
import warnings
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import sigmf
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sigmf import sigmffile
from sigmf.validate import validate

from harness.blocks import Block
from harness.devices import StreamInfo
from harness.errors import BadInput, HardwareFault
from harness.recordings import Annotation, RecordingWriter, open_recording

RATE_HZ = 250e3
SIX = datetime(2025, 3, 1, 6, tzinfo=UTC)
ROOT = Path(__file__).resolve().parents[2]


def info(datatype="cu8", **changes):
    fields = {
        "role": "output",
        "datatype": datatype,
        "sample_rate_hz": RATE_HZ,
        "centre_hz": 153.825e6,
        "hardware": "dongle 00000102",
        "gain_db": 20.7,
    }
    return StreamInfo(**(fields | changes))


def block(samples, start=0):
    return Block(samples, start, RATE_HZ)


def names(folder):
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize(
    ("datatype", "dtype"), [("cu8", np.uint8), ("ci16_le", np.int16), ("cf32_le", np.float32)]
)
def test_round_trip_byte_for_byte(tmp_path, datatype, dtype):
    samples = np.random.default_rng(1).integers(0, 200, (1000, 2)).astype(dtype)
    with RecordingWriter(tmp_path / "a", info(datatype)) as writer:
        writer.write(block(samples))
    assert (tmp_path / "a.sigmf-data").read_bytes() == samples.tobytes()
    recording = open_recording(tmp_path / "a")
    assert recording.verify() == recording.sha512
    assert np.array_equal(next(recording.blocks()).samples, samples)
    assert names(tmp_path) == ["a.sigmf-data", "a.sigmf-meta"]


@pytest.mark.parametrize(("datatype", "dtype"), [("ri16_le", np.int16), ("rf32_le", np.float32)])
def test_audio_comes_back_byte_for_byte(tmp_path, datatype, dtype):
    samples = np.random.default_rng(1).integers(-200, 200, 1000).astype(dtype)
    step = Annotation(
        start_sample=100, sample_count=50, level_dbm=-118.5, offset_hz=-250.0, transmitter="on"
    )
    with RecordingWriter(tmp_path / "a", info(datatype, role="audio", centre_hz=0.0)) as writer:
        writer.write(block(samples[:400]))
        writer.write(block(samples[400:], 500))
        writer.annotate(step)
    assert (tmp_path / "a.sigmf-data").read_bytes() == samples.tobytes()
    recording = open_recording(tmp_path / "a")
    assert recording.verify() == recording.sha512
    assert recording.cautions == ()
    assert (recording.lost_samples, recording.end_sample) == (100, 1100)
    first, second = recording.blocks(block_samples=400, stop_sample=900)
    assert np.array_equal(first.samples, samples[:400])
    assert np.array_equal(second.samples, samples[400:800])
    assert (second.start, second.lost_before) == (500, 100)
    assert recording.annotations[0] == step


def test_audio_does_not_come_as_iq(tmp_path):
    with pytest.raises(BadInput, match=r'role is "output", but rf32_le holds audio, not IQ'):
        RecordingWriter(tmp_path / "a", info("rf32_le"))
    with RecordingWriter(tmp_path / "a", info("rf32_le", role="audio")) as writer:
        with pytest.raises(ValueError, match=r"need \(n\), float32"):
            writer.write(block(np.zeros((10, 2), np.float32)))
        with pytest.raises(ValueError, match="centre_hz"):
            writer.retune(153.825e6)


def test_every_field_comes_back(tmp_path):
    fields = {
        "full_scale_dbm": -31.5,
        "port_offset_db": 40.1,
        "skew_s": 0.0,
        "skew_uncertainty_s": 1e-5,
        "clock_error_ppm": 38.6,
        "clock_uncertainty_ppm": 0.05,
        "note": "by hand",
    }
    with RecordingWriter(tmp_path / "a", info(), start_utc=SIX, **fields) as writer:
        writer.write(block(np.zeros((10, 2), np.uint8)))
    recording = open_recording(tmp_path / "a")
    assert {name: getattr(recording, name) for name in fields} == fields
    assert (recording.role, recording.hardware, recording.gain_db) == (
        "output",
        "dongle 00000102",
        20.7,
    )
    document = json.loads(recording.path.read_text())
    assert document["captures"][0]["core:datetime"] == "2025-03-01T06:00:00.000000Z"
    assert document["global"]["core:extensions"] == [
        {"name": "harness", "version": "1.0.0", "optional": True}
    ]


def test_the_library_accepts_and_reads_it(tmp_path, codes):
    """The reference library of the standard, as an independent reader."""
    writer = RecordingWriter(tmp_path / "a", info(), start_utc=SIX, full_scale_dbm=-30.0)
    writer.write(block(codes[:400]))
    writer.write(block(codes[400:], 450))
    writer.annotate(Annotation(start_sample=5, sample_count=9, level_dbm=-120.0, knob="3:30"))
    meta = writer.close()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        validate(json.loads(meta.read_text()))
    theirs = sigmffile.fromfile(str(meta), autoscale=False)
    theirs.validate()
    raw = np.asarray(theirs.read_samples())
    assert np.array_equal(np.stack([raw.real, raw.imag], axis=1), codes)
    assert sigmf.__specification__ == theirs.get_global_field("core:version")


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    cuts=st.lists(st.tuples(st.integers(0, 300), st.sampled_from([0, 0, 1, 5000])), max_size=8),
    notes=st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 600)), max_size=4),
)
def test_any_cut_and_gaps_come_back(tmp_path_factory, cuts, notes):
    folder = tmp_path_factory.mktemp("w")
    rng = np.random.default_rng(4)
    writer = RecordingWriter(folder / "a", info(), start_utc=SIX)
    written, at = [], 0
    for length, lost in cuts:
        at += lost if written else 0
        samples = rng.integers(0, 256, (length, 2)).astype(np.uint8)
        writer.write(block(samples, at))
        if length:
            written.append((at, samples))
        at += length
    end = written[-1][0] + len(written[-1][1]) if written else 0
    for start, count in notes:
        writer.annotate(Annotation(start_sample=start, sample_count=count, label="step"))
    meta = writer.close()
    if not written:
        assert meta is None
        assert names(folder) == []
        return
    recording = open_recording(meta)
    got = np.full((end, 2), -1)
    for piece in recording.blocks(64):
        got[piece.start : piece.end] = piece.samples
    wanted = np.full((end, 2), -1)
    for start, samples in written:
        wanted[start : start + len(samples)] = samples
    assert np.array_equal(got, wanted)
    assert recording.end_sample == end
    there = wanted[:, 0] >= 0
    stored = [there[start : start + count].sum() for start, count in notes if start < end]
    steps = [note for note in recording.annotations if note.label == "step"]
    assert len(steps) == len(stored)
    for note, (start, count) in zip(
        steps,
        sorted((n for n in notes if n[0] < end), key=lambda n: there[: n[0]].sum()),
        strict=True,
    ):
        inside = np.flatnonzero(there[start : start + count]) + start
        if len(inside):
            assert note.start_sample == inside[0]
            assert note.start_sample + note.sample_count == inside[-1] + 1


def test_a_first_block_that_comes_late_moves_the_time(tmp_path, codes):
    with RecordingWriter(tmp_path / "a", info(), start_utc=SIX) as writer:
        writer.write(block(codes, 2500))
        writer.annotate(Annotation(start_sample=2600, sample_count=10, label="step"))
    recording = open_recording(tmp_path / "a")
    assert recording.lost_samples == 0
    # 2500 at 250 kS/s are 10 ms.
    assert recording.segments[0].start_utc == datetime(2025, 3, 1, 6, 0, 0, 10_000, UTC)
    assert recording.annotations[0].start_sample == 100


def test_segments(tmp_path, codes):
    with RecordingWriter(tmp_path / "a", info(), start_utc=SIX) as writer:
        writer.write(block(codes[:400]))
        writer.retune(158.425e6)
        writer.write(block(codes[400:], 3000))
    recording = open_recording(tmp_path / "a")
    assert [(s.start_sample, s.centre_hz) for s in recording.segments] == [
        (0, 153.825e6),
        (3000, 158.425e6),
    ]
    assert recording.segments[1].start_utc == datetime(2025, 3, 1, 6, 0, 0, 12_000, UTC)
    assert recording.lost_samples == 2600


@pytest.mark.parametrize("name", ["a.sigmf-data", "a.sigmf-meta", "a.sigmf-data.part"])
def test_never_overwrites(tmp_path, name):
    (tmp_path / name).write_bytes(b"precious")
    with pytest.raises(BadInput, match=f"{name}: is there already and is not overwritten"):
        RecordingWriter(tmp_path / "a", info())
    assert (tmp_path / name).read_bytes() == b"precious"
    assert names(tmp_path) == [name]


def test_a_name_taken_meanwhile_is_not_overwritten(tmp_path, codes):
    writer = RecordingWriter(tmp_path / "a", info())
    writer.write(block(codes))
    (tmp_path / "a.sigmf-data").write_bytes(b"precious")
    with pytest.raises(BadInput, match=r"is not overwritten\. What came is in a\.sigmf-data\.part"):
        writer.close()
    assert (tmp_path / "a.sigmf-data").read_bytes() == b"precious"
    assert (tmp_path / "a.sigmf-data.part").read_bytes() == codes.tobytes()


def test_no_folder(tmp_path):
    with pytest.raises(BadInput, match="none: there is no such folder"):
        RecordingWriter(tmp_path / "none" / "a", info())


@pytest.mark.parametrize("fault", [RuntimeError, KeyboardInterrupt])
def test_what_came_before_an_exception_is_kept(tmp_path, codes, fault):

    def record():
        with RecordingWriter(tmp_path / "a", info()) as writer:
            writer.write(block(codes))
            raise fault

    with pytest.raises(fault):
        record()
    recording = open_recording(tmp_path / "a")
    recording.verify()
    assert recording.sample_count == 1000


def test_nothing_is_left_when_nothing_came(tmp_path):

    def record():
        with RecordingWriter(tmp_path / "a", info()) as writer:
            writer.annotate(Annotation(start_sample=0, label="step"))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        record()
    assert names(tmp_path) == []


def test_closing_without_samples_gives_none_as_often_as_asked(tmp_path):
    writer = RecordingWriter(tmp_path / "a", info())
    assert [writer.close(), writer.close()] == [None, None]
    assert names(tmp_path) == []


def test_an_interrupt_amid_a_write_leaves_whole_samples(tmp_path, codes):
    class Interrupted:
        """The file, with an interrupt after half of the second block."""

        def __init__(self, file):
            self._file, self._calls = file, 0

        def write(self, raw):
            self._calls += 1
            if self._calls == 2:
                self._file.write(raw[: len(raw) // 2 + 1])
                raise KeyboardInterrupt
            return self._file.write(raw)

        def __getattr__(self, name):
            return getattr(self._file, name)

    writer = RecordingWriter(tmp_path / "a", info())
    writer._data_file = Interrupted(writer._data_file)
    writer.write(block(codes[:400]))
    with pytest.raises(KeyboardInterrupt), writer:
        writer.write(block(codes[400:], 400))
    recording = open_recording(tmp_path / "a")
    recording.verify()
    assert recording.sample_count == 400


def _script(body):
    """Run a script in a process of its own that can open the package."""
    return textwrap.dedent(
        f"""
        import sys
        sys.path.insert(0, {str(ROOT)!r})
        import numpy as np
        from harness.blocks import Block
        from harness.devices import StreamInfo
        from harness.errors import HarnessError
        from harness.recordings import Annotation, RecordingWriter
        info = StreamInfo(role="output", datatype="cu8", sample_rate_hz=250e3,
                          centre_hz=153.825e6, hardware="test")
        writer = RecordingWriter(sys.argv[1], info)
        codes = np.arange(20_000, dtype=np.uint8).reshape(-1, 2)
        """
    ) + textwrap.dedent(body)


def test_a_full_disk_keeps_what_fitted(tmp_path):
    """The system's own limit on a file's size stands for the full disk."""
    pytest.importorskip("resource", reason="limits of POSIX systems")
    script = _script(
        """
        import resource
        resource.setrlimit(resource.RLIMIT_FSIZE, (150_001, 150_001))
        try:
            for number in range(1000):
                writer.write(Block(codes, 10_000 * number, 250e3))
        except HarnessError as error:
            print(error, type(error).__name__)
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", script, tmp_path / "a"], capture_output=True, text=True, check=True
    )
    assert (
        "a.sigmf-data: the disk is full. All 75000 samples (0.3 s) until then are kept. Make"
        in (done.stdout)
    )
    assert "HardwareFault" in done.stdout
    recording = open_recording(tmp_path / "a")
    recording.verify()
    assert recording.sample_count == 75_000


def test_a_full_disk_at_the_start_leaves_nothing(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(HardwareFault, match=r"the disk is full\. Nothing was recorded\. Make"):
        RecordingWriter(tmp_path / "a", info())
    assert names(tmp_path) == []


@pytest.mark.parametrize("how", [signal.SIGKILL])
def test_after_a_power_cut_renaming_both_parts_gives_a_recording(tmp_path, how):
    script = _script(
        """
        import os, signal
        writer.annotate(Annotation(start_sample=0, sample_count=100, label="step"))
        writer.write(Block(codes, 0, 250e3))
        os.kill(os.getpid(), signal.SIGKILL)
        """
    )
    done = subprocess.run([sys.executable, "-c", script, tmp_path / "a"], check=False)
    assert done.returncode == -how
    assert names(tmp_path) == ["a.sigmf-data.part", "a.sigmf-meta.part"]
    for part in tmp_path.iterdir():
        part.rename(part.with_suffix(""))
    recording = open_recording(tmp_path / "a")
    assert recording.sample_count == 10_000
    assert recording.sha512 is None


def test_discard_leaves_nothing(tmp_path, codes):
    with RecordingWriter(tmp_path / "a", info()) as writer:
        writer.write(block(codes))
        writer.discard()
    assert names(tmp_path) == []


def test_many_annotations(tmp_path, codes):
    with RecordingWriter(tmp_path / "a", info()) as writer:
        writer.write(block(codes))
        for number in range(1000):
            writer.annotate(
                Annotation(start_sample=number, sample_count=1, label="é" * 50, level_dbm=-100.5)
            )
    assert len(open_recording(tmp_path / "a").annotations) == 1000


@pytest.mark.parametrize(
    ("samples", "start", "rate_hz"),
    [
        (np.zeros((5, 2), np.int8), 0, RATE_HZ),
        (np.zeros(10, np.uint8), 0, RATE_HZ),
        (np.zeros((5, 3), np.uint8), 0, RATE_HZ),
        (np.zeros((5, 2), np.uint8), 9, RATE_HZ),
        (np.zeros((5, 2), np.uint8), 10, 2 * RATE_HZ),
    ],
)
def test_a_callers_mistake(tmp_path, samples, start, rate_hz):
    with RecordingWriter(tmp_path / "a", info()) as writer:
        writer.write(block(np.zeros((10, 2), np.uint8)))
        with pytest.raises(ValueError, match=r"samples|start|rate"):
            writer.write(Block(samples, start, rate_hz))


def test_a_description_that_could_not_be_read_is_refused_first(tmp_path):
    with pytest.raises(BadInput, match=r"core:sample_rate is 0\.0, below 1000"):
        RecordingWriter(tmp_path / "a", info(sample_rate_hz=0.0))
    with pytest.raises(BadInput, match=r"clock_error_ppm is 1000000\.0, above 1000"):
        RecordingWriter(tmp_path / "a", info(), clock_error_ppm=1e6)
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    ("annotation", "line"),
    [
        (Annotation(start_sample=-1), "core:sample_start is -1, below 0"),
        (Annotation(start_sample=0, sample_count=-1), "core:sample_count is -1, below 0"),
        (Annotation(start_sample=0, level_dbm=np.nan), "level_dbm is NaN, not a finite number"),
        (Annotation(start_sample=0, offset_hz=np.inf), "offset_hz is Infinity, not a finite"),
        (Annotation(start_sample=0, transmitter="keyed"), 'transmitter is "keyed", none of on'),
        (Annotation(start_sample=0, freq_lower_hz=2.0, freq_upper_hz=1.0), "upper_edge is 1.0, b"),
    ],
)
def test_an_annotation_that_could_not_be_read_is_refused_at_once(tmp_path, codes, annotation, line):
    with RecordingWriter(tmp_path / "a", info()) as writer:
        writer.write(block(codes))
        with pytest.raises(BadInput) as caught:
            writer.annotate(annotation)
    assert line in str(caught.value)
    assert open_recording(tmp_path / "a").annotations == ()
