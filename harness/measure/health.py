"""Health of a receiver, watched while its samples stream: what would spoil a measurement.

Clipping and headroom, lost samples, rails that stand still, the DC spike at the receiver's own
centre, the image of the strongest emission, the noise, steps of the gain. What is found is not a
reading and has no uncertainty: it says whether readings can be had. What cannot be seen for noise
is given as a bound.

Frames of a fixed length, counted from the first sample: the same samples give the same health
however they were cut. Memory: some fifteen arrays of a frame's length (15 ms).

**The image.** Unequal gain g and phase p of I and Q make ``a z + b conj(z)`` of z, with
``|b / a|^2 = (1 - 2 g cos p + g^2) / (1 + 2 g cos p + g^2)`` (common practice, no source). So line
k of a frame and its mirror -k hold the same emission, one of them conjugated: the product of the
two, summed over frames, keeps what is image, while what only happens to lie at the mirror's place
averages out. It is the estimate by impropriety of ``emission.py``, line by line: there a channel
has been cut out, here nothing has. What is left of the sum by chance is known from the powers of
both lines, and the ratio is given where it is well above that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.dsp.decode import clipped_samples, decode
from harness.dsp.spectrum import line_samples
from harness.measure.gain_steps import GainStep, GainSteps, Look
from harness.measure.health_lines import Lines
from harness.measure.select import DEFAULT_SPACING_HZ
from harness.units import FloatArray, db_from_ratio

LINE_HZ = 250.0
"""Width of a line; chosen: far less than a channel, and a frame is then 15 ms."""
MOST_LINES = 250
"""A line is no narrower than such a share of the rate: a frame has samples enough. Chosen."""
LOOK_S = 0.1
"""Over so long the noise is held against what comes after. Chosen."""
IN_CHANNEL_SHARE = 0.6
"""Of the spacing, on each side of the channel's middle: as the recordings' own caution."""
GAP_SHARE = 0.25
"""Lines no further apart than this share of the spacing belong to one emission. Chosen: a tone of
3 kHz makes sidebands so far apart."""
SURE_RATIO = 12.0
"""An image is more than what chance leaves by so much in power: exp(-12) of a bound too many."""
BOUND_RATIO = 3.0
"""What chance stays below in 95 of 100: exp(-3) = 0.05."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """A stream that is watched, and the channel in it.

    Parameters
    ----------
    name : of the receiver or the recording
    datatype : SigMF's, of IQ. sample_rate_hz, centre_hz : true ones, where the clock is known
    channel_hz : middle of the wanted channel; None for the strongest emission
    scale_dbm : level at the unit's port of 0 dBFS; None where nobody knows
    """

    name: str
    datatype: str
    sample_rate_hz: float
    centre_hz: float
    channel_hz: float | None = None
    spacing_hz: float = DEFAULT_SPACING_HZ
    scale_dbm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A level in dB, or, where noise hides it, what it is at most."""

    level_db: float
    is_bound: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BandHealth:
    """Where the power lies: what can only be told of whole frames.

    Parameters
    ----------
    frames : how many
    channel_hz : middle of the channel; is_named : whether somebody said so
    channel_dbfs : power in the channel. noise_dbfs : that of the noise in as wide a channel
    spike_dbfs : the receiver's DC spike. spike_in_channel : whether that is where it lies
    emission_hz, emission_dbfs : the strongest emission; None where nothing stands above the noise
    image_db : its image to itself; None where it lies on its own image
    image_in_channel : whether the image falls into a channel that the emission does not lie in
    converter_ratio : the noise to the converter's own; infinite where that has none
    """

    frames: int
    channel_hz: float
    is_named: bool
    channel_dbfs: float
    noise_dbfs: float
    spike_dbfs: Seen
    spike_in_channel: bool
    emission_hz: float | None
    emission_dbfs: float | None
    image_db: Seen | None
    image_hz: float | None
    image_in_channel: bool
    converter_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """How a receiver does, from the samples so far.

    Parameters
    ----------
    samples, lost_samples, clipped_samples : counts
    worst_clipped_share : of the worst look
    peak_dbfs : highest I or Q; None of silence. level_dbfs : mean power, likewise
    still_rails : I, Q or both, where all codes are the same
    spectrum : None of less than a frame
    gain_steps : the first of ``gain_step_count``; gain_judged : whether any could have been told
    """

    watched: Watched
    samples: int
    lost_samples: int
    clipped_samples: int
    worst_clipped_share: float
    peak_dbfs: float | None
    level_dbfs: float | None
    still_rails: tuple[str, ...]
    spectrum: BandHealth | None
    gain_steps: tuple[GainStep, ...]
    gain_step_count: int
    gain_judged: bool

    @property
    def clipped_share(self) -> float:
        """Share of the samples with I or Q at a rail."""
        return self.clipped_samples / self.samples if self.samples else 0.0


class HealthWatch:
    """Watches the undecoded blocks of one stream.

    Parameters
    ----------
    watched : what it is

    Notes
    -----
    May be asked at any time. What does not fill a frame is counted at a gap and by ``finish``.
    """

    def __init__(self, watched: Watched) -> None:
        self.watched = watched
        rate_hz = watched.sample_rate_hz
        length = line_samples(min(LINE_HZ, rate_hz / MOST_LINES), rate_hz)
        self.lines = Lines(length, rate_hz)
        self._frames = Frames(length)
        self._look_frames = max(round(LOOK_S * rate_hz / length), 1)
        self._end = 0
        self._samples = self._lost = self._clipped = 0
        self._peak, self._power = 0.0, 0.0
        self._lowest = np.full(2, np.inf)
        self._highest = np.full(2, -np.inf)
        self._look_clipped = self._look_count = 0
        self._look_start = 0
        self._look_power = np.zeros(length)
        self._worst = 0.0
        self._steps = GainSteps(self.lines.converter_noise(watched.datatype))

    def push(self, block: Block) -> None:
        """Take a block: undecoded IQ, shape (n, 2)."""
        if self._frames.interrupted_by(block):
            self._count_rest()
            self._lost += max(block.start - self._end, block.lost_before)
        self._end = block.end
        for frame in self._frames.push(block):
            iq = self._count(frame)
            self._look_power += self.lines.add(iq)
            if not self._look_count:
                self._look_start = frame.start
            self._look_count += 1
            if self._look_count == self._look_frames:
                self._end_look(frame.end)

    def finish(self) -> Health:
        """Count what is still queued; give how it was."""
        self._count_rest()
        self._steps.finish()
        return self.health()

    def _count_rest(self) -> None:
        rest = self._frames.rest()
        if rest is not None:
            self._count(rest)

    def _count(self, frame: Block) -> NDArray[np.complex64]:
        """Count what is wrong with each sample; give the samples decoded."""
        datatype = self.watched.datatype
        numbers = decode(frame.samples, datatype)
        clipped = clipped_samples(frame.samples, datatype)
        lowest, highest = numbers.min(axis=0), numbers.max(axis=0)
        self._samples += len(numbers)
        self._clipped += clipped
        self._look_clipped += clipped
        self._lowest = np.minimum(self._lowest, lowest)
        self._highest = np.maximum(self._highest, highest)
        self._peak = max(self._peak, float(-lowest.min()), float(highest.max()))
        self._power += float(np.sum(np.square(numbers), dtype=np.float64))
        return numbers.view(np.complex64)[:, 0]

    def _end_look(self, end: int) -> None:
        """Hold a look against those before it, and begin the next."""
        lines, count = self.lines, self._look_count
        share = self._look_clipped / (count * lines.length)
        self._worst = max(self._worst, share)
        mean = self._look_power / (lines.scale * count)
        noise = lines.noise(mean, count)
        self._steps.push(
            Look(
                middle_s=(self._look_start + end) / 2.0 / self.watched.sample_rate_hz,
                noise=noise,
                emissions=lines.above(mean, noise, count),
                clipped_share=share,
            )
        )
        self._look_power[:] = 0.0
        self._look_clipped = self._look_count = 0
        lines.next_group()

    def health(self) -> Health:
        """Give how the receiver has done so far."""
        still = self._lowest == self._highest
        power = self._power / self._samples if self._samples else 0.0
        return Health(
            watched=self.watched,
            samples=self._samples,
            lost_samples=self._lost,
            clipped_samples=self._clipped,
            worst_clipped_share=self._worst,
            peak_dbfs=2.0 * float(db_from_ratio(self._peak)) if self._peak > 0.0 else None,
            level_dbfs=float(db_from_ratio(power)) if power > 0.0 else None,
            still_rails=tuple(rail for rail, stands in zip("IQ", still, strict=True) if stands),
            spectrum=_spectrum(self.watched, self.lines) if self.lines.count else None,
            gain_steps=self._steps.found,
            gain_step_count=self._steps.count,
            gain_judged=self._steps.judged > 0,
        )


def _spectrum(watched: Watched, lines: Lines) -> BandHealth:
    """Work out what the lines say."""
    mean, count = lines.power(), lines.count
    noise = lines.noise(mean, count)
    emission = _strongest(watched, lines, mean, noise)
    emission_hz = None if emission is None else emission.middle_hz
    named = watched.channel_hz
    offset_hz = named - watched.centre_hz if named is not None else emission_hz or 0.0
    straddles = emission is not None and _holds_centre(emission.edges_hz)
    reach_hz = IN_CHANNEL_SHARE * watched.spacing_hz
    half_hz = watched.spacing_hz / 2.0
    channel = lines.band(mean, offset_hz - half_hz, offset_hz + half_hz)
    spike, beside = lines.spike(mean)
    least = lines.stands(beside, count) - beside
    image = None if emission is None else _image(lines, mean, noise, emission.edges_hz)
    image_hz = None if image is None or emission_hz is None else -emission_hz
    width = watched.spacing_hz / lines.resolution_hz
    converter = lines.converter_noise(watched.datatype)
    return BandHealth(
        frames=count,
        channel_hz=watched.centre_hz + offset_hz,
        is_named=named is not None,
        channel_dbfs=_dbfs(channel),
        noise_dbfs=_dbfs(noise * width),
        spike_dbfs=Seen(level_db=_dbfs(max(spike, least)), is_bound=spike <= least),
        spike_in_channel=abs(offset_hz) < reach_hz or (named is None and straddles),
        emission_hz=None if emission_hz is None else watched.centre_hz + emission_hz,
        emission_dbfs=None if emission is None else _dbfs(emission.power),
        image_db=image,
        image_hz=None if image_hz is None else watched.centre_hz + image_hz,
        image_in_channel=image_hz is not None
        and named is not None
        and abs(image_hz - offset_hz) < reach_hz,
        converter_ratio=noise / converter if converter else math.inf,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strongest:
    """An emission, offsets from the centre."""

    edges_hz: tuple[float, float]
    middle_hz: float
    power: float


def _holds_centre(edges_hz: tuple[float, float]) -> bool:
    """Whether an emission lies on both sides of the receiver's own centre."""
    return edges_hz[0] <= 0.0 <= edges_hz[1]


def _strongest(watched: Watched, lines: Lines, mean: FloatArray, noise: float) -> _Strongest | None:
    """Find the strongest emission; None of noise alone."""
    clean = np.where(lines.is_centre, 0.0, np.maximum(mean - noise, 0.0))
    found = None
    for edges_hz in lines.emissions(GAP_SHARE * watched.spacing_hz, with_centre=False):
        inside = lines.between(edges_hz)
        total = float(clean[inside].sum())
        power = total * lines.line_hz / lines.resolution_hz
        if total > 0.0 and (found is None or power > found.power):
            middle_hz = float(clean[inside] @ lines.frequency_hz[inside]) / total
            found = _Strongest(edges_hz=edges_hz, middle_hz=middle_hz, power=power)
    return found


def _image(
    lines: Lines, mean: FloatArray, noise: float, edges_hz: tuple[float, float]
) -> Seen | None:
    """Find the image of an emission, in dB of it; None where it lies on its own image."""
    if _holds_centre(edges_hz):
        return None
    inside = lines.between(edges_hz)
    clean = np.maximum(mean[inside] - noise, 0.0)
    total = float(clean.sum())
    at_mirror = np.maximum(lines.mirrored(mean)[inside], noise)
    ratio = float(abs(lines.products()[inside].sum()) / total) ** 2
    # Neighbouring lines hold the same noise: fewer are independent than there are.
    alike = lines.resolution_hz / lines.line_hz
    chance = alike * float(mean[inside] @ at_mirror) / (lines.count * total**2)
    if ratio > SURE_RATIO * chance:
        return Seen(level_db=_dbfs(ratio), is_bound=False)
    most = (math.sqrt(ratio) + math.sqrt(BOUND_RATIO * chance)) ** 2
    return Seen(level_db=_dbfs(min(most, 1.0)), is_bound=True)


def _dbfs(power: float) -> float:
    """Decibels of a power; of nothing the least that a float can be."""
    return float(db_from_ratio(max(power, 1e-30)))
