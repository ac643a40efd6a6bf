"""From recordings to findings: the one path that commands, procedures and the page use.

A recording's blocks go through the channel receiver into the measurement, roles in step by
time; the checksum is taken beside it on another thread.
"""

from __future__ import annotations

import heapq
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from harness.blocks import Block
from harness.devices import Role
from harness.errors import BadInput, HarnessError
from harness.measure.feed import Feed, open_feed
from harness.measure.kinds import DISCHARGE, KINDS, refuse_unheeded
from harness.measure.select import Wish
from harness.measure.setup import Measurement, Options
from harness.readings import UNCALIBRATED, Findings, Reading, RecordingUsed
from harness.recordings import AudioFile, Recording, open_take, read_log

if TYPE_CHECKING:
    from harness.describe import Bench, Unit

CLIPPED_SHARE = 1e-4
"""Share of samples at a rail above which readings are flagged as clipped. Chosen."""

Progress = Callable[[float], None]
Say = Callable[[str], None]

LONG_S = 2.0
"""What takes longer is spoken of."""


def measure_recordings(
    kind: str,
    paths: Sequence[Path],
    *,
    unit: Unit | None = None,
    bench: Bench | None = None,
    at_hz: float | None = None,
    spacing_hz: float | None = None,
    span_s: tuple[float, float] | None = None,
    options: Options | None = None,
    verify: bool = True,
    progress: Progress | None = None,
    say: Say | None = None,
) -> Findings:
    """Measure one recording, or the recordings of one take.

    Parameters
    ----------
    kind : a key of ``measure.kinds.KINDS``
    paths : SigMF recordings, or one audio file; two recordings must have different roles
    unit, bench : descriptions, where there are any
    at_hz, spacing_hz, span_s : channel and part to measure, instead of what is found
    options : what the kind may be asked for
    verify : whether checksums are taken; flagged on every reading when not
    progress : called with the share done, 0 to 1
    say : called with a sentence when something else than measuring takes long

    Raises
    ------
    BadInput : recordings that cannot be used so. Damaged : wrong checksum, not a number.
    """
    what = KINDS.get(kind)
    if what is None:
        choice = ", ".join([*KINDS, DISCHARGE])
        raise BadInput(f"no measurement {kind!r}", "KIND", f"Choose one of {choice}.")
    options = options or Options()
    refuse_unheeded(kind, options)
    options = _with_descriptions(options, unit, bench)
    cautions: list[str] = []
    wish = Wish(at_hz=at_hz, spacing_hz=spacing_hz, span_s=span_s)
    feeds = []
    for path in paths:
        feed = open_feed(
            path,
            unit,
            bench,
            wish,
            width_spacings=what.width_spacings,
            least_width_hz=what.least_width_hz,
        )
        cautions += feed.cautions
        if feed.channel.signal not in what.signals:
            raise BadInput(
                f"{kind} cannot be measured on {feed.channel.signal}",
                feed.recording.name,
                f"Give {' or '.join(what.signals)}.",
            )
        feeds.append(feed)
    _distinct_roles(feeds)
    _on_one_clock(feeds)
    _compile(feeds, say)
    checks = [_Check(feed.recording) for feed in feeds] if verify else []
    findings = _run(what.make({f.role: f.channel for f in feeds}, options), feeds, progress)
    for check in checks:
        check.result()
    completed = _completed(findings, feeds, cautions, verify)
    if bench is None or bench.sound is None or bench.sound.level_calibration is None:
        return completed
    from harness.measure.sound_level import with_audio_level

    heard = [path for path, feed in zip(paths, feeds, strict=True) if feed.role == "audio"]
    return with_audio_level(completed, heard, bench.name, bench.sound, span_s, verified=verify)


def measure_paths(
    kind: str,
    paths: Sequence[Path],
    *,
    columns: Mapping[str, str] | None = None,
    unit: Unit | None = None,
    bench: Bench | None = None,
    at_hz: float | None = None,
    spacing_hz: float | None = None,
    span_s: tuple[float, float] | None = None,
    options: Options | None = None,
    verify: bool = True,
    progress: Progress | None = None,
    say: Say | None = None,
) -> Findings:
    """Measure whatever the paths are: recordings, a take's collection, an audio file, a log.

    Parameters
    ----------
    columns : of a battery log, our name to its name
    (others) : as for ``measure_recordings``

    Raises
    ------
    BadInput : also an option that the kind does not take.
    """
    if kind == DISCHARGE:
        if any(wish is not None for wish in (at_hz, spacing_hz, span_s)):
            raise BadInput(
                "a battery log has no channel or span", DISCHARGE, "Leave --at and the like out."
            )
        if len(paths) != 1:
            raise BadInput(f"{len(paths)} battery logs given", "RECORDING", "Give one.")
        refuse_unheeded(kind, options or Options())
        from harness.measure.discharge import discharge_from_log

        filled = _with_descriptions(options or Options(), unit, bench)
        return discharge_from_log(read_log(paths[0], columns), filled)
    if columns is not None:
        raise BadInput("only a battery log has columns", "--columns", "Leave it out.")
    expanded: list[Path] = []
    for path in paths:
        if path.suffix == ".sigmf-collection":
            expanded += [recording.path for recording in open_take(path).recordings.values()]
        else:
            expanded.append(path)
    if len(expanded) > len(get_args(Role)):
        # Before each is opened and checked.
        raise BadInput(
            f"{len(expanded)} recordings given",
            "RECORDING",
            "Give those of one take, at most one per role.",
        )
    return measure_recordings(
        kind,
        expanded,
        unit=unit,
        bench=bench,
        at_hz=at_hz,
        spacing_hz=spacing_hz,
        span_s=span_s,
        options=options,
        verify=verify,
        progress=progress,
        say=say,
    )


def _with_descriptions(options: Options, unit: Unit | None, bench: Bench | None) -> Options:
    """Fill in what the descriptions say and the user did not."""
    if unit is not None and options.rated_deviation_hz is None:
        options = replace(options, rated_deviation_hz=unit.rated_deviation_hz)
    if unit is not None and options.power_w is None:
        options = replace(options, power_w=unit.rated_power_w)
    if unit is not None and options.emphasis is None:
        options = replace(options, emphasis=unit.emphasis)
    if unit is not None and options.repeater_delay_s is None:
        options = replace(options, repeater_delay_s=unit.audio_delay_s)
    if unit is not None and unit.battery is not None and options.end_v is None:
        options = replace(options, end_v=unit.battery.end_v)
    if bench is not None and not options.stimulus_contributions:
        options = replace(options, stimulus_contributions=bench.stimulus_contributions())
    if bench is not None and bench.generator is not None and options.level_step_db is None:
        options = replace(options, level_step_db=bench.generator.level_step_db)
    if bench is not None and not options.voltage_contributions:
        options = replace(options, voltage_contributions=bench.voltage_contributions())
    if bench is not None and not options.current_contributions:
        options = replace(options, current_contributions=bench.current_contributions())
    return options


def _distinct_roles(feeds: Sequence[Feed]) -> None:
    if not feeds:
        raise BadInput("no recording given", "RECORDING", "Name at least one.")
    seen: dict[Role, str] = {}
    for feed in feeds:
        earlier = seen.get(feed.role)
        if earlier is not None:
            raise BadInput(
                f"{earlier} and {feed.recording.name} are both recordings of the {feed.role}",
                "RECORDING",
                "Give the recordings of one take, one per role.",
            )
        seen[feed.role] = feed.recording.name


def _on_one_clock(feeds: Sequence[Feed]) -> None:
    """Add to each recording's skew by how much later than the earliest it says that it begins.

    True time of a sample is ``core:datetime`` plus the skew plus its own time (DESIGN section 3).
    Recordings of which one does not say when it began count as begun together.

    Raises
    ------
    BadInput : they have no moment in common.
    """
    begun = [feed.channel.start_utc for feed in feeds]
    known = [moment for moment in begun if moment is not None]
    if len(known) < len(feeds) or len(feeds) < 2:
        return
    first = min(known)
    for feed, moment in zip(feeds, known, strict=True):
        later_s = (moment - first).total_seconds()
        feed.channel = replace(feed.channel, skew_s=feed.channel.skew_s + later_s)
    ends_first = min(feeds, key=_end_s)
    begins_last = max(feeds, key=lambda feed: feed.channel.skew_s)
    if begins_last.channel.skew_s >= _end_s(ends_first):
        raise BadInput(
            f"begins {begins_last.channel.skew_s - _end_s(ends_first):.6g} s after"
            f" {ends_first.recording.name} has ended",
            begins_last.recording.name,
            "Give recordings of one take, or put their core:datetime right.",
        )


def _end_s(feed: Feed) -> float:
    """When a recording ends, in the time of the take."""
    return feed.channel.skew_s + feed.recording.duration_s


def _compile(feeds: Sequence[Feed], say: Say | None) -> None:
    """Have the code of long recordings compiled, or fetched from the disk, before they run."""
    receivers = [feed.receiver for feed in feeds if feed.receiver and feed.receiver.is_compiled]
    if not receivers:
        return
    told = threading.Timer(
        LONG_S, say or (lambda _: None), ["Making the machine code of the filters; once here."]
    )
    told.daemon = True
    told.start()
    try:
        for receiver in receivers:
            receiver.warm_up()
    finally:
        told.cancel()


def _run(measurement: Measurement, feeds: Sequence[Feed], progress: Progress | None) -> Findings:
    total_s = max(feed.recording.sample_count / feed.recording.sample_rate_hz for feed in feeds)

    def timed(number: int, feed: Feed) -> Iterator[tuple[float, int, Role, Block]]:
        for block in feed.blocks():
            yield block.start_s + feed.channel.skew_s, number, feed.role, block

    streams = [timed(number, feed) for number, feed in enumerate(feeds)]
    for time_s, _, role, block in heapq.merge(*streams, key=lambda item: item[:2]):
        measurement.push(role, block)
        if progress is not None:
            progress(min(max(time_s / total_s, 0.0), 1.0))
    return measurement.finish()


class _Check:
    """A checksum taken on another thread."""

    def __init__(self, recording: Recording | AudioFile) -> None:
        self._recording = recording
        self._error: HarnessError | None = None
        self._thread = threading.Thread(target=self._verify, daemon=True)
        self._thread.start()

    def _verify(self) -> None:
        try:
            self._recording.verify()
        except HarnessError as error:
            self._error = error

    def result(self) -> None:
        """Wait for the end; raise what was found."""
        self._thread.join()
        if self._error is not None:
            raise self._error


def _rests_on_calibration(reading: Reading) -> bool:
    return reading.value is not None and (
        reading.unit == "dBm" or reading.name == "frequency_error"
    )


def _completed(
    findings: Findings, feeds: Sequence[Feed], cautions: Sequence[str], verified: bool
) -> Findings:
    """Add where the findings come from and what was wrong with the samples."""
    flags: dict[str, set[str]] = {feed.recording.name: set() for feed in feeds}
    more = list(cautions)
    for feed in feeds:
        mine = flags[feed.recording.name]
        if feed.clipped > CLIPPED_SHARE * max(feed.samples, 1):
            mine.add("clipped")
            more.append(
                f"{feed.recording.name}: {100.0 * feed.clipped / feed.samples:.2g} % of the samples"
                " are clipped; lower the gain or add a pad."
            )
        if feed.lost:
            mine.add("lost samples")
            more.append(f"{feed.recording.name}: {feed.lost} samples are missing.")
        if not verified:
            mine.add("not verified")
    if not verified:
        more.append("Checksums were not verified (--no-verify).")

    outside = [
        [fault for feed in feeds for fault in feed.validity.faults(reading)]
        for reading in findings.readings
    ]
    more += dict.fromkeys(fault for faults in outside for fault in faults)

    def flagged(reading: Reading, faults: Sequence[str]) -> Reading:
        added = {flag for name in reading.recordings for flag in flags.get(name, ())}
        if faults:
            added.add(UNCALIBRATED)
        if _rests_on_calibration(reading) and all(c.kind == "A" for c in reading.contributions):
            added.add(UNCALIBRATED)
        if not added - set(reading.flags):
            return reading
        return replace(reading, flags=(*reading.flags, *sorted(added - set(reading.flags))))

    return replace(
        findings,
        readings=tuple(map(flagged, findings.readings, outside)),
        cautions=(*more, *findings.cautions),
        recordings=tuple(
            RecordingUsed(path=f.recording.name, role=f.role, sha512=f.recording.sha512 or "")
            for f in feeds
        ),
    )
