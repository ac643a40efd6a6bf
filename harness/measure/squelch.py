"""Squelch: opening, closing, hysteresis, spread, keying state and false keying, by knob position.

The stimulus goes up and down in steps (``staircase.py``); the transmitter is keyed or not at the
end of each. The level of a step is that which the input recording saw, averaged over all steps
set alike, else as set; where it fades or is disturbed, that of each step (``input_conditions.py``),
and the readings state the condition. Each position of the knob then has its readings by itself
(``squelch_position.py``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median_low

import numpy as np

from harness.blocks import Block
from harness.devices import Role
from harness.errors import BadInput
from harness.measure.input_conditions import InputWatch
from harness.measure.keyed_channel import CarrierKeying
from harness.measure.keying import Keying
from harness.measure.setup import Channel, Options, Step
from harness.measure.squelch_position import (
    FITTED,
    READ_BEFORE_END_S,
    SquelchPosition,
    hang_lags,
)
from harness.measure.staircase import StepEnd, is_staircase_step
from harness.measure.steps import StepLevels
from harness.readings import Findings, Reading, Series, not_measured, sentence
from harness.uncertainty import Contribution, rectangular


class Squelch:
    """Characterise the squelch from a take with steps of level.

    Parameters
    ----------
    channels : an "output" (IQ); an "input" beside it gives the levels as they really were
    options : ``stimulus_contributions`` and ``level_step_db`` are heeded

    Raises
    ------
    BadInput : no output among the channels.
    """

    def __init__(self, channels: Mapping[Role, Channel], options: Options) -> None:
        output = channels.get("output")
        if output is None:
            name = next(iter(channels.values())).name if channels else "RECORDING"
            raise BadInput(
                "the squelch is seen in what the transmitter does, and this is not its output",
                name,
                "Give the output recording of the take, with or without the input's.",
            )
        self._output = output
        self._options = options
        self._keying = CarrierKeying(output)
        source = channels.get("input")
        self._steps, input_steps = _steps_of_take(output, source)
        self._levels = StepLevels(input_steps, source)
        self._watch = InputWatch(input_steps, source)
        self._names = tuple(c.name for c in (output, source) if c is not None)

    def push(self, role: Role, block: Block) -> None:
        """Take a channel block."""
        if role == "output":
            self._keying.push(block)
        elif role == "input":
            self._levels.push(block)
            self._watch.push(block)

    def finish(self) -> Findings:
        """Give the readings of each knob position."""
        return self.found(self._keying.finish())

    def found(self, keying: Keying) -> Findings:
        """Give the readings for a keying of the output."""
        if not self._steps:
            note = "no steps of level are annotated in the recording"
            every = (*FITTED, "keying_state", "false_keying_rate")
            none = tuple(not_measured(n, note, recordings=self._names) for n in every)
            return Findings(kind="squelch", readings=none, cautions=(sentence(note),))
        shared = self._levels.contributions(self._options)
        ends = _step_ends(self._steps, self._true_levels(), keying)
        cautions: list[str] = []
        has_levels = any(end.level_port_dbm is not None for end in ends)
        if has_levels and not self._levels.is_measured:
            cautions.append("The input levels are as the generator was set, not as measured.")
        untold = sum(end.keyed is None for end in ends)
        if untold:
            cautions.append(
                f"At the end of {untold} of {len(ends)} steps samples are missing;"
                " they say nothing."
            )
        readings: list[Reading] = []
        series: list[Series] = []
        knobs = list(dict.fromkeys(step.knob for step in self._steps))
        hang_s = _hang_s([hang_lags([e for e in ends if e.step.knob == k], keying) for k in knobs])
        setting = () if self._levels.is_measured else self._setting()
        for knob in knobs:
            here = [number for number, step in enumerate(self._steps) if step.knob == knob]
            part = SquelchPosition(
                knob,
                ends,
                keying,
                shared,
                self._names,
                hang_s=hang_s,
                setting=setting,
                under=self._watch.conditions(here),
            )
            readings += part.readings()
            series += part.series(suffix=f"_{knob}" if len(knobs) > 1 else "")
            cautions += part.cautions()
        return Findings(
            kind="squelch",
            readings=tuple(readings),
            series=tuple(series),
            cautions=tuple(cautions),
        )

    def _setting(self) -> tuple[Contribution, ...]:
        """Uncertainty of one setting of a level that is set in coarse steps: half a step."""
        step_db = self._options.level_step_db
        if not step_db:
            return ()
        half = Contribution(
            name="setting",
            standard_uncertainty=rectangular(step_db / 2.0),
            distribution="rectangular",
            source=f"levels set in steps of {step_db:g} dB",
        )
        return (half,)

    def _level_alone(self, number: int) -> float | None:
        """Level of one step by itself; without its impulses, where the carrier rules."""
        if self._steps[number].level_port_dbm is None:
            return None
        level = self._watch.level_port_dbm(number)
        return self._levels.level(number).level_port_dbm if level is None else level

    def _true_levels(self) -> list[float | None]:
        """Level of each step: mean in dB over all steps set alike, as each has its own noise."""
        if self._levels.is_measured and self._watch.is_disturbed:
            # Each as it was: steps set alike were not alike.
            return [self._level_alone(number) for number in range(len(self._steps))]
        by_setting: dict[float, list[float]] = {}
        for number, step in enumerate(self._steps):
            level = self._levels.level(number)
            seen = level.level_port_dbm if level.is_measured else None
            if step.level_port_dbm is not None and seen is not None:
                by_setting.setdefault(step.level_port_dbm, []).append(seen)
        return [
            float(np.mean(by_setting.get(step.level_port_dbm, [step.level_port_dbm])))
            if step.level_port_dbm is not None
            else None
            for step in self._steps
        ]


def _steps_of_take(
    output: Channel, source: Channel | None
) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
    """Give the staircase on the output's clock and on the input's."""
    steps = tuple(step for step in output.steps if is_staircase_step(step))
    if source is None:
        return steps, steps
    of_input = tuple(step for step in source.steps if is_staircase_step(step))
    later_s = output.skew_s - source.skew_s
    if not steps:
        return _moved(of_input, -later_s), of_input
    alike = [step.level_port_dbm for step in steps] == [step.level_port_dbm for step in of_input]
    return steps, of_input if alike else _moved(steps, later_s)


def _moved(steps: Sequence[Step], by_s: float) -> tuple[Step, ...]:
    return tuple(replace(s, start_s=s.start_s + by_s, end_s=s.end_s + by_s) for s in steps)


def _step_ends(
    steps: Sequence[Step], levels: Sequence[float | None], keying: Keying
) -> tuple[StepEnd, ...]:
    """Read the keying at the start and the end of each step."""
    ends = []
    for step, level in zip(steps, levels, strict=True):
        begin_s = step.start_s - READ_BEFORE_END_S
        before = keying.keyed_at(begin_s)
        if before is None:
            before = keying.keyed_at(step.start_s + READ_BEFORE_END_S)
        ends.append(
            StepEnd(
                step=step,
                level_port_dbm=level,
                keyed=keying.keyed_at(max(step.end_s - READ_BEFORE_END_S, step.start_s)),
                keyed_before=before,
                rose_s=_first_edge_s(step, keying, is_rising=True),
                dropped_s=_first_edge_s(step, keying, is_rising=False),
            )
        )
    return tuple(ends)


def _first_edge_s(step: Step, keying: Keying, *, is_rising: bool) -> float | None:
    edges = keying.edges_between(step.start_s, step.end_s - READ_BEFORE_END_S)
    return next((edge.time_s for edge in edges if edge.is_rising is is_rising), None)


def _hang_s(lags_s: Sequence[Sequence[float]]) -> float | None:
    """Give the hang as the positions show it; a key-up by chance in it makes some longer."""
    every = [lag_s for of_position in lags_s for lag_s in of_position]
    return median_low(every) if every else None
