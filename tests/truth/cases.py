"""One realisation of each audio reading with its truth: for tests of coverage, by number.

``make(draw)`` gives a carrier's or a channel's samples and the truth under the case's conditions.
Each is of a few seconds and at a place that is not easy: noise, clicks or a short record.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache

import numpy as np

from tests.truth.audio import (
    Line,
    Stretch,
    density_for_sinad,
    multitone,
    one_pole_low,
    rising_6_db,
    steady,
    stepped_tones,
    swept_tone,
)
from tests.truth.limiter import Limiter, driven_tones
from tests.truth.repeater import fm_through_limiter, limiter_discriminator

RATE_HZ = 25e3
SPEECH_HZ = (300.0, 3000.0)
TONE_WITHIN = 5e-4
"""Tones are drawn evenly within this share of what is named: they fit no window but by chance."""


def chance(draw: int, number: int, size: int) -> np.ndarray:
    """Numbers from 0 to 1 of a draw: phases, and where a tone stands between two lines."""
    return np.random.default_rng([draw, number]).random(size)


def lines_of(shares: Mapping[float, float], draw: int) -> list[Line]:
    """Sines of frequencies and amplitudes, phases drawn; in ratios to the first if whole."""
    named_hz = list(shares)
    scale = 1.0 + TONE_WITHIN * (2.0 * float(chance(draw, 97, 1)[0]) - 1.0)
    phases = 2.0 * np.pi * chance(draw, 98, len(named_hz))
    return [
        Line(
            frequency_hz=f * (scale if abs(f / named_hz[0] % 1.0 - 0.5) > 0.49 else 1.0),
            amplitude=shares[f],
            phase_rad=float(phase),
        )
        for f, phase in zip(named_hz, phases, strict=True)
    ]


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

    def __post_init__(self) -> None:
        """Keep the last draw: its samples and its truth are asked for one after the other."""
        object.__setattr__(self, "make", lru_cache(maxsize=1)(self.make))


def sinad_at(
    sinad_db: float,
    seconds: float,
    *,
    tone_hz: float = 1000.0,
    rising: bool = False,
    low_hz: float | None = None,
) -> Callable:
    """Flat SINAD of a tone in flat noise, or in a discriminator's; a subaudible tone beside it."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        density = density_for_sinad(1500.0, sinad_db, SPEECH_HZ)
        if rising:
            density *= 2700.0 / ((3.0**3 - 0.3**3) / 3.0 * 1000.0)
        beside = {} if low_hz is None else {low_hz: 350.0}
        lines = lines_of({tone_hz: 1500.0, **beside}, draw)
        made = steady(lines, RATE_HZ, seconds, density=density, rising=rising, draw=1000 + draw)
        return (made,), sinad_db

    return make


PSOPHOMETER_LOSES_DB = 3.124
"""Worked example 4.3: 2.124 dB of the noise; and 1.0 dB that the tone at 1 kHz gains (ITU-T O.41
table 1, read second-hand)."""
C_MESSAGE_LOSES_DB = 1.638
"""Worked example 4.3; at 1 kHz the curve is at 0 dB."""


def weighted_at(flat_db: float, lost_db: float, seconds: float = 2.0) -> Callable:
    """Flat noise from 300 to 3000 Hz, of a known flat SINAD, through a weighting.

    ``lost_db`` is how much more the weighting takes from the noise than from the tone at 1 kHz.
    """
    make_flat = sinad_at(flat_db, seconds)

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        ratio = (10.0 ** (flat_db / 10.0) - 1.0) * 10.0 ** (lost_db / 10.0)
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


def clicks_at(cnr_db: float, seconds: float = 4.0) -> Callable:
    """A carrier in the noise of an 11 kHz IF, near or below the FM threshold."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        count = round(seconds * RATE_HZ)
        iq = fm_through_limiter(count, RATE_HZ, 1000.0, 1500.0, 11e3, cnr_db, 8000 + draw)
        made = Stretch(rate_hz=RATE_HZ, audio=np.abs(iq), phase_rad=np.angle(iq))
        return (made,), long_run_sinad_db(cnr_db)

    return make


def subaudible_at(
    tone_hz: float,
    *,
    sinad_db: float = 25.0,
    seconds: float = 2.2,
    test_hz: float | None = 1000.0,
    deviation_hz: float = 350.0,
) -> Callable:
    """A subaudible tone, beside a test tone or alone, in noise that gives such a SINAD."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        lines = lines_of({tone_hz: deviation_hz}, draw)
        if test_hz is not None:
            lines += lines_of({test_hz: 1500.0}, 10_000 + draw)
        density = density_for_sinad(1500.0, sinad_db, SPEECH_HZ)
        made = steady(
            lines, RATE_HZ, seconds, density=density, band_hz=(20.0, 5200.0), draw=9000 + draw
        )
        return (made,), lines[0].frequency_hz

    return make


def distortion_at(
    percent: float, sinad_db: float, *, tone_hz: float = 1000.0, seconds: float = 4.0
) -> Callable:
    """Second and third harmonic in a ratio of 3 to 4, in flat noise to 5 kHz."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        share = percent / 100.0 * 1500.0
        lines = lines_of(
            {tone_hz: 1500.0, 2.0 * tone_hz: 0.6 * share, 3.0 * tone_hz: 0.8 * share}, draw
        )
        density = density_for_sinad(1500.0, sinad_db, SPEECH_HZ)
        made = steady(
            lines, RATE_HZ, seconds, density=density, band_hz=(50.0, 5200.0), draw=2000 + draw
        )
        return (made,), percent

    return make


def hum_at(
    level_db: float, *, hum_hz: tuple[float, float] = (100.0, 250.0), seconds: float = 3.0
) -> Callable:
    """Half of the power in two lines, half in noise, beside a tone; 2.5 kHz rated."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        power = 10.0 ** (level_db / 10.0) * 1500.0**2 / 2.0
        lines = lines_of({1000.0: 1500.0}, draw)
        lines += lines_of(
            {hum_hz[0]: np.sqrt(0.7 * power), hum_hz[1]: np.sqrt(0.3 * power)}, 10_000 + draw
        )
        made = steady(
            lines,
            RATE_HZ,
            seconds,
            density=0.5 * power / 2950.0,
            band_hz=(50.0, 3000.0),
            draw=3000 + draw,
        )
        return (made,), level_db

    return make


def stepped_response(
    tones_hz: tuple[float, ...] = (400.0, 1000.0, 1600.0, 2500.0),
    *,
    dwell_s: float = 1.0,
    density: float = 0.6,
) -> Callable:
    """Pre-emphasised steps in noise: the last against 1 kHz."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        chosen_hz = np.array(tones_hz)
        made = stepped_tones(
            chosen_hz,
            600.0 * rising_6_db(chosen_hz),
            RATE_HZ,
            dwell_s * (1.0 + 0.02 * float(chance(draw, 97, 1)[0])),
            density=density,
            draw=4000 + draw,
        )
        return (made,), 20.0 * np.log10(tones_hz[-1] / 1000.0)

    return make


def multitone_response(density: float, seconds: float = 3.0) -> Callable:
    """Six tones together in noise: 2303 Hz against 1 kHz."""
    tones_hz = (407.0, 701.0, 1000.0, 1409.0, 1901.0, 2303.0)

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        made = multitone(
            tones_hz, 250.0, rising_6_db, RATE_HZ, seconds, density=density, draw=5000 + draw
        )
        return (made,), 20.0 * np.log10(2.303)

    return make


def swept_response(density: float, seconds: float) -> Callable:
    """A logarithmic sweep behind a pole at 1500 Hz: 2 kHz against 1 kHz."""
    gain = one_pole_low(1500.0)

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        begin_hz = 300.0 * (1.0 + 0.03 * float(chance(draw, 97, 1)[0]))
        made = swept_tone(
            begin_hz, 3000.0, 1500.0, gain, RATE_HZ, seconds, density=density, draw=5500 + draw
        )
        return (made,), float(20.0 * np.log10(gain(np.array(2000.0)) / gain(np.array(1000.0))))

    return make


def gain_of(
    gain_db: float,
    *,
    tone_hz: float = 1000.0,
    seconds: float = 3.0,
    densities: tuple[float, float] = (20.0, 40.0),
) -> Callable:
    """A tone in noise, in and out."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        stretches = []
        for number, (db, density) in enumerate(zip((0.0, gain_db), densities, strict=True)):
            (line,) = lines_of({tone_hz: 1500.0 * 10.0 ** (db / 20.0)}, draw)
            turned = 2.0 * np.pi * float(chance(draw, 99 + number, 1)[0])
            stretches.append(
                steady(
                    [replace(line, phase_rad=turned)],
                    RATE_HZ,
                    seconds,
                    density=density,
                    draw=6000 + 1000 * number + draw,
                )
            )
        return tuple(stretches), gain_db

    return make


DRIVE_HZ = (600.0, 1200.0, 2000.0, 3000.0, 4000.0)


def limited_at(
    limiter: Limiter, *, tone_hz: float = 1000.0, dwell_s: float = 1.5, density: float = 0.5
) -> Callable:
    """A tone driven harder and harder, in and out; the output late by what is drawn."""

    def make(draw: int) -> tuple[tuple[Stretch, ...], float]:
        drawn_hz = tone_hz * (1.0 + TONE_WITHIN * (2.0 * float(chance(draw, 101, 1)[0]) - 1.0))
        late_s = 0.05 * float(chance(draw, 102, 1)[0])
        came_in = driven_tones(
            DRIVE_HZ, drawn_hz, RATE_HZ, dwell_s, density=0.5, draw=10_000 + draw
        )
        went_out = driven_tones(
            DRIVE_HZ,
            drawn_hz,
            RATE_HZ,
            dwell_s,
            limiter=limiter,
            late_s=late_s,
            density=density,
            draw=11_000 + draw,
        )
        return (came_in, went_out), limiter.peak_hz(DRIVE_HZ[-1], drawn_hz)

    return make


def _limiting(name: str, make: Callable) -> Case:
    return Case(name=name, reading="deviation_limiting", make=make, kind="carrier")


def _sinad(name: str, make: Callable, weighting: str = "flat") -> Case:
    return Case(name=name, reading="sinad", make=make, conditions={"weighting": weighting})


def _response(name: str, make: Callable, tone_hz: float) -> Case:
    held = {"tone_hz": tone_hz, "reference": "1 kHz"}
    return Case(name=name, reading="audio_response", make=make, conditions=held)


def _subaudible(name: str, make: Callable) -> Case:
    return Case(name=name, reading="subaudible_tone", make=make, kind="carrier")


CASES = (
    _sinad("SINAD 3 dB, 3 s", sinad_at(3.0, 3.0)),
    _sinad("SINAD 6 dB, 2 s", sinad_at(6.0, 2.0)),
    _sinad("SINAD 8 dB beside a subaudible tone", sinad_at(8.0, 2.0, low_hz=103.5)),
    _sinad("SINAD 12 dB, discriminator noise", sinad_at(12.0, 2.0, rising=True)),
    _sinad("SINAD 20 dB, 1013.37 Hz, 0.7 s", sinad_at(20.0, 0.7, tone_hz=1013.37)),
    _sinad("SINAD 30 dB, 0.6 s", sinad_at(30.0, 0.6)),
    _sinad("SINAD 40 dB, discriminator noise", sinad_at(40.0, 2.0, rising=True)),
    *(
        _sinad(
            f"SINAD {weighting}, {flat_db:g} dB flat",
            weighted_at(flat_db, lost_db, seconds),
            weighting,
        )
        for weighting, lost_db in (
            ("psophometric", PSOPHOMETER_LOSES_DB),
            ("c-message", C_MESSAGE_LOSES_DB),
        )
        for flat_db, seconds in ((3.0, 3.0), (6.0, 2.0), (12.0, 2.0), (20.0, 0.7), (40.0, 2.0))
    ),
    *(
        _sinad(f"SINAD where clicks rule, {cnr_db:g} dB carrier to noise", clicks_at(cnr_db))
        for cnr_db in (4.0, 6.0, 8.0)
    ),
    Case(name="distortion 3 % at 25 dB", reading="audio_distortion", make=distortion_at(3.0, 25.0)),
    Case(
        name="distortion 0.3 % at 25 dB", reading="audio_distortion", make=distortion_at(0.3, 25.0)
    ),
    Case(
        name="distortion 10 % at 30 dB", reading="audio_distortion", make=distortion_at(10.0, 30.0)
    ),
    Case(name="distortion 3 % at 12 dB", reading="audio_distortion", make=distortion_at(3.0, 12.0)),
    Case(
        name="distortion 2 %, 613.37 Hz, 0.7 s",
        reading="audio_distortion",
        make=distortion_at(2.0, 30.0, tone_hz=613.37, seconds=0.7),
    ),
    Case(name="hum and noise -34 dB", reading="hum_and_noise", make=hum_at(-34.0)),
    Case(name="hum and noise -25 dB", reading="hum_and_noise", make=hum_at(-25.0)),
    Case(name="hum and noise -45 dB", reading="hum_and_noise", make=hum_at(-45.0)),
    Case(
        name="hum and noise -55 dB, 60 Hz",
        reading="hum_and_noise",
        make=hum_at(-55.0, hum_hz=(60.0, 180.0)),
    ),
    Case(
        name="hum and noise -40 dB, 0.7 s",
        reading="hum_and_noise",
        make=hum_at(-40.0, seconds=0.7),
    ),
    _response("response, stepped", stepped_response(), 2500.0),
    _response(
        "response, steps of 0.3 s that fit no window",
        stepped_response((413.7, 1000.0, 1611.3, 2713.9), dwell_s=0.3, density=2.0),
        2713.9,
    ),
    _response("response, multitone", multitone_response(0.5), 2303.0),
    _response("response, multitone, 1.1 s in much noise", multitone_response(6.0, 1.1), 2303.0),
    _response("response, swept in 6 s", swept_response(0.5, 6.0), 2000.0),
    _response("response, swept in 3 s, in noise", swept_response(10.0, 3.0), 2000.0),
    Case(name="repeat gain -2.5 dB", reading="repeat_gain", make=gain_of(-2.5)),
    Case(name="repeat gain 0 dB", reading="repeat_gain", make=gain_of(0.0)),
    Case(name="repeat gain +3 dB", reading="repeat_gain", make=gain_of(3.0)),
    Case(
        name="repeat gain -1 dB, 2517.3 Hz, 0.7 s",
        reading="repeat_gain",
        make=gain_of(-1.0, tone_hz=2517.3, seconds=0.7),
    ),
    Case(
        name="repeat gain 0 dB, 10 dB SINAD in",
        reading="repeat_gain",
        make=gain_of(0.0, densities=(46.0, 60.0)),
    ),
    *(
        _subaudible(f"subaudible tone {tone_hz} Hz", subaudible_at(tone_hz))
        for tone_hz in (67.0, 203.5, 103.5)
    ),
    _subaudible(
        "subaudible tone 250.3 Hz beside 400 Hz, 0.7 s",
        subaudible_at(250.3, seconds=0.7, test_hz=400.0),
    ),
    _subaudible("subaudible tone 88.5 Hz alone", subaudible_at(88.5, test_hz=None)),
    _subaudible(
        "subaudible tone 151.4 Hz of 150 Hz, 12 dB",
        subaudible_at(151.4, sinad_db=12.0, deviation_hz=150.0),
    ),
    _limiting("limiter at 1.9 kHz", limited_at(Limiter(limit_hz=1900.0))),
    _limiting("limiter at 1.9 kHz, 20 dB SINAD", limited_at(Limiter(limit_hz=1900.0), density=7.0)),
    _limiting(
        "limiter that bends, steps of 0.8 s",
        limited_at(Limiter(limit_hz=2400.0, is_soft=True), dwell_s=0.8),
    ),
    _limiting(
        "limiter, 613.37 Hz with four harmonics",
        limited_at(Limiter(limit_hz=1900.0), tone_hz=613.37),
    ),
    _limiting(
        "limiter, no harmonic passed, 1.51 kHz",
        limited_at(Limiter(limit_hz=1500.0, highest_hz=2000.0), tone_hz=1510.0),
    ),
)
