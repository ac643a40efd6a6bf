"""An FM receiver from its antenna port to its discriminator, and sweeps through it.

Noise of k T0 F at the port, an IF filter of known centre and width with edges of half a cosine,
limiter and discriminator (the angle between neighbouring samples), a low-pass by leaving lines
out. Nothing here is fitted: threshold, clicks and the fall of SINAD beside the channel come out
by themselves. What is exact is said so: the IF is symmetric about ``centre_hz``, so the best
offset and the middle of the acceptance bandwidth are ``centre_hz``; a transmitter that raises the
noise by some dB costs as many dB of sensitivity, because carrier to noise is all that counts.
What has no formula (level of 12 dB SINAD with clicks, of 20 dB quieting) is taken from long runs of
the same physics by one long transform, ``long_run``.

Boltzmann's constant is exact (SI 2019); 290 K as in thermal_noise.csv.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from tests.truth.files import step, write_pair

BOLTZMANN_J_PER_K = 1.380649e-23
IF_RATE_HZ = 50e3
AUDIO_RATE_HZ = 12.5e3
SPEECH_HZ = (300.0, 3000.0)
FULL_SCALE_HZ = 16e3
"""Deviation that the recorder's full scale stands for. Chosen: what an IF can give."""


@dataclass(frozen=True, kw_only=True)
class FmReceiver:
    """A receiver; ``edge_hz`` is the width of each slope of the IF filter, 0 is a rectangle."""

    noise_figure_db: float = 5.0
    centre_hz: float = 0.0
    width_hz: float = 11e3
    edge_hz: float = 2e3
    transmitter_noise_db: float = 0.0
    """By how much the unit's own transmitter raises the noise at the port when it is keyed."""

    def noise_density_mw_per_hz(self, keyed: bool = False) -> float:
        """K T0 F at the port, and what the transmitter adds."""
        risen_db = self.noise_figure_db + (self.transmitter_noise_db if keyed else 0.0)
        return 1e3 * BOLTZMANN_J_PER_K * 290.0 * 10.0 ** (risen_db / 10.0)

    @property
    def noise_bandwidth_hz(self) -> float:
        """Of the filter: the integral of the square of its slopes is 3/8 of their width each."""
        return self.width_hz - self.edge_hz + 2.0 * 0.375 * self.edge_hz

    def response(self, frequency_hz: np.ndarray) -> np.ndarray:
        """Amplitude of the IF filter."""
        beyond = np.abs(frequency_hz - self.centre_hz) - self.width_hz / 2.0
        if self.edge_hz == 0.0:
            return (beyond <= 0.0).astype(float)
        u = np.clip(beyond / self.edge_hz + 0.5, 0.0, 1.0)
        return (1.0 + np.cos(np.pi * u)) / 2.0

    def selected(
        self,
        seconds: float,
        level_dbm: float | None,
        *,
        offset_hz: float = 0.0,
        tone_hz: float = 1000.0,
        deviation_hz: float = 1500.0,
        keyed: bool = False,
        draw: int,
    ) -> np.ndarray:
        """What comes out of the IF filter, root of mW, at ``IF_RATE_HZ``.

        ``seconds`` times tone and offset are whole numbers: the filter works on one long turn.
        """
        count = round(seconds * IF_RATE_HZ)
        frequency_hz = np.fft.fftfreq(count, 1.0 / IF_RATE_HZ)
        rng = np.random.default_rng([draw, 79])
        lines = rng.standard_normal(count) + 1j * rng.standard_normal(count)
        lines *= np.sqrt(self.noise_density_mw_per_hz(keyed) * IF_RATE_HZ * count / 2.0)
        if level_dbm is not None:
            turns = seconds * np.array([offset_hz, tone_hz])
            assert np.allclose(turns, np.rint(turns)), turns
            time_s = np.arange(count) / IF_RATE_HZ
            phase = 2.0 * np.pi * offset_hz * time_s
            phase += deviation_hz / tone_hz * np.sin(2.0 * np.pi * tone_hz * time_s)
            lines += np.fft.fft(10.0 ** (level_dbm / 20.0) * np.exp(1j * phase))
        return np.fft.ifft(lines * self.response(frequency_hz))

    def audio_hz(self, seconds: float, level_dbm: float | None, **how: object) -> np.ndarray:
        """Discriminator output in Hz at ``AUDIO_RATE_HZ``: all up to half of that."""
        iq = self.selected(seconds, level_dbm, **how)
        turned = np.angle(np.roll(iq, -1) * np.conj(iq)) * IF_RATE_HZ / (2.0 * np.pi)
        lines = np.fft.rfft(turned)
        kept = round(seconds * AUDIO_RATE_HZ)
        lines = lines[: kept // 2 + 1] / np.sinc(np.arange(kept // 2 + 1) / len(turned))
        lines[-1] = 0.0
        return np.fft.irfft(lines, kept) * kept / len(turned)


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step of a take."""

    level_dbm: float | None
    offset_hz: float | None = None
    transmitter: str | None = None
    modulated: bool = True
    seconds: float = 2.0


@dataclass(frozen=True, kw_only=True)
class ReceiverTake:
    """The receiver's audio over a row of steps."""

    steps: tuple[Step, ...]
    receiver: FmReceiver = field(default_factory=FmReceiver)
    deviation_hz: float = 1500.0
    draw: int = 1
    name: str = "audio"

    def pieces(self) -> list[np.ndarray]:
        """Audio of each step; full scale is 1."""
        return [
            self.receiver.audio_hz(
                s.seconds,
                s.level_dbm,
                offset_hz=s.offset_hz or 0.0,
                deviation_hz=self.deviation_hz if s.modulated else 0.0,
                keyed=s.transmitter == "on",
                draw=1000 * self.draw + number,
            )
            / FULL_SCALE_HZ
            for number, s in enumerate(self.steps)
        ]

    def spans_s(self) -> list[tuple[float, float]]:
        """Begin and end of each step."""
        ends = np.cumsum([s.seconds for s in self.steps])
        return [(float(e - s.seconds), float(e)) for e, s in zip(ends, self.steps, strict=True)]

    def write(self, base: Path, datatype: str = "rf32_le") -> Path:
        """Write the recording with its steps annotated; give its path."""
        notes = [
            step(
                begin_s,
                s.seconds,
                AUDIO_RATE_HZ,
                s.level_dbm,
                offset_hz=s.offset_hz,
                transmitter=s.transmitter,
                label=None if s.modulated or s.level_dbm is None else "no modulation",
            )
            for s, (begin_s, _) in zip(self.steps, self.spans_s(), strict=True)
        ]
        return write_pair(
            base,
            self.pieces(),
            datatype,
            AUDIO_RATE_HZ,
            None,
            fields={"role": "audio"},
            annotations=notes,
        )


def band_power(audio: np.ndarray, *, without_tone: bool) -> float:
    """Mean square from 300 to 3000 Hz by one long transform, with or without the 1 kHz line."""
    lines = np.abs(np.fft.rfft(audio)) ** 2 * 2.0 / len(audio) ** 2
    frequency_hz = np.fft.rfftfreq(len(audio), 1.0 / AUDIO_RATE_HZ)
    inside = (frequency_hz >= SPEECH_HZ[0]) & (frequency_hz <= SPEECH_HZ[1])
    if without_tone:
        inside &= np.abs(frequency_hz - 1000.0) > 0.5 * frequency_hz[1]
    return float(lines[inside].sum())


@lru_cache(maxsize=32)
def long_run(
    receiver: FmReceiver, figure: Callable[..., float], wanted: float, guess_dbm: float
) -> float:
    """Level at which a figure of the receiver passes a value: 4 levels of 96 s, a parabola."""
    levels = guess_dbm + np.array([-1.2, -0.4, 0.4, 1.2])
    values = [figure(receiver, level, 7000 + k) for k, level in enumerate(levels)]
    curve = np.polynomial.Polynomial.fit(levels, values, 2)
    (found,) = (
        root.real
        for root in (curve - wanted).roots()
        if abs(root.imag) < 1e-9 and levels[0] < root.real < levels[-1]
    )
    return float(found)


def sinad_db(
    receiver: FmReceiver,
    level_dbm: float,
    draw: int,
    *,
    deviation_hz: float = 1500.0,
    offset_hz: float = 0.0,
) -> float:
    """(S+N+D)/(N+D) over 96 s."""
    whole = rest = 0.0
    for part in range(8):
        audio = receiver.audio_hz(
            12.0,
            level_dbm,
            offset_hz=offset_hz,
            deviation_hz=deviation_hz,
            draw=100 * draw + part,
        )
        whole += band_power(audio, without_tone=False)
        rest += band_power(audio, without_tone=True)
    return float(10.0 * np.log10(whole / rest))


def acceptance_hz(
    receiver: FmReceiver, level_dbm: float, guess_hz: float, deviation_hz: float = 1500.0
) -> float:
    """Twice the offset at which SINAD is 12 dB at a level: 5 offsets of 96 s, a parabola."""
    offsets = np.rint(guess_hz) + np.array([-100.0, -50.0, 0.0, 50.0, 100.0])
    values = [
        sinad_db(receiver, level_dbm, 8000 + k, deviation_hz=deviation_hz, offset_hz=float(o))
        for k, o in enumerate(offsets)
    ]
    # Offset against SINAD: one answer, where SINAD against offset would have two.
    return 2.0 * float(np.polynomial.Polynomial.fit(values, offsets, 2)(12.0))


def sinad_wide_db(receiver: FmReceiver, level_dbm: float, draw: int) -> float:
    """As ``sinad_db`` at 3000 Hz: standard test modulation of a 25 kHz channel."""
    return sinad_db(receiver, level_dbm, draw, deviation_hz=3000.0)


def quieting_db(receiver: FmReceiver, level_dbm: float, draw: int) -> float:
    """By how much a carrier lowers the noise, over 96 s of each."""
    noise = [0.0, 0.0]
    for part in range(8):
        for which, level in enumerate((None, level_dbm)):
            audio = receiver.audio_hz(12.0, level, deviation_hz=0.0, draw=200 * draw + part)
            noise[which] += band_power(audio, without_tone=False)
    return float(10.0 * np.log10(noise[0] / noise[1]))


def by_step(low: float, high: float, step_by: float) -> tuple[float, ...]:
    """Values from low to high, both included."""
    return tuple(float(v) for v in np.arange(low, high + step_by / 2.0, step_by))


def level_steps(levels_dbm: Iterable[float], **how: object) -> tuple[Step, ...]:
    """Steps of a sweep of level."""
    return tuple(replace(Step(level_dbm=level), **how) for level in levels_dbm)
