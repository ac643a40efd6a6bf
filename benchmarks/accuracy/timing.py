"""Timing and squelch trials: keyings with known instants, staircases with hidden thresholds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from benchmarks.accuracy.trial import Trial, Truth
from harness.measure.run import measure_recordings
from harness.measure.setup import Options
from harness.measure.timing_readings import UNKNOWN_DELAY_S
from harness.readings import Findings
from harness.uncertainty import garwood_interval
from tests.truth.repeater import FalseKeyings, Keyings, SquelchStaircases

WATCHED_S = 40.0
INPUT_S = ((0.2503, 0.5501), (0.9, 1.25), (1.6, 1.9002))
MOVED_S = 0.02
"""Each instant of the input is drawn evenly within so much of what is named: where edges fall
between samples, and against the tone, is at chance."""
AUDIO_CUTOFF_HZ = (2800.0, 6000.0)
"""That of a unit's audio filter, drawn evenly. Chosen."""
RISES_S = (2e-5, 1e-3)
"""Those of generator and transmitter, drawn evenly in their logarithm where no other is named."""
GOAL_S = 2e-4
TAIL_GOAL_S = 1e-3
SPREAD_GOAL: dict[str, Any] = {"goal": 0.3, "relative": True}
"""Of the spread of twelve. Chosen: that of the squelch's spread."""
GATE_GOAL_S = 1e-3
"""Of what hangs on where the gate lies in the repeated audio. Chosen: its delay."""


@dataclass(frozen=True, kw_only=True)
class Recorders:
    """How the two recordings are made; skew and clock errors are drawn from what is declared."""

    rate_hz: float = 50e3
    noise_dbfs_hz: float = -80.0
    skew_uncertainty_s: float = 0.0
    clock_uncertainty_ppm: float = 0.0
    delay: Literal["given", "not given", "none"] = "none"


def _drawn(take: Keyings, recorders: Recorders, draw: int) -> Keyings:
    rng = np.random.default_rng([draw, 81])
    rises_s = np.exp(rng.uniform(*np.log(RISES_S), 2))
    instants = np.array(take.input_s) + rng.uniform(-MOVED_S, MOVED_S, (len(take.input_s), 2))
    attack_s, hang_s = (
        value + rng.uniform(-1.0, 1.0) / recorders.rate_hz for value in (take.attack_s, take.hang_s)
    )
    delay_s = take.audio_delay_s
    if recorders.delay == "not given":
        # As U takes it for: anything up to 3 ms, to either side of none that is subtracted.
        delay_s = UNKNOWN_DELAY_S * rng.random()
    behind_s = 0.0
    if take.squelch_s is not None:
        # Anywhere in the delay, as U takes it for.
        behind_s = take.audio_delay_s * float(np.random.default_rng([draw, 84]).random())
    return replace(
        take,
        draw=draw,
        behind_s=behind_s,
        input_s=tuple((float(on_s), float(off_s)) for on_s, off_s in instants),
        attack_s=attack_s,
        hang_s=hang_s,
        rise_s=take.rise_s or float(rises_s[0]),
        input_rise_s=take.rise_s or float(rises_s[1]),
        audio_cutoff_hz=float(rng.uniform(*AUDIO_CUTOFF_HZ)),
        audio_delay_s=delay_s,
    )


def _keyings(
    signal: str,
    take: Keyings,
    recorders: Recorders = Recorders(),
    *,
    output_only: bool = False,
    tail: bool = False,
) -> Trial:
    roles = ("output",) if output_only else ("input", "output")

    def measure(draw: int, folder: Path) -> Findings:
        rng = np.random.default_rng([draw, 82])
        skew_s = recorders.skew_uncertainty_s * rng.standard_normal()
        ppm = recorders.clock_uncertainty_ppm * rng.standard_normal(2)
        clock = {"clock_error_ppm": 0.0, "clock_uncertainty_ppm": recorders.clock_uncertainty_ppm}
        skew = {"skew_s": 0.0, "skew_uncertainty_s": recorders.skew_uncertainty_s}
        drawn = _drawn(take, recorders, draw)
        paths = drawn.write(
            folder,
            sample_rate_hz=recorders.rate_hz,
            noise_dbfs_hz=recorders.noise_dbfs_hz,
            input_skew_s=skew_s,
            input_ppm=ppm[0],
            output_ppm=ppm[1],
            declared={"input": {**clock, **skew}, "output": clock},
        )
        return measure_recordings(
            "timing",
            [paths[role] for role in roles],
            spacing_hz=12500.0,
            options=Options(repeater_delay_s=drawn.audio_delay_s)
            if recorders.delay == "given"
            else None,
        )

    def truths(draw: int) -> tuple[Truth, ...]:
        drawn = _drawn(take, recorders, draw)
        if drawn.hang_jitter_s:
            return (Truth(reading="hang_spread", value=take.hang_jitter_s, **SPREAD_GOAL),)
        given = [Truth(reading="hang_time", value=drawn.hang_s, goal=GOAL_S)]
        if drawn.squelch_s is not None:
            key_up_s = drawn.attack_s - drawn.squelch_s
            given += [
                Truth(reading="squelch_attack", value=drawn.squelch_s, goal=GATE_GOAL_S),
                Truth(reading="key_up_delay", value=key_up_s, goal=GATE_GOAL_S),
            ]
        if not output_only:
            given.append(Truth(reading="attack_time", value=drawn.attack_s, goal=GOAL_S))
        if tail:
            burst_s = drawn.burst_s
            lasts_s = drawn.hang_s - drawn.audio_delay_s if burst_s is None else burst_s
            given.append(Truth(reading="squelch_tail", value=lasts_s, goal=TAIL_GOAL_S))
        return tuple(given)

    return Trial(signal=signal, truths=truths, measure=measure)


def _staircases(signal: str, take: SquelchStaircases) -> Trial:
    def measure(draw: int, folder: Path) -> Findings:
        path = replace(take, draw=draw).write(folder / "r")
        return measure_recordings("squelch", [path], spacing_hz=12500.0)

    scale = np.sqrt(25.0 / take.sweeps)
    spread_scale = scale
    scale *= take.spread_db / 0.75
    return Trial(
        signal=signal,
        truths=(
            Truth(reading="squelch_opening", value=take.opening_dbm, goal=0.3 * scale),
            Truth(reading="squelch_closing", value=take.closing_dbm, goal=0.3 * scale),
            Truth(
                reading="squelch_hysteresis",
                value=take.opening_dbm - take.closing_dbm,
                goal=0.42 * scale,
            ),
            Truth(
                reading="squelch_spread",
                value=take.spread_db,
                goal=0.3 * spread_scale,
                relative=True,
            ),
        ),
        measure=measure,
    )


EXACT = (
    "Garwood's interval is exact for whole counts: it holds the truth at least as often as it says,"
    " and for few key-ups more often"
)


def _false_keyings(expected: float) -> Trial:
    """Let so many key-ups be expected in the time that is watched."""
    take = FalseKeyings(rate_per_h=3600.0 * expected / WATCHED_S, watched_s=WATCHED_S)

    def measure(draw: int, folder: Path) -> Findings:
        path = replace(take, draw=draw).write(folder / "r")
        return measure_recordings("squelch", [path], spacing_hz=12500.0)

    # DESIGN's goal is that the interval holds: within it is within the goal.
    _, most = garwood_interval(round(expected))
    goal = take.rate_per_h * (most / expected - 1.0)
    return Trial(
        signal=f"{expected:g} key-ups expected in {WATCHED_S:g} s",
        truths=(Truth(reading="false_keying_rate", value=take.rate_per_h, goal=goal),),
        measure=measure,
        why={"false_keying_rate": EXACT},
    )


def _first(take: Keyings, count: int) -> Keyings:
    """Give the same with its first keyings only."""
    last_s = take.input_s[count - 1][1]
    return replace(take, input_s=take.input_s[:count], duration_s=last_s + take.hang_s + 0.15)


TAKE = Keyings(input_s=INPUT_S, attack_s=0.0321, hang_s=0.1427, duration_s=2.3, rise_s=0.0)
STAIRS = SquelchStaircases(
    opening_dbm=-111.6,
    closing_dbm=-114.2,
    spread_db=0.75,
    levels_dbm=tuple(float(level) for level in np.arange(-118.0, -107.9, 0.75)),
    sweeps=25,
    dwell_s=0.12,
    attack_s=0.03,
    hang_s=0.05,
)

SHORT = replace(TAKE, rise_s=0.004, attack_s=0.011, hang_s=0.0902)
MANY = replace(
    TAKE,
    input_s=tuple((0.15 + 0.4 * number, 0.3 + 0.4 * number) for number in range(12)),
    duration_s=5.0,
    hang_jitter_s=3e-3,
)
RETURNING = replace(
    TAKE,
    input_s=((0.25, 0.55), (0.67, 0.95), (1.55, 1.85), (1.97, 2.25)),
    duration_s=2.8,
    squelch_s=0.0143,
    hang_s=0.25,
    audio_delay_s=0.0012,
    burst_s=0.008,
)
ONE = replace(TAKE, input_s=((0.3003, 0.7001),), duration_s=1.1)

TRIALS = (
    _keyings("two recordings, rises of 0.02 to 1 ms", TAKE, tail=True),
    _keyings("two recordings, rise 4 ms, short times", SHORT),
    _keyings("two recordings at 250 kS/s", ONE, Recorders(rate_hz=250e3)),
    _keyings(
        "two recordings, skew and clocks declared",
        TAKE,
        Recorders(skew_uncertainty_s=3e-4, clock_uncertainty_ppm=10.0),
    ),
    _keyings("two recordings, 15 dB over the noise", SHORT, Recorders(noise_dbfs_hz=-62.0)),
    _keyings("one keying, 15 dB over the noise", ONE, Recorders(noise_dbfs_hz=-62.0), tail=True),
    _keyings(
        "output only, delay known",
        replace(TAKE, audio_delay_s=0.0012),
        Recorders(delay="given"),
        output_only=True,
        tail=True,
    ),
    _keyings("output only, delay not known", TAKE, Recorders(delay="not given"), output_only=True),
    _keyings(
        "output only, burst of 30 ms, 20 dB over the noise",
        replace(TAKE, audio_delay_s=0.0012, burst_s=0.03),
        Recorders(delay="given", noise_dbfs_hz=-67.0),
        output_only=True,
        tail=True,
    ),
    _keyings(
        "output only, one keying, burst of 8 ms",
        replace(ONE, audio_delay_s=0.0012, burst_s=0.008),
        Recorders(delay="given"),
        output_only=True,
        tail=True,
    ),
    _keyings(
        "output only, no burst",
        replace(TAKE, audio_delay_s=0.0012, burst_s=0.0),
        Recorders(delay="given"),
        output_only=True,
    ),
    _keyings(
        "output only, no burst, 15 dB over the noise",
        replace(TAKE, audio_delay_s=0.0012, burst_s=0.0),
        Recorders(delay="given", noise_dbfs_hz=-62.0),
        output_only=True,
    ),
    _keyings(
        "output only, burst of 2 ms",
        replace(TAKE, audio_delay_s=0.0012, burst_s=0.002),
        Recorders(delay="given"),
        output_only=True,
        tail=True,
    ),
    _keyings("twelve hangs that scatter by 3 ms", MANY),
    _keyings("twelve hangs that scatter by 0.6 ms", replace(MANY, hang_jitter_s=6e-4)),
    _keyings("six hangs that scatter by 10 ms", replace(_first(MANY, 6), hang_jitter_s=0.01)),
    _keyings(
        "twelve hangs that scatter by 3 ms, 15 dB over the noise",
        MANY,
        Recorders(noise_dbfs_hz=-62.0),
    ),
    _keyings(
        "twelve hangs that scatter by 3 ms, output only",
        replace(MANY, audio_delay_s=0.0012, burst_s=0.03),
        Recorders(delay="given"),
        output_only=True,
    ),
    _keyings("back within the hang", RETURNING),
    _keyings(
        "back within the hang, slow squelch, no burst",
        replace(RETURNING, squelch_s=0.045, attack_s=0.0621, burst_s=0.0),
    ),
    _keyings(
        "back within the hang, 15 dB over the noise",
        RETURNING,
        Recorders(noise_dbfs_hz=-62.0),
    ),
    _keyings("back within the hang, audio 2.5 ms late", replace(RETURNING, audio_delay_s=0.0025)),
    _keyings(
        "back within the hang, skew and clocks declared",
        RETURNING,
        Recorders(skew_uncertainty_s=3e-4, clock_uncertainty_ppm=10.0),
    ),
    _staircases("25 sweeps, spread 0.75 dB", STAIRS),
    _staircases(
        "25 sweeps, spread 0.75 dB, little hysteresis",
        replace(STAIRS, closing_dbm=-113.8, opening_dbm=-111.95),
    ),
    _staircases("12 sweeps, spread 0.75 dB", replace(STAIRS, sweeps=12, opening_dbm=-112.2)),
    _staircases(
        "25 sweeps, spread 0.75 dB, steps of 1 dB",
        replace(STAIRS, levels_dbm=tuple(float(level) for level in np.arange(-118.0, -107.5))),
    ),
    _staircases(
        "12 sweeps, spread 1.5 dB, steps of 1 dB",
        replace(
            STAIRS,
            sweeps=12,
            spread_db=1.5,
            levels_dbm=tuple(float(level) for level in np.arange(-121.0, -104.5)),
        ),
    ),
    *(_false_keyings(expected) for expected in (0.5, 1.0, 3.0, 8.0, 20.0)),
)
