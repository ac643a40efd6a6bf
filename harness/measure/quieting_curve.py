"""Quieting: by how much a carrier without modulation lowers the noise, against its level.

The noise from 300 to 3000 Hz of a step without a signal stands at 0 dB; steps labelled ``no
modulation`` stand below it. The level of 20 dB of quieting is where the curve passes 20 dB. The
squelch must be open throughout: a step that is quieter than one at a higher level by more than
noise could make it is a closed squelch, and is left out.

Seen through the unit's transmitter, its limiter and its low-pass compress the open noise: the same
receiver shows less quieting there, and needs a higher level for 20 dB of it. The reading says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.devices import Role
from harness.dsp.demodulate import HALF_TAPS, demodulated_frequency_hz
from harness.dsp.spectrum import band_power, power_density
from harness.measure.crossing import Crossing, crossing
from harness.measure.frames import keyed_frame
from harness.measure.modulation import SPEECH_HIGH_HZ, SPEECH_LOW_HZ
from harness.measure.setup import NO_MODULATION, NO_SIGNAL, Channel, Options, Step
from harness.measure.steps import StepLevels, piece, settled_span_s
from harness.readings import (
    Axis,
    ConditionValue,
    Findings,
    Reading,
    Series,
    measured,
    not_measured,
    sentence,
)
from harness.uncertainty import Contribution
from harness.units import db_from_ratio, uv_from_dbm

FloatArray = NDArray[np.float64]

NAME = "quieting_20db"
WANTED_DB = 20.0
REACH_DB = 6.0
"""Points within this of 20 dB are fitted. Chosen, as for SINAD."""
FRAME_S = 0.1
"""Noise is taken in pieces of this length; their scatter is its uncertainty. Chosen."""
LEAST_FRAMES = 4
CLOSED_DB = 6.0
"""Quieter than at a higher level by this much: not noise, but a closed squelch. Chosen."""
SILENT_DB = 3.0
"""The same of the step without a signal, against every carrier. Chosen."""
LINE_SHARE = 0.3
"""Share of the band's power in one line (three bins) from which a step was modulated. Chosen: a
peak of noise holds a twentieth."""
_DB = 10.0 / math.log(10.0)


@dataclass(slots=True)
class _Noise:
    """Noise of one step: power in the band of each piece, and how much of it one line holds."""

    step: Step
    powers: list[float] = field(default_factory=list)
    line_shares: list[float] = field(default_factory=list)

    @property
    def is_modulated(self) -> bool:
        return float(np.median(self.line_shares)) > LINE_SHARE

    @property
    def mean(self) -> float:
        return float(np.mean(self.powers))

    @property
    def relative(self) -> float:
        """Relative standard uncertainty of the mean: the width of Student's t with few pieces."""
        count = len(self.powers)
        few = math.sqrt((count - 1) / (count - 3))
        return few * float(np.std(self.powers, ddof=1)) / math.sqrt(count) / self.mean


class QuietingCurve:
    """The steps of a take that tell quieting; nothing where it has none labelled so.

    Parameters
    ----------
    channels : of the measurement; an "input" beside ``role`` gives the levels as they really were
    role : whose audio it is
    options : ``de_emphasis`` and ``stimulus_contributions`` are heeded
    """

    def __init__(self, channels: Mapping[Role, Channel], role: Role, options: Options) -> None:
        self._role, self._channel, self._options = role, channels[role], options
        steps = self._channel.steps
        asked = any(s.label == NO_MODULATION and s.level_port_dbm is not None for s in steps)
        wanted = (NO_MODULATION, NO_SIGNAL) if asked else ()
        self._noises = [_Noise(step) for step in steps if step.label in wanted]
        rate_hz = self._channel.sample_rate_hz
        edges_s = [settled_span_s(noise.step) for noise in self._noises]
        self._spans = [(round(a * rate_hz), round(b * rate_hz)) for a, b in edges_s]
        self._margin = 2 * HALF_TAPS if self._channel.signal == "iq" else 0
        hop = max(round(FRAME_S * rate_hz), 1)
        self._frames = [Frames(hop + self._margin, hop) for _ in self._noises]
        source = channels.get("input") if role != "input" else None
        self._levels = StepLevels([noise.step for noise in self._noises], source)

    @property
    def is_asked(self) -> bool:
        """Whether the take has steps for quieting."""
        return bool(self._noises)

    def push(self, role: Role, block: Block) -> None:
        """Take a block of any channel."""
        if role == "input" and role != self._role:
            self._levels.push(block)
        if role != self._role:
            return
        for noise, (first, last), frames in zip(
            self._noises, self._spans, self._frames, strict=True
        ):
            part = piece(block, first, last)
            if part is None:
                continue
            if frames.interrupted_by(part):
                frames.rest()
            for frame in frames.push(part):
                self._measure(frame.samples, noise)

    def _measure(self, samples: NDArray[Any], noise: _Noise) -> None:
        rate_hz = self._channel.sample_rate_hz
        audio = samples
        if self._channel.signal == "iq":
            keyed = keyed_frame(samples, rate_hz)
            if keyed is None or not keyed.holds_carrier:
                return
            audio = demodulated_frequency_hz(samples, rate_hz)
        audio = np.asarray(audio, dtype=np.float64)
        density = power_density(audio - audio.mean(), rate_hz)
        bin_hz = rate_hz / len(audio)
        frequency_hz = np.maximum(np.arange(len(density)) * bin_hz, bin_hz)
        weight = (1000.0 / frequency_hz) ** 2 if self._options.de_emphasis else None
        power = band_power(density, bin_hz, SPEECH_LOW_HZ, SPEECH_HIGH_HZ, weight)
        if not power > 0.0:
            return
        low, high = round(SPEECH_LOW_HZ / bin_hz), round(SPEECH_HIGH_HZ / bin_hz)
        at = low + int(np.argmax(density[low : high + 1]))
        line = float(density[at - 1 : at + 2].sum() / density[low : high + 1].sum())
        noise.powers.append(power)
        noise.line_shares.append(line)

    def findings(self) -> Findings:
        """Give the reading, the curve and what was wrong with the steps."""
        if not self.is_asked:
            return Findings(kind="audio")
        cautions: list[str] = []
        enough = [len(noise.powers) >= LEAST_FRAMES for noise in self._noises]
        if not all(enough):
            cautions.append(
                f"{enough.count(False)} of {len(enough)} steps for quieting are too short, silent"
                " or without the transmitter."
            )
        kept = [number for number, good in enumerate(enough) if good]
        modulated = [number for number in kept if self._noises[number].is_modulated]
        if modulated:
            cautions.append(f"{len(modulated)} steps labelled no modulation hold a tone: left out.")
        kept = [number for number in kept if number not in modulated]
        open_noise = [n for n in kept if self._noises[n].step.level_port_dbm is None]
        carriers = [n for n in kept if self._noises[n].step.level_port_dbm is not None]
        if not open_noise or not carriers:
            missing = "no signal" if not open_noise else "no modulation"
            note = f"no step labelled {missing} could be used"
            return self._findings(not_measured(NAME, note, **self._more), (), cautions)
        zero = float(np.mean([self._noises[n].mean for n in open_noise]))
        of_zero = math.hypot(
            *(self._noises[n].relative * self._noises[n].mean for n in open_noise)
        ) / (zero * len(open_noise))
        level = np.array([self._level_dbm(n) for n in carriers])
        quieting = np.array([db_from_ratio(zero / self._noises[n].mean) for n in carriers])
        sigma = np.array([_DB * self._noises[n].relative for n in carriers])
        if quieting.max() < -SILENT_DB:
            note = "the noise without a signal is weaker than with one: open the squelch"
            return self._findings(not_measured(NAME, note, **self._more), (), cautions)
        order = np.argsort(level, kind="stable")
        level, quieting, sigma = level[order], quieting[order], sigma[order]
        # Least quieting at this level and above.
        least = np.minimum.accumulate(quieting[::-1])[::-1]
        opened = quieting <= least + CLOSED_DB
        if not opened.all():
            cautions.append(
                f"{int((~opened).sum())} steps for quieting are quieter than those at a higher"
                " level: the squelch was closed. Left out."
            )
        level, quieting, sigma = level[opened], quieting[opened], sigma[opened]
        if not self._levels.is_measured:
            cautions.append("The input levels are as the generator was set, not as measured.")
        found = None
        if quieting.min() < WANTED_DB < quieting.max():
            found = crossing(level, quieting, sigma, wanted=WANTED_DB, reach=REACH_DB)
            reading = self._reading(found, _DB * of_zero)
        else:
            reading = self._bound(level, bool(quieting.min() >= WANTED_DB))
        return self._findings(reading, self._series(level, quieting, found), cautions)

    def _level_dbm(self, number: int) -> float:
        level = self._levels.level(number).level_port_dbm
        assert level is not None
        return level

    @property
    def _conditions(self) -> dict[str, ConditionValue]:
        through = self._channel.signal == "iq"
        return {
            "low_hz": SPEECH_LOW_HZ,
            "high_hz": SPEECH_HIGH_HZ,
            "de_emphasis": self._options.de_emphasis,
            "seen_at": "transmitter" if through else "receiver audio",
        }

    @property
    def _more(self) -> dict[str, Any]:
        return {"conditions": self._conditions, "recordings": (self._channel.name,)}

    def _note(self, words: str) -> str:
        if self._channel.signal == "audio":
            return words
        return f"{words}; seen through the transmitter, whose limiter compresses the open noise"

    def _reading(self, found: Crossing | None, zero_db: float) -> Reading:
        if found is None:
            note = "quieting does not rise with level through 20 dB"
            return not_measured(NAME, note, **self._more)
        fit = Contribution(
            name="quieting.fit",
            standard_uncertainty=found.standard_uncertainty,
            kind="A",
            source="least squares of quieting against level",
        )
        zero = Contribution(
            name="quieting.open_noise",
            standard_uncertainty=zero_db,
            sensitivity=-1.0 / found.slope,
            kind="A",
            source="scatter of the noise without a signal",
        )
        return measured(
            NAME,
            found.at,
            [fit, zero, *self._levels.contributions(self._options)],
            count=found.count,
            note=self._note(f"{uv_from_dbm(found.at):.3g} \N{MICRO SIGN}V across 50 ohm"),
            **self._more,
        )

    def _bound(self, level: FloatArray, all_above: bool) -> Reading:
        return measured(
            NAME,
            float(level.min() if all_above else level.max()),
            self._levels.contributions(self._options),
            count=len(level),
            bound="upper" if all_above else "lower",
            note=self._note(
                "more than 20 dB at every level measured; go lower"
                if all_above
                else "less than 20 dB at every level measured; go higher"
            ),
            **self._more,
        )

    def _series(
        self, level: FloatArray, quieting: FloatArray, found: Crossing | None
    ) -> tuple[Series, ...]:
        curves = [("quieting_against_level", level, quieting)]
        if found is not None:
            curves.append(("quieting_fit", found.x, found.y))
        return tuple(
            Series(
                name=name,
                unit="dB",
                axes=(Axis(name="input_level_port", unit="dBm", values=x),),
                values=y,
                conditions=self._conditions,
            )
            for name, x, y in curves
        )

    def _findings(
        self, reading: Reading, series: tuple[Series, ...], cautions: Sequence[str]
    ) -> Findings:
        words = [] if reading.value is not None else [sentence(reading.note)]
        return Findings(
            kind="audio", readings=(reading,), series=series, cautions=(*cautions, *words)
        )
