"""Looks at the receivers before a run, and watches their takes during one.

A receiver that gives nothing to be measured stops a run before it begins; all else is a caution,
told and kept.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block
from harness.describe import Bench, Unit
from harness.devices import Role, SampleSource, StreamInfo
from harness.dsp.decode import clipped_samples, decode
from harness.errors import HardwareFault
from harness.measure.health import Health, HealthWatch, Watched
from harness.measure.health_findings import Finding, findings_of
from harness.measure.select import DEFAULT_SPACING_HZ
from harness.procedures.states import SILENCE_DBFS, StreamState
from harness.procedures.taking import READ_S
from harness.procedures.wiring import simulated_bench
from harness.units import db_from_ratio

LOOK_S = 1.0
"""How long is looked before a run. Chosen: enough for a step of the gain to be told."""
OF_A_RUN = ("dead", "clipped", "lost samples", "gain step", "noise step")
"""Findings that change from take to take; the others are told before the run."""


@runtime_checkable
class ShowsHealth(Protocol):
    """A watcher that has a table for the health of receivers."""

    def health(self, healths: Sequence[Health]) -> None:
        """Show them."""
        ...


@runtime_checkable
class ShowsStreams(Protocol):
    """A watcher that has room for how the streams of a take are doing."""

    def streams(self, states: Sequence[StreamState]) -> None:
        """Show them, instead of what was shown before."""
        ...


class Says(Protocol):
    """Hears something worth telling."""

    def say(self, text: str) -> None:
        """Hear it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Channels:
    """Middles of the wanted channels, by role; a role that has none is watched as it comes."""

    middles_hz: Mapping[Role, float] = field(default_factory=dict)
    spacing_hz: float = DEFAULT_SPACING_HZ


def channels_of(unit: Unit | None) -> Channels:
    """Give the channels of a unit; none where there is no unit."""
    if unit is None:
        return Channels()
    return Channels(
        middles_hz={"input": unit.receive_hz, "output": unit.transmit_hz},
        spacing_hz=unit.channel_spacing_hz,
    )


def watched_stream(info: StreamInfo, bench: Bench, channels: Channels) -> Watched:
    """Tell what a live stream is watched as; a channel out of its band is none."""
    declared = bench.receiver(info.role)
    clock_ppm = (declared.clock_error_ppm if declared else None) or 0.0
    rate_hz = info.sample_rate_hz * (1.0 + clock_ppm * 1e-6)
    centre_hz = info.centre_hz * (1.0 + clock_ppm * 1e-6)
    spacing_hz = channels.spacing_hz
    channel_hz = channels.middles_hz.get(info.role)
    if channel_hz is not None and abs(channel_hz - centre_hz) + spacing_hz / 2 > rate_hz / 2:
        channel_hz = None
    scale_dbm = None
    if declared is not None and declared.full_scale_dbm is not None:
        scale_dbm = declared.full_scale_dbm + declared.port_offset_db
    return Watched(
        name=f"{info.role} receiver",
        datatype=info.datatype,
        sample_rate_hz=rate_hz,
        centre_hz=centre_hz,
        channel_hz=channel_hz,
        spacing_hz=spacing_hz,
        scale_dbm=scale_dbm,
    )


def look(
    source: SampleSource,
    bench: Bench,
    channels: Channels,
    seconds: float = LOOK_S,
    progress: Callable[[float], None] = lambda share: None,
    roles: Sequence[Role] | None = None,
) -> dict[Role, HealthWatch]:
    """Watch streams of a source for a while; nothing is recorded.

    Parameters
    ----------
    source : open; no take running
    roles : whose streams; without, those of all receivers
    progress : is told the share done

    Raises
    ------
    HardwareFault : a receiver fell silent.

    Notes
    -----
    On a simulated bench time passes only as samples are read, and its faults count takes. There a
    second one, made alike, is looked at: a run gives the same bits with a look before it and
    without.
    """
    if bench.simulated is not None:
        source = simulated_bench(bench)
    watches: dict[Role, HealthWatch] = {
        role: HealthWatch(watched_stream(info, bench, channels))
        for role, info in source.streams.items()
        if role != "audio" and (roles is None or role in roles)
    }
    try:
        source.start()
        at_s = 0.0
        while at_s < seconds:
            at_s = min(at_s + READ_S, seconds)
            read = source.read(at_s)
            for role, watch in watches.items():
                for block in read.get(role, ()):
                    watch.push(block)
            progress(at_s / seconds)
    except HardwareFault as fault:
        raise HardwareFault(
            fault.what, fault.where, "Nothing was recorded. Plug it in and start again."
        ) from fault
    finally:
        source.stop()
    for watch in watches.values():
        watch.finish()
    return watches


def require_sound(healths: Sequence[Health]) -> None:
    """Refuse receivers that give nothing to be measured.

    Raises
    ------
    HardwareFault : the first that is at fault.
    """
    for health in healths:
        for finding in findings_of(health):
            if finding.severity == "fault":
                raise HardwareFault(finding.what, finding.where, finding.remedy)


def look_first(
    source: SampleSource, bench: Bench, unit: Unit, watcher: Says, seconds: float = LOOK_S
) -> tuple[str, ...]:
    """Look at the receivers before a run and show their health; give what is to be kept in mind.

    Raises
    ------
    HardwareFault : one gives nothing to be measured.
    """
    healths = [watch.health() for watch in look(source, bench, channels_of(unit), seconds).values()]
    require_sound(healths)
    if isinstance(watcher, ShowsHealth):
        watcher.health(healths)
    cautions = tuple(finding.sentence for each in healths for finding in findings_of(each))
    for caution in cautions:
        watcher.say(f"  - {caution}")
    return tuple(f"Before the run: {caution}" for caution in cautions)


class Gauge:
    """Follows what is written of one stream: its level for the screen, its health for the record.

    Parameters
    ----------
    info, bench, channels : as for ``watched_stream``
    """

    def __init__(self, info: StreamInfo, bench: Bench, channels: Channels) -> None:
        self._info = info
        self._watch = HealthWatch(watched_stream(info, bench, channels))
        self._scale_dbm = self._watch.watched.scale_dbm
        self._samples = self._clipped = self._lost = 0
        self._level_dbfs = SILENCE_DBFS
        self._share = 0.0

    def follow(self, blocks: Sequence[Block]) -> None:
        """Take what was read of the stream."""
        samples, power, clipped = 0, 0.0, 0
        for block in blocks:
            self._watch.push(block)
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
        """How the stream is doing."""
        scale_dbm = self._scale_dbm
        return StreamState(
            role=self._info.role,
            samples=self._samples,
            seconds=self._samples / self._info.sample_rate_hz,
            level_dbfs=self._level_dbfs,
            level_port_dbm=None if scale_dbm is None else self._level_dbfs + scale_dbm,
            clipped_share=self._share,
            clipped_samples=self._clipped,
            lost_samples=self._lost,
        )

    def findings(self) -> tuple[Finding, ...]:
        """End the watch and tell what was wrong; nothing where nothing came."""
        if not self._samples:
            return ()
        return findings_of(self._watch.finish())


def _power_sum(codes: NDArray[Any], datatype: str) -> float:
    """Sum of the power of samples, 1.0 for each of a complex sinusoid of amplitude 1."""
    return float(np.sum(np.square(decode(codes, datatype)), dtype=np.float64))


class TakesWatched:
    """Watches the receivers through the takes of a run, and keeps what was wrong with which."""

    def __init__(self) -> None:
        self._take = ""
        self._gauges: dict[Role, Gauge] = {}
        self._found: dict[tuple[str, str], list[tuple[str, Finding]]] = {}

    def begin(
        self, take: str, source: SampleSource, bench: Bench, unit: Unit, watcher: object
    ) -> Callable[[Role, Sequence[Block]], None]:
        """Begin a take; give what follows its streams.

        Parameters
        ----------
        watcher : is told how they are doing, where it has room for that
        """
        self._end()
        self._take = take
        infos, channels = source.streams, channels_of(unit)

        def follow(role: Role, blocks: Sequence[Block]) -> None:
            if role == "audio":
                return
            if role not in self._gauges:
                self._gauges[role] = Gauge(infos[role], bench, channels)
            self._gauges[role].follow(blocks)
            if isinstance(watcher, ShowsStreams):
                watcher.streams([gauge.state for gauge in self._gauges.values()])

        return follow

    def _end(self) -> None:
        for gauge in self._gauges.values():
            for finding in gauge.findings():
                if finding.kind in OF_A_RUN:
                    place = (finding.where, finding.kind)
                    self._found.setdefault(place, []).append((self._take, finding))
        self._gauges.clear()

    @property
    def cautions(self) -> tuple[str, ...]:
        """One sentence for each thing that was wrong with a receiver; ends the take that runs."""
        self._end()
        given = []
        for found in self._found.values():
            take, finding = found[0]
            others = len({name for name, _ in found} - {take})
            more = f" and {others} more" if others else ""
            given.append(f"During the run (take {take}{more}): {finding.sentence}")
        return tuple(given)
