"""Records a take from a source, for a time or until it is stopped; writers of a take."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from harness.describe import Bench
from harness.devices import Role, SampleSource
from harness.errors import BadInput, HarnessError
from harness.procedures.looking import Channels, Gauge
from harness.procedures.states import StreamState
from harness.procedures.taking import Taking
from harness.recordings import Annotation, RecordingWriter, write_collection
from harness.recordings.files import make_folder, require_new, write_fault


def open_writers(
    source: SampleSource,
    bench: Bench,
    roles: Sequence[Role],
    path_of: Callable[[Role], Path],
    start_utc: datetime,
    kept: ExitStack,
) -> dict[Role, RecordingWriter]:
    """Open a writer for each role; ``kept`` closes them, whatever happens, into recordings.

    What the source knows of its skew counts before what the bench declares.
    """
    writers: dict[Role, RecordingWriter] = {}
    for role in roles:
        declared = bench.receiver(role)
        info = source.streams[role]
        skew_s, skew_uncertainty_s = info.skew_s, info.skew_uncertainty_s
        if skew_s is None and declared is not None:
            skew_s, skew_uncertainty_s = declared.skew_s, declared.skew_uncertainty_s
        path = path_of(role)
        try:
            make_folder(path.parent)
        except OSError as fault:
            raise write_fault(fault, path.parent, "Nothing was recorded.") from fault
        writers[role] = kept.enter_context(
            RecordingWriter(
                path,
                info,
                start_utc=start_utc,
                full_scale_dbm=declared.full_scale_dbm if declared else None,
                port_offset_db=declared.port_offset_db if declared else None,
                skew_s=skew_s,
                skew_uncertainty_s=skew_uncertainty_s,
                clock_error_ppm=declared.clock_error_ppm if declared else None,
                clock_uncertainty_ppm=declared.clock_uncertainty_ppm if declared else None,
            )
        )
    return writers


def take_paths(base: Path, roles: Sequence[Role]) -> dict[Role, Path]:
    """Name the descriptions of a take's recordings, with those of its collection refused if taken.

    Raises
    ------
    BadInput : a name is taken, or no name is given.
    """
    if not base.name or base.name in (".", ".."):
        raise BadInput("is no name of a take", str(base), "Give one, such as captures/take-1.")
    paths: dict[Role, Path] = {
        role: base.with_name(f"{base.name}-{role}.sigmf-meta") for role in roles
    }
    for path in paths.values():
        require_new(path, path.with_suffix(".sigmf-data"))
    require_new(base.with_name(f"{base.name}.sigmf-collection"))
    return paths


def record_take(
    source: SampleSource,
    bench: Bench,
    channels: Channels,
    paths: Mapping[Role, Path],
    collection: Path,
    seconds: float | None,
    watch: Callable[[float, Sequence[StreamState]], None],
) -> list[StreamState]:
    """Record the streams of ``paths`` side by side; give how each ended.

    Parameters
    ----------
    source : open; no take running
    bench : description; what it declares goes into the recordings
    channels : that are watched; what is wrong with a receiver is annotated in its recording
    paths : of ``take_paths``
    collection : base name of the take, written where there are two recordings
    seconds : how long; None until KeyboardInterrupt, which then is its end
    watch : is told the time in the take and the state of each stream, a few times a second

    Raises
    ------
    HardwareFault : a device failed; what came before is a valid take.
    KeyboardInterrupt : it was stopped before its time; the same.
    """
    gauges = {role: Gauge(source.streams[role], bench, channels) for role in paths}
    cautions: dict[Role, tuple[str, ...]] = dict.fromkeys(paths, ())
    failed = False
    with ExitStack() as kept:
        kept.callback(source.stop)
        started = datetime.now(UTC)
        # The streams wait in their queue; how they stand to each other is known from here on.
        source.start()
        writers = open_writers(source, bench, list(paths), paths.__getitem__, started, kept)
        taking = Taking(source, writers, None, lambda role, blocks: gauges[role].follow(blocks))
        try:
            taking.until(
                math.inf if seconds is None else seconds,
                lambda at_s: watch(at_s, [gauge.state for gauge in gauges.values()]),
            )
            # A device that fell silent during the last read says so when it is asked once more.
            source.read(taking.at_s)
        except KeyboardInterrupt:
            if seconds is not None:
                raise
        except HarnessError:
            # What failed may have been a writer, which then takes no more.
            failed = True
            raise
        finally:
            for role, gauge in gauges.items():
                cautions[role] = tuple(finding.sentence for finding in gauge.findings())
                if not failed and writers[role].sample_count:
                    for caution in cautions[role]:
                        writers[role].annotate(Annotation(start_sample=0, comment=caution))
            made = [path for path in (each.close() for each in writers.values()) if path]
            if len(made) > 1:
                write_collection(collection, made)
    return [replace(gauge.state, cautions=cautions[role]) for role, gauge in gauges.items()]
