"""Takes and sweeps of a repeater whose every instant, level and SINAD is known.

The transmitter of these is strong, and what its audio holds is built in the audio itself: a tone
plus Gaussian noise of exactly known power in 300 to 3000 Hz. SINAD here is the land-mobile
(S+N+D)/(N+D), FS-1037C.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.truth.files import quantise, step, write_pair
from tests.truth.signals import Carrier, Dongle, Sine, band_noise, rectangular_noise

SPEECH_HZ = (300.0, 3000.0)


def noise_rms_for_sinad(tone_amplitude: float, sinad_db: float) -> float:
    """Rms of noise beside a tone: S/N = SINAD - 1 as ratios (sinad_relations.csv)."""
    return tone_amplitude / np.sqrt(2.0 * (10.0 ** (sinad_db / 10.0) - 1.0))


def straight(level_12db_dbm: float) -> Callable[[float], float]:
    """SINAD of a receiver above its threshold: S/N rises 1 dB per dB, 12 dB SINAD at a level."""
    return lambda level: (
        10.0 * np.log10(1.0 + 10.0 ** ((level - level_12db_dbm) / 10.0) * (10.0**1.2 - 1.0))
    )


def with_ceiling(level_12db_dbm: float, ceiling_db: float) -> Callable[[float], float]:
    """As ``straight``, and a fixed part of the audio never clean: SINAD ends at the ceiling."""
    fixed = 1.0 / (10.0 ** (ceiling_db / 10.0) - 1.0)
    wanted = 1.0 / (10.0**1.2 - 1.0) - fixed
    return lambda level: (
        10.0 * np.log10(1.0 + 1.0 / (wanted * 10.0 ** (-(level - level_12db_dbm) / 10.0) + fixed))
    )


def with_knee(
    level_12db_dbm: float, knee_below_db: float, steepness: float
) -> Callable[[float], float]:
    """As ``straight``, but below a knee the S/N falls ``steepness`` times as fast (clicks)."""

    def sinad_db(level: float) -> float:
        above = level - level_12db_dbm
        below = min(above + knee_below_db, 0.0)
        return straight(0.0)(above + (steepness - 1.0) * below)

    return sinad_db


@dataclass(frozen=True, kw_only=True)
class SinadSweep:
    """The output of a repeater at a row of input levels, each held for ``dwell_s``."""

    levels_dbm: tuple[float, ...]
    sinad_db: Callable[[float], float]
    dwell_s: float = 3.0
    sample_rate_hz: float = 50e3
    tone_hz: float = 1000.0
    deviation_hz: float = 1500.0
    offset_hz: float = 700.0
    draw: int = 3

    def write(self, base: Path, datatype: str = "cu8") -> Path:
        """Write the output recording with its steps annotated; give its path."""
        rate_hz, count = self.sample_rate_hz, round(self.dwell_s * self.sample_rate_hz)
        time_s = np.arange(count) / rate_hz
        chunks, notes = [], []
        for number, level in enumerate(self.levels_dbm):
            rms = noise_rms_for_sinad(self.deviation_hz, self.sinad_db(level))
            draw = 1000 * self.draw + number
            _, noise_rad = band_noise(count, rate_hz, *SPEECH_HZ, rms, draw)
            angle = 2.0 * np.pi * self.offset_hz * time_s + noise_rad
            angle += self.deviation_hz / self.tone_hz * np.sin(2.0 * np.pi * self.tone_hz * time_s)
            radio = rectangular_noise(count, rate_hz, 0.9 * rate_hz, 1e-5, draw + 500)
            chunks.append(0.5 * np.exp(1j * angle) + radio)
            notes.append(step(number * self.dwell_s, self.dwell_s, rate_hz, level))
        return write_pair(
            base,
            (quantise(c, datatype) for c in chunks),
            datatype,
            rate_hz,
            153.825e6,
            fields={"role": "output"},
            annotations=notes,
        )


def fm_through_limiter(
    count: int,
    sample_rate_hz: float,
    tone_hz: float,
    deviation_hz: float,
    if_bandwidth_hz: float,
    cnr_db: float,
    draw: int,
) -> np.ndarray:
    """An FM carrier of amplitude 1 in noise of a rectangular IF, before the limiter.

    As in fm_post_detection.csv: the noise is band-limited, the carrier itself unfiltered.
    """
    time_s = np.arange(count) / sample_rate_hz
    phase = deviation_hz / tone_hz * np.sin(2.0 * np.pi * tone_hz * time_s) if tone_hz else 0.0
    noise = rectangular_noise(
        count, sample_rate_hz, if_bandwidth_hz, 10.0 ** (-cnr_db / 10.0), draw
    )
    return np.exp(1j * (phase + np.zeros(count))) + noise


def limiter_discriminator(iq: np.ndarray, sample_rate_hz: float) -> np.ndarray:
    """Frequency in Hz of each step between samples: this folder's own, for its own checks."""
    return np.angle(iq[1:] * np.conj(iq[:-1])) * sample_rate_hz / (2.0 * np.pi)


def third_order_low(
    audio: np.ndarray, rate_hz: float, cutoff_hz: float, tone_hz: float
) -> np.ndarray:
    """Audio behind 1 / ((1 + s)(1 + s + s^2)), s = j f / cutoff, its delay of a tone taken off.

    That is Butterworth's response of third order; the delay is minus the slope of its phase.
    """

    def response(f: np.ndarray) -> np.ndarray:
        s = 1j * f / cutoff_hz
        return 1.0 / ((1.0 + s) * (1.0 + s + s * s))

    near = np.angle(response(np.array([tone_hz - 1.0, tone_hz + 1.0])))
    delay_s = -(near[1] - near[0]) / (2.0 * 2.0 * np.pi)
    f = np.fft.rfftfreq(len(audio), 1.0 / rate_hz)
    turned = np.fft.rfft(audio) * response(f) * np.exp(2j * np.pi * f * delay_s)
    return np.fft.irfft(turned, len(audio))


@dataclass(frozen=True, kw_only=True)
class Keyings:
    """Key-ups of a repeater in true time: input on and off, attack, hang, rise.

    Instants are at half power. While the input is on the output repeats its tone; from the
    input's end (plus the audio delay) it sends noise for ``burst_s``, or to the output's end.
    Where ``squelch_s`` is given the audio gate opens so long after the input comes on, ``behind_s``
    of the audio's delay lying behind it; an input that comes back within the hang finds the output
    keyed. Each hang is ``hang_s`` and a normal of ``hang_jitter_s``.
    ``rise_s`` is the output's, and the input's where ``input_rise_s`` does not say otherwise;
    ``audio_cutoff_hz`` is that of the unit's audio filter, whose delay of the tone is part of the
    audio delay.
    """

    input_s: tuple[tuple[float, float], ...]
    attack_s: float
    hang_s: float
    rise_s: float = 0.0005
    input_rise_s: float | None = None
    audio_delay_s: float = 0.0
    burst_s: float | None = None
    squelch_s: float | None = None
    behind_s: float = 0.0
    hang_jitter_s: float = 0.0
    audio_cutoff_hz: float | None = None
    tone_hz: float = 1000.0
    deviation_hz: float = 1500.0
    duration_s: float
    draw: int = 0

    @property
    def output_s(self) -> tuple[tuple[float, float], ...]:
        hangs_s = self.hang_s + self.hang_jitter_s * np.random.default_rng(
            [self.draw, 83]
        ).standard_normal(len(self.input_s))
        spans: list[tuple[float, float]] = []
        for (on, off), hang_s in zip(self.input_s, hangs_s, strict=True):
            if spans and on < spans[-1][1]:
                spans[-1] = (spans[-1][0], off + float(hang_s))
            else:
                spans.append((on + self.attack_s, off + float(hang_s)))
        return tuple(spans)

    def write(
        self,
        folder: Path,
        *,
        sample_rate_hz: float = 50e3,
        datatype: str = "cu8",
        input_skew_s: float = 0.0,
        input_ppm: float = 0.0,
        output_ppm: float = 0.0,
        declared: Mapping[str, Mapping[str, float]] | None = None,
        noise_dbfs_hz: float = -90.0,
    ) -> dict[str, Path]:
        """Write input and output; the input's recording starts ``input_skew_s`` late."""
        declared = declared or {}
        count = round(self.duration_s * sample_rate_hz)
        tone = Sine(frequency_hz=self.tone_hz, deviation_hz=self.deviation_hz)
        shifted = tuple((on - input_skew_s, off - input_skew_s) for on, off in self.input_s)
        incoming = Dongle(
            sample_rate_hz=sample_rate_hz,
            centre_hz=158.425e6,
            clock_error_ppm=input_ppm,
            noise_dbfs_hz=noise_dbfs_hz,
            draw=3 * self.draw + 21,
            carriers=(
                Carrier(
                    frequency_hz=158.425e6,
                    sines=(tone,),
                    keyed_s=shifted,
                    rise_s=self.rise_s if self.input_rise_s is None else self.input_rise_s,
                ),
            ),
        )
        paths = {}
        paths["input"] = write_pair(
            folder / "take-input",
            incoming.chunks(count),
            datatype,
            sample_rate_hz,
            incoming.centre_hz,
            fields={"role": "input", **declared.get("input", {})},
        )
        paths["output"] = write_pair(
            folder / "take-output",
            [self._output(count, sample_rate_hz, output_ppm, noise_dbfs_hz)],
            datatype,
            sample_rate_hz,
            153.825e6,
            fields={"role": "output", **declared.get("output", {})},
        )
        return paths

    def _output(
        self, count: int, sample_rate_hz: float, ppm: float, noise_dbfs_hz: float
    ) -> np.ndarray:
        dongle = Dongle(
            sample_rate_hz=sample_rate_hz,
            clock_error_ppm=ppm,
            noise_dbfs_hz=noise_dbfs_hz,
            draw=3 * self.draw + 22,
            carriers=(Carrier(frequency_hz=153.825e6, keyed_s=self.output_s, rise_s=self.rise_s),),
        )
        time_s = np.arange(count) / dongle.true_rate_hz
        sent_hz = np.zeros(count)
        noise_hz, _ = band_noise(
            count, dongle.true_rate_hz, 300.0, 3000.0, 1200.0, 3 * self.draw + 23
        )
        for on_s, off_s in self.input_s:
            opens_s = on_s + self.audio_delay_s
            if self.squelch_s is not None:
                opens_s = on_s + self.squelch_s + self.behind_s
            heard = (time_s >= opens_s) & (time_s < off_s + self.audio_delay_s)
            stops_s = min(end_s for _, end_s in self.output_s if end_s > off_s - 1e-6) + 0.01
            if self.burst_s is not None:
                stops_s = off_s + self.audio_delay_s + self.burst_s
            tail = (time_s >= off_s + self.audio_delay_s) & (time_s < stops_s)
            angle = 2.0 * np.pi * self.tone_hz * (time_s - self.audio_delay_s)
            sent_hz += np.where(heard, self.deviation_hz * np.cos(angle), 0.0)
            sent_hz += np.where(tail, noise_hz, 0.0)
        if self.audio_cutoff_hz is not None:
            sent_hz = third_order_low(
                sent_hz, dongle.true_rate_hz, self.audio_cutoff_hz, self.tone_hz
            )
        turns = np.cumsum(sent_hz) / dongle.true_rate_hz
        clean = Dongle(
            sample_rate_hz=sample_rate_hz, clock_error_ppm=ppm, carriers=dongle.carriers
        ).samples(count)
        noise = replace(dongle, carriers=(), clock_error_ppm=0.0).samples(count)
        return clean * np.exp(2j * np.pi * turns) + noise


@dataclass(frozen=True, kw_only=True)
class SquelchStaircases:
    """Rising and falling staircases; each sweep has thresholds of its own from a normal."""

    opening_dbm: float
    closing_dbm: float
    spread_db: float
    levels_dbm: tuple[float, ...]
    sweeps: int
    dwell_s: float = 0.4
    attack_s: float = 0.03
    hang_s: float = 0.15
    knob: str = "3:00"
    sample_rate_hz: float = 25e3
    draw: int = 5

    def sequence(self) -> list[tuple[float | None, bool]]:
        """Give each step's level and whether the output stays keyed once settled in it."""
        rng = np.random.default_rng([self.draw, 79])
        steps: list[tuple[float | None, bool]] = []
        for _ in range(self.sweeps):
            opens = self.opening_dbm + self.spread_db * rng.standard_normal()
            # At another moment: one that happens to lie above the opening is no contradiction.
            closes = self.closing_dbm + self.spread_db * rng.standard_normal()
            keyed = False
            steps.append((None, False))
            for level in self.levels_dbm:
                keyed = keyed or level >= opens
                steps.append((level, keyed))
            for level in reversed(self.levels_dbm[:-1]):
                keyed = keyed and level >= closes
                steps.append((level, keyed))
        steps.append((None, False))
        return steps

    def write(self, base: Path, datatype: str = "cu8") -> Path:
        """Write the output recording with its steps annotated."""
        steps = self.sequence()
        keyed_s: list[tuple[float, float]] = []
        on_s: float | None = None
        for number, (_, keyed) in enumerate(steps):
            start_s = number * self.dwell_s
            if keyed and on_s is None:
                on_s = start_s + self.attack_s
            if not keyed and on_s is not None:
                keyed_s.append((on_s, start_s + self.hang_s))
                on_s = None
        output = Dongle(
            sample_rate_hz=self.sample_rate_hz,
            noise_dbfs_hz=-90.0,
            draw=self.draw,
            carriers=(Carrier(frequency_hz=153.825e6, keyed_s=tuple(keyed_s), rise_s=0.001),),
        )
        notes = [
            step(n * self.dwell_s, self.dwell_s, self.sample_rate_hz, level, knob=self.knob)
            for n, (level, _) in enumerate(steps)
        ]
        return write_pair(
            base,
            output.chunks(round(len(steps) * self.dwell_s * self.sample_rate_hz)),
            datatype,
            self.sample_rate_hz,
            output.centre_hz,
            fields={"role": "output"},
            annotations=notes,
        )


@dataclass(frozen=True, kw_only=True)
class FalseKeyings:
    """A signal for a second, then none while key-ups come by chance: a Poisson process."""

    rate_per_h: float
    watched_s: float
    keyed_s: float = 0.06
    sample_rate_hz: float = 25e3
    draw: int = 5

    def keyings_s(self) -> tuple[tuple[float, float], ...]:
        """Give when the output is keyed: for the signal and its hang, then by chance."""
        rng = np.random.default_rng([self.draw, 80])
        keyed = [(0.03, 1.05)]
        at_s = keyed[0][1] + rng.exponential(3600.0 / self.rate_per_h)
        while at_s < 1.0 + self.watched_s:
            # One that would begin while another lasts is none.
            if at_s > keyed[-1][1]:
                keyed.append((at_s, at_s + self.keyed_s))
            at_s += rng.exponential(3600.0 / self.rate_per_h)
        return tuple(keyed)

    def write(self, base: Path, datatype: str = "cu8") -> Path:
        """Write the output recording with its two steps annotated."""
        output = Dongle(
            sample_rate_hz=self.sample_rate_hz,
            noise_dbfs_hz=-90.0,
            draw=self.draw,
            carriers=(Carrier(frequency_hz=153.825e6, keyed_s=self.keyings_s(), rise_s=0.001),),
        )
        notes = [
            step(0.0, 1.0, self.sample_rate_hz, -100.0),
            step(1.0, self.watched_s, self.sample_rate_hz, None),
        ]
        return write_pair(
            base,
            output.chunks(round((1.0 + self.watched_s) * self.sample_rate_hz)),
            datatype,
            self.sample_rate_hz,
            output.centre_hz,
            fields={"role": "output"},
            annotations=notes,
        )
