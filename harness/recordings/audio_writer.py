"""Audio files out: WAV or FLAC as it comes, with what is known of it in the file's own comment.

While it runs the file is NAME.part; whatever interrupts it, what came becomes a whole file. The
comment is JSON: role, hardware, time of the first sample, samples that are missing and where.
A header is written first, so a file that has gaps is copied once at its end.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from harness import __version__
from harness.blocks import Block
from harness.closing import Closing
from harness.devices import StreamInfo
from harness.errors import BadInput, HarnessError
from harness.recordings.files import place, require_new, sync_folder, write_fault
from harness.recordings.utc import utc_text

FORMATS: Mapping[str, tuple[str, str]] = {".wav": ("WAV", "FLOAT"), ".flac": ("FLAC", "PCM_24")}
"""By ending: the container and how samples are stored. A sound card gives 24 bits at best."""
MOST_GAPS = 1000
"""Gaps that the comment names; what more there is counts to the last. Chosen."""
COPIED_FRAMES = 65_536
OURS = "harness"


class AudioWriter(Closing):
    """Write one audio file; a context manager.

    Parameters
    ----------
    path : ends in .wav or .flac
    info : what is recorded: role, rate, hardware
    start_utc : time of sample 0, with a time zone
    note : free text

    Raises
    ------
    BadInput : another ending, the name is taken, or the folder is not there
    HardwareFault : the disk is full; what fitted is kept
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        info: StreamInfo,
        *,
        start_utc: datetime,
        note: str = "",
    ) -> None:
        self.path = Path(path)
        if self.path.suffix.lower() not in FORMATS:
            raise BadInput(
                "is no name of an audio file that can be written",
                str(self.path),
                f"End it in {' or '.join(FORMATS)}.",
            )
        self._part = self.path.with_name(self.path.name + ".part")
        self._info = info
        self._told = {
            "role": info.role,
            "hardware": info.hardware,
            "start_utc": utc_text(start_utc),
            "note": note,
        }
        self.sample_count = 0
        self._end: int | None = None
        self._lost: list[tuple[int, int]] = []
        require_new(self.path, self._part)
        self._file = self._made(self._part)

    @property
    def lost(self) -> int:
        """Samples that are missing."""
        return sum(missing for _, missing in self._lost)

    def write(self, block: Block) -> None:
        """Append a block: float32, shape (n,); one that begins later than the last ended is a gap.

        Raises
        ------
        HardwareFault : it could not be written; what fitted is kept.
        """
        if self._file is None:
            raise ValueError(f"{self.path.name} is closed")
        if block.samples.ndim != 1 or block.samples.dtype != np.float32:
            raise ValueError(f"{block.samples.shape=}, {block.samples.dtype=}: need (n,), float32")
        if not len(block.samples):
            return
        missing = 0 if self._end is None else block.start - self._end
        if missing < 0:
            raise ValueError(f"{block.start=} lies before the {self._end} written already")
        try:
            self._file.write(block.samples)
        except (OSError, RuntimeError) as fault:
            raise self._fault(fault) from fault
        if missing:
            self._note_gap(missing)
        self._end = block.end
        self.sample_count += len(block.samples)

    def close(self) -> Path | None:
        """Finish and give the file its name; None when no sample came. May be called again."""
        if self._file is None:
            return self.path if self.sample_count else None
        file, self._file = self._file, None
        try:
            file.close()
            if not self.sample_count:
                self._part.unlink()
                return None
            if self._lost:
                self._copy_with_gaps()
            with open(self._part, "r+b") as written:
                os.fsync(written.fileno())
            place(self._part, self.path)
            sync_folder(self.path.parent)
        except (OSError, RuntimeError) as fault:
            raise self._fault(fault) from fault
        return self.path

    def _made(self, path: Path) -> Any:
        # Loads its C library on import, so only when a file is made.
        import soundfile

        container, kind = FORMATS[self.path.suffix.lower()]
        try:
            file = soundfile.SoundFile(
                os.fsencode(path),
                "w",
                samplerate=round(self._info.sample_rate_hz),
                channels=1,
                format=container,
                subtype=kind,
            )
        except soundfile.LibsndfileError as fault:
            raise BadInput(
                f"cannot be made ({str(fault.error_string).rstrip('.').lower()})",
                str(self.path),
                "Choose another folder or another rate.",
            ) from fault
        file.software = f"harness {__version__}"
        file.date = self._told["start_utc"]
        gaps = {"lost_samples": self._lost} if self._lost else {}
        file.comment = json.dumps({OURS: {**self._told, **gaps}})
        return file

    def _note_gap(self, missing: int) -> None:
        if len(self._lost) < MOST_GAPS:
            self._lost.append((self.sample_count, missing))
        else:
            at, before = self._lost[-1]
            self._lost[-1] = (at, before + missing)

    def _copy_with_gaps(self) -> None:
        """Write the file once more, with the gaps in its header."""
        import soundfile

        whole = self._part.with_name(self._part.name + "2")
        require_new(whole)
        with soundfile.SoundFile(os.fsencode(self._part)) as source, self._made(whole) as copy:
            while len(frames := source.read(COPIED_FRAMES, dtype="float32")):
                copy.write(frames)
        os.replace(whole, self._part)

    def _fault(self, fault: OSError | RuntimeError) -> HarnessError:
        kept = f"What came is in {self._part.name}." if self.sample_count else "Nothing was kept."
        if not isinstance(fault, OSError):
            # The library tells no number: most often the disk is full.
            fault = OSError(None, str(fault).rstrip("."))
        with contextlib.suppress(OSError, RuntimeError):
            if self._file is not None:
                self._file.close()
        self._file = None
        return write_fault(fault, self.path, kept)


def gaps_in(comment: str, sample_count: int) -> tuple[tuple[int, int], ...] | None:
    """Read the gaps off a file's comment: place in the file, samples missing there.

    Returns
    -------
    pairs in order; () where the comment is none of ours; None where it is and cannot be
    """
    try:
        told: Any = json.loads(comment)[OURS]
        gaps: Any = told.get("lost_samples", [])
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return ()
    before = 0
    if not isinstance(gaps, list):
        return None
    for gap in gaps:
        if not (isinstance(gap, list) and len(gap) == 2 and all(type(n) is int for n in gap)):
            return None
        if not before < gap[0] < sample_count or not 0 < gap[1] < 1 << 40:
            return None
        before = gap[0]
    return tuple((at, missing) for at, missing in gaps)
