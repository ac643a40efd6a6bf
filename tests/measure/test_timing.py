"""Attack time, hang time, squelch tail: takes with known instants, and real recordings.

Truth by construction: tests/truth/repeater.py (`Keyings`), through the whole path from 8-bit
codes. Published: README of the captures states when each was keyed, with its tolerance.
Tolerances: DESIGN's goals, 0.2 ms beyond the declared skew, squelch tail 1 ms, where no other
reason is given.
"""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness.errors import BadInput
from harness.measure.keying import Edge, Keying, Span
from harness.measure.pairs import pair_edges
from harness.measure.run import measure_recordings
from harness.measure.setup import Channel, Options
from harness.measure.timing import Timing
from harness.uncertainty import Contribution
from tests.measure.keyed_iq import RATE_HZ, cut, keyed_iq
from tests.measure.pick import pick, series
from tests.truth.repeater import Keyings

GOAL_S = 2e-4
TAIL_GOAL_S = 1e-3
INPUT_S = ((0.5003, 1.2001), (2.1, 2.9), (3.9, 4.5002))
TAKE = Keyings(input_s=INPUT_S, attack_s=0.0321, hang_s=0.4127, duration_s=5.4)


def measure(paths, roles=("input", "output"), **more):
    return measure_recordings(
        "timing", [paths[role] for role in roles], spacing_hz=12500.0, verify=False, **more
    )


# Two recordings -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "how"),
    [
        ({}, {}),
        ({"rise_s": 1e-6}, {}),
        ({"rise_s": 0.004, "attack_s": 0.011, "hang_s": 0.25}, {"datatype": "ci16_le"}),
        ({"hang_s": 0.0}, {"datatype": "cf32_le"}),
        ({}, {"sample_rate_hz": 250e3}),
        ({"audio_delay_s": 0.0012}, {"noise_dbfs_hz": -75.0}),
    ],
)
def test_attack_and_hang(change, how, tmp_path: Path):
    take = replace(TAKE, **change)
    findings = measure(take.write(tmp_path, **how))
    for name, truth_s in (("attack_time", take.attack_s), ("hang_time", take.hang_s)):
        reading = pick(findings, name)
        assert reading.value == pytest.approx(truth_s, abs=GOAL_S)
        assert reading.value == pytest.approx(truth_s, abs=max(reading.expanded_uncertainty, 2e-5))
        assert reading.count == 3
    assert not any(" of 3 " in caution for caution in findings.cautions)


def test_skew_and_clocks_are_taken_out(tmp_path: Path):
    """30 ppm at 4.5 s are 0.14 ms, 12.3 ms of skew are 12.3 ms: seen red without either."""
    declared = {
        "input": {
            "skew_s": 0.0123,
            "skew_uncertainty_s": 5e-5,
            "clock_error_ppm": -20.0,
            "clock_uncertainty_ppm": 0.1,
        },
        "output": {"clock_error_ppm": 30.0, "clock_uncertainty_ppm": 0.1},
    }
    findings = measure(
        TAKE.write(
            tmp_path, input_skew_s=0.0123, input_ppm=-20.0, output_ppm=30.0, declared=declared
        )
    )
    attack, hang = pick(findings, "attack_time"), pick(findings, "hang_time")
    assert attack.value == pytest.approx(TAKE.attack_s, abs=5e-5)
    assert hang.value == pytest.approx(TAKE.hang_s, abs=5e-5)
    for reading in (attack, hang):
        assert reading.expanded_uncertainty > 2 * 5e-5  # k = 2 times the declared skew
        assert reading.expanded_uncertainty < GOAL_S + 2 * 5e-5


def begun(path: Path, start: str | None) -> None:
    """Write into a description when its first sample was taken, or leave it out."""
    meta = json.loads(path.read_text(encoding="utf-8"))
    meta["captures"][0].pop("core:datetime", None)
    if start is not None:
        meta["captures"][0]["core:datetime"] = start
    path.write_text(json.dumps(meta), encoding="utf-8")


@pytest.mark.parametrize("is_input_late", [True, False])
def test_recordings_begun_apart_are_set_by_their_dates(is_input_late: bool, tmp_path: Path):
    """True time is core:datetime plus skew plus the recording's own (DESIGN section 3).

    The later recording lacks the first 250 ms, half of it said by the date and half by the skew.
    """
    later_s = 0.25 if is_input_late else -0.25
    declared = {"input": {"skew_s": later_s / 2, "skew_uncertainty_s": 2e-5}}
    paths = TAKE.write(tmp_path, input_skew_s=later_s, declared=declared)
    begun(paths["output"], "2026-06-21T04:30:00.900000Z")
    begun(paths["input"], f"2026-06-21T04:30:0{0.9 + later_s / 2:.6f}Z")
    findings = measure(paths)
    assert pick(findings, "attack_time").value == pytest.approx(TAKE.attack_s, abs=5e-5)
    assert pick(findings, "hang_time").value == pytest.approx(TAKE.hang_s, abs=5e-5)


def test_a_recording_without_a_date_counts_as_begun_with_the_other(tmp_path: Path):
    paths = TAKE.write(tmp_path)
    begun(paths["output"], None)
    assert pick(measure(paths), "attack_time").value == pytest.approx(TAKE.attack_s, abs=5e-5)


def test_recordings_with_no_moment_in_common_are_refused(tmp_path: Path):
    paths = TAKE.write(tmp_path)
    begun(paths["output"], "2026-06-21T04:30:00.250000Z")
    begun(paths["input"], "2026-06-21T05:30:00.250000Z")
    with pytest.raises(BadInput, match=r"begins 3594\.6 s after .* has ended"):
        measure(paths)


def test_an_undeclared_skew_is_said(tmp_path: Path):
    said = "No uncertainty is declared for the skew"
    bare, told = tmp_path / "bare", tmp_path / "told"
    bare.mkdir()
    told.mkdir()
    assert any(said in caution for caution in measure(TAKE.write(bare)).cautions)
    declared = {"input": {"skew_s": 0.0, "skew_uncertainty_s": 2e-5}}
    findings = measure(TAKE.write(told, declared=declared))
    assert not any(said in caution for caution in findings.cautions)


def test_shared_clock_drops_out_of_a_difference():
    """One recorder for both: 10 ppm unknown move 0.3 s by 3 us, not 100 s by 1 ms."""
    clock = (
        Contribution(name="bench.clock_error_ppm", standard_uncertainty=10.0, source="declared"),
    )
    late = 2_500_000
    findings = two_channels(
        keyed_iq(1.2, [(0.3, 0.7)]),
        keyed_iq(1.2, [(0.35, 1.0)], random=2),
        start=late,
        clock_contributions=clock,
    )
    hang = pick(findings, "hang_time")
    shares = {c.name: abs(c.effect) for c in hang.contributions}
    assert shares["bench.clock_error_ppm"] == pytest.approx(10e-6 * 0.3, rel=1e-3)


def two_channels(incoming, outgoing, *, start=0, options=None, **more):
    channels = {
        role: Channel(name=role, role=role, sample_rate_hz=RATE_HZ, **more)
        for role in ("input", "output")
    }
    timing = Timing(channels, options or Options())
    for role, iq in (("input", incoming), ("output", outgoing)):
        for block in cut(iq, range(4096, len(iq), 4096), start=start):
            timing.push(role, block)
    return timing.finish()


def test_one_keying_has_an_uncertainty_too():
    findings = two_channels(keyed_iq(1.2, [(0.3, 0.7)]), keyed_iq(1.2, [(0.35, 1.0)], random=2))
    attack = pick(findings, "attack_time")
    assert attack.count == 1
    assert attack.value == pytest.approx(0.05, abs=1e-5)
    assert 5e-6 < attack.expanded_uncertainty < GOAL_S


def test_scatter_of_the_keyings_is_in_u():
    """Ten hang times of known scatter: U is t(9) s / sqrt(10), t at 95.45 % = 2.32 (JCGM 100
    table G.2, memory), beside a few microseconds of the filter's part."""
    hangs = 0.2 + 2e-3 * np.random.default_rng(3).normal(size=10)
    starts = 0.2 + 0.7 * np.arange(10)
    incoming = keyed_iq(7.4, [(s, s + 0.2) for s in starts])
    outgoing = keyed_iq(
        7.4, [(s + 0.03, s + 0.2 + h) for s, h in zip(starts, hangs, strict=True)], random=2
    )
    hang = pick(two_channels(incoming, outgoing), "hang_time")
    assert hang.value == pytest.approx(hangs.mean(), abs=1e-5)
    expected = 2.32 * hangs.std(ddof=1) / np.sqrt(10)
    assert hang.expanded_uncertainty == pytest.approx(expected, rel=0.01)


def test_edges_and_traces_are_drawn(tmp_path: Path):
    findings = measure(TAKE.write(tmp_path))
    for role, spans in (("input", TAKE.input_s), ("output", TAKE.output_s)):
        edges = series(findings, f"{role}_keying")
        assert edges.axes[0].values == pytest.approx(np.ravel(spans), abs=GOAL_S)
        assert edges.values.tolist() == [1.0, -1.0] * 3
        envelope = series(findings, f"{role}_envelope")
        time_s = envelope.axes[0].values
        on_s, off_s = spans[0]
        assert time_s[0] < on_s - 0.05
        assert time_s[-1] > off_s + 0.05
        keyed = (time_s > on_s + 0.01) & (time_s < off_s - 0.01)
        assert envelope.values[keyed] == pytest.approx(0.0, abs=0.5)
        assert envelope.values[time_s < on_s - 0.005].max() < -20.0
    assert series(findings, "attack_times").values == pytest.approx([0.0321] * 3, abs=GOAL_S)
    assert series(findings, "hang_times").axes[0].values.tolist() == [1.0, 2.0, 3.0]


# Pairs --------------------------------------------------------------------------------------------


def keying(*spans):
    found, at_s = [], 0.0
    opened = None
    for on_s, off_s in spans:
        up = Edge(time_s=on_s, is_rising=True, uncertainty_s=0.0, settled_power=1.0)
        down = Edge(time_s=off_s, is_rising=False, uncertainty_s=0.0, settled_power=1.0)
        found += [
            Span(start_s=at_s, end_s=on_s, keyed=False, opened=opened, closed=up),
            Span(start_s=on_s, end_s=off_s, keyed=True, opened=up, closed=down),
        ]
        at_s, opened = off_s, down
    return Keying(spans=(*found, Span(start_s=at_s, end_s=at_s + 9.0, keyed=False, opened=opened)))


@pytest.mark.parametrize(
    ("incoming", "outgoing", "attacks", "hangs", "why"),
    [
        ([(1, 2), (4, 5)], [(1.1, 2.5), (4.1, 5.5)], [0.1, 0.1], [0.5, 0.5], "plain"),
        ([(1, 2), (4, 5)], [(4.1, 5.5)], [0.1], [0.5], "the first did not key it"),
        ([(1, 2), (2.2, 3)], [(1.1, 3.5)], [0.1], [0.5], "again within the hang time"),
        ([(1, 2)], [(0.5, 2.5)], [], [0.5], "the output was on before"),
        ([(1, 2)], [(1.1, 1.5), (1.7, 2.5)], [0.1], [0.5], "a drop in the middle is no hang"),
        ([(1, 1.05)], [(1.1, 1.6)], [0.1], [0.55], "gone before the output came up"),
        ([(1, 2)], [(0.999, 2.5)], [-0.001], [0.5], "skew a little out"),
        ([(1, 2)], [], [], [], "nothing at all"),
    ],
)
def test_edges_that_belong_together(incoming, outgoing, attacks, hangs, why):
    ins, outs = keying(*incoming), keying(*outgoing)
    for is_rising, truth in ((True, attacks), (False, hangs)):
        lasted = [pair.lasted_s for pair in pair_edges(ins, outs, is_rising=is_rising)]
        assert lasted == pytest.approx(truth), why


def test_an_input_without_an_answer_is_named():
    findings = two_channels(
        keyed_iq(2.0, [(0.2, 0.4), (1.0, 1.3)]), keyed_iq(2.0, [(1.04, 1.7)], random=2)
    )
    assert pick(findings, "attack_time").count == 1
    assert any("1 of 2 input keyings" in caution for caution in findings.cautions)
    assert any("1 of 2 times" in caution for caution in findings.cautions)


def test_an_output_that_never_keys_gives_no_number():
    findings = two_channels(keyed_iq(1.0, [(0.2, 0.6)]), keyed_iq(1.0, [], random=2))
    for name in ("attack_time", "hang_time"):
        assert pick(findings, name).verdict == "not measured"
    assert any("off throughout" in caution for caution in findings.cautions)


# Output only --------------------------------------------------------------------------------------


@pytest.mark.parametrize("delay_s", [0.0, 0.0013])
def test_hang_from_the_output_alone(delay_s, tmp_path: Path):
    take = replace(TAKE, audio_delay_s=delay_s)
    findings = measure(take.write(tmp_path), ("output",), options=Options(repeater_delay_s=delay_s))
    hang = pick(findings, "hang_time", method="output only")
    assert hang.value == pytest.approx(take.hang_s, abs=GOAL_S)
    assert hang.value == pytest.approx(take.hang_s, abs=hang.expanded_uncertainty)
    tail = pick(findings, "squelch_tail")
    assert tail.value == pytest.approx(take.hang_s - delay_s, abs=TAIL_GOAL_S)
    assert pick(findings, "attack_time").verdict == "not measured"


def test_an_unknown_delay_is_in_u(tmp_path: Path):
    take = replace(TAKE, audio_delay_s=0.0013)
    findings = measure(take.write(tmp_path), ("output",))
    hang = pick(findings, "hang_time")
    assert hang.value == pytest.approx(take.hang_s - 0.0013, abs=GOAL_S)
    assert 0.0013 < hang.expanded_uncertainty < 0.005


def test_tail_between_tone_and_silence():
    """A squelch that closes 120 ms after the drop, then half a second of silent carrier."""

    def sent_hz(t):
        burst = (t >= 0.9) & (t < 1.02)
        tone = np.where(t < 0.9, 1500 * np.cos(2 * np.pi * 1000 * t), 0.0)
        rng = np.random.default_rng(9)
        coarse = rng.normal(size=len(t) // 100 + 1)
        return tone + np.where(burst, 1200 * np.repeat(coarse, 100)[: len(t)], 0.0)

    iq = keyed_iq(2.0, [(0.3, 1.52)], frequency_hz=sent_hz)
    timing = Timing({"output": Channel(name="o", role="output", sample_rate_hz=RATE_HZ)}, Options())
    for block in cut(iq, range(1000, len(iq), 7777)):
        timing.push("output", block)
    findings = timing.finish()
    tail = pick(findings, "squelch_tail")
    assert tail.value == pytest.approx(0.12, abs=TAIL_GOAL_S)
    assert tail.count == 1
    assert pick(findings, "hang_time").value == pytest.approx(0.62, abs=GOAL_S)


def test_input_alone_gives_its_edges_and_no_times(tmp_path: Path):
    findings = measure(TAKE.write(tmp_path), ("input",))
    assert series(findings, "input_keying").axes[0].values == pytest.approx(
        np.ravel(INPUT_S), abs=GOAL_S
    )
    assert {r.verdict for r in findings.readings} == {"not measured"}


def test_audio_at_telephone_rate_says_that_it_cannot_see():
    channel = Channel(name="a.wav", role="audio", signal="audio", sample_rate_hz=8000.0)
    findings = Timing({"audio": channel}, Options()).finish()
    assert any("a.wav" in caution and "8000 Hz" in caution for caution in findings.cautions)
    assert all(reading.value is None for reading in findings.readings)


# Real recordings: truth, and tolerance, from the README of the captures ---------------------------


def edges_of(findings, role):
    found = series(findings, f"{role}_keying")
    return found.axes[0].values, found.values


@pytest.mark.parametrize("spacing_hz", [12500.0, 25000.0])
def test_real_plant_sensor(captures: Path, spacing_hz):
    findings = measure_recordings(
        "timing",
        [captures / "ook_433m92_250k.sigmf-meta"],
        at_hz=433.92e6 + 6080,
        spacing_hz=spacing_hz,
    )
    time_s, ways = edges_of(findings, "output")
    ups, downs = time_s[ways > 0], time_s[ways < 0]
    assert len(ups) == len(downs) == 64  # "64 pulses including the blip"
    assert ups[0] == pytest.approx(0.2846, abs=1e-4)  # half a unit of the last digit, and the blip
    assert (ups[1], downs[-1]) == pytest.approx((0.28568, 0.48427), abs=1e-4)
    lengths = (downs - ups)[1:]
    symbols = np.round(lengths / 1007.96e-6)
    assert np.all(symbols >= 1)
    assert lengths / symbols == pytest.approx(1007.96e-6, rel=0.12)  # decoding of each pulse
    at = np.round((ups[1:] - ups[1]) / 1007.96e-6)
    slope_s = np.polyfit(at, ups[1:], 1)[0]
    assert slope_s == pytest.approx(1007.96e-6, abs=0.15e-6)  # its 0.05 us and ours, 64 edges


def test_real_meters(captures: Path):
    findings = measure_recordings(
        "timing",
        [captures / "wmbus_t1_868m95_1m6.sigmf-meta"],
        at_hz=868.95e6,
        spacing_hz=250e3,
    )
    time_s, ways = edges_of(findings, "output")
    assert ways.tolist() == [1.0, -1.0, 1.0, -1.0]
    assert time_s == pytest.approx([0.23932, 0.24599, 0.45566, 0.47028], abs=3e-5)


@pytest.mark.parametrize(
    ("name", "truth_s"),
    [
        ("pocsag1200_discriminator.flac", [0.494, 2.027]),
        ("aprs1200_discriminator.au", [1.263, 2.166]),
        ("afsk1200_sr6sat.wav", []),
    ],
)
def test_real_discriminator_audio(captures: Path, name, truth_s):
    findings = measure_recordings("timing", [captures / name])
    time_s, ways = edges_of(findings, "audio")
    assert time_s == pytest.approx(truth_s, abs=5e-3)
    assert ways.tolist() == [1.0, -1.0][: len(truth_s)]
