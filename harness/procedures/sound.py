"""The sound card of a bench: test tones out, the repeater's audio in, both by the bench file."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from harness.describe import Bench
from harness.devices import StreamInfo
from harness.procedures.wiring import SoundIn, described_sound, sound_input
from harness.recordings import Annotation, AudioWriter, RecordingWriter

SIGMF_SUFFIX = ".sigmf-meta"


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What was recorded: None for the path where nothing came."""

    path: Path | None
    samples: int
    sample_rate_hz: float
    lost: int
    overruns: int

    @property
    def caution(self) -> str:
        """Say what is missing, or nothing."""
        if not self.overruns and not self.lost:
            return ""
        return (
            f"The sound card overran {self.overruns} times: about {self.lost} samples are missing."
            " They are marked in the recording."
        )


def hear(
    bench: Bench,
    path: Path,
    *,
    duration_s: float | None,
    label: str = "",
    note: str = "",
    progress: Callable[[float], None] = lambda share: None,
    begun: Callable[[str], None] = lambda device: None,
) -> Heard:
    """Record the sound card's input, streamed to the file; whatever ends it, what came is kept.

    Parameters
    ----------
    path : ends in .flac, .wav or .sigmf-meta; new
    duration_s : None records until it is interrupted
    label : of the stimulus, as a SigMF recording is annotated with it
    note : free text
    begun : is told the device when the first samples have come

    Raises
    ------
    BadInput : no such device or a name that cannot be. HardwareFault : nothing comes any more.
    """
    sound = described_sound(bench)
    listening = sound_input(sound)
    info = StreamInfo(
        role="audio",
        datatype="rf32_le",
        sample_rate_hz=listening.sample_rate_hz,
        centre_hz=0.0,
        hardware=f"sound card {listening.name}",
    )
    with ExitStack() as kept:
        writer = _writer(path, info, note)
        kept.enter_context(writer)
        end = 0
        try:
            kept.enter_context(listening)
            for block in listening.blocks(duration_s):
                writer.write(block)
                if not end:
                    begun(listening.name)
                end = block.end
                if duration_s is not None:
                    progress(min(end / listening.sample_rate_hz / duration_s, 1.0))
        finally:
            if label and end and isinstance(writer, RecordingWriter):
                writer.annotate(Annotation(start_sample=0, sample_count=end, label=label))
        count = writer.sample_count
        written = writer.close()
    return _heard(written, count, listening)


def _heard(path: Path | None, samples: int, listening: SoundIn) -> Heard:
    return Heard(
        path=path,
        samples=samples,
        sample_rate_hz=listening.sample_rate_hz,
        lost=listening.lost,
        overruns=listening.overruns,
    )


def _writer(path: Path, info: StreamInfo, note: str) -> AudioWriter | RecordingWriter:
    started = datetime.now(UTC)
    if path.suffix == SIGMF_SUFFIX:
        return RecordingWriter(path, info, start_utc=started, note=note)
    return AudioWriter(path, info, start_utc=started, note=note)
