"""Records a take from a source, for a time or until it is stopped; writers of a take."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block
from harness.describe import Bench
from harness.devices import Role, SampleSource
from harness.dsp.decode import clipped_samples, decode
from harness.errors import BadInput
from harness.procedures.taking import Taking
from harness.recordings import RecordingWriter, write_collection
from harness.recordings.files import require_new
from harness.units import db_from_ratio

SILENCE_DBFS = -200.0
"""What a level of nothing is shown as. Chosen: far below any receiver's own noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamState:
    """How a stream is doing: level and clipping of the last read, totals of the take.

    ``level_port_dbm`` is None where the bench does not declare the receiver's scale.
    """

    role: Role
    samples: int
    seconds: float
    level_dbfs: float
    level_port_dbm: float | None
    clipped_share: float
    clipped_samples: int
    lost_samples: int


class _Gauge:
    """Follows what is written of one stream."""

    def __init__(self, source: SampleSource, bench: Bench, role: Role) -> None:
        self._info = source.streams[role]
        self._role = role
        self._scale_dbm: float | None = None
        declared = bench.receiver(role)
        if declared is not None and declared.full_scale_dbm is not None:
            self._scale_dbm = declared.full_scale_dbm + declared.port_offset_db
        self._samples = self._clipped = self._lost = 0
        self._level_dbfs = SILENCE_DBFS
        self._share = 0.0

    def follow(self, blocks: Sequence[Block]) -> None:
        samples, power, clipped = 0, 0.0, 0
        for block in blocks:
            self._lost += block.lost_before
            samples += len(block.samples)
            power += _power_sum(block.samples, self._info.datatype)
            clipped += clipped_samples(block.samples, self._info.datatype)
        if not samples:
            return
        self._samples += samples
        self._clipped += clipped
        self._share = clipped / samples
        mean = power / samples
        self._level_dbfs = float(db_from_ratio(mean)) if mean > 0.0 else SILENCE_DBFS

    @property
    def state(self) -> StreamState:
        scale_dbm = self._scale_dbm
        return StreamState(
            role=self._role,
            samples=self._samples,
            seconds=self._samples / self._info.sample_rate_hz,
            level_dbfs=self._level_dbfs,
            level_port_dbm=None if scale_dbm is None else self._level_dbfs + scale_dbm,
            clipped_share=self._share,
            clipped_samples=self._clipped,
            lost_samples=self._lost,
        )


def _power_sum(codes: NDArray[Any], datatype: str) -> float:
    """Sum of the power of samples, 1.0 for each of a complex sinusoid of amplitude 1."""
    return float(np.sum(np.square(decode(codes, datatype)), dtype=np.float64))


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
        path.parent.mkdir(parents=True, exist_ok=True)
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
    paths : of ``take_paths``
    collection : base name of the take, written where there are two recordings
    seconds : how long; None until KeyboardInterrupt, which then is its end
    watch : is told the time in the take and the state of each stream, a few times a second

    Raises
    ------
    HardwareFault : a device failed; what came before is a valid take.
    KeyboardInterrupt : it was stopped before its time; the same.
    """
    gauges = {role: _Gauge(source, bench, role) for role in paths}
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
        finally:
            made = [path for path in (each.close() for each in writers.values()) if path]
            if len(made) > 1:
                write_collection(collection, made)
    return [gauge.state for gauge in gauges.values()]
