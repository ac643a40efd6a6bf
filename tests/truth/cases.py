"""One realisation of each audio reading with its truth: for tests of coverage, by number.

``make(draw)`` gives a carrier's or a channel's samples and the truth under the case's conditions.
Each is of a few seconds and at a place that is not easy: noise, clicks or a short record.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from tests.truth.audio import (
    Line,
    Stretch,
    density_for_sinad,
    multitone,
    rising_6_db,
    steady,
    stepped_tones,
)
from tests.truth.repeater import fm_through_limiter, limiter_discriminator

RATE_HZ = 25e3
SPEECH_HZ = (300.0, 3000.0)


@dataclass(frozen=True, kw_only=True)
class Case:
    """A reading, how often its truth can be drawn anew, and under which conditions it holds.

    ``make`` gives the audio of one recording, or of input and output; the truth is in the
    reading's unit. ``kind`` is the measurement that gives the reading.
    """

    name: str
    reading: str
    make: Callable[[int], tuple[tuple[Stretch, ...], float]]
    conditions: Mapping[str, float | str] = field(default_factory=dict)
    kind: str = "audio"


def sinad_at(sinad_db: float, seconds: float, *, rising: bool = False) -> Callable:
    """Flat SINAD of a tone in flat noise, or in a discriminator's."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        density = density_for_sinad(1500.0, sinad_db, SPEECH_HZ)
        if rising:
            density *= 2700.0 / ((3.0**3 - 0.3**3) / 3.0 * 1000.0)
        tone = Line(frequency_hz=1000.0, amplitude=1500.0, phase_rad=0.7 * draw)
        made = steady([tone], RATE_HZ, seconds, density=density, rising=rising, draw=1000 + draw)
        return (made,), sinad_db

    return make


def psophometric_at(flat_db: float) -> Callable:
    """Flat noise from 300 to 3000 Hz, of a known flat SINAD, by the psophometer.

    The tone at 1 kHz weighs +1.0 dB (ITU-T O.41 table 1, read second-hand), the noise loses
    2.124 dB (worked example 4.3).
    """
    make_flat = sinad_at(flat_db, 2.0)

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        ratio = (10.0 ** (flat_db / 10.0) - 1.0) * 10.0**0.3124
        return make_flat(draw)[0], float(10.0 * np.log10(1.0 + ratio))

    return make


@cache
def long_run_sinad_db(cnr_db: float) -> float:
    """SINAD of a carrier in noise, clicks and all: 60 s through this folder's discriminator."""
    iq = fm_through_limiter(1_500_000, RATE_HZ, 1000.0, 1500.0, 11e3, cnr_db, 99)
    audio = limiter_discriminator(iq, RATE_HZ)[:1_499_975]
    frequency_hz = np.fft.rfftfreq(len(audio), 1.0 / RATE_HZ)
    density = np.abs(np.fft.rfft(audio) / np.sinc(frequency_hz / RATE_HZ)) ** 2
    tone = np.abs(frequency_hz - 1000.0) < 0.5
    band = (frequency_hz >= 300.0) & (frequency_hz <= 3000.0)
    return float(10.0 * np.log10(density[band].sum() / density[band & ~tone].sum()))


def clicks_at(cnr_db: float) -> Callable:
    """A carrier in the noise of an 11 kHz IF, below the FM threshold; 4 s."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        iq = fm_through_limiter(100_000, RATE_HZ, 1000.0, 1500.0, 11e3, cnr_db, 8000 + draw)
        made = Stretch(rate_hz=RATE_HZ, audio=np.abs(iq), phase_rad=np.angle(iq))
        return (made,), long_run_sinad_db(cnr_db)

    return make


def subaudible_at(tone_hz: float) -> Callable:
    """A subaudible tone beside a test tone, in noise of 25 dB SINAD."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        lines = [
            Line(frequency_hz=1000.0, amplitude=1500.0, phase_rad=0.3 * draw),
            Line(frequency_hz=tone_hz, amplitude=350.0, phase_rad=0.7 * draw),
        ]
        density = density_for_sinad(1500.0, 25.0, SPEECH_HZ)
        made = steady(
            lines, RATE_HZ, 2.2, density=density, band_hz=(20.0, 5200.0), draw=9000 + draw
        )
        return (made,), tone_hz

    return make


def distortion_at(percent: float, sinad_db: float) -> Callable:
    """Second and third harmonic in a ratio of 3 to 4, in flat noise to 5 kHz."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        share = percent / 100.0 * 1500.0
        lines = [
            Line(frequency_hz=1000.0, amplitude=1500.0, phase_rad=0.3 * draw),
            Line(frequency_hz=2000.0, amplitude=0.6 * share, phase_rad=0.6 * draw + 1.0),
            Line(frequency_hz=3000.0, amplitude=0.8 * share, phase_rad=0.9 * draw + 2.0),
        ]
        density = density_for_sinad(1500.0, sinad_db, SPEECH_HZ)
        made = steady(
            lines, RATE_HZ, 4.0, density=density, band_hz=(50.0, 5200.0), draw=2000 + draw
        )
        return (made,), percent

    return make


def hum_at(level_db: float) -> Callable:
    """Half of the power in 100 Hz and 250 Hz, half in noise, beside a tone; 2.5 kHz rated."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        power = 10.0 ** (level_db / 10.0) * 1500.0**2 / 2.0
        lines = [
            Line(frequency_hz=1000.0, amplitude=1500.0, phase_rad=0.3 * draw),
            Line(frequency_hz=100.0, amplitude=np.sqrt(0.7 * power), phase_rad=0.5 * draw),
            Line(frequency_hz=250.0, amplitude=np.sqrt(0.3 * power), phase_rad=0.2 * draw),
        ]
        made = steady(
            lines,
            RATE_HZ,
            3.0,
            density=0.5 * power / 2950.0,
            band_hz=(50.0, 3000.0),
            draw=3000 + draw,
        )
        return (made,), level_db

    return make


def stepped_response(draw: int) -> tuple[tuple[Stretch, ...], float]:
    """Pre-emphasised steps in noise: 2500 Hz against 1 kHz, 7.96 dB."""
    tones_hz = np.array([400.0, 1000.0, 1600.0, 2500.0])
    made = stepped_tones(
        tones_hz, 600.0 * rising_6_db(tones_hz), RATE_HZ, 1.0, density=0.6, draw=4000 + draw
    )
    return (made,), 20.0 * np.log10(2.5)


def multitone_response(draw: int) -> tuple[tuple[Stretch, ...], float]:
    """Six tones together in noise: 2303 Hz against 1 kHz."""
    tones_hz = (407.0, 701.0, 1000.0, 1409.0, 1901.0, 2303.0)
    made = multitone(tones_hz, 250.0, rising_6_db, RATE_HZ, 3.0, density=0.5, draw=5000 + draw)
    return (made,), 20.0 * np.log10(2.303)


def gain_of(gain_db: float) -> Callable:
    """A tone in noise, in and out."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        came_in = steady(
            [Line(frequency_hz=1000.0, amplitude=1500.0, phase_rad=0.3 * draw)],
            RATE_HZ,
            3.0,
            density=20.0,
            draw=6000 + draw,
        )
        out = 1500.0 * 10.0 ** (gain_db / 20.0)
        went_out = steady(
            [Line(frequency_hz=1000.0, amplitude=out, phase_rad=0.3 * draw - 1.2)],
            RATE_HZ,
            3.0,
            density=40.0,
            draw=7000 + draw,
        )
        return (came_in, went_out), gain_db

    return make


CASES = (
    Case(
        name="SINAD 6 dB, 2 s",
        reading="sinad",
        make=sinad_at(6.0, 2.0),
        conditions={"weighting": "flat"},
    ),
    Case(
        name="SINAD 12 dB, discriminator noise",
        reading="sinad",
        make=sinad_at(12.0, 2.0, rising=True),
        conditions={"weighting": "flat"},
    ),
    Case(
        name="SINAD 30 dB, 0.6 s",
        reading="sinad",
        make=sinad_at(30.0, 0.6),
        conditions={"weighting": "flat"},
    ),
    Case(
        name="SINAD psophometric, 12 dB flat",
        reading="sinad",
        make=psophometric_at(12.0),
        conditions={"weighting": "psophometric"},
    ),
    Case(
        name="SINAD where clicks rule, 6 dB carrier to noise",
        reading="sinad",
        make=clicks_at(6.0),
        conditions={"weighting": "flat"},
    ),
    Case(name="distortion 3 % at 25 dB", reading="audio_distortion", make=distortion_at(3.0, 25.0)),
    Case(
        name="distortion 0.3 % at 25 dB", reading="audio_distortion", make=distortion_at(0.3, 25.0)
    ),
    Case(
        name="distortion 10 % at 30 dB", reading="audio_distortion", make=distortion_at(10.0, 30.0)
    ),
    Case(name="hum and noise -34 dB", reading="hum_and_noise", make=hum_at(-34.0)),
    Case(name="hum and noise -25 dB", reading="hum_and_noise", make=hum_at(-25.0)),
    Case(name="hum and noise -45 dB", reading="hum_and_noise", make=hum_at(-45.0)),
    Case(
        name="response, stepped",
        reading="audio_response",
        make=stepped_response,
        conditions={"tone_hz": 2500.0, "reference": "1 kHz"},
    ),
    Case(
        name="response, multitone",
        reading="audio_response",
        make=multitone_response,
        conditions={"tone_hz": 2303.0, "reference": "1 kHz"},
    ),
    Case(name="repeat gain -2.5 dB", reading="repeat_gain", make=gain_of(-2.5)),
    Case(name="repeat gain 0 dB", reading="repeat_gain", make=gain_of(0.0)),
    Case(name="repeat gain +3 dB", reading="repeat_gain", make=gain_of(3.0)),
    *(
        Case(
            name=f"subaudible tone {tone_hz} Hz",
            reading="subaudible_tone",
            make=subaudible_at(tone_hz),
            kind="carrier",
        )
        for tone_hz in (67.0, 203.5)
    ),
    Case(
        name="subaudible tone 103.5 Hz",
        reading="subaudible_tone",
        make=subaudible_at(103.5),
        kind="carrier",
    ),
)
