"""The health of the receiver that a recording was made with."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from harness.errors import BadInput
from harness.measure.health import HealthWatch, Watched
from harness.measure.select import Wish, select_channel
from harness.recordings import Recording, is_real

if TYPE_CHECKING:
    from harness.describe import Bench, Unit


def watch_recording(
    recording: Recording,
    unit: Unit | None,
    bench: Bench | None,
    wish: Wish,
    progress: Callable[[float], None] = lambda share: None,
) -> HealthWatch:
    """Watch a whole recording, from its first sample to its last.

    Parameters
    ----------
    unit, bench, wish : as for a measurement; where nobody names a channel, it is the strongest
        emission
    progress : is told the share done

    Raises
    ------
    BadInput : it is audio, is tuned to more than one frequency, or has no such channel.
    Damaged : a sample is no number.
    """
    if is_real(recording.datatype):
        raise BadInput("is audio, no samples of a receiver", recording.name, "Give IQ.")
    tuned_hz = recording.segments[0].centre_hz
    if any(segment.centre_hz != tuned_hz for segment in recording.segments):
        raise BadInput(
            "its segments are tuned to different frequencies", recording.name, "Split it."
        )
    declared = bench.receiver(recording.role) if bench and recording.role else None
    clock_ppm = recording.clock_error_ppm
    if clock_ppm is None:
        clock_ppm = (declared.clock_error_ppm if declared else None) or 0.0
    rate_hz = recording.sample_rate_hz * (1.0 + clock_ppm * 1e-6)
    centre_hz = tuned_hz * (1.0 + clock_ppm * 1e-6)
    chosen = select_channel(recording, unit, wish, clock_error_ppm=clock_ppm)
    reach_hz = abs(chosen.middle_hz - centre_hz) + chosen.spacing_hz / 2.0
    if chosen.nominal_hz is not None and reach_hz > rate_hz / 2.0:
        raise BadInput(
            f"a channel at {chosen.middle_hz / 1e6:.6f} MHz is not within {centre_hz / 1e6:.6f}"
            f" ± {rate_hz / 2e6:.6f} MHz",
            recording.name,
            "Give --at and --spacing that lie within the recording.",
        )
    full_scale_dbm, port_offset_db = recording.full_scale_dbm, recording.port_offset_db
    if full_scale_dbm is None and declared is not None:
        full_scale_dbm = declared.full_scale_dbm
    if port_offset_db is None and declared is not None:
        port_offset_db = declared.port_offset_db
    watch = HealthWatch(
        Watched(
            name=recording.name,
            datatype=recording.datatype,
            sample_rate_hz=rate_hz,
            centre_hz=centre_hz,
            channel_hz=chosen.middle_hz if chosen.nominal_hz is not None else None,
            spacing_hz=chosen.spacing_hz,
            scale_dbm=None if full_scale_dbm is None else full_scale_dbm + (port_offset_db or 0.0),
        )
    )
    for block in recording.blocks():
        watch.push(block)
        progress(block.end / recording.end_sample)
    watch.finish()
    return watch
