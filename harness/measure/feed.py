"""One recording on its way into a measurement: opened, described, its blocks watched.

What a recording says of itself comes before what the bench file says of its receiver. Declared
uncertainties are standard ones, in both.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from harness.blocks import Block, flow
from harness.devices import Role
from harness.dsp import compiled
from harness.dsp.channel import ChannelReceiver, plan_channel
from harness.dsp.decode import clipped_samples, decode
from harness.dsp.plan import PASSBAND_SPACINGS
from harness.errors import BadInput, Damaged
from harness.measure.ahead import ahead, cores
from harness.measure.calibrated import Validity, validity
from harness.measure.select import Wish, select_channel
from harness.measure.setup import Channel, Step
from harness.recordings import AudioFile, Recording, is_real, open_audio, open_recording
from harness.recordings.recording import BLOCK_SAMPLES
from harness.uncertainty import Contribution
from harness.units import LEAST_CARRIER_HZ, mhz_in_words

if TYPE_CHECKING:
    from harness.describe import Bench, Unit

SAME_LEVEL_DB = 1e-6
"""Two calibrations nearer than this are one. Chosen: rounding."""
COMPILED_FROM_SAMPLES = 48_000_000
"""Shorter spans go the plain way: loading the compiler takes longer than it saves. Chosen: 20 s at
2.4 MS/s. It hangs on nothing but the recording, so that the same recording gives the same bits."""

QUICK_BLOCK_SAMPLES = 1_572_864
"""Chosen by trial: fewer calls save more than blocks that stay in the second-level cache."""

AUDIO_SUFFIXES = (".wav", ".flac", ".au")


@dataclass(slots=True)
class Feed:
    """A recording, its channel, and what was wrong with the samples so far."""

    role: Role
    recording: Recording | AudioFile
    channel: Channel
    receiver: ChannelReceiver | None
    span_samples: tuple[int, int | None]
    cautions: list[str] = field(default_factory=list)
    samples: int = 0
    lost: int = 0
    clipped_audio: int = 0
    validity: Validity = field(default_factory=Validity)

    @property
    def clipped(self) -> int:
        """Samples so far at a rail."""
        return self.receiver.clipped if self.receiver else self.clipped_audio

    def blocks(self) -> Iterator[Block]:
        """Give the channel blocks of the span, counting what is wrong on the way."""
        if isinstance(self.recording, AudioFile):
            return self._audio(self.recording)
        if self.receiver is None:
            return self._recorded_audio(self.recording)
        made = flow(self._watched(self.recording, self.receiver), self.receiver)
        # On a single core a second thread only costs.
        return ahead(made) if self.receiver.is_compiled and cores() > 1 else made

    def _audio(self, audio: AudioFile) -> Iterator[Block]:
        first, last = self.span_samples
        for block in audio.blocks():
            begin = max(first, block.start)
            end = block.end if last is None else min(last, block.end)
            if begin < end:
                self.samples += end - begin
                samples = block.samples[begin - block.start : end - block.start]
                lost = block.lost_before if begin == block.start else 0
                self.lost += lost
                yield Block(samples, begin, block.sample_rate_hz, lost)

    def _recorded_audio(self, recording: Recording) -> Iterator[Block]:
        first, last = self.span_samples
        for block in recording.blocks(start_sample=first, stop_sample=last):
            self.samples += len(block.samples)
            self.lost += block.lost_before
            self.clipped_audio += clipped_samples(block.samples, recording.datatype)
            audio = decode(block.samples, recording.datatype).astype(np.float64)
            yield Block(audio, block.start, self.channel.sample_rate_hz, block.lost_before)

    def _watched(self, recording: Recording, receiver: ChannelReceiver) -> Iterator[Block]:
        first, last = self.span_samples
        true_rate_hz = receiver.plan.sample_rate_hz
        # A receiver of compiled code keeps nothing of a block.
        many = QUICK_BLOCK_SAMPLES if receiver.is_compiled else BLOCK_SAMPLES
        blocks = recording.blocks(many, first, last, reuse_memory=receiver.is_compiled)
        for block in blocks:
            self.samples += len(block.samples)
            self.lost += block.lost_before
            yield Block(block.samples, block.start, true_rate_hz, block.lost_before)


WIDEST_SHARE = 0.46
"""A wide channel reaches no further from the recorder's centre than this share of its rate.
Chosen: room for the filter's slope."""


def open_feed(
    path: Path,
    unit: Unit | None,
    bench: Bench | None,
    wish: Wish,
    *,
    width_spacings: float = 1.0,
    least_width_hz: float = 0.0,
) -> Feed:
    """Open a recording or an audio file, choose its channel, make its receiver.

    The channel is ``width_spacings`` and ``least_width_hz`` wide, or as wide as the recording
    allows, but never less than its spacing.

    Raises
    ------
    BadInput : it cannot be used as wished. Damaged : it is broken.
    """
    if path.suffix.lower() in AUDIO_SUFFIXES:
        return _open_audio(path, wish)
    recording = open_recording(path)
    if recording.sample_count == 0:
        raise Damaged("the recording holds no samples", recording.name, "Record it again.")
    if is_real(recording.datatype):
        return _recorded_audio(recording, bench, wish)
    role: Role = recording.role or "output"
    declared = bench.receiver(role) if bench else None
    clock_ppm = recording.clock_error_ppm
    if clock_ppm is None:
        clock_ppm = (declared.clock_error_ppm if declared else None) or 0.0
    scale = 1.0 + clock_ppm * 1e-6
    rate_hz = recording.sample_rate_hz * scale
    tuned_hz = recording.segments[0].centre_hz
    if any(segment.centre_hz != tuned_hz for segment in recording.segments):
        raise BadInput(
            "its segments are tuned to different frequencies", recording.name, "Split it."
        )
    chosen = select_channel(recording, unit, wish, clock_error_ppm=clock_ppm)
    offset_hz = chosen.middle_hz - tuned_hz * scale
    try:
        room_hz = (WIDEST_SHARE * rate_hz - abs(offset_hz)) / PASSBAND_SPACINGS
        width_hz = min(max(width_spacings * chosen.spacing_hz, least_width_hz), room_hz)
        width_spacings = max(width_hz / chosen.spacing_hz, 1.0)
        plan = plan_channel(rate_hz, offset_hz, chosen.spacing_hz * width_spacings)
    except ValueError:
        raise BadInput(
            f"a channel {chosen.spacing_hz:.0f} Hz wide at {mhz_in_words(chosen.middle_hz)} is"
            f" not within {mhz_in_words(tuned_hz)} ± {mhz_in_words(rate_hz / 2)}",
            recording.name,
            _remedy(chosen.middle_hz),
        ) from None
    cautions = [f"{recording.name}: {caution}" for caution in recording.cautions]
    cautions += [chosen.caution] if chosen.caution else []
    if abs(offset_hz) < 0.6 * chosen.spacing_hz and recording.datatype == "cu8":
        cautions.append(
            f"{recording.name}: the channel holds the recorder's own centre; its DC spike counts"
            " as signal. Tune the recorder beside the channel."
        )
    full_scale_dbm = _first_known(
        recording.full_scale_dbm, declared.full_scale_dbm if declared else None
    )
    port_offset_db = _first_known(
        recording.port_offset_db, declared.port_offset_db if declared else None, 0.0
    )
    channel = Channel(
        name=recording.name,
        role=role,
        sample_rate_hz=plan.channel_rate_hz,
        centre_hz=chosen.middle_hz,
        nominal_hz=chosen.nominal_hz,
        tuned_hz=tuned_hz,
        spacing_hz=chosen.spacing_hz,
        width_spacings=width_spacings,
        recorder_centre_hz=tuned_hz * scale,
        level_offset_db=None if full_scale_dbm is None else full_scale_dbm + (port_offset_db or 0),
        level_contributions=_level(recording, bench, role, cautions),
        clock_contributions=_clock(recording, bench, role),
        skew_s=_first_known(recording.skew_s, declared.skew_s if declared else None, 0.0) or 0.0,
        skew_contributions=_skew(recording, bench, role),
        start_utc=recording.segments[0].start_utc,
        steps=_steps(recording, rate_hz),
    )
    span_samples = _span_samples(chosen.span_s, rate_hz, recording.duration_s, recording.name)
    first, last = span_samples
    is_long = (recording.end_sample if last is None else last) - first >= COMPILED_FROM_SAMPLES
    receiver = ChannelReceiver(recording.datatype, plan, use_compiled=is_long)
    if receiver.is_compiled and not compiled.kernels().CAN_CACHE:
        cautions.append(
            "The filters' machine code cannot be kept, as no folder for it may be written; it is"
            " made anew each time. Set NUMBA_CACHE_DIR to a folder of yours."
        )
    return Feed(
        role=role,
        recording=recording,
        channel=channel,
        receiver=receiver,
        span_samples=span_samples,
        cautions=cautions,
        validity=validity(recording, declared),
    )


def _open_audio(path: Path, wish: Wish) -> Feed:
    _require_no_channel(wish, path.name)
    audio = open_audio(path)
    if audio.sample_count == 0:
        raise Damaged("the file holds no samples", audio.name, "Record it again.")
    rate_hz = audio.sample_rate_hz
    return Feed(
        role="audio",
        recording=audio,
        channel=Channel(name=audio.name, role="audio", signal="audio", sample_rate_hz=rate_hz),
        receiver=None,
        span_samples=_span_samples(wish.span_s, rate_hz, audio.duration_s, audio.name),
        cautions=[f"{audio.name}: {caution}" for caution in audio.cautions],
    )


def _remedy(middle_hz: float) -> str:
    """Say what to do about a channel that is not in the recording."""
    if not 1.0 <= abs(middle_hz) < LEAST_CARRIER_HZ:
        return "Give --at and --spacing that lie within the recording."
    return f"Give --at in Hz; {middle_hz:.12g} MHz is {middle_hz:.12g}e6."


def _require_no_channel(wish: Wish, name: str) -> None:
    if wish.at_hz is not None or wish.spacing_hz is not None:
        raise BadInput("audio has no channel to choose", name, "Leave --at and --spacing out.")


def _recorded_audio(recording: Recording, bench: Bench | None, wish: Wish) -> Feed:
    """Make the feed of a SigMF recording of real samples: what came from a sound card."""
    _require_no_channel(wish, recording.name)
    rate_hz = recording.sample_rate_hz * (1.0 + (recording.clock_error_ppm or 0.0) * 1e-6)
    return Feed(
        role="audio",
        recording=recording,
        channel=Channel(
            name=recording.name,
            role="audio",
            signal="audio",
            sample_rate_hz=rate_hz,
            clock_contributions=_clock(recording, bench, "audio"),
            skew_s=recording.skew_s or 0.0,
            skew_contributions=_skew(recording, bench, "audio"),
            start_utc=recording.segments[0].start_utc,
            steps=_steps(recording, rate_hz),
        ),
        receiver=None,
        span_samples=_span_samples(wish.span_s, rate_hz, recording.duration_s, recording.name),
        cautions=[f"{recording.name}: {caution}" for caution in recording.cautions],
    )


def _span_samples(
    span_s: tuple[float, float] | None, rate_hz: float, duration_s: float, name: str
) -> tuple[int, int | None]:
    if span_s is None:
        return 0, None
    begin_s, end_s = span_s
    if not 0.0 <= begin_s < min(end_s, duration_s):
        raise BadInput(
            f"the span {begin_s:g}:{end_s:g} s does not lie within its {duration_s:.3f} s",
            name,
            "Give --span FROM:TO in seconds.",
        )
    return round(begin_s * rate_hz), round(min(end_s, duration_s) * rate_hz)


def _first_known(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)


def _level(
    recording: Recording, bench: Bench | None, role: Role, cautions: list[str]
) -> tuple[Contribution, ...]:
    """Give the uncertainty of the bench file's level, where the recording was made with that."""
    declared = bench.receiver(role) if bench else None
    if bench is None or declared is None:
        return ()
    for what in ("full_scale_dbm", "port_offset_db"):
        own, of_bench = getattr(recording, what), getattr(declared, what)
        if own is not None and of_bench is not None and abs(own - of_bench) > SAME_LEVEL_DB:
            cautions.append(
                f"{recording.name}: it was made at {what} = {own:g}, the bench file says"
                f" {of_bench:g}; the uncertainty that the bench declares is of another calibration"
                " and is left out."
            )
            return ()
    return bench.level_contributions(role)


def _clock(recording: Recording, bench: Bench | None, role: Role) -> tuple[Contribution, ...]:
    if recording.clock_uncertainty_ppm is None:
        declared = bench.receiver(role) if bench else None
        return declared.clock_contributions(bench.name) if declared and bench else ()
    return (
        Contribution(
            name=f"{recording.hardware or recording.name}.clock_error_ppm",
            standard_uncertainty=recording.clock_uncertainty_ppm,
            source="recording",
        ),
    )


def _skew(recording: Recording, bench: Bench | None, role: Role) -> tuple[Contribution, ...]:
    if recording.skew_uncertainty_s is None:
        declared = bench.receiver(role) if bench else None
        return declared.skew_contributions(bench.name) if declared and bench else ()
    return (
        Contribution(
            name=f"{recording.name}.skew_s",
            standard_uncertainty=recording.skew_uncertainty_s,
            source="recording",
        ),
    )


def _steps(recording: Recording, true_rate_hz: float) -> tuple[Step, ...]:
    """Read steps off annotations that have a length and a level, a knob position or a label."""
    return tuple(
        Step(
            start_s=note.start_sample / true_rate_hz,
            end_s=(note.start_sample + note.sample_count) / true_rate_hz,
            level_port_dbm=note.level_dbm,
            knob=note.knob,
            offset_hz=note.offset_hz,
            transmitter=note.transmitter,
            label=note.label or "",
        )
        for note in sorted(recording.annotations, key=lambda note: note.start_sample)
        if note.sample_count and (note.level_dbm is not None or note.knob or note.label)
    )
