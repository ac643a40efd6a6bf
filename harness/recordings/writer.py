"""Write a recording as it comes, so that whatever interrupts it, what came is kept.

While it runs there are two files, NAME.sigmf-data.part and NAME.sigmf-meta.part. The second holds
from the start a valid description, padded with blanks: room that a full disk cannot take away,
and all that is needed after a power cut (rename both). ``close`` fills in the checksum and gives
both their names; nothing is ever overwritten.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from harness import __version__
from harness.blocks import Block
from harness.closing import Closing
from harness.devices import StreamInfo
from harness.errors import BadInput
from harness.recordings.description import (
    DTYPES,
    Capture,
    Description,
    is_real,
    read_description,
    sample_bytes,
    sample_shape,
    write_document,
)
from harness.recordings.files import place, require_new, sync_folder, write_fault
from harness.recordings.recording import DATA, META, base_path
from harness.recordings.timeline import Annotation, Timeline

RESERVED_BYTES = 65_536
"""Room kept for the description beyond what it needs now; chosen: about 300 annotations."""


_Segment = tuple[int, int, float | None, datetime | None]
"""Stored start, start in the stream, centre_hz (None for audio), time if one was given."""


@dataclass(frozen=True, slots=True)
class _Written:
    """What is safely in the data file; replaced as one, so that no interrupt sees half of it."""

    digest: Any
    samples: int
    end: int
    lost: tuple[tuple[int, int], ...] = ()
    segments: tuple[_Segment, ...] = ()


class RecordingWriter(Closing):
    """Write one recording; a context manager.

    However the ``with`` block ends, by an exception or Ctrl-C too, what was written becomes a
    valid recording, and nothing is left when nothing was written.

    Parameters
    ----------
    path : base name, or with the suffix of description or data
    info : what is recorded
    full_scale_dbm, port_offset_db, skew_s, skew_uncertainty_s, clock_error_ppm,
    clock_uncertainty_ppm : as in ``Recording``; None leaves the field out
    start_utc : time of sample 0, with a time zone; None leaves all times out
    note : free text

    Raises
    ------
    BadInput : the name is taken, or the folder is not there or not writable
    HardwareFault : the disk is full; what fitted is a valid recording
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        info: StreamInfo,
        *,
        full_scale_dbm: float | None = None,
        port_offset_db: float | None = None,
        skew_s: float | None = None,
        skew_uncertainty_s: float | None = None,
        clock_error_ppm: float | None = None,
        clock_uncertainty_ppm: float | None = None,
        start_utc: datetime | None = None,
        note: str = "",
    ) -> None:
        if start_utc is not None and start_utc.tzinfo is None:
            raise ValueError(f"{start_utc=} has no time zone")
        base = base_path(Path(path))
        self.meta_path = base.with_name(base.name + META)
        self.data_path = base.with_name(base.name + DATA)
        self._meta_part = base.with_name(base.name + META + ".part")
        self._data_part = base.with_name(base.name + DATA + ".part")
        self._dtype = np.dtype(DTYPES[info.datatype])
        self._shape = sample_shape(info.datatype)
        self._sample_bytes = sample_bytes(info.datatype)
        centre_hz = None if is_real(info.datatype) else info.centre_hz
        self._description = Description(
            datatype=info.datatype,
            sample_rate_hz=float(info.sample_rate_hz),
            role=info.role,
            full_scale_dbm=full_scale_dbm,
            port_offset_db=port_offset_db,
            skew_s=skew_s,
            skew_uncertainty_s=skew_uncertainty_s,
            clock_error_ppm=clock_error_ppm,
            clock_uncertainty_ppm=clock_uncertainty_ppm,
            gain_db=info.gain_db,
            hardware=info.hardware,
            note=note,
            captures=(Capture(stored_start=0, centre_hz=centre_hz, start_utc=start_utc),),
        )
        self.info = info
        self._start_utc = start_utc
        self._next_segment: tuple[float | None, datetime | None] | None = (centre_hz, None)
        self._annotations: list[Annotation] = []
        self._reserved = 0
        self._words_bytes = 0
        self._first = 0
        self._written = _Written(hashlib.sha512(), 0, 0)
        self._data_file: Any = None
        self._ours = False
        # Refuses a description that the reader would refuse, before anything is made.
        read_description(self._text(self._description), str(self.meta_path))
        require_new(self.meta_path, self.data_path, self._meta_part, self._data_part)
        try:
            self._data_file = open(self._data_part, "xb", buffering=0)
            self._ours = True
            self._reserve()
        except OSError as fault:
            self._remove_parts()
            raise write_fault(fault, self.data_path, "Nothing was recorded.") from fault
        except BaseException:
            self._remove_parts()
            raise

    @property
    def sample_count(self) -> int:
        """Samples stored so far."""
        return self._written.samples

    def write(self, block: Block) -> None:
        """Append a block: shape (n, 2), or (n,) for audio; dtype as the recording's.

        A block that starts behind the last one's end makes a gap. The first one may start
        anywhere: the recording begins with it, and its time moves by as much.
        """
        samples = np.ascontiguousarray(block.samples)
        if self._data_file is None:
            raise ValueError(f"{self.meta_path.name} is closed")
        if not samples.ndim or samples.shape[1:] != self._shape or samples.dtype != self._dtype:
            need = ", ".join(["n", *map(str, self._shape)])
            raise ValueError(f"{samples.shape=}, {samples.dtype=}: need ({need}), {self._dtype}")
        if block.sample_rate_hz != self._description.sample_rate_hz:
            raise ValueError(f"{block.sample_rate_hz=} in a recording at another rate")
        if not len(samples):
            return
        before = self._written
        if not before.samples:
            self._first = block.start
            before = replace(before, end=block.start)
        if block.start < before.end:
            raise ValueError(f"{block.start=} lies before the {before.end} written already")
        lost = block.start - before.end
        gaps = (*before.lost, (before.samples, lost)) if lost else before.lost
        segments = before.segments
        if self._next_segment is not None:
            segments = (*segments, (before.samples, block.start, *self._next_segment))
        raw = samples.reshape(-1).view(np.uint8).data
        done = 0
        try:
            # Not where the last write ended: an interrupted one may have left more.
            self._data_file.seek(before.samples * self._sample_bytes)
            while done < len(raw):
                done += self._data_file.write(raw[done:])
        except OSError as fault:
            whole = done // self._sample_bytes
            if whole:
                self._commit(before, raw, whole, block.start, gaps, segments)
            self._fail(fault)
        self._commit(before, raw, len(samples), block.start, gaps, segments)
        self._next_segment = None
        if lost:
            try:
                self._reserve()
            except OSError as fault:
                self._fail(fault)

    def _commit(
        self,
        before: _Written,
        raw: memoryview,
        samples: int,
        start: int,
        gaps: tuple[tuple[int, int], ...],
        segments: tuple[_Segment, ...],
    ) -> None:
        digest = before.digest.copy()
        digest.update(raw[: samples * self._sample_bytes])
        self._written = _Written(digest, before.samples + samples, start + samples, gaps, segments)

    def retune(self, centre_hz: float, start_utc: datetime | None = None) -> None:
        """Begin a segment with the next sample; its time follows from the count if not given."""
        if start_utc is not None and start_utc.tzinfo is None:
            raise ValueError(f"{start_utc=} has no time zone")
        if not math.isfinite(centre_hz) or not self._shape:
            raise ValueError(f"{centre_hz=}")
        self._next_segment = (float(centre_hz), start_utc)

    def annotate(self, annotation: Annotation) -> None:
        """Add an annotation, in the count of the blocks, before or after its samples come.

        One that a reader would refuse is Damaged. What lies outside the samples that came is cut
        off at ``close``. Gaps are annotated by the writer itself.
        """
        if annotation.lost_samples is not None:
            raise ValueError("lost_samples: gaps follow from the blocks")
        if self._data_file is None:
            raise ValueError(f"{self.meta_path.name} is closed")
        # Refused now, while it can be put right, and not at the end.
        alone = replace(self._description, annotations=(annotation,))
        read_description(self._text(alone), str(self.meta_path), by_schema=False)
        self._annotations.append(annotation)
        words = (annotation.label, annotation.comment, annotation.knob)
        # A character takes at most six bytes, escaped.
        self._words_bytes += 6 * sum(len(word) for word in words if word)
        try:
            self._reserve()
        except OSError as fault:
            self._fail(fault)

    def take_back(self) -> None:
        """Forget the annotation that was added last, where it turned out to be wrong."""
        if self._data_file is None or not self._annotations:
            raise ValueError(f"{self.meta_path.name} has no annotation to take back")
        self._annotations.pop()

    def close(self) -> Path | None:
        """Finish, give both files their names; give the path of the description.

        None when no sample came: then nothing is left. May be called again.
        """
        if self._data_file is None:
            return self.meta_path if self._written.samples else None
        if not self._written.samples:
            self.discard()
            return None
        kept = f"What came is in {self._data_part.name}."
        try:
            self._finish()
        except OSError as fault:
            raise write_fault(fault, self.data_path, kept) from fault
        except BadInput as fault:
            raise BadInput(fault.what, fault.where, kept) from fault
        finally:
            self._data_file.close()
            self._data_file = None
        return self.meta_path

    def discard(self) -> None:
        """Throw away what was written, where it can be had again; a finished recording stays.

        Also what an interrupted ``close`` has left.
        """
        if self._ours:
            self._remove_parts()
            self._written = _Written(hashlib.sha512(), 0, 0)

    def _fail(self, fault: OSError) -> None:
        """Keep what fitted, then say so."""
        count = self._written.samples
        if count:
            self.close()
            seconds = count / self._description.sample_rate_hz
            kept = f"All {count} samples ({seconds:.6g} s) until then are kept."
        else:
            self.discard()
            kept = "Nothing was recorded."
        raise write_fault(fault, self.data_path, kept) from fault

    def _finish(self) -> None:
        description = self._final()
        document = write_document(description, f"harness {__version__}")
        text = _json(document)
        # An interrupt may have left bytes that were never counted.
        self._data_file.truncate(self._written.samples * self._sample_bytes)
        os.fsync(self._data_file.fileno())
        self._put(text)
        place(self._data_part, self.data_path)
        place(self._meta_part, self.meta_path)
        self._ours = False
        sync_folder(self.meta_path.parent)

    def _final(self) -> Description:
        written = self._written
        timeline = Timeline(written.samples, dict(written.lost))
        gaps = [
            Annotation(start_sample=at, sample_count=0, label="lost samples", lost_samples=missing)
            for at, missing in written.lost
        ]
        notes = _stored(self._annotations, timeline, self._first)
        clock = 1.0 + (self._description.clock_error_ppm or 0.0) * 1e-6
        captures = []
        for stored, start, centre_hz, given_utc in written.segments:
            start_utc = given_utc
            if start_utc is None and self._start_utc is not None:
                passed_s = start / (self._description.sample_rate_hz * clock)
                start_utc = self._start_utc + timedelta(seconds=passed_s)
            captures.append(Capture(stored_start=stored, centre_hz=centre_hz, start_utc=start_utc))
        return replace(
            self._description,
            sha512=written.digest.hexdigest(),
            sample_count=written.samples,
            captures=tuple(captures),
            annotations=tuple(sorted([*gaps, *notes], key=lambda note: note.start_sample)),
        )

    def _text(self, description: Description) -> bytes:
        return _json(write_document(description, f"harness {__version__}"))

    def _reserve(self) -> None:
        """Keep room for the description; grows before the annotations fill it."""
        notes = len(self._annotations) + len(self._written.lost)
        needed = 2048 + 512 * notes + self._words_bytes
        if needed + RESERVED_BYTES // 2 <= self._reserved:
            return
        self._reserved = needed + RESERVED_BYTES
        with open(self._meta_part, "r+b" if self._meta_part.exists() else "xb") as file:
            file.write(self._text(self._description).ljust(self._reserved))
            file.flush()
            os.fsync(file.fileno())

    def _put(self, text: bytes) -> None:
        """Write the description over its reserved room; cut off what is left of that."""
        with open(self._meta_part, "r+b") as file:
            file.write(text)
            file.truncate()
            file.flush()
            os.fsync(file.fileno())

    def _remove_parts(self) -> None:
        if not self._ours:
            return
        if self._data_file is not None:
            self._data_file.close()
            self._data_file = None
        self._ours = False
        parts = [self._data_part, self._meta_part]
        if not os.path.lexists(self._data_part) and os.path.lexists(self._meta_part):
            # Stopped between the two names: the data has its own already, the description not.
            parts.append(self.data_path)
        for part in parts:
            # A disk that failed may refuse this too; what failed first is what is told.
            with contextlib.suppress(OSError):
                part.unlink()


def _json(document: dict[str, Any]) -> bytes:
    return (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode()


def _stored(notes: Iterable[Annotation], timeline: Timeline, first: int) -> list[Annotation]:
    """Put annotations into the file's count; leave out those that no sample came of."""
    made = []
    for note in notes:
        start = max(0, note.start_sample - first)
        if start >= timeline.end:
            continue
        stored = timeline.stored_index(start)
        count = note.sample_count
        if count is not None:
            stop = note.start_sample + count - first
            if count and stop <= 0:
                continue
            count = max(0, timeline.stored_index(max(0, stop)) - stored)
        made.append(replace(note, start_sample=stored, sample_count=count))
    return made
