"""Audio files of a receiver or a discriminator: WAV, FLAC and AU, through ``soundfile``."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from harness.blocks import Block
from harness.errors import BadInput, Damaged
from harness.recordings.audio_writer import gaps_in
from harness.recordings.checks import require_possible
from harness.recordings.files import file_size, reading, sha512_of

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 1e3, 1e6
"""Outside, no voice audio and no sound card; chosen."""
BLOCK_SAMPLES = 65_536
QUIETEST = 1e-30
"""Below it a sample is silence (-600 dB), and its square would not be a number; chosen."""
_UNKNOWN_SIZES = (0, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
"""What programs that write to a pipe put where the size should stand; common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFile:
    """One channel of an audio file; made by ``open_audio``. Holds no samples.

    Parameters
    ----------
    name : base name. path : the file
    sample_rate_hz : as its header says
    sample_count : samples in one channel. channels : how many the file has
    channel : the one that is read, counted from 1
    sha512 : of the whole file, taken when it was opened
    lost : place in the file and number of samples that are missing there, as its maker says
    cautions : one plain sentence each
    """

    name: str
    path: Path
    sample_rate_hz: float
    sample_count: int
    channels: int
    channel: int
    sha512: str
    lost: tuple[tuple[int, int], ...] = ()
    cautions: tuple[str, ...] = field(default=())

    @property
    def duration_s(self) -> float:
        """Length in seconds, what is missing included."""
        missing = sum(count for _, count in self.lost)
        return (self.sample_count + missing) / self.sample_rate_hz

    def blocks(self, block_samples: int = BLOCK_SAMPLES) -> Iterator[Block]:
        """Give the samples in order: float64, shape (n,), full scale is 1; memory one block.

        Raises
        ------
        Damaged : the file ends early, cannot be decoded, or holds NaN
        """
        if block_samples < 1:
            raise ValueError(f"{block_samples=}")
        return self._blocks(block_samples)

    def _blocks(self, block_samples: int) -> Iterator[Block]:
        gaps = [*self.lost, (self.sample_count, 0)]
        with opened(self.path) as file:
            start, missing, lost_before = 0, 0, 0
            while start < self.sample_count:
                while gaps[0][0] == start:
                    lost_before = gaps.pop(0)[1]
                    missing += lost_before
                # A block ends where samples are missing.
                wanted = min(block_samples, gaps[0][0] - start)
                frames = decoded(file, self.path, wanted, "float64")
                samples = frames[:, self.channel - 1].copy()
                require_possible(samples, start, self.path)
                samples[np.abs(samples) < QUIETEST] = 0.0
                if not len(samples):
                    raise _short(self.path, start, self.sample_count)
                samples.flags.writeable = False
                yield Block(samples, start + missing, self.sample_rate_hz, lost_before)
                lost_before = 0
                start += len(samples)

    def verify(self) -> str:
        """Check that the file is still the one that was opened; give its SHA-512."""
        got = sha512_of(self.path)
        if got != self.sha512:
            raise Damaged("changed since it was opened", str(self.path), "Measure it again.")
        return got


def open_audio(path: str | os.PathLike[str], channel: int | None = None) -> AudioFile:
    """Open an audio file and check its structure.

    Parameters
    ----------
    channel : counted from 1; None is the first, with a caution where there are more

    Raises
    ------
    BadInput : no such file, another kind of file, no such channel
    Damaged : it is cut off, empty, or its rate is impossible
    """
    path = Path(path)
    with opened(path) as file:
        require_whole(path, file)
        count, channels = int(file.frames), int(file.channels)
        rate_hz = float(file.samplerate)
        lost = gaps_in(file.comment, count)
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise Damaged(
            f"says {rate_hz:g} samples a second, which no audio has", str(path), "Save it again."
        )
    if channel is not None and not 1 <= channel <= channels:
        raise BadInput(f"has {channels} channels, not {channel}", str(path), "Choose one of them.")
    cautions = []
    if channel is None and channels > 1:
        cautions.append(f"{path.name} has {channels} channels; the first is measured")
    if lost is None:
        cautions.append(f"{path.name}: what its comment says of missing samples cannot be")
    return AudioFile(
        name=path.stem,
        path=path,
        sample_rate_hz=rate_hz,
        sample_count=count,
        channels=channels,
        channel=channel or 1,
        sha512=sha512_of(path),
        lost=lost or (),
        cautions=tuple(cautions),
    )


@contextmanager
def opened(path: Path) -> Iterator[Any]:
    """Open with ``soundfile``; its refusal becomes one plain line."""
    # Loads its C library on import, so only when a file is opened.
    import soundfile

    if file_size(path) == 0:
        raise Damaged("is empty", str(path), "Record it again, or get the original.")
    with reading(path):
        path.open("rb").close()
    try:
        # As bytes: names that are not UTF-8 are names all the same.
        file = soundfile.SoundFile(os.fsencode(path))
    except (soundfile.LibsndfileError, TypeError) as fault:
        raise Damaged(
            f"is no audio file that can be read ({_reason(fault)})", str(path), "Save it as WAV."
        ) from fault
    with file:
        yield file


def decoded(file: Any, path: Path, frames: int, dtype: str) -> Any:
    """Read up to ``frames`` frames, shape (n, channels); Damaged where they do not decode."""
    import soundfile

    try:
        return file.read(frames, dtype=dtype, always_2d=True)
    except soundfile.LibsndfileError as fault:
        raise Damaged(
            f"cannot be decoded ({_reason(fault)})", str(path), "Get the original."
        ) from fault


def require_whole(path: Path, file: Any) -> None:
    """Refuse a file with no samples, or with fewer than its header says."""
    if file.frames <= 0:
        raise Damaged("holds no samples", str(path), "Record it again.")
    missing = _missing_bytes(path)
    if missing:
        raise Damaged(
            f"is cut off: {missing} bytes of samples are missing", str(path), "Get the original."
        )
    if file.format in ("FLAC", "OGG"):
        # Its header counts samples, not bytes: only the end tells.
        count = int(file.frames)
        tail = min(count, 16)
        import soundfile

        try:
            file.seek(count - tail)
            got = len(file.read(tail))
            file.seek(0)
        except soundfile.LibsndfileError:
            got = 0
        if got < tail:
            raise Damaged(
                f"is cut off before the last of its {count} samples",
                str(path),
                "Get the original.",
            )


def _missing_bytes(path: Path) -> int:
    """Bytes that the data chunk of a RIFF WAV or an AU promises and the file does not hold."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] == b".snd":
            begin, promised = int.from_bytes(head[4:8], "big"), int.from_bytes(head[8:12], "big")
            return 0 if promised in _UNKNOWN_SIZES else max(0, begin + promised - size)
        if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
            return 0
        while len(chunk := file.read(8)) == 8:
            length = int.from_bytes(chunk[4:8], "little")
            if chunk[:4] == b"data":
                return 0 if length in _UNKNOWN_SIZES else max(0, file.tell() + length - size)
            file.seek(length + length % 2, os.SEEK_CUR)
    return 0


def _short(path: Path, have: int, wanted: int) -> Damaged:
    seconds = math.floor(have)
    return Damaged(
        f"ends at sample {seconds} of {wanted}", str(path), "It was cut off; get the original."
    )


def _reason(fault: Exception) -> str:
    text = getattr(fault, "error_string", "") or "no header"
    return str(text).strip().rstrip(".").lower()
