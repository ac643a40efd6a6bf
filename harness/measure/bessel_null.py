"""Deviation of a generator by the Bessel null, from recordings of its FM about the null.

The carrier of sinusoidal FM vanishes where the index, deviation over tone, is the first zero of
J_0: 2.404826 (NIST DLMF table 10.21.1, Abramowitz & Stegun table 9.5; both from memory). The
carrier line of each recording, with its sign, gives its index through J_0; a straight line of index
against what the generator showed then gives what it shows at the null. Line amplitudes are fitted
to complex samples (``fm_lines``). The discriminator gives first guesses only; what it reads
itself is set beside the null, not into it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import jv

from harness.blocks import Frames
from harness.errors import BadInput
from harness.measure.calibrate import carrier_findings, known, value_of
from harness.measure.feed import open_feed
from harness.measure.fm_lines import FmLines, fit_fm_lines
from harness.measure.select import Wish
from harness.recordings import open_recording
from harness.uncertainty import Contribution, combine

FIRST_NULL = 2.404825557695773
"""First zero of J_0: Abramowitz & Stegun, Table 9.5."""
NULL_SLOPE = 0.5191474972894669
"""J_1 there, so how fast the carrier line falls with the index. Same table (from memory)."""
FURTHEST = 0.2
"""Share of the null that a setting may lie from it. Chosen: the generator's scale is asked for at
the null, and J_0 has no second answer within it."""
LEAST_COUNT = 3
"""Settings: two make the line, the third tells how well they lie on it."""
FRAME_S = 0.25
LEAST_FRAMES = 4
LEAST_TONE_HZ = 200.0
"""Chosen: some six periods in the eighth of a frame that the fit works in."""
MOST_ORDERS = 6
LEAST_ORDERS = 4
"""Side lines that are fitted: at the null those beyond the 4th hold 0.05 % of the power, beyond
the 6th 3e-7 (J_5 and J_7, computed)."""
LEAST_SHARE = 0.8
"""Of the channel's power, in the lines. Chosen: 6 dB above the rest."""
MOST_MISFIT = 0.03
"""How far the side lines may lie, root mean square, from those of one sine. Chosen: 5 % of third
harmonic, far beyond what a generator has."""
MOST_SCALE = 1.25
"""Chosen: further off, either way, no generator is that has not been read wrongly."""
CRYSTAL_PPM = 100.0
"""How far off a clock may be that nobody has calibrated: common practice, no source."""
SAME_TONE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviationFound:
    """A generator's deviation scale: true deviation over what it shows.

    Parameters
    ----------
    scale : true over shown, at the null. standard_uncertainty : half of the 95.45 % uncertainty
    tone_hz : of the modulation. null_shown_hz : deviation shown where the carrier vanishes
    shown_hz, true_hz, carrier_ratio, read_hz : one each per recording: deviation as shown and by
        its own carrier line, that line's amplitude to the root of all power, and what our
        discriminator reads
    read_scale : our discriminator's reading over the true deviation, at the null
    read_uncertainty : expanded, of that
    cautions : one plain sentence each
    """

    scale: float
    standard_uncertainty: float
    tone_hz: float
    null_shown_hz: float
    shown_hz: tuple[float, ...]
    true_hz: tuple[float, ...]
    carrier_ratio: tuple[float, ...]
    read_hz: tuple[float, ...]
    read_scale: float
    read_uncertainty: float
    cautions: tuple[str, ...] = ()

    @property
    def discriminator_agrees(self) -> bool:
        """Whether our discriminator's reading at the null lies within the uncertainty of both."""
        return abs(self.read_scale - 1.0) <= self.read_uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    """What one recording gives."""

    index: float
    ratio: complex
    misfit: NDArray[np.float64]
    tone_hz: float
    clock_ppm: float
    read_hz: float
    read_standard_hz: float
    cautions: tuple[str, ...]


def calibrate_deviation(
    paths: Sequence[Path],
    shown_hz: Sequence[float],
    *,
    at_hz: float | None = None,
    spacing_hz: float | None = None,
) -> DeviationFound:
    """Find a generator's deviation scale by the first null of the carrier.

    Parameters
    ----------
    paths : one recording per setting, one tone, settings on both sides of the null
    shown_hz : deviation that the generator showed, one per recording
    at_hz, spacing_hz : the channel, where it is not to be found or 12.5 kHz are too narrow

    Raises
    ------
    BadInput : numbers that do not match; no tone, several tones, clipped or lost samples; settings
        far from the null, or all on one side of it.

    Notes
    -----
    The uncertainty is that of the straight line where it passes the null, by Student's t; what the
    side lines lack to those of one sine, taken as if all of it moved the null; and the clock that
    the tone's frequency is told by.
    """
    if len(paths) != len(shown_hz):
        raise BadInput(
            f"{len(shown_hz)} deviations are given for {len(paths)} recordings",
            "--deviation",
            "Give one for each recording, with commas between.",
        )
    if any(not one > 0.0 for one in shown_hz):
        raise BadInput("a deviation is 0 or less", "--deviation", "Give what the generator showed.")
    if len(set(shown_hz)) < LEAST_COUNT:
        raise BadInput(
            f"{len(set(shown_hz))} settings are too few for a null",
            "--deviation",
            "Give at least three, on both sides of it.",
        )
    taken = [_taken(path, at_hz, spacing_hz) for path in paths]
    tones_hz = np.array([one.tone_hz for one in taken])
    tone_hz = float(tones_hz.mean())
    if np.any(np.abs(tones_hz / tone_hz - 1.0) > SAME_TONE):
        raise BadInput(
            f"the recordings have tones of {tones_hz.min():.1f} to {tones_hz.max():.1f} Hz",
            "RECORDING",
            "Record all settings at one tone.",
        )
    found = np.array([one.index for one in taken])
    if not found.min() < FIRST_NULL < found.max():
        side = "below" if found.max() <= FIRST_NULL else "above"
        raise BadInput(
            f"all settings lie {side} the null, so it is not enclosed",
            "RECORDING",
            f"Record settings on both sides, near {_null_near(shown_hz, found):.0f} Hz as shown.",
        )
    # What the generator shows, as an index; each recording by its own tone.
    shown = np.array(shown_hz) / tones_hz
    null = _null(shown, found)
    # With their signs over all settings, so that noise averages out and distortion does not.
    sides = np.mean([one.misfit for one in taken], axis=0)
    shape = math.hypot(
        float(np.mean([one.ratio.imag for one in taken])), float(np.sqrt(np.mean(sides**2)))
    )
    relative = [
        null.line,
        Contribution(
            name="deviation.shape",
            standard_uncertainty=shape / NULL_SLOPE / FIRST_NULL,
            source="lines beside those of one sine",
        ),
    ]
    # The tone's frequency and our reading of the deviation are told by one clock.
    clock = Contribution(
        name="clock",
        standard_uncertainty=max(one.clock_ppm for one in taken) * 1e-6,
        source="the recorder's clock",
    )
    scale = FIRST_NULL / null.shown
    if null.slope <= 0.0:
        raise BadInput(
            "more deviation shown is less deviation on the air",
            "--deviation",
            "Give the deviations in the order of the recordings.",
        )
    if not 1.0 / MOST_SCALE <= scale <= MOST_SCALE:
        raise BadInput(
            f"the true deviation is {scale:.4g} times what is given",
            "--deviation",
            "Give it in Hz, as peak deviation (half of peak to peak).",
        )
    read = np.array([one.read_hz for one in taken]) / tones_hz
    ratios = read / found
    noise = math.sqrt(
        float(np.mean([(one.read_standard_hz / one.read_hz) ** 2 for one in taken])) / len(taken)
    )
    scatter = float(np.std(ratios, ddof=1)) / math.sqrt(len(taken))
    apart = [
        Contribution(
            name="read.scatter",
            standard_uncertainty=max(scatter, noise),
            kind="A",
            degrees_of_freedom=len(taken) - 1,
        ),
        relative[1],
    ]
    return DeviationFound(
        scale=scale,
        standard_uncertainty=scale * combine([*relative, clock]).expanded_uncertainty / 2.0,
        tone_hz=tone_hz,
        null_shown_hz=null.shown * tone_hz,
        shown_hz=tuple(shown_hz),
        true_hz=tuple(float(one) for one in found * tones_hz),
        carrier_ratio=tuple(one.ratio.real for one in taken),
        read_hz=tuple(one.read_hz for one in taken),
        read_scale=float(ratios.mean()),
        read_uncertainty=combine(apart).expanded_uncertainty,
        cautions=tuple(dict.fromkeys(caution for one in taken for caution in one.cautions)),
    )


def _null_near(shown_hz: Sequence[float], found: NDArray[np.float64]) -> float:
    """Where the null would be if the nearest setting's scale held all the way."""
    nearest = int(np.argmin(np.abs(found - FIRST_NULL)))
    return float(shown_hz[nearest] * FIRST_NULL / found[nearest])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Null:
    """Index shown at the null, its relative uncertainty, and true index per index shown."""

    shown: float
    line: Contribution
    slope: float


def _null(shown: NDArray[np.float64], found: NDArray[np.float64]) -> _Null:
    """Lay a straight line through index against index shown; see where it passes the null."""
    count = len(shown)
    x = shown - shown.mean()
    squares = float(x @ x)
    slope = float(x @ found / squares)
    residual = found - found.mean() - slope * x
    deviation = math.sqrt(float(residual @ residual) / (count - 2))
    from_mean = (FIRST_NULL - float(found.mean())) / slope if slope else math.inf
    at = float(shown.mean()) + from_mean
    standard = deviation / abs(slope or 1.0) * math.sqrt(1.0 / count + from_mean**2 / squares)
    return _Null(
        shown=at,
        line=Contribution(
            name="deviation.null",
            standard_uncertainty=standard / abs(at),
            kind="A",
            degrees_of_freedom=count - 2,
            source="scatter about the straight line through the settings",
        ),
        slope=slope,
    )


def _taken(path: Path, at_hz: float | None, spacing_hz: float | None) -> _Taken:
    """Measure one recording.

    Raises
    ------
    BadInput : it holds no sinusoidal FM about the null.
    """
    carrier_hz = _carrier_hz(path, at_hz, spacing_hz)
    # Now in the middle of its channel, so that both side bands pass alike.
    findings = carrier_findings(
        path, carrier_hz, spacing_hz, clock_uncertainty_ppm=CRYSTAL_PPM / math.sqrt(3.0)
    )
    read = known(findings, "deviation_tone", path)
    tone = known(findings, "tone_frequency", path)
    carrier_hz += value_of(known(findings, "frequency_error", path))
    tone_hz, read_hz = value_of(tone), value_of(read)
    if tone_hz < LEAST_TONE_HZ:
        raise BadInput(
            f"its tone is {tone_hz:.1f} Hz", path.name, "Modulate with 1 kHz, or 200 Hz at least."
        )
    _near_the_null(read_hz / tone_hz, tone_hz, path)
    frames = _frames(path, carrier_hz, spacing_hz, tone_hz)
    ratio = complex(np.mean([frame.carrier for frame in frames]))
    sides = np.mean([frame.sides for frame in frames], axis=0)
    share = float(np.mean([frame.share for frame in frames]))
    if share < LEAST_SHARE:
        raise BadInput(
            f"only {100.0 * share:.0f} % of the channel's power are lines of FM by one tone",
            path.name,
            "Record it stronger, alone in the channel, modulated by one sine.",
        )
    index = _index_of(ratio.real, path)
    orders = np.arange(1, 4)
    misfit = np.asarray(sides[:, :3] - np.abs(jv(orders, index)))
    off = float(np.sqrt(np.mean(misfit**2)))
    if off > MOST_MISFIT:
        raise BadInput(
            f"its side lines are {100.0 * off:.0f} % off those of FM by one sine",
            path.name,
            "Use a clean tone, without other modulation, and a channel wide enough (--spacing).",
        )
    clocks = [c.standard_uncertainty for c in tone.contributions if c.name.endswith("_ppm")]
    return _Taken(
        index=index,
        ratio=ratio,
        misfit=misfit,
        tone_hz=float(np.mean([frame.tone_hz for frame in frames])),
        clock_ppm=max(clocks, default=0.0),
        read_hz=read_hz,
        read_standard_hz=math.sqrt(sum(c.effect**2 for c in read.contributions if c.kind == "A")),
        cautions=findings.cautions,
    )


def _carrier_hz(path: Path, at_hz: float | None, spacing_hz: float | None) -> float:
    """Find the carrier as the recording shows it, wherever in the channel."""
    recording = open_recording(path)
    findings = carrier_findings(path, at_hz, spacing_hz)
    error_hz = value_of(known(findings, "frequency_error", path))
    nominal_hz = next(
        (
            (note.freq_lower_hz + note.freq_upper_hz) / 2.0
            for note in recording.annotations
            if note.freq_lower_hz is not None and note.freq_upper_hz is not None
        ),
        recording.segments[0].centre_hz,
    )
    return error_hz + (nominal_hz if at_hz is None else at_hz)


def _near_the_null(index: float, tone_hz: float, path: Path) -> None:
    if abs(index / FIRST_NULL - 1.0) <= FURTHEST:
        return
    raise BadInput(
        f"its deviation is about {index * tone_hz:.0f} Hz at a tone of {tone_hz:.1f} Hz, and the"
        f" null is at {FIRST_NULL * tone_hz:.0f} Hz",
        path.name,
        "Give recordings of settings within 20 % of the null.",
    )


def _index_of(ratio: float, path: Path) -> float:
    """Give the index whose J_0 is the carrier's ratio, near the null."""
    low, high = (FIRST_NULL * (1.0 + sign * 1.5 * FURTHEST) for sign in (-1.0, 1.0))
    if not jv(0, high) < ratio < jv(0, low):
        raise BadInput(
            f"its carrier line is {ratio:+.3f} of the whole, which is not near the null",
            path.name,
            "Give recordings of settings within 20 % of the null.",
        )
    return float(brentq(lambda index: jv(0, index) - ratio, low, high, xtol=1e-12))


def _frames(
    path: Path, carrier_hz: float, spacing_hz: float | None, tone_hz: float
) -> list[FmLines]:
    """Fit the lines, frame by frame, the carrier in the middle of the channel."""
    wish = Wish(at_hz=carrier_hz, spacing_hz=spacing_hz)
    # Wide enough for the lines that are fitted and one more.
    feed = open_feed(path, None, None, wish, least_width_hz=2.0 * (MOST_ORDERS + 1) * tone_hz)
    channel = feed.channel
    orders = min(int(channel.flat_hz / tone_hz), MOST_ORDERS)
    if orders < LEAST_ORDERS:
        raise BadInput(
            f"the side lines of a tone of {tone_hz:.0f} Hz do not fit into"
            f" {2.0 * channel.flat_hz / 1e3:.1f} kHz of channel",
            path.name,
            "Record it at a higher rate, nearer to the middle, or use a lower tone.",
        )
    centre_hz = channel.recorder_centre_hz
    if centre_hz is not None and abs(carrier_hz - centre_hz) < (MOST_ORDERS + 1) * tone_hz:
        raise BadInput(
            "the recorder was tuned onto the signal, where its DC spike counts as carrier",
            path.name,
            f"Tune it {10.0 * tone_hz / 1e3:.0f} kHz or more beside, and record again.",
        )
    frames = Frames(round(FRAME_S * channel.sample_rate_hz))
    found = [
        fit_fm_lines(frame.samples, channel.sample_rate_hz, 0.0, tone_hz, orders)
        for block in feed.blocks()
        for frame in frames.push(block)
    ]
    if len(found) < LEAST_FRAMES:
        raise BadInput(
            f"{len(found) * FRAME_S:g} s are too short", path.name, "Record two seconds or more."
        )
    return found
