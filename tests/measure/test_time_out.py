"""A transmitter that drops with the input still on, and hangs that are none.

Truth by construction: edges made here; two takes through the whole of timing. Edges are told to
a few microseconds; the tone's end and the goal are 0.2 ms.
"""

import numpy as np
import pytest

from harness.measure.answers import answers_of_two, falls_of
from harness.measure.keying import Edge, Keying, Span
from harness.measure.pairs import Pair
from harness.measure.setup import Channel, Options
from harness.measure.time_out import judge_cuts
from harness.measure.timing import Timing
from tests.measure.keyed_iq import RATE_HZ, cut, keyed_iq
from tests.measure.pick import pick


def keying(*spans):
    found, at_s, opened = [], 0.0, None
    for on_s, off_s in spans:
        up, down = (
            Edge(time_s=time_s, is_rising=rises, uncertainty_s=1e-5, settled_power=1.0)
            for time_s, rises in ((on_s, True), (off_s, False))
        )
        found += [
            Span(start_s=at_s, end_s=on_s, keyed=False, opened=opened, closed=up),
            Span(start_s=on_s, end_s=off_s, keyed=True, opened=up, closed=down),
        ]
        at_s, opened = off_s, down
    return Keying(spans=(*found, Span(start_s=at_s, end_s=at_s + 9.0, keyed=False, opened=opened)))


def answered(incoming, outgoing):
    outgoing = keying(*outgoing)
    return answers_of_two(keying(*incoming), outgoing, falls_of(outgoing, (), 0.0))


@pytest.mark.parametrize(
    ("incoming", "outgoing", "hangs", "by_timer", "others", "why"),
    [
        ([(1, 2), (4, 9)], [(1.05, 2.5), (4.05, 9.5)], [0.5, 0.5], [], [], "no timer"),
        (
            [(1, 2), (4, 9), (10, 15)],
            [(1.05, 2.5), (4.05, 7.05), (10.05, 13.07)],
            [0.5],
            [3.0, 3.02],
            [],
            "cut twice at one time",
        ),
        # The timer runs through the hang: cut 0.1 s into it, which is no hang of 0.1 s.
        (
            [(1, 2), (4, 9), (10, 15), (20, 22.95)],
            [(1.05, 2.5), (4.05, 7.05), (10.05, 13.05), (20.05, 23.05)],
            [0.5],
            [3.0, 3.0],
            [],
            "the hang is cut short",
        ),
        (
            [(1, 3.8), (5, 9), (10, 15)],
            [(1.05, 4.3), (5.05, 8.05), (10.05, 13.05)],
            [0.5],
            [3.0, 3.0],
            [],
            "up for longer with its hang: the timer does not run in that",
        ),
        ([(1, 2), (4, 9)], [(1.05, 2.5), (4.05, 7.05)], [0.5], [3.0], [], "once"),
        (
            [(1, 2), (4, 9), (10, 15), (20, 25)],
            [(1.05, 2.5), (4.05, 5.05), (10.05, 13.05), (20.05, 22.05)],
            [0.5],
            [],
            [1.0, 3.0, 2.0],
            "at no one time",
        ),
        (
            [(1, 8), (10, 15), (16, 21)],
            [(1.05, 8.5), (10.05, 13.05), (16.05, 19.05)],
            [0.5],
            [],
            [3.0, 3.0],
            "one stayed on for longer: no timer",
        ),
        # Back by itself after a drop: a break, and the hang counts as ever.
        (
            [(1, 5)],
            [(1.05, 2.0), (2.1, 5.5)],
            [0.5],
            [],
            [0.95],
            "a drop in the middle",
        ),
        ([(1, 2)], [(1.05, 1.998)], [-0.002], [], [], "skew a little out is no cut"),
    ],
)
def test_cuts_and_hangs(incoming, outgoing, hangs, by_timer, others, why):
    found = answered(incoming, outgoing)
    assert [pair.lasted_s for pair in found.hangs] == pytest.approx(hangs), why
    assert [pair.lasted_s for pair in found.cuts.by_timer] == pytest.approx(by_timer), why
    assert [pair.lasted_s for pair in found.cuts.others] == pytest.approx(others), why
    assert bool(found.cuts.words) == bool(by_timer or others)


def cuts(*lengths_s):
    return [
        Pair(number=n, from_s=10.0 * n, to_s=10.0 * n + length_s, noise_s=0.0)
        for n, length_s in enumerate(lengths_s, start=1)
    ]


@pytest.mark.parametrize(
    ("lengths_s", "words"),
    [
        ((3.0, 3.02), "A time-out timer cuts: 2 times"),
        ((180.0, 182.0, 181.0, 60.0), "dropped once while"),
        ((3.0,), "once"),
        ((0.4, 2.1, 5.0), "3 times while the input was on, after 0.400 to 5.000 s"),
    ],
)
def test_what_is_said(lengths_s, words):
    assert any(words in said for said in judge_cuts(cuts(*lengths_s), 0.0).words)


def timed(incoming, outgoing, duration_s, *, roles=("input", "output"), tone_s=None):
    """Timing of a take whose audio holds a tone while the input is on, and no noise after it."""

    def sent_hz(t):
        heard = np.zeros(len(t), bool)
        for on_s, off_s in tone_s or incoming:
            heard |= (t >= on_s) & (t < off_s)
        return np.where(heard, 1500.0 * np.cos(2 * np.pi * 1000.0 * t), 0.0)

    iq = {
        "input": keyed_iq(duration_s, incoming),
        "output": keyed_iq(duration_s, outgoing, random=2, frequency_hz=sent_hz),
    }
    channels = {role: Channel(name=role, role=role, sample_rate_hz=RATE_HZ) for role in roles}
    timing = Timing(channels, Options(repeater_delay_s=0.0))
    for role in roles:
        for block in cut(iq[role], range(6000, len(iq[role]), 6000)):
            timing.push(role, block)
    return timing.finish()


INPUT_S = ((0.2, 0.6), (1.4, 3.4), (4.0, 6.0))
OUTPUT_S = ((0.25, 0.9), (1.45, 2.65), (4.05, 5.25))


@pytest.mark.parametrize("roles", [("input", "output"), ("output",)])
def test_a_time_out_from_recordings(roles):
    """1.2 s after key-up, to the edges' few microseconds; the one hang is 0.3 s."""
    findings = timed(INPUT_S, OUTPUT_S, 6.6, roles=roles)
    time_out, hang = pick(findings, "time_out"), pick(findings, "hang_time")
    assert time_out.value == pytest.approx(1.2, abs=5e-5)
    assert time_out.expanded_uncertainty < 2e-4
    assert time_out.count == 2
    assert hang.value == pytest.approx(0.3, abs=2e-4)
    assert hang.count == 1
    assert any("time-out timer cuts" in caution for caution in findings.cautions)
    assert not any("did not drop" in caution for caution in findings.cautions)


def test_no_time_out_is_no_reading():
    findings = timed(INPUT_S[:1], OUTPUT_S[:1], 1.5)
    assert not [reading for reading in findings.readings if reading.name == "time_out"]


def test_no_hang_from_the_output_alone():
    """The tone is heard up to the end: the hang is at most what the end of the audio hides."""
    findings = timed(((0.3, 0.9), (1.3, 2.2)), ((0.35, 0.9), (1.35, 2.2)), 2.6, roles=("output",))
    hang = pick(findings, "hang_time")
    assert hang.bound == "upper"
    assert hang.value == pytest.approx(0.005)
    assert "no hang" in hang.note


def test_no_hang_with_both():
    findings = timed(
        ((0.3, 0.9), (1.3, 2.2)), ((0.35, 0.902), (1.35, 2.202)), 2.6, tone_s=((0.3, 2.5),)
    )
    assert pick(findings, "hang_time").value == pytest.approx(0.002, abs=2e-4)
    assert pick(findings, "hang_timer").value == "none"
    assert any("no hang" in caution for caution in findings.cautions)


def test_an_absent_tail_is_a_bound():
    """The tone ends, and 300 ms of silent carrier follow: a tail of none, to what would be seen."""
    for roles in (("input", "output"), ("output",)):
        tail = pick(timed(INPUT_S[:1], OUTPUT_S[:1], 1.5, roles=roles), "squelch_tail")
        assert tail.bound == "upper"
        assert 0.0 < tail.value <= 2e-3
        assert "tail absent" in tail.note


def test_an_absent_tail_of_a_plain_carrier_needs_the_input():
    """Silence throughout: with the input's drop known it is no tail, without it is unknown."""
    both, one = (
        pick(timed(INPUT_S[:1], OUTPUT_S[:1], 1.5, roles=roles, tone_s=((9, 9),)), "squelch_tail")
        for roles in (("input", "output"), ("output",))
    )
    assert both.bound == "upper"
    assert one.verdict == "not measured"
