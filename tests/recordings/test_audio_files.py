"""Audio of receivers and discriminators: WAV, FLAC, AU. Full scale is 1."""

import hashlib
import wave

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.errors import BadInput, Damaged
from harness.recordings import open_audio


@pytest.fixture
def tone():
    """16-bit codes, all different from their neighbours."""
    return np.random.default_rng(7).integers(-32768, 32768, 30_000).astype(np.int16)


@pytest.mark.parametrize("suffix", ["wav", "flac", "au"])
def test_samples(tmp_path, tone, suffix):
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, tone, 44100, "PCM_16")
    audio = open_audio(path)
    assert (audio.name, audio.sample_rate_hz, audio.channels) == ("a", 44100.0, 1)
    assert audio.sample_count == len(tone)
    assert audio.sha512 == hashlib.sha512(path.read_bytes()).hexdigest() == audio.verify()
    blocks = list(audio.blocks(4096))
    assert [block.start for block in blocks] == list(range(0, 30_000, 4096))
    got = np.concatenate([block.samples for block in blocks])
    assert got.dtype == np.float64
    # Exact in binary.
    assert np.array_equal(got, tone / 32768)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(size=st.integers(1, 40_000).filter(lambda n: n > 100))
def test_any_cut_gives_the_same_samples(tmp_path_factory, tone, size):
    path = tmp_path_factory.mktemp("cut") / "a.flac"
    soundfile.write(path, tone, 44100, "PCM_16")
    got = np.concatenate([block.samples for block in open_audio(path).blocks(size)])
    assert np.array_equal(got, tone / 32768)


def test_channels(tmp_path, tone):
    path = tmp_path / "a.wav"
    soundfile.write(path, np.stack([tone, tone[::-1]], axis=1), 48000)
    first = open_audio(path)
    assert first.cautions == ("a.wav has 2 channels; the first is measured",)
    assert np.array_equal(next(first.blocks(9)).samples, tone[:9] / 32768)
    second = open_audio(path, channel=2)
    assert second.cautions == ()
    assert np.array_equal(next(second.blocks(9)).samples, tone[::-1][:9] / 32768)
    with pytest.raises(BadInput, match=r"a\.wav: has 2 channels, not 3"):
        open_audio(path, channel=3)


@pytest.mark.parametrize("suffix", ["wav", "flac", "au"])
def test_a_cut_file_is_found_on_opening(tmp_path, tone, suffix):
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, tone, 44100, "PCM_16")
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) * 2 // 3])
    with pytest.raises(Damaged, match=rf"a\.{suffix}: is cut off"):
        open_audio(path)


def test_a_wav_from_a_pipe_does_not_know_its_length(tmp_path, tone):
    path = tmp_path / "a.wav"
    soundfile.write(path, tone, 44100, "PCM_16")
    raw = bytearray(path.read_bytes())
    at = raw.index(b"data") + 4
    raw[at : at + 4] = b"\xff\xff\xff\xff"
    path.write_bytes(raw)
    assert open_audio(path).sample_count == len(tone)


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        (b"", "a.wav: is empty"),
        (b"hello there, this is text" * 9, "a.wav: is no audio file that can be read"),
        (b"RIFF\x00\x00\x00\x00WAVE", "a.wav: is no audio file that can be read"),
    ],
)
def test_no_audio(tmp_path, raw, line):
    (tmp_path / "a.wav").write_bytes(raw)
    with pytest.raises(Damaged) as caught:
        open_audio(tmp_path / "a.wav")
    assert line in str(caught.value)
    with pytest.raises(BadInput, match="there is no such file"):
        open_audio(tmp_path / "b.wav")


def test_no_samples_and_an_impossible_rate(tmp_path):
    with wave.open(str(tmp_path / "a.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(44100)
    with pytest.raises(Damaged, match="holds no samples"):
        open_audio(tmp_path / "a.wav")
    soundfile.write(tmp_path / "b.wav", np.zeros(100), 10)
    with pytest.raises(Damaged, match="says 10 samples a second, which no audio has"):
        open_audio(tmp_path / "b.wav")


def test_nan(tmp_path):
    samples = np.zeros(1000, np.float32)
    samples[700] = np.nan
    soundfile.write(tmp_path / "a.wav", samples, 44100, "FLOAT")
    with pytest.raises(Damaged, match="sample 700 is NaN or infinite"):
        list(open_audio(tmp_path / "a.wav").blocks(64))


def test_a_file_that_changed_after_opening(tmp_path, tone):
    path = tmp_path / "a.wav"
    soundfile.write(path, tone, 44100)
    audio = open_audio(path)
    soundfile.write(path, tone[::-1], 44100)
    with pytest.raises(Damaged, match="changed since it was opened"):
        audio.verify()


@pytest.mark.parametrize(
    ("name", "rate_hz", "count"),
    [
        # Rates and formats from the READMEs; counts: half the bytes of the data chunk
        # (a list of titles follows it), and of what follows the 32-byte header.
        ("satellite-recordings/afsk1200_sr6sat.wav", 48000.0, 157_986 // 2),
        ("rustradio/aprs1200_discriminator.au", 44100.0, (265_310 - 32) // 2),
    ],
)
def test_real_audio_in_the_repository(data, name, rate_hz, count):
    audio = open_audio(data / name)
    assert (audio.sample_rate_hz, audio.sample_count) == (rate_hz, count)
    assert sum(len(block.samples) for block in audio.blocks()) == count


def test_real_flac(captures):
    audio = open_audio(captures / "pocsag1200_discriminator.flac")
    # 54880 samples: the file's own stream header, also by the system's `file`.
    assert (audio.sample_rate_hz, audio.sample_count) == (22050.0, 54_880)
    assert sum(len(block.samples) for block in audio.blocks(1000)) == 54_880
