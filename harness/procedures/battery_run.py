"""A battery run: the unit keyed on a schedule until its battery gives out, a sample now and then.

Each sample is a short recording of the output, its carrier measured, and a look at the supply; the
row is on disk before anything is shown or waited for.

**Rows.** While a phase lasts, one each ``every_s``. Where one phase goes over into the next, one on
either side, at the time of the carrier's own edge: after the input has gone the hang keeps the
transmitter keyed. What the meter showed before a step stands at its foot, what it showed after at
its head. Transmitting is meant as it is for the battery, the carrier on: the input is let go a hang
time earlier, as long as the drop before took.

====================================  =====  ==================================================
carrier in the sample                 keyed  power and frequency
====================================  =====  ==================================================
on to the end, after a key-up in it   1      over the keyed time
off for a part of it                  0      over the keyed time, blank below ``STEADY_S`` of it
none                                  0      blank
====================================  =====  ==================================================

**Receiving.** A repeater that receives transmits, unless its transmitter is disabled. Where the
bench can do that by itself, a receiving phase is the input on with the transmitter disabled; by
hand nobody would, every minute of a night: there it is a time on standby, and that is said.

**Recordings.** A sample's goes when the next is there, but for the first, the last, one each
``keep_every_s``, and each at which the power has moved by ``keep_step_db`` since the last one kept.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, field, replace
from typing import Any

from harness.describe import Battery
from harness.describe.schedule import CONTINUOUS, Phase, Schedule, State
from harness.devices import SupplyReading
from harness.errors import HardwareFault
from harness.measure.setup import Options
from harness.procedures.battery_ends import Ends, EndWatch, in_words
from harness.procedures.end_estimate import EndEstimate, EndOfBattery
from harness.procedures.sampling import (
    BEFORE_S,
    DROPS_WITHIN_S,
    SAMPLE_S,
    Hold,
    KeyUp,
    LetGo,
)
from harness.procedures.steps import (
    EnableTransmitter,
    Log,
    MeasureLog,
    Procedure,
    Programme,
    ReadSupply,
    Sample,
    Sampled,
    Say,
    Step,
    Stimulus,
    Wait,
)

INTERVAL_S = 300.0
KEEP_STEP_DB = 0.5
LOOK_AGAIN_S = 2.0
"""A carrier that is gone, or a voltage at its end, is looked at again after so long. Chosen."""
APART_S = 0.001
"""Rows on either side of an edge stand so far apart, and each row at least so far after the one
before. Chosen: a hundredth of a key-up."""
LEAST_KEYED_S = 0.5
"""The input stays on for at least so long, whatever the hang. Chosen: a squelch opens in it."""
LATE_S = 5.0
"""A phase that begins so much too late has its whole length from there. Chosen."""
NO_SUPPLY = SupplyReading(voltage_v=math.nan, current_a=math.nan, temperature_degc=math.nan)
_Steps = Generator[Step, Any, None]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlan:
    """How a battery is run down.

    Parameters
    ----------
    level_port_dbm : of the strong signal that keys the unit. deviation_hz : of its tone, 0 for none
    ends : what ends it beside the loss of the carrier
    schedule : what the unit does
    every_s : from one sample to the next
    keep_every_s : recordings are kept so often; None: not by time
    keep_step_db : and where the power has moved by so much
    has_meter : whether something tells of the supply
    can_disable : whether the bench disables the transmitter by itself
    """

    level_port_dbm: float
    deviation_hz: float
    ends: Ends
    schedule: Schedule = CONTINUOUS
    every_s: float = INTERVAL_S
    keep_every_s: float | None = None
    keep_step_db: float = KEEP_STEP_DB
    has_meter: bool = True
    can_disable: bool = False


def battery_run(battery: Battery, plan: RunPlan) -> Procedure:
    """Yield the steps of a battery run.

    Raises
    ------
    HardwareFault : the transmitter stays keyed without a signal.
    """
    yield from _Run(battery, plan).steps()


@dataclass(slots=True)
class _Run:
    """What one run knows of itself; every value comes from what its steps gave."""

    battery: Battery
    plan: RunPlan
    number: int = 0
    last_s: float = -1.0
    at_s: float = 0.0
    changed_s: float | None = None
    held: Stimulus | None = None
    is_keyed: bool = False
    hang_s: float = 0.0
    attack_s: float = 0.0
    share: float = 0.0
    pending: str = ""
    kept_s: float = 0.0
    kept_dbm: float | None = None
    started_s: float = 0.0
    ends: EndWatch = field(init=False)
    battery_end: EndOfBattery = field(init=False)
    on: Stimulus = field(init=False)

    def __post_init__(self) -> None:
        plan = self.plan
        self.ends = EndWatch(plan.ends, plan.every_s)
        end_v = self.battery.end_v if plan.ends.end_v is None else plan.ends.end_v
        cycle_s = 0.0 if plan.schedule.is_continuous else plan.schedule.cycle_s
        self.battery_end = EndOfBattery(self.battery, end_v, cycle_s)
        self.on = Stimulus(
            duration_s=SAMPLE_S,
            level_port_dbm=plan.level_port_dbm,
            deviation_hz=plan.deviation_hz,
        )

    @property
    def off(self) -> Stimulus:
        """The generator off, for the length of a sample."""
        return Stimulus(duration_s=SAMPLE_S, level_port_dbm=None)

    def steps(self) -> _Steps:
        """Yield all of them."""
        for line in said_before(self.battery, self.plan):
            yield Say(text=line)
        self.started_s = yield Wait(seconds=0.0)
        self.at_s = self.started_s
        while not self.ends.reason:
            for phase in self.plan.schedule.phases:
                if self.ends.reason:
                    break
                if phase.do == "transmit":
                    yield from self._transmit(phase)
                else:
                    yield from self._pause(phase)
        yield Say(text=self.ends.reason)
        yield MeasureLog(options=Options(end_v=self.plan.ends.end_v))

    def _transmit(self, phase: Phase) -> _Steps:
        """Key the unit for a phase; on continuous it is left keyed."""
        if not self.is_keyed:
            yield from self._key_up()
        stays = self.plan.schedule.is_continuous
        more_s = 0.0 if stays else self.hang_s + SAMPLE_S
        end_s = self.at_s + max(phase.seconds - more_s, LEAST_KEYED_S)
        yield from self._rows(end_s, self.on, scheduled=True)
        if not stays and not self.ends.reason:
            yield from self._let_go()
        elif stays:
            self.at_s = end_s

    def _pause(self, phase: Phase) -> _Steps:
        """Let a phase pass in which the unit does not transmit."""
        now_s: float = yield Wait(seconds=0.0)
        if now_s - self.at_s > LATE_S:
            self.at_s = now_s
        end_s = self.at_s + phase.seconds
        if phase.do == "receive" and self.plan.can_disable:
            yield EnableTransmitter(enabled=False)
            yield from self._row(self.on, scheduled=False)
            # The squelch has to have closed again before the transmitter may.
            quiet_s = self.hang_s + LEAST_KEYED_S
            yield from self._rows(end_s - quiet_s - 2.0 * SAMPLE_S, self.on, scheduled=False)
            yield from self._row(self.on, scheduled=False)
            yield from self._row(self.off, scheduled=False)
            yield Wait(seconds=quiet_s)
            yield EnableTransmitter(enabled=True)
        else:
            before_s = BEFORE_S + self.attack_s
            yield from self._rows(end_s - before_s, self.off, scheduled=False)
        self.at_s = end_s

    def _rows(self, end_s: float, held: Stimulus, *, scheduled: bool) -> _Steps:
        """Log a row each interval until a time, the generator as it is."""
        limit_s = self.started_s + self.plan.ends.for_s
        next_s = self.at_s + self.plan.every_s
        now_s: float = yield Wait(seconds=0.0)
        while not self.ends.reason:
            now_s = yield Wait(seconds=max(min(next_s, end_s, limit_s) - now_s, 0.0))
            if now_s > end_s - APART_S and limit_s > end_s:
                return
            yield from self._row(held, scheduled=scheduled)
            now_s = yield Wait(seconds=0.0)
            # What a computer slept, or a run stood still, is a gap, and not made up for.
            missed = max(math.floor((now_s - next_s) / self.plan.every_s), 0)
            next_s += (missed + 1) * self.plan.every_s

    def _key_up(self) -> _Steps:
        """Key the unit, with a row on either side of it; the phase begins when the carrier came."""
        before = yield from self._supply()
        sampled = yield from self._sample(KeyUp(stimulus=self.on), self.on)
        self.is_keyed = True
        rise_s = sampled.rise_s or 0.0
        self.at_s = sampled.begun_s + rise_s
        self.attack_s = max(rise_s - BEFORE_S, 0.0)
        self.changed_s, self.held = self.at_s, self.on
        after = yield from self._supply()
        yield from self._log(self.at_s - APART_S, None, before, scheduled=False)
        through = replace(sampled, rise_s=None)
        yield from self._log(self.at_s, through, after, scheduled=True)
        if not sampled.is_on:
            yield from self._look_for_carrier()

    def _let_go(self) -> _Steps:
        """Let the unit drop, with a row on either side; the phase ends when the carrier went."""
        before = yield from self._supply()
        sampled = yield from self._sample(LetGo(stimulus=self.on), None)
        self.is_keyed = False
        if sampled.is_on:
            raise HardwareFault(
                f"the transmitter is still keyed {DROPS_WITHIN_S:.0f} s after the signal was"
                " switched off",
                "battery run",
                "RF is off. Take the unit's supply away, and find what keeps it keyed.",
            )
        if sampled.power_dbm is None or sampled.fall_s is None:
            # It had gone before it was let go; the next key-up tells whether for good.
            self.at_s = sampled.begun_s
            yield from self._log(self.at_s, sampled, before, scheduled=True)
            return
        self.at_s = sampled.begun_s + sampled.fall_s
        self.hang_s = max(sampled.fall_s - SAMPLE_S, 0.0)
        self.changed_s, self.held = self.at_s, self.off
        after = yield from self._supply()
        # What the squelch's tail adds is no deviation of the tone's.
        keyed = replace(sampled, fall_s=None, is_on=True, deviation_hz=None)
        yield from self._log(self.at_s - APART_S, keyed, before, scheduled=True)
        yield from self._log(self.at_s, None, after, scheduled=False)

    def _row(self, held: Stimulus, *, scheduled: bool) -> _Steps:
        """Sample the unit, the generator as it is to be, and log it."""
        leave_on = None if held.level_port_dbm is None else held
        if held != self.held:
            # What the unit draws is another from here on.
            self.held = held
            self.changed_s = yield Wait(seconds=0.0)
        sampled = yield from self._sample(Hold(stimulus=held), leave_on)
        supply = yield from self._supply()
        yield from self._log(sampled.begun_s, sampled, supply, scheduled=scheduled)
        if scheduled and not sampled.is_on:
            yield from self._look_for_carrier()

    def _look_for_carrier(self) -> _Steps:
        """Look once more for a carrier that was not there; without it the run ends."""
        if self.ends.reason:
            return
        yield Wait(seconds=LOOK_AGAIN_S)
        sampled = yield from self._sample(Hold(stimulus=self.on), self.on)
        supply = yield from self._supply()
        yield from self._log(sampled.begun_s, sampled, supply, scheduled=True)
        if sampled.is_on:
            yield Say(text=f"The carrier was gone before {_clock(self.last_s)}; it is back.")
        else:
            self.ends.see_loss()

    def _sample(
        self, programme: Programme, leave_on: Stimulus | None
    ) -> Generator[Step, Any, Sampled]:
        """Take a sample; the recording before it goes, if it need not be kept."""
        take = f"battery/{self.number:05d}"
        forget = (self.pending,) if self.pending else ()
        sampled: Sampled = yield Sample(
            take=take, programme=programme, leave_on=leave_on, forget=forget
        )
        self.number += 1
        self.pending = take
        at_s, power_dbm = sampled.begun_s - self.started_s, sampled.power_dbm
        moved = (
            power_dbm is not None
            and self.kept_dbm is not None
            and abs(power_dbm - self.kept_dbm) >= self.plan.keep_step_db
        )
        due = self.plan.keep_every_s is not None and at_s - self.kept_s >= self.plan.keep_every_s
        first = self.kept_dbm is None and power_dbm is not None
        if first or moved or due:
            self.pending, self.kept_s = "", at_s
            self.kept_dbm = power_dbm if power_dbm is not None else self.kept_dbm
        return sampled

    def _supply(self) -> Generator[Step, Any, SupplyReading]:
        """Read the meter, where there is one; what it showed in the phase before does not count."""
        if not self.plan.has_meter:
            return NO_SUPPLY
        supply: SupplyReading = yield ReadSupply(since_s=self.changed_s)
        return supply

    def _log(
        self, at_s: float, sampled: Sampled | None, supply: SupplyReading, *, scheduled: bool
    ) -> _Steps:
        """Log a row, tell of it, and see whether it ends the run."""
        at_s = max(at_s - self.started_s, self.last_s + APART_S, 0.0)
        self.last_s = at_s
        power_dbm = sampled.power_dbm if sampled is not None else None
        keyed = sampled is not None and _is_keyed(sampled)
        self.battery_end.see(at_s, supply.voltage_v, supply.current_a, keyed=keyed)
        self.ends.see_power(at_s, power_dbm if scheduled else None)
        self.ends.see_time(at_s)
        look_again = self.ends.see_voltage(at_s, supply.voltage_v, keyed=keyed)
        expected = self.battery_end.estimate() if self.plan.has_meter and keyed else None
        row = {
            "time_s": at_s,
            "power_dbm": _or_nan(power_dbm),
            "frequency_error_hz": _or_nan(sampled.frequency_error_hz if sampled else None),
            "keyed": float(keyed),
            "voltage_v": supply.voltage_v,
            "current_a": supply.current_a,
            "temperature_degc": supply.temperature_degc,
        }
        if self.plan.deviation_hz:
            row["deviation_hz"] = _or_nan(sampled.deviation_hz if sampled else None)
        if not self.plan.schedule.is_continuous:
            row["scheduled"] = float(scheduled)
        yield Log(
            row=row,
            at_s=self.started_s + at_s,
            line=self._line(at_s, power_dbm, supply, expected) if scheduled else "",
            share=self._share(at_s, expected),
        )
        if sampled is not None and scheduled and sampled.keyed_s and not keyed:
            on = f"The carrier was on for {sampled.keyed_s:.3f} s of the"
            yield Say(text=f"{on} {sampled.seconds:.3g} s sample.")
        if look_again:
            yield Wait(seconds=LOOK_AGAIN_S)
            again: SupplyReading = yield ReadSupply()
            self.ends.see_voltage_again(again.voltage_v)

    def _line(
        self,
        at_s: float,
        power_dbm: float | None,
        supply: SupplyReading,
        expected: EndEstimate | None,
    ) -> str:
        """Say how the run stands."""
        parts = [f"Battery run, {_clock(at_s)}"]
        if power_dbm is not None:
            parts.append(f"{power_dbm:.2f} dBm")
            if self.ends.drift_db is not None:
                parts.append(f"drift {self.ends.drift_db:+.2f} dB")
        else:
            parts.append("no carrier")
        if not math.isnan(supply.voltage_v):
            parts.append(f"{supply.voltage_v:.2f} V")
        elif self.plan.has_meter:
            parts.append("voltage not known")
        if expected is not None:
            parts.append(_end_in_words(expected))
        if self.plan.ends.for_s < (expected.earliest_s if expected else math.inf):
            parts.append(f"ends at {_clock(self.plan.ends.for_s)}")
        return ", ".join(parts)

    def _share(self, at_s: float, expected: EndEstimate | None) -> float:
        """Give how far the run is, 0 to 1; where nothing is expected, as far as it was."""
        end_s = min(self.plan.ends.for_s, expected.likely_s if expected else math.inf)
        if expected is not None or not self.plan.has_meter:
            self.share = min(at_s / end_s, 1.0)
        return self.share


def said_before(battery: Battery, plan: RunPlan) -> list[str]:
    """Say what is going to be done, how it ends, and what is not as it should be."""
    schedule, ends = plan.schedule, plan.ends
    how = "keyed all the time" if schedule.is_continuous else f"schedule {schedule.name}"
    until = ["loss of the carrier"]
    if ends.end_v is not None:
        until.insert(0, f"{ends.end_v:g} V")
    if ends.power is not None:
        until.append(str(ends.power))
    until.append(in_words(ends.for_s))
    lines = [
        f"Battery run: {how}, a sample every {in_words(plan.every_s)}, until"
        f" {', '.join(until[:-1])} or {until[-1]}."
    ]
    if not schedule.is_continuous:
        words: tuple[tuple[State, str], ...] = (
            ("transmit", "transmitting"),
            ("receive", "receiving"),
            ("standby", "on standby"),
        )
        given = [(schedule.share(state), word) for state, word in words]
        shares = ", ".join(f"{100.0 * share:.3g} % {word}" for share, word in given if share)
        lines.append(f"  - {shares}, over and over in {schedule.cycle_s:g} s.")
        if schedule.has_receiving and not plan.can_disable:
            lines.append(
                "  - Receiving is time on standby here: a repeater that receives transmits, and"
                " this bench cannot disable the transmitter by itself."
            )
    if not plan.has_meter:
        lines.append(
            "  - Nothing tells the battery's voltage: it is not stopped at its end voltage, and may"
            " be run down too far."
        )
    return lines


def _is_keyed(sampled: Sampled) -> bool:
    """Whether the carrier was on all through a sample."""
    return sampled.is_on and sampled.rise_s is None and sampled.fall_s is None


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _clock(seconds: float) -> str:
    """Write a time as hours, minutes and seconds."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _end_in_words(end: EndEstimate) -> str:
    if math.isinf(end.latest_s):
        return f"end after {_clock(end.earliest_s)}"
    return (
        f"end at about {_clock(end.likely_s)} ({_clock(end.earliest_s)} to {_clock(end.latest_s)})"
    )
