"""Audio files out and in again: the same samples, the gaps in their places, whatever ends it."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest
import soundfile

from harness.blocks import Block
from harness.devices import StreamInfo
from harness.errors import BadInput, HardwareFault
from harness.measure.run import measure_recordings
from harness.recordings import AudioWriter, open_audio
from harness.recordings.audio_writer import gaps_in

RATE_HZ = 48000.0
INFO = StreamInfo(
    role="audio", datatype="rf32_le", sample_rate_hz=RATE_HZ, centre_hz=0.0, hardware="sound card x"
)
START = datetime(2026, 6, 21, 4, 30, tzinfo=UTC)
# 24-bit codes, exact in float32 and in both formats.
SAMPLES = (np.random.default_rng(5).integers(-(2**23), 2**23, 30_000) / 2**23).astype(np.float32)


def write(path, *spans, **options):
    with AudioWriter(path, INFO, start_utc=START, **options) as writer:
        for first, last in spans:
            writer.write(Block(SAMPLES[first:last], first, RATE_HZ))
    return writer


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_samples_come_back_as_they_were(suffix, tmp_path) -> None:
    path = tmp_path / f"a.{suffix}"
    writer = write(path, (0, 100), (100, 30_000), note="knob at 3:30")
    assert (writer.sample_count, writer.lost) == (30_000, 0)
    audio = open_audio(path)
    assert audio.cautions == ()
    assert audio.lost == ()
    got = np.concatenate([block.samples for block in audio.blocks(4096)])
    assert np.array_equal(got, SAMPLES.astype(float))
    with soundfile.SoundFile(path) as file:
        told = json.loads(file.comment)["harness"]
        assert file.software.startswith("harness")
    assert told == {
        "role": "audio",
        "hardware": "sound card x",
        "start_utc": "2026-06-21T04:30:00.000000Z",
        "note": "knob at 3:30",
    }
    assert [each.name for each in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize("suffix", ["wav", "flac"])
@pytest.mark.parametrize("size", [977, 65_536])
def test_a_gap_stands_where_it_was(suffix, size, tmp_path) -> None:
    path = tmp_path / f"a.{suffix}"
    # The stream begins anywhere: the file begins with it.
    writer = write(path, (500, 5000), (6000, 6001), (9000, 30_000))
    assert writer.lost == 1000 + 2999
    audio = open_audio(path)
    assert audio.lost == ((4500, 1000), (4501, 2999))
    assert audio.duration_s == 29_500 / RATE_HZ
    seen = []
    for block in audio.blocks(size):
        first = block.start + 500
        assert np.array_equal(block.samples, SAMPLES[first : first + len(block.samples)])
        if block.lost_before:
            seen.append((first, block.lost_before))
    assert seen == [(6000, 1000), (9000, 2999)]
    assert [each.name for each in tmp_path.iterdir()] == [path.name]


def test_a_gap_is_told_by_what_is_measured(tmp_path) -> None:
    path = tmp_path / "a.flac"
    tone = (0.5 * np.sin(2 * np.pi * np.arange(200_000) / 48.0)).astype(np.float32)
    with AudioWriter(path, INFO, start_utc=START) as writer:
        writer.write(Block(tone[:90_000], 0, RATE_HZ))
        writer.write(Block(tone[90_100:], 90_100, RATE_HZ))
    found = measure_recordings("audio", [path])
    assert "a: 100 samples are missing." in found.cautions
    (sinad,) = [r for r in found.readings if r.name == "sinad" and "flat" in str(r.conditions)]
    assert "lost samples" in sinad.flags
    # 24 bits leave 146 dB; a gap that was measured across would leave some 30.
    assert sinad.value > 100.0


def test_what_came_is_kept_whatever_ends_it(tmp_path) -> None:
    path = tmp_path / "a.wav"

    def interrupted() -> None:
        with AudioWriter(path, INFO, start_utc=START) as writer:
            writer.write(Block(SAMPLES, 0, RATE_HZ))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert open_audio(path).sample_count == len(SAMPLES)


def test_nothing_is_left_of_nothing(tmp_path) -> None:
    assert write(tmp_path / "a.flac").close() is None
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("a.mp3", "End it in .wav or .flac"),
        ("a", "End it in .wav or .flac"),
        ("there.wav", "is there already and is not overwritten"),
        ("no-folder/a.wav", "there is no such folder"),
    ],
)
def test_names_that_cannot_be(name, line, tmp_path) -> None:
    (tmp_path / "there.wav").write_text("mine")
    with pytest.raises(BadInput, match=line):
        AudioWriter(tmp_path / name, INFO, start_utc=START)
    assert (tmp_path / "there.wav").read_text() == "mine"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_full_disk_is_one_line(tmp_path, monkeypatch) -> None:
    writer = AudioWriter(tmp_path / "a.wav", INFO, start_utc=START)
    writer.write(Block(SAMPLES, 0, RATE_HZ))

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writer._file, "write", full)
    with pytest.raises(HardwareFault, match=r"the disk is full.*What came is in a\.wav\.part"):
        writer.write(Block(SAMPLES, 30_000, RATE_HZ))
    with soundfile.SoundFile(tmp_path / "a.wav.part") as kept:
        assert kept.frames == len(SAMPLES)


@pytest.mark.parametrize(
    ("comment", "gaps"),
    [
        ("", ()),
        ("recorded in the shed", ()),
        ("[1]", ()),
        ('{"harness": {}}', ()),
        ('{"harness": {"lost_samples": [[10, 5], [20, 1]]}}', ((10, 5), (20, 1))),
        ('{"harness": {"lost_samples": [[20, 5], [10, 1]]}}', None),
        ('{"harness": {"lost_samples": [[10, 0]]}}', None),
        ('{"harness": {"lost_samples": [[100, 1]]}}', None),
        ('{"harness": {"lost_samples": [[0, 1]]}}', None),
        ('{"harness": {"lost_samples": [[10.5, 1]]}}', None),
        ('{"harness": {"lost_samples": [[true, 1]]}}', None),
        ('{"harness": {"lost_samples": 7}}', None),
        ("[" * 100_000, ()),
    ],
)
def test_comments_of_others_and_ones_that_cannot_be(comment, gaps) -> None:
    assert gaps_in(comment, 100) == gaps
