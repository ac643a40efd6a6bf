"""Level scale and clock error of a receiver, from recordings of a carrier that is known.

Both go by ``measure_recordings("carrier")``, the path of every other reading. JCGM 100 5.1.2 adds
the parts; what is declared is shared by all levels, so it does not average out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from harness.describe import Bench, bench_from
from harness.errors import BadInput
from harness.measure.run import measure_recordings
from harness.readings import Findings, Reading
from harness.recordings import Recording, open_recording
from harness.uncertainty import Contribution, combine


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelFound:
    """Level scale by least squares: ``known_dbm = full_scale_dbm + level_dbfs``.

    Parameters
    ----------
    standard_uncertainty_db : half of the 95.45 % uncertainty, so that twice it covers as much
    known_dbm, level_dbfs, residuals_db : one each per recording; the last are the linearity
    gain_db : of the recordings, None where none tells it
    tuned_hz : lowest and highest frequency that the receiver was tuned to, None where not told
    cautions : of the measurements, one plain sentence each
    """

    full_scale_dbm: float
    standard_uncertainty_db: float
    known_dbm: tuple[float, ...]
    level_dbfs: tuple[float, ...]
    residuals_db: tuple[float, ...]
    gain_db: float | None
    tuned_hz: tuple[float, float] | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFound:
    """Clock error in ppm, positive when the clock is fast, with its standard uncertainty."""

    clock_error_ppm: float
    standard_uncertainty_ppm: float
    frequency_hz: float
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What is added to dBFS to get a known level, and how far each known level lies from it."""

    full_scale: float
    standard_uncertainty_db: float
    residuals_db: tuple[float, ...]


def scale_of(
    known_db: Sequence[float],
    levels_dbfs: Sequence[float],
    repeat_db: Sequence[float],
    uncertainty_db: float,
) -> Scale:
    """Find a scale from known levels: their mean, with the scatter of one measured later.

    Parameters
    ----------
    known_db, levels_dbfs, repeat_db : one each per recording: the level as known, as measured, and
        how well the latter repeats
    uncertainty_db : standard uncertainty that all known levels share
    """
    scales = np.array(known_db) - np.array(levels_dbfs)
    count = len(scales)
    parts = [
        Contribution(name="known level", standard_uncertainty=uncertainty_db),
        Contribution(
            name="repeatability",
            standard_uncertainty=math.sqrt(float(np.mean(np.square(repeat_db)))),
            kind="A",
        ),
    ]
    if count > 1:
        parts.append(
            Contribution(
                name="linearity",
                standard_uncertainty=float(np.std(scales, ddof=1)) * math.sqrt(1.0 + 1.0 / count),
                kind="A",
                degrees_of_freedom=count - 1,
            )
        )
    full_scale = float(scales.mean())
    return Scale(
        full_scale=full_scale,
        standard_uncertainty_db=combine(parts).expanded_uncertainty / 2.0,
        residuals_db=tuple(float(one) for one in scales - full_scale),
    )


def calibrate_level(
    paths: Sequence[Path],
    known_dbm: Sequence[float],
    uncertainty_db: float,
    *,
    at_hz: float | None = None,
) -> LevelFound:
    """Find the power of full scale at the receiver's connector.

    Parameters
    ----------
    paths : one recording per level, all at one gain
    known_dbm : level at the receiver's connector, one per recording
    uncertainty_db : standard uncertainty of the known levels, shared by all of them
    at_hz : middle of the channel, where it is not to be found

    Raises
    ------
    BadInput : numbers that do not match, no carrier, clipped or lost samples, unlike gains.

    Notes
    -----
    The uncertainty is that of a level measured later, anywhere in the range: the shared known
    level, and the scatter s about the line with sqrt(1 + 1/n) (the new level and the mean).
    """
    if not paths or len(paths) != len(known_dbm):
        raise BadInput(
            f"{len(known_dbm)} levels are given for {len(paths)} recordings",
            "--level",
            "Give one for each recording, with commas between.",
        )
    levels_dbfs, repeat_db, gains, tuned_hz = [], [], [], []
    cautions: list[str] = []
    for path in paths:
        recording = open_recording(path)
        findings = carrier_findings(path, at_hz)
        reading = known(findings, "carrier_power", path)
        cautions += findings.cautions
        shift_db = (recording.full_scale_dbm or 0.0) + (recording.port_offset_db or 0.0)
        levels_dbfs.append(value_of(reading) - shift_db)
        repeat_db.append(repeatability(reading))
        gains.append(recording.gain_db)
        tuned_hz.append(recording.segments[0].centre_hz)
    if len({gain for gain in gains if gain is not None}) > 1:
        raise BadInput(
            "the recordings were made at different gains", "RECORDING", "Calibrate gain by gain."
        )
    scale = scale_of(known_dbm, levels_dbfs, repeat_db, uncertainty_db)
    return LevelFound(
        full_scale_dbm=scale.full_scale,
        standard_uncertainty_db=scale.standard_uncertainty_db,
        known_dbm=tuple(known_dbm),
        level_dbfs=tuple(levels_dbfs),
        residuals_db=scale.residuals_db,
        gain_db=next((gain for gain in gains if gain is not None), None),
        tuned_hz=(min(tuned_hz), max(tuned_hz)) if all(tuned_hz) else None,
        cautions=tuple(dict.fromkeys(cautions)),
    )


def calibrate_frequency(path: Path, known_hz: float, uncertainty_hz: float) -> ClockFound:
    """Find the clock error from a carrier of known frequency.

    Parameters
    ----------
    path : recording of the carrier
    known_hz : its true frequency
    uncertainty_hz : standard uncertainty of that

    Raises
    ------
    BadInput : no carrier near there, clipped or lost samples.

    Notes
    -----
    A receiver whose clock is fast by e tunes to centre (1 + e) and samples at rate (1 + e), so a
    carrier that it shows at f is truly at f (1 + e). What a recording declares of its clock was
    taken into account by the measurement, and is taken out again.
    """
    recording = open_recording(path)
    findings = carrier_findings(path, known_hz)
    reading = known(findings, "frequency_error", path)
    declared = 1.0 + (recording.clock_error_ppm or 0.0) * 1e-6
    shown_hz = (known_hz + value_of(reading)) / declared
    parts = [
        Contribution(name="known frequency", standard_uncertainty=uncertainty_hz),
        Contribution(name="repeatability", standard_uncertainty=repeatability(reading), kind="A"),
    ]
    return ClockFound(
        clock_error_ppm=(known_hz / shown_hz - 1.0) * 1e6,
        standard_uncertainty_ppm=combine(parts).expanded_uncertainty / 2.0 / known_hz * 1e6,
        frequency_hz=known_hz,
        cautions=findings.cautions,
    )


def carrier_findings(
    path: Path,
    at_hz: float | None,
    spacing_hz: float | None = None,
    *,
    clock_uncertainty_ppm: float = 0.0,
) -> Findings:
    """Measure one recording of a known carrier, in dBFS where it tells no scale of its own.

    Raises
    ------
    BadInput : it holds audio. Damaged : it is broken, its checksum wrong.
    """
    recording = open_recording(path)
    if recording.role == "audio":
        raise BadInput(
            "its role is audio, and a receiver or a deviation is calibrated on radio samples",
            path.name,
            "Give the recording of the carrier.",
        )
    return measure_recordings(
        "carrier",
        [path],
        bench=_stand_in(recording, clock_uncertainty_ppm),
        at_hz=at_hz,
        spacing_hz=spacing_hz,
    )


def _stand_in(recording: Recording, clock_uncertainty_ppm: float) -> Bench:
    """Declare what the recording does not: full scale at 0 dBm, so that dBm are dBFS."""
    role = recording.role or "output"
    receiver: dict[str, str | float] = {"source": "recording"}
    if recording.full_scale_dbm is None:
        receiver |= {"full_scale_dbm": 0.0, "full_scale_uncertainty_db": 0.0}
    if recording.clock_uncertainty_ppm is None:
        receiver |= {"clock_error_ppm": 0.0, "clock_uncertainty_ppm": clock_uncertainty_ppm}
    return bench_from({"name": "calibration", role: receiver})


def known(
    findings: Findings,
    name: str,
    path: Path,
    remedy: str = "Record the known carrier again, in the channel.",
) -> Reading:
    """Give a reading; refuse what no calibration may rest on, with ``remedy`` where it is missing.

    Raises
    ------
    BadInput : it is not measured, or rests on clipped or lost samples.
    """
    reading = next((one for one in findings.readings if one.name == name), None)
    if reading is None or reading.value is None:
        raise BadInput(
            reading.note if reading else "holds no steady tone on its carrier",
            path.name,
            remedy,
        )
    for flag in ("clipped", "lost samples"):
        if flag in reading.flags:
            raise BadInput(
                f"{flag}: no calibration may rest on it",
                path.name,
                "Record it again, weaker or on a quieter computer.",
            )
    return reading


def value_of(reading: Reading) -> float:
    """Give the number of a reading that has one."""
    if not isinstance(reading.value, int | float):
        raise ValueError(f"{reading.name} is {reading.value!r}")
    return float(reading.value)


def repeatability(reading: Reading) -> float:
    """Give the standard uncertainty of a reading from its own scatter."""
    return math.sqrt(sum(c.effect**2 for c in reading.contributions if c.kind == "A"))
