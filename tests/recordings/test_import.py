"""Raw samples and IQ WAV come in with their codes' meaning kept.

Scale: DESIGN section 3: 8-bit (code - 127.5)/127.5, 16-bit code/32768.
"""

import hashlib
from datetime import UTC, datetime

import numpy as np
import pytest
import soundfile
import typer.testing

from harness.commands.import_recording import import_recording
from harness.errors import BadInput, HarnessError
from harness.recordings import import_raw, open_recording


def _bring(path, **more):
    return import_raw(path, **({"sample_rate_hz": 250e3, "centre_hz": 153.825e6} | more))


def _samples(recording):
    return np.concatenate([block.samples for block in recording.blocks(999)])


@pytest.mark.parametrize(
    ("suffix", "dtype", "datatype"),
    [("cu8", np.uint8, "cu8"), ("cs16", np.int16, "ci16_le"), ("cf32", np.float32, "cf32_le")],
)
def test_raw_stays_byte_for_byte(tmp_path, suffix, dtype, datatype):
    # More than two blocks of the importer.
    samples = np.random.default_rng(5).integers(0, 256, (300_000, 2)).astype(dtype)
    path = tmp_path / f"g_433.92M.{suffix}"
    path.write_bytes(samples.tobytes())
    recording = _bring(path)
    assert recording.name == "g_433.92M"
    assert recording.datatype == datatype
    assert recording.data_path.read_bytes() == samples.tobytes()
    assert recording.verify() == hashlib.sha512(samples.tobytes()).hexdigest()
    assert path.read_bytes() == samples.tobytes()
    assert hashlib.sha512(samples.tobytes()).hexdigest() in recording.note


def test_signed_bytes_keep_their_value(tmp_path):
    codes = np.arange(-128, 128, dtype=np.int8).repeat(2)
    (tmp_path / "x.cs8").write_bytes(codes.tobytes())
    recording = _bring(tmp_path / "x.cs8")
    assert recording.datatype == "ci16_le"
    # Exact in binary: c/128 = 256 c/32768.
    assert np.array_equal(_samples(recording)[:, 0] / 32768, np.arange(-128, 128) / 128)


@pytest.mark.parametrize(
    ("subtype", "dtype", "datatype"),
    [
        ("PCM_U8", "int16", "cu8"),
        ("PCM_16", "int16", "ci16_le"),
        ("PCM_24", "int32", "cf32_le"),
        ("FLOAT", "float32", "cf32_le"),
    ],
)
def test_wav(tmp_path, subtype, dtype, datatype):
    rng = np.random.default_rng(6)
    if dtype == "float32":
        samples = rng.uniform(-1, 1, (300_000, 2)).astype(np.float32)
        wanted = samples
    elif subtype == "PCM_U8":
        wanted = rng.integers(0, 256, (300_000, 2)).astype(np.uint8)
        samples = ((wanted.astype(np.int16) - 128) * 256).astype(np.int16)
    elif subtype == "PCM_24":
        samples = rng.integers(-(2**23), 2**23, (300_000, 2)).astype(np.int32) * 256
        # 24 bits fit float32 exactly.
        wanted = (samples / 2.0**31).astype(np.float32)
    else:
        samples = wanted = rng.integers(-32768, 32768, (300_000, 2)).astype(np.int16)
    soundfile.write(tmp_path / "iq.wav", samples, 192_000, subtype)
    recording = import_raw(tmp_path / "iq.wav", sample_rate_hz=None, centre_hz=0.0)
    assert recording.sample_rate_hz == 192_000
    assert recording.datatype == datatype
    assert np.array_equal(_samples(recording), wanted)


def test_what_is_given_stands_in_it(tmp_path):
    (tmp_path / "x.bin").write_bytes(bytes(100))
    when = datetime(2025, 3, 1, 6, tzinfo=UTC)
    recording = _bring(
        tmp_path / "x.bin",
        datatype="cu8",
        out=tmp_path / "named",
        role="input",
        full_scale_dbm=-30.0,
        port_offset_db=40.0,
        start_utc=when,
    )
    assert recording.path.name == "named.sigmf-meta"
    assert (recording.role, recording.full_scale_dbm, recording.port_offset_db) == (
        "input",
        -30.0,
        40.0,
    )
    assert recording.segments[0].start_utc == when


@pytest.mark.parametrize(
    ("name", "raw", "more", "line"),
    [
        ("x.cu8", bytes(101), {}, "101 bytes is not a whole number of cu8 samples (2 bytes each)"),
        ("x.cs16", bytes(102), {}, "102 bytes is not a whole number of cs16 samples"),
        ("x.cf32", bytes(12), {}, "12 bytes is not a whole number of cf32 samples"),
        ("x.cu8", b"", {}, "x.cu8: holds no samples"),
        ("x.cf32", np.array([0, 0, 1, np.nan], "<f4").tobytes(), {}, "sample 1 is NaN or infinite"),
        ("x.cu8", bytes(100), {"sample_rate_hz": None}, "the sample rate is missing. Give --rate"),
        ("x.cu8", bytes(100), {"sample_rate_hz": 0.0}, "--rate: 0 Hz is no possible sample rate"),
        ("x.cu8", bytes(100), {"sample_rate_hz": float("nan")}, "nan Hz is no possible sample"),
        ("x.cu8", bytes(100), {"centre_hz": float("inf")}, "inf Hz is no centre frequency"),
        ("x.bin", bytes(100), {}, "its name does not tell the datatype. Give --datatype: cu8, cs8"),
        ("x.bin", bytes(100), {"datatype": "u8"}, "--datatype: unknown datatype 'u8'. Give one"),
        ("x.wav", b"RIFF", {}, "x.wav: is no audio file that can be read"),
        ("x.wav", b"", {}, "x.wav: is empty"),
        ("x.wav", bytes(100), {"datatype": "cu8"}, "a WAV says its own datatype. Leave it out."),
    ],
)
def test_refused_and_nothing_left(tmp_path, name, raw, more, line):
    (tmp_path / name).write_bytes(raw)
    with pytest.raises(HarnessError) as caught:
        _bring(tmp_path / name, **more)
    assert line in str(caught.value)
    assert caught.value.exit_status == 2
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_one_channel_is_no_iq(data, tmp_path):
    source = data / "satellite-recordings" / "afsk1200_sr6sat.wav"
    with pytest.raises(BadInput, match=r"has 1 channel; I and Q need two. Audio is measured as"):
        _bring(source, out=tmp_path / "x")


def test_missing_and_taken(tmp_path):
    with pytest.raises(BadInput, match=r"x\.cu8: there is no such file"):
        _bring(tmp_path / "x.cu8")
    (tmp_path / "x.cu8").write_bytes(bytes(100))
    (tmp_path / "x.sigmf-data").write_bytes(b"precious")
    with pytest.raises(BadInput, match=r"x\.sigmf-data: is there already and is not overwritten"):
        _bring(tmp_path / "x.cu8")
    assert (tmp_path / "x.sigmf-data").read_bytes() == b"precious"


def test_a_real_one(captures, tmp_path):
    """The origin's own form of the recording: raw cu8, rate and centre in its name."""
    raw = (captures / "ook_433m92_250k.sigmf-data").read_bytes()
    (tmp_path / "g001_433.92M_250k.cu8").write_bytes(raw)
    recording = _bring(tmp_path / "g001_433.92M_250k.cu8", centre_hz=433.92e6)
    assert recording.sha512 == open_recording(captures / "ook_433m92_250k").sha512


def _run(*arguments):
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(import_recording)
    return typer.testing.CliRunner().invoke(app, [str(a) for a in arguments])


def test_the_command(tmp_path):
    (tmp_path / "x.cu8").write_bytes(bytes(500_000))
    done = _run(
        tmp_path / "x.cu8",
        "--rate",
        250e3,
        "--centre",
        153.825e6,
        "--role",
        "input",
        "--start",
        "2025-03-01T06:00:00Z",
        "--full-scale-dbm",
        -30,
    )
    assert done.exit_code == 0, done.output
    line = "x.sigmf-meta: 250000 samples, 1 s at 250000 Hz, cu8"
    assert line in done.output.replace("\n", "")
    assert open_recording(tmp_path / "x").role == "input"


@pytest.mark.parametrize(
    ("option", "value", "line"),
    [
        ("--role", "both", "--role: no role 'both'. Give one of input, output, audio."),
        ("--start", "noon", "--start: 'noon' is no UTC time. Write it as 2025"),
    ],
)
def test_the_command_refuses(tmp_path, option, value, line):
    (tmp_path / "x.cu8").write_bytes(bytes(500))
    done = _run(tmp_path / "x.cu8", "--rate", 250e3, "--centre", 1e6, option, value)
    assert line in str(done.exception)
    assert [path.name for path in tmp_path.iterdir()] == ["x.cu8"]


@pytest.mark.parametrize("name", ["long.cu8", "long.wav"])
def test_an_import_tells_how_far_it_is(tmp_path, name) -> None:
    samples = np.zeros((400_000, 2), np.uint8)
    path = tmp_path / name
    if name.endswith(".wav"):
        soundfile.write(path, np.zeros(samples.shape), 250_000, subtype="PCM_16")
    else:
        path.write_bytes(samples.tobytes())
    shares: list[float] = []
    import_raw(path, sample_rate_hz=250e3, centre_hz=0.0, progress=shares.append)
    assert shares == sorted(shares)
    assert len(shares) > 2
    assert shares[-1] == 1.0
