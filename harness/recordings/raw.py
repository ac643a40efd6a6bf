"""Bring samples of other programs in: raw I and Q, and two-channel WAV.

Codes keep their meaning on the bench's scale (DESIGN section 3): offset-binary bytes, 16-bit and
float stay as they are. Signed bytes (``cs8``) have their zero at code 0 and full scale at 128,
so code x 256 as ``ci16_le`` is exactly the same number (c/128 = 256c/32768); as ``cu8``, whose
zero lies between two codes, each would be half a code off. Their upper rail, 127, then reads
32512: clipping shows at the lower rail only.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness import __version__
from harness.blocks import Block
from harness.devices import Role, StreamInfo
from harness.errors import BadInput, Damaged
from harness.recordings.audio import decoded, opened, require_whole
from harness.recordings.checks import require_possible
from harness.recordings.description import DTYPES, HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from harness.recordings.files import file_size, reading, require_new, sha512_of
from harness.recordings.recording import DATA, META, Recording, base_path, open_recording
from harness.recordings.utc import utc_text
from harness.recordings.writer import RecordingWriter

RAW: dict[str, tuple[str, str]] = {
    "cu8": ("cu8", "u1"),
    "cs8": ("ci16_le", "i1"),
    "cs16": ("ci16_le", "<i2"),
    "cf32": ("cf32_le", "<f4"),
}
"""Raw form: the datatype that it becomes, and how numpy calls one of its I and Q."""
SYNONYMS = {"ci8": "cs8", "ci16": "cs16", "ci16_le": "cs16", "cf32_le": "cf32"}
WAV_SUFFIXES = (".wav", ".wave")
_WAV: dict[str, tuple[str, str]] = {
    "PCM_U8": ("cu8", "int16"),
    "PCM_16": ("ci16_le", "int16"),
    "PCM_24": ("cf32_le", "float32"),
    "PCM_32": ("cf32_le", "float32"),
    "FLOAT": ("cf32_le", "float32"),
    "DOUBLE": ("cf32_le", "float32"),
}
"""WAV coding: the datatype that it becomes, and how it is read. 24 bits fit float32 exactly."""
BLOCK_SAMPLES = 131_072


def import_raw(
    path: str | os.PathLike[str],
    *,
    sample_rate_hz: float | None,
    centre_hz: float,
    role: Role = "output",
    out: str | os.PathLike[str] | None = None,
    datatype: str | None = None,
    full_scale_dbm: float | None = None,
    port_offset_db: float | None = None,
    start_utc: datetime | None = None,
    hardware: str = "",
    progress: Callable[[float], None] | None = None,
) -> Recording:
    """Make a recording of a raw file or an IQ WAV; the original stays as it is.

    Parameters
    ----------
    path : ``.cu8``, ``.cs8``, ``.cs16``, ``.cf32`` (I and Q in turn, little-endian), two-channel
        WAV (I left), or any name with ``datatype``
    sample_rate_hz : needed unless WAV, whose own it replaces
    centre_hz : of the recording
    out : base name of the recording; None is the file's own, beside it
    datatype : of a raw file, where the suffix does not tell
    full_scale_dbm, port_offset_db, start_utc, hardware : as in ``Recording``
    progress : called with the share done, 0 to 1

    Raises
    ------
    BadInput : a name taken, a rate missing or impossible, a kind that cannot be told
    Damaged : empty, cut off, or NaN in it; nothing is left behind

    Notes
    -----
    Memory: one block.
    """
    path = Path(path)
    file_size(path)
    base = base_path(Path(out)) if out is not None else path.with_suffix("")
    if not base.name:
        raise BadInput("that names no file", "--out", "Give the name of the recording to make.")
    if not math.isfinite(centre_hz):
        raise BadInput(f"{centre_hz} Hz is no centre frequency", "--centre", "Give it in hertz.")
    if path.suffix.lower() in WAV_SUFFIXES:
        if datatype is not None:
            raise BadInput("a WAV says its own datatype", "--datatype", "Leave it out.")
        form, kind, header_rate_hz, total = _wav_form(path)
        rate_hz = header_rate_hz if sample_rate_hz is None else sample_rate_hz
    else:
        kind = _raw_kind(path, datatype)
        form = RAW[kind][0]
        total = file_size(path) // (2 * np.dtype(RAW[kind][1]).itemsize)
        if sample_rate_hz is None:
            raise BadInput("the sample rate is missing", str(path), "Give --rate in hertz.")
        rate_hz = sample_rate_hz
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise BadInput(
            f"{rate_hz:g} Hz is no possible sample rate",
            "--rate",
            f"Give {LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g}.",
        )
    require_new(base.with_name(base.name + META), base.with_name(base.name + DATA))
    name = path.name.encode("utf-8", "backslashreplace").decode()
    source = f"imported from {name} ({kind}) by harness {__version__}"
    writer = RecordingWriter(
        base,
        StreamInfo(
            role=role,
            datatype=form,
            sample_rate_hz=rate_hz,
            centre_hz=centre_hz,
            hardware=hardware,
        ),
        full_scale_dbm=full_scale_dbm,
        port_offset_db=port_offset_db,
        start_utc=start_utc,
        note=f"{source} on {utc_text(datetime.now(UTC))}; its SHA-512 was {sha512_of(path)}",
    )
    try:
        start = 0
        for samples in _wav(path, kind) if kind in _WAV else _raw(path, kind):
            require_possible(samples, start, path)
            writer.write(Block(samples, start, rate_hz))
            start += len(samples)
            if progress is not None:
                progress(start / total)
        writer.close()
    except BaseException:
        # Unlike a live recording this can be had again: nothing half-done is left.
        writer.discard()
        raise
    return open_recording(writer.meta_path)


def _raw_kind(path: Path, datatype: str | None) -> str:
    known = ", ".join(RAW)
    if datatype is not None:
        kind = SYNONYMS.get(datatype, datatype)
        if kind not in RAW:
            raise BadInput(f"unknown datatype {datatype!r}", "--datatype", f"Give one of {known}.")
        return kind
    suffix = path.suffix.lower().removeprefix(".")
    kind = SYNONYMS.get(suffix, suffix)
    if kind not in RAW:
        raise BadInput(
            "its name does not tell the datatype", str(path), f"Give --datatype: {known}."
        )
    return kind


def _raw(path: Path, kind: str) -> Iterator[NDArray[Any]]:
    form, code = RAW[kind]
    dtype = np.dtype(code)
    size, sample_bytes = file_size(path), 2 * dtype.itemsize
    if not size:
        raise Damaged("holds no samples", str(path), "Record it again, or get the original.")
    if size % sample_bytes:
        raise Damaged(
            f"{size} bytes is not a whole number of {kind} samples ({sample_bytes} bytes each)",
            str(path),
            "It was cut off, or the datatype is wrong.",
        )
    with reading(path):
        file = path.open("rb")
    with file:
        while raw := file.read(BLOCK_SAMPLES * sample_bytes):
            if len(raw) % sample_bytes:
                raise Damaged("changed while it was read", str(path), "Try again afterwards.")
            samples = np.frombuffer(raw, dtype).reshape(-1, 2)
            if kind == "cs8":
                samples = samples.astype(DTYPES[form]) * np.int16(256)
            yield samples


def _wav_form(path: Path) -> tuple[str, str, float, int]:
    """Give the datatype that it becomes, its coding, its rate and its number of samples."""
    with opened(path) as file:
        require_whole(path, file)
        if file.channels != 2:
            raise BadInput(
                f"has {file.channels} channel{'s' * (file.channels > 1)}; I and Q need two",
                str(path),
                "Audio is measured as it is: harness measure audio.",
            )
        if file.subtype not in _WAV:
            raise BadInput(
                f"is coded as {file.subtype}, which is not for I and Q",
                str(path),
                "Save it as 8 or 16 bit or float.",
            )
        form = _WAV[file.subtype][0]
        return form, str(file.subtype), float(file.samplerate), int(file.frames)


def _wav(path: Path, kind: str) -> Iterator[NDArray[Any]]:
    form, dtype = _WAV[kind]
    with opened(path) as file:
        left = int(file.frames)
        while left:
            samples = decoded(file, path, min(left, BLOCK_SAMPLES), dtype)
            if not len(samples):
                raise Damaged(f"ends {left} samples early", str(path), "Get the original.")
            left -= len(samples)
            if kind == "PCM_U8":
                # The library gives (code - 128) x 256: back to the code, exactly.
                samples = (samples // 256 + 128).astype(np.uint8)
            yield samples.astype(DTYPES[form], copy=False)
