"""Receiver readings of a stepped take: sensitivity by transmitter state, desensitisation, centre.

**Acceptance bandwidth.** At 6 dB above the sensitivity the generator is moved off the channel on
both sides until SINAD is back at 12 dB: the two offsets are its edges, their distance the
bandwidth, their middle the receiver's centre. The trade's method, in TIA-603 usage, from memory:
the clause was not read. Where there are sweeps of level at several offsets, the middle between
the offsets of 3 dB less sensitivity checks it, or stands in for it.

Steps with another offset than 0 give points of these curves, not readings of their own: a limit on
SINAD or sensitivity is about the channel.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.devices import Role, TransmitterState
from harness.measure.centre import Centre, Edges, acceptance, middle_by_sensitivity
from harness.measure.desensitisation import desensitisation_of
from harness.measure.sensitivity import Sensitivity, SinadPoint, sensitivity
from harness.measure.setup import NO_MODULATION, Channel, Step
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
from harness.uncertainty import Contribution, combine

FloatArray = NDArray[np.float64]

CENTRE = "receiver_centre"
BANDWIDTH = "acceptance_bandwidth"
ABOVE_SENSITIVITY_DB = 6.0
"""Level of the offset sweep above the sensitivity: TIA-603 usage, memory."""
LEVEL_SLACK_DB = 1.0
"""How far from that the level may lie before a caution says so. Chosen."""
LEAST_OFFSETS = 3
SILENT_RATIO = 0.01
"""Audio power of a step, to that of the loudest, below which the squelch was closed. Chosen: noise
and tone of an open receiver lie within 10 dB of each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stepped:
    """A step with its SINAD at its input level."""

    step: Step
    point: SinadPoint

    @property
    def offset_hz(self) -> float:
        """Generator off the nominal frequency; 0 where nothing is said."""
        return self.step.offset_hz or 0.0


def audio_role(channels: Mapping[Role, Channel]) -> Role:
    """Choose whose audio is measured: the output's, or the receiver's where that is stepped.

    With the transmitter off there is nothing at the output; then it only shows whether the unit
    was keyed.
    """
    stepped = "audio" in channels and any(s.transmitter for s in channels["audio"].steps)
    preferred: tuple[Role, ...] = ("audio",) if stepped else ()
    preferred += ("output", "audio", "input")
    return next(role for role in preferred if role in channels)


def sinad_steps(steps: Iterable[Step]) -> tuple[Step, ...]:
    """Give the steps of a sweep: those with a level and a modulation."""
    return tuple(s for s in steps if s.level_port_dbm is not None and s.label != NO_MODULATION)


def is_receiver_take(steps: Iterable[Step]) -> bool:
    """Whether steps differ in offset or transmitter state, or say one of them."""
    return any(step.offset_hz is not None or step.transmitter is not None for step in steps)


def is_heard(powers: Sequence[float]) -> list[bool]:
    """Tell which steps have audio at all: the others are a closed squelch.

    Parameters
    ----------
    powers : tone, noise and all, of each step's audio; 0 where there is none
    """
    loudest = max(powers, default=0.0)
    return [power > SILENT_RATIO * loudest for power in powers]


def step_conditions(step: Step) -> dict[str, ConditionValue]:
    """Conditions that a step adds to a reading."""
    return {} if step.transmitter is None else {"transmitter": step.transmitter}


def receiver_findings(
    stepped: Sequence[Stepped],
    level_contributions: Sequence[Contribution],
    *,
    conditions: Mapping[str, ConditionValue],
    recordings: tuple[str, ...],
) -> Findings:
    """Give what sweeps at several offsets and transmitter states say of the receiver.

    Parameters
    ----------
    stepped : steps that have a SINAD
    level_contributions : uncertainty that all levels share, in dB
    """
    readings: list[Reading] = []
    series: list[Series] = []
    cautions: list[str] = []
    found: dict[TransmitterState | None, Reading] = {}
    states = sorted({item.step.transmitter for item in stepped}, key=str)
    for state in states:
        mine = [item for item in stepped if item.step.transmitter == state]
        sweeps = _Sweeps(mine, state, level_contributions, conditions, recordings)
        readings += sweeps.readings()
        series += sweeps.series
        cautions += sweeps.cautions
        if sweeps.nominal is not None:
            found[state] = sweeps.nominal.reading
    if "on" in found or "off" in found:
        readings.append(desensitisation_of(found.get("on"), found.get("off"), recordings))
    cautions += [sentence(r.note) for r in readings if r.value is None]
    return Findings(
        kind="audio", readings=tuple(readings), series=tuple(series), cautions=tuple(cautions)
    )


class _Sweeps:
    """All steps of one transmitter state."""

    def __init__(
        self,
        items: Sequence[Stepped],
        state: TransmitterState | None,
        level_contributions: Sequence[Contribution],
        conditions: Mapping[str, ConditionValue],
        recordings: tuple[str, ...],
    ) -> None:
        self._items = list(items)
        self._level_contributions = tuple(level_contributions)
        self._conditions = dict(conditions) | ({} if state is None else {"transmitter": state})
        self._recordings = recordings
        self._suffix = "" if state is None else f"_transmitter_{state}"
        self._sweep = "" if state is None else f"(transmitter {state})"
        self.series: list[Series] = []
        self.cautions: list[str] = []
        self.nominal = self._sensitivity(0.0)

    def readings(self) -> list[Reading]:
        """Give the sensitivity and, from offsets, centre and bandwidth."""
        made = [] if self.nominal is None else [self.nominal.reading]
        if len({item.offset_hz for item in self._items}) >= 2:
            made += self._centre()
        return made

    def _sensitivity(self, offset_hz: float) -> Sensitivity | None:
        """Fit the sweep of level at an offset; None where there are not two levels."""
        here = [item for item in self._items if item.offset_hz == offset_hz]
        if len({item.step.level_port_dbm for item in here}) < 2:
            return None
        points = [item.point for item in here]
        found = sensitivity(
            points,
            self._level_contributions,
            conditions=self._conditions,
            recordings=self._recordings,
            sweep=self._sweep,
        )
        if offset_hz == 0.0:
            level = np.array([p.level_port_dbm for p in points])
            order = np.argsort(level, kind="stable")
            sinad = np.array([p.sinad_db for p in points])
            self._add("sinad_against_level", "input_level_port", "dBm", level[order], sinad[order])
            if found.curve is not None:
                self._add("sinad_fit", "input_level_port", "dBm", *found.curve)
        return found

    def _add(
        self, name: str, axis: str, unit: str, x: FloatArray, y: FloatArray, **more: float
    ) -> None:
        self.series.append(
            Series(
                name=name + self._suffix,
                unit="dBm" if name == "sensitivity_against_offset" else "dB",
                axes=(Axis(name=axis, unit=unit, values=x),),
                values=y,
                conditions=self._conditions | more,
            )
        )

    def _centre(self) -> list[Reading]:
        edges = self._edges()
        best = self._by_sensitivity()
        kept = {"recordings": self._recordings}
        if edges is None or edges.centre is None:
            why = "too few offsets at one level" if edges is None else edges.why
            bandwidth = self._bandwidth_bound(edges, why)
            if best is None:
                return [not_measured(CENTRE, why, conditions=self._conditions, **kept), bandwidth]
            return [self._centre_reading(best, "sensitivity against offset", ""), bandwidth]
        note = ""
        if edges.is_dented:
            self.cautions.append(
                "SINAD falls below 12 dB inside the acceptance bandwidth too; its outer edges"
                " are given."
            )
        if best is not None:
            apart_hz = best.at_hz - edges.centre.at_hz
            allowed_hz = 2.0 * float(
                np.hypot(best.standard_uncertainty_hz, edges.centre.standard_uncertainty_hz)
            )
            note = f"sensitivity against offset gives {best.at_hz:.0f} Hz"
            if abs(apart_hz) > allowed_hz:
                self.cautions.append(
                    f"Two ways to the receiver's centre lie {abs(apart_hz):.0f} Hz apart, more than"
                    f" their uncertainties explain ({allowed_hz:.0f} Hz): the filter is lopsided,"
                    " or a step was disturbed."
                )
        return [
            self._centre_reading(edges.centre, "acceptance bandwidth", note),
            self._bandwidth(edges),
        ]

    def _centre_reading(self, centre: Centre, method: str, note: str) -> Reading:
        fit = Contribution(
            name=f"centre.fit {self._sweep}".strip(),
            standard_uncertainty=centre.standard_uncertainty_hz,
            kind="A",
            source=method,
        )
        return measured(
            CENTRE,
            centre.at_hz,
            [fit],
            count=centre.count,
            conditions=self._conditions | {"method": method},
            recordings=self._recordings,
            note=note,
        )

    def _bandwidth(self, edges: Edges) -> Reading:
        assert edges.width is not None
        fit = Contribution(
            name=f"acceptance.fit {self._sweep}".strip(),
            standard_uncertainty=edges.width.standard_uncertainty_hz,
            kind="A",
            source="offsets of 12 dB SINAD on both sides",
        )
        return measured(
            BANDWIDTH,
            edges.width.at_hz,
            [fit],
            count=edges.width.count,
            conditions=self._at_level(edges.level_dbm),
            recordings=self._recordings,
            note=f"from {edges.low_hz:.0f} to {edges.high_hz:.0f} Hz",
        )

    def _bandwidth_bound(self, edges: Edges | None, why: str) -> Reading:
        """Both ends, or one, were not reached: the bandwidth is at least what was covered."""
        if edges is None or edges.covered_hz <= 0.0:
            kept = {"conditions": self._conditions, "recordings": self._recordings}
            return not_measured(BANDWIDTH, why, **kept)
        return measured(
            BANDWIDTH,
            edges.covered_hz,
            [],
            count=edges.count,
            bound="lower",
            conditions=self._at_level(edges.level_dbm),
            recordings=self._recordings,
            note=why,
        )

    def _at_level(self, level_dbm: float) -> dict[str, ConditionValue]:
        more: dict[str, ConditionValue] = {"input_level_port_dbm": round(level_dbm, 2)}
        if self._nominal_dbm is not None:
            more["above_sensitivity_db"] = round(level_dbm - self._nominal_dbm, 1)
        return self._conditions | more

    @property
    def _nominal_dbm(self) -> float | None:
        """Sensitivity on the channel, where it is more than a bound."""
        if self.nominal is None or self.nominal.reading.bound is not None:
            return None
        value = self.nominal.reading.value
        return float(value) if isinstance(value, float) else None

    def _edges(self) -> Edges | None:
        """Find the edges at the level nearest to 6 dB above the sensitivity."""
        levels: dict[float, list[Stepped]] = {}
        for item in self._items:
            assert item.step.level_port_dbm is not None
            levels.setdefault(round(item.step.level_port_dbm, 1), []).append(item)
        swept = {
            level: items
            for level, items in levels.items()
            if len({item.offset_hz for item in items}) >= LEAST_OFFSETS
        }
        if not swept:
            return None
        nominal = self._nominal_dbm
        wanted = None if nominal is None else nominal + ABOVE_SENSITIVITY_DB
        chosen = max(swept, key=lambda lv: (len(swept[lv]), lv))
        if wanted is not None:
            chosen = min(swept, key=lambda lv: abs(lv - wanted))
        items = sorted(swept[chosen], key=lambda item: item.offset_hz)
        offset = np.array([item.offset_hz for item in items])
        sinad = np.array([item.point.sinad_db for item in items])
        sigma = np.array([item.point.standard_uncertainty_db for item in items])
        level_dbm = float(np.mean([item.point.level_port_dbm for item in items]))
        self._add(
            "sinad_against_offset",
            "input_offset",
            "Hz",
            offset,
            sinad,
            input_level_port_dbm=round(level_dbm, 2),
        )
        if wanted is None:
            self.cautions.append(
                "The level of the offset sweep cannot be set against the sensitivity, which was"
                " not measured: the acceptance bandwidth holds for that level only."
            )
        elif abs(level_dbm - wanted) > LEVEL_SLACK_DB:
            self.cautions.append(
                f"The offset sweep lies {level_dbm - wanted + ABOVE_SENSITIVITY_DB:.1f} dB above"
                f" the sensitivity, not {ABOVE_SENSITIVITY_DB:.0f} dB: the acceptance bandwidth"
                " holds for that level only."
            )
        return acceptance(offset, sinad, sigma, level_dbm)

    def _by_sensitivity(self) -> Centre | None:
        """Find the middle by sensitivity where there are sweeps of level at three offsets."""
        offsets, levels, sigmas = [], [], []
        for offset_hz in sorted({item.offset_hz for item in self._items}):
            found = self.nominal if offset_hz == 0.0 else self._sensitivity(offset_hz)
            if found is None or found.reading.bound or not isinstance(found.reading.value, float):
                continue
            fit = [c for c in found.reading.contributions if c.kind == "A"]
            offsets.append(offset_hz)
            levels.append(found.reading.value)
            sigmas.append(combine(fit).standard_uncertainty)
        if len(offsets) < LEAST_OFFSETS:
            return None
        x, y = np.array(offsets), np.array(levels)
        self._add("sensitivity_against_offset", "input_offset", "Hz", x, y)
        return middle_by_sensitivity(x, y, np.array(sigmas))
