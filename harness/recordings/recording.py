"""A recording: opened and checked, then streamed in blocks as often as wanted."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block
from harness.devices import Role
from harness.errors import BadInput, Damaged
from harness.recordings.checks import MOST_BYTES, require_possible, shown
from harness.recordings.description import (
    DTYPES,
    Description,
    is_real,
    read_description,
    sample_bytes,
    sample_shape,
)
from harness.recordings.files import file_size, read_small, reading, sha512_of
from harness.recordings.gaps import find_gaps
from harness.recordings.timeline import Annotation, Segment, Timeline

META, DATA, COLLECTION = ".sigmf-meta", ".sigmf-data", ".sigmf-collection"
BLOCK_SAMPLES = 131_072


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """One recorded stream; made by ``open_recording``. Holds no samples and no open file.

    Sample numbers are in the stream's count, which includes lost ones: the time of sample n is
    n / rate. What the recording does not tell is None.

    Parameters
    ----------
    name : base name. path : the ``.sigmf-meta`` file. data_path : the file of samples
    datatype : "cu8", "ci16_le" or "cf32_le"; "ri16_le" or "rf32_le" for audio
    sample_rate_hz : nominal, not corrected for the clock
    sample_count : stored samples. lost_samples : those missing between them
    full_scale_dbm : power at the SDR connector of a complex sinusoid of amplitude 1
    port_offset_db : added to a level at the SDR to get it at the unit's port
    skew_s, skew_uncertainty_s : added to ``start_utc`` for true time
    clock_error_ppm, clock_uncertainty_ppm : positive when the receiver's clock is fast
    segments, annotations : in the stream's count
    sha512 : as declared, lower case. note : free text
    cautions : one plain sentence each
    """

    name: str
    path: Path
    data_path: Path
    datatype: str
    sample_rate_hz: float
    sample_count: int
    lost_samples: int
    role: Role | None
    full_scale_dbm: float | None
    port_offset_db: float | None
    skew_s: float | None
    skew_uncertainty_s: float | None
    clock_error_ppm: float | None
    clock_uncertainty_ppm: float | None
    gain_db: float | None
    hardware: str
    note: str
    sha512: str | None
    segments: tuple[Segment, ...]
    annotations: tuple[Annotation, ...]
    cautions: tuple[str, ...]
    _timeline: Timeline
    _header_bytes: int

    @property
    def end_sample(self) -> int:
        """One past the last sample; lost ones count."""
        return self._timeline.end

    @property
    def duration_s(self) -> float:
        """Length by the nominal rate; lost samples count."""
        return self.end_sample / self.sample_rate_hz

    def span(self, annotation: Annotation) -> tuple[int, int]:
        """Give first sample and one past the last; an open one ends with its segment."""
        start = annotation.start_sample
        if annotation.sample_count is not None:
            return start, start + annotation.sample_count
        later = (part.start_sample for part in self.segments if part.start_sample > start)
        return start, min(later, default=self.end_sample)

    def blocks(
        self,
        block_samples: int = BLOCK_SAMPLES,
        start_sample: int = 0,
        stop_sample: int | None = None,
        *,
        reuse_memory: bool = False,
    ) -> Iterator[Block]:
        """Give the samples as stored, in order; memory one block.

        Parameters
        ----------
        block_samples : int, at least 1; a block is shorter before a gap, a segment and the end
        start_sample, stop_sample : int, in the stream's count; None is the end
        reuse_memory : whether the next block may overwrite this one; only for a taker that
            keeps nothing of a block

        Yields
        ------
        Block : shape (n, 2), I then Q, or (n,) for audio; read-only, own memory; uint8, int16
            or float32

        Raises
        ------
        Damaged : the file became shorter, or a sample is NaN, infinite or far beyond full scale
        """
        stop = self.end_sample if stop_sample is None else stop_sample
        if block_samples < 1 or start_sample < 0 or stop < start_sample:
            raise ValueError(f"{block_samples=}, {start_sample=}, {stop_sample=}")
        return self._blocks(block_samples, start_sample, stop, reuse_memory)

    def _blocks(
        self, block_samples: int, start: int, stop: int, reuse_memory: bool
    ) -> Iterator[Block]:
        dtype, shape = np.dtype(DTYPES[self.datatype]), sample_shape(self.datatype)
        cuts = [segment.start_sample for segment in self.segments]
        with reading(self.data_path):
            file = open(self.data_path, "rb", buffering=0)
        with file:
            memory = np.empty((block_samples if reuse_memory else 0, *shape), dtype)
            for run in self._timeline.pieces(start, stop, cuts):
                file.seek(self._header_bytes + run.stored * sample_bytes(self.datatype))
                missing = run.lost_before
                for done in range(0, run.length, block_samples):
                    length = min(block_samples, run.length - done)
                    samples = memory[:length] if reuse_memory else np.empty((length, *shape), dtype)
                    self._fill(file, samples, run.stored + done)
                    block = Block(samples, run.start + done, self.sample_rate_hz, missing)
                    require_possible(samples, run.start + done, self.data_path)
                    samples.flags.writeable = False
                    missing = 0
                    yield block

    def _fill(self, file: Any, samples: NDArray[Any], stored: int) -> None:
        """Read until full; one call may give less."""
        view = samples.reshape(-1).view(np.uint8).data
        have = 0
        while have < len(view):
            with reading(self.data_path):
                count = file.readinto(view[have:])
            if not count:
                at = stored + have // sample_bytes(self.datatype)
                raise Damaged(
                    f"ends at sample {at} though it was {self.sample_count} long when opened",
                    str(self.data_path),
                    "Is it still being written or copied? Try again afterwards.",
                )
            have += count

    def verify(self) -> str:
        """Check the whole data file against the declared checksum; give its SHA-512.

        May run on another thread beside ``blocks``. Without a declared checksum nothing is
        compared. Memory: one block.

        Raises
        ------
        Damaged : the checksum is wrong
        """
        got = sha512_of(self.data_path)
        if self.sha512 is not None and got != self.sha512:
            raise Damaged(
                f"the checksum is wrong: SHA-512 {got[:12]}... where {self.path.name} says "
                f"{self.sha512[:12]}...",
                str(self.data_path),
                "The samples changed after recording; get the original.",
            )
        return got


def open_recording(path: str | os.PathLike[str]) -> Recording:
    """Open a recording by its ``.sigmf-meta``, its ``.sigmf-data`` or their base name.

    All that can be wrong with its structure is found here; not the checksum, and not NaN.

    Raises
    ------
    BadInput : no such recording, or one of a kind that the bench does not read
    Damaged : description and data are broken or do not match
    """
    meta = _meta_path(Path(path))
    description = read_description(read_small(meta, MOST_BYTES), str(meta))
    data = _data_path(meta, description)
    count = _stored_samples(data, description)
    _require_inside(meta, data, description, count)
    gaps = find_gaps(description)
    timeline = Timeline(count, gaps.lost)
    return Recording(
        name=meta.name.removesuffix(META),
        path=meta,
        data_path=data,
        datatype=description.datatype,
        sample_rate_hz=description.sample_rate_hz,
        sample_count=count,
        lost_samples=timeline.lost_samples,
        role=description.role,
        full_scale_dbm=description.full_scale_dbm,
        port_offset_db=description.port_offset_db,
        skew_s=description.skew_s,
        skew_uncertainty_s=description.skew_uncertainty_s,
        clock_error_ppm=description.clock_error_ppm,
        clock_uncertainty_ppm=description.clock_uncertainty_ppm,
        gain_db=description.gain_db,
        hardware=description.hardware,
        note=description.note,
        sha512=description.sha512,
        segments=tuple(
            Segment(
                start_sample=timeline.stream_index(capture.stored_start),
                centre_hz=capture.centre_hz or 0.0,
                start_utc=capture.start_utc,
            )
            for capture in description.captures
        ),
        annotations=tuple(_in_stream(note, timeline) for note in description.annotations),
        cautions=(*_untuned(description), *gaps.cautions),
        _timeline=timeline,
        _header_bytes=description.header_bytes,
    )


def _untuned(description: Description) -> list[str]:
    if is_real(description.datatype):
        return []
    if all(capture.centre_hz is not None for capture in description.captures):
        return []
    return ["no centre frequency is given; frequencies count from the middle of the recording"]


def base_path(path: Path) -> Path:
    """Give the path of a recording without the suffix of its description or data."""
    for suffix in (META, DATA):
        if path.name.endswith(suffix):
            return path.with_name(path.name.removesuffix(suffix) or ".")
    return path


def _meta_path(path: Path) -> Path:
    if path.name.endswith(COLLECTION):
        raise BadInput("is a take, not a recording", str(path), "Give one of its recordings.")
    if path.name.endswith(".sigmf"):
        raise BadInput("is a SigMF archive", str(path), "Unpack it first, with tar -xf.")
    base = base_path(path)
    if "\0" in str(path) or not base.name:
        raise BadInput("is no name of a recording", ascii(str(path)), "Give its .sigmf-meta file.")
    meta = base.with_name(base.name + META)
    if not os.path.lexists(meta):
        data = base.with_name(base.name + DATA)
        if os.path.lexists(data):
            raise BadInput(
                "the description is missing; only the data is there",
                str(meta),
                "Find it, or make one from the data with harness import.",
            )
        if os.path.isfile(path) and base == path:
            raise BadInput(
                "is not a SigMF recording",
                str(path),
                f"Give the {META} file, or bring it in with harness import.",
            )
    return meta


def _data_path(meta: Path, description: Description) -> Path:
    name = description.dataset
    if name is None:
        data = meta.with_name(meta.name.removesuffix(META) + DATA)
    else:
        data = meta.with_name(name)
        if os.path.lexists(data) and data.resolve().parent != meta.parent.resolve():
            raise Damaged(
                f"global: core:dataset {shown(name)} leads out of the folder",
                str(meta),
                "Put the data file itself into the same folder.",
            )
    if not os.path.lexists(data):
        raise Damaged("the data file is missing", str(data), f"Put it beside {meta.name}.")
    return data


def _stored_samples(data: Path, description: Description) -> int:
    """Count the samples from the size of the file; Damaged when it cannot be right."""
    around = description.header_bytes + description.trailing_bytes
    size = file_size(data) - around
    each = sample_bytes(description.datatype)
    if size <= 0:
        raise Damaged("holds no samples", str(data), "Record again, or get the original.")
    if size % each:
        raise Damaged(
            f"{size} bytes is not a whole number of {description.datatype} samples "
            f"({each} bytes each)",
            str(data),
            "It was cut off, or the datatype is wrong; get the original.",
        )
    count = size // each
    if description.sample_count not in (None, count):
        raise Damaged(
            f"holds {count} samples where {description.sample_count} were recorded",
            str(data),
            "It was cut off or changed; get the original.",
        )
    return count


def _require_inside(meta: Path, data: Path, description: Description, count: int) -> None:
    """Refuse segments and annotations that reach beyond the data."""
    remedy = f"Was {data.name} cut off? Get the original."
    for position, capture in enumerate(description.captures):
        if capture.stored_start >= count:
            raise Damaged(
                f"captures[{position}] begins at sample {capture.stored_start} beyond the data "
                f"({count} samples)",
                str(meta),
                remedy,
            )
    for position, note in enumerate(description.annotations):
        stop = note.start_sample + (note.sample_count or 0)
        if note.start_sample > count or stop > count:
            raise Damaged(
                f"annotations[{position}] reaches to sample {stop} beyond the data "
                f"({count} samples)",
                str(meta),
                remedy,
            )


def _in_stream(note: Annotation, timeline: Timeline) -> Annotation:
    start = timeline.stream_index(note.start_sample)
    length = note.sample_count
    if length:
        length = timeline.stream_stop(note.start_sample + length) - start
    return Annotation(
        start_sample=start,
        sample_count=length,
        label=note.label,
        comment=note.comment,
        level_dbm=note.level_dbm,
        knob=note.knob,
        offset_hz=note.offset_hz,
        transmitter=note.transmitter,
        lost_samples=note.lost_samples,
        freq_lower_hz=note.freq_lower_hz,
        freq_upper_hz=note.freq_upper_hz,
    )
