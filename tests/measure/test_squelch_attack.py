"""Squelch attack and key-up delay: an input that comes back within the hang.

Truth by construction: the gate opens ``SQUELCH_S`` after the input's rise, the transmitter is up
``KEY_UP_S`` later where it was down; the audio takes ``delay_s``, ``behind_s`` of it behind the
gate. The tone's start is placed to 0.1 ms here, without filters; what the place of the gate does is
in U.
"""

import numpy as np
import pytest

from harness.measure.setup import Channel, Options
from harness.measure.timing import Timing
from harness.uncertainty import Contribution
from tests.measure.keyed_iq import RATE_HZ, cut, keyed_iq
from tests.measure.pick import pick

SQUELCH_S, KEY_UP_S, HANG_S, CLOSING_S = 0.0213, 0.0302, 0.35, 0.006
INPUT_S = ((0.3, 0.6003), (0.75, 1.0), (1.7, 2.0), (2.15, 2.4004))
RETURNED = (1, 3)
START_S = 1e-4


def output_s(input_s):
    spans = []
    for on_s, off_s in input_s:
        if spans and on_s < spans[-1][1]:
            spans[-1] = (spans[-1][0], off_s + HANG_S)
        else:
            spans.append((on_s + SQUELCH_S + KEY_UP_S, off_s + HANG_S))
    return spans


def findings_of(
    *,
    input_s=INPUT_S,
    delay_s=0.002,
    behind_s=0.001,
    tone=1500.0,
    more=None,
    skew_s=0.0,
    noise_db=-40.0,
):
    def sent_hz(t):
        rng = np.random.default_rng(5)
        noise = np.repeat(rng.normal(size=len(t) // 100 + 1), 100)[: len(t)]
        sent = np.zeros(len(t))
        for on_s, off_s in input_s:
            opens_s = on_s + SQUELCH_S + behind_s
            heard = (t >= opens_s) & (t < off_s + delay_s)
            burst = (t >= off_s + delay_s) & (t < off_s + delay_s + CLOSING_S)
            sent += np.where(heard, tone * np.cos(2 * np.pi * 1000.0 * (t - delay_s)), 0.0)
            sent += np.where(burst, 1200.0 * noise, 0.0)
        return sent

    iq = {
        "input": keyed_iq(3.0, input_s),
        "output": keyed_iq(
            3.0, output_s(input_s), random=2, frequency_hz=sent_hz, noise_db=noise_db
        ),
    }
    channels = {
        role: Channel(
            name=role,
            role=role,
            sample_rate_hz=RATE_HZ,
            skew_s=skew_s if role == "input" else 0.0,
            **(more or {}),
        )
        for role in iq
    }
    timing = Timing(channels, Options())
    for role, samples in iq.items():
        for block in cut(samples, range(7000, len(samples), 7000)):
            timing.push(role, block)
    return timing.finish()


@pytest.mark.parametrize(
    ("delay_s", "behind_s"), [(0.0, 0.0), (0.002, 0.001), (0.002, 0.0), (0.002, 0.002)]
)
def test_split_of_the_attack(delay_s, behind_s):
    findings = findings_of(delay_s=delay_s, behind_s=behind_s)
    squelch, key_up = pick(findings, "squelch_attack"), pick(findings, "key_up_delay")
    assert squelch.value == pytest.approx(SQUELCH_S + behind_s - delay_s / 2, abs=START_S)
    # U holds 95 % of a rectangle; its very ends lie a twentieth beyond, and 0.1 ms is the start's.
    assert squelch.value == pytest.approx(SQUELCH_S, abs=1.05 * squelch.expanded_uncertainty + 5e-5)
    assert key_up.value == pytest.approx(KEY_UP_S, abs=1.05 * key_up.expanded_uncertainty + 5e-5)
    assert squelch.count == 2
    attack = pick(findings, "attack_time")
    assert attack.value == pytest.approx(SQUELCH_S + KEY_UP_S, abs=5e-5)
    assert key_up.value == pytest.approx(attack.value - squelch.value, abs=1e-9)
    # The place of the gate, from end to end of the delay: at most its whole, k times a rectangle.
    assert squelch.expanded_uncertainty < 1.2 * delay_s / 2 + 4 * 2e-4


def test_a_weak_output_shows_it_too():
    """15 dB of carrier over noise: the silence is hiss, and the tone 6 dB above it."""
    findings = findings_of(noise_db=-15.0)
    squelch, key_up = pick(findings, "squelch_attack"), pick(findings, "key_up_delay")
    assert squelch.count == 2
    assert squelch.value == pytest.approx(SQUELCH_S, abs=squelch.expanded_uncertainty)
    assert key_up.value == pytest.approx(KEY_UP_S, abs=key_up.expanded_uncertainty)
    assert squelch.expanded_uncertainty < 5e-3


def test_coming_back_is_no_caution_and_no_hang():
    findings = findings_of()
    assert not any("of 4" in caution for caution in findings.cautions)
    assert pick(findings, "hang_time").count == 2
    assert pick(findings, "hang_time").value == pytest.approx(HANG_S, abs=5e-5)


def test_half_of_the_skew_drops_out():
    """Skew of 0.8 ms of which nobody knows moves it by half, the key-up delay by the other."""
    plain, moved = findings_of(), findings_of(skew_s=-8e-4)
    for name, share in (("attack_time", 1.0), ("squelch_attack", 0.5), ("key_up_delay", 0.5)):
        off_s = pick(moved, name).value - pick(plain, name).value
        assert off_s == pytest.approx(share * 8e-4, abs=1e-6)
    skew = {
        "skew_contributions": (
            Contribution(name="bench.skew_s", standard_uncertainty=1e-3, source="declared"),
        )
    }
    # Both recordings' skew is one here and drops out altogether.
    declared = pick(findings_of(more=skew), "squelch_attack")
    assert declared.expanded_uncertainty == pytest.approx(
        pick(plain, "squelch_attack").expanded_uncertainty
    )


def test_without_a_tone_there_is_no_split():
    findings = findings_of(tone=0.0)
    for name in ("squelch_attack", "key_up_delay"):
        reading = pick(findings, name)
        assert reading.verdict == "not measured"
        assert "no test tone" in reading.note


def test_an_input_that_does_not_come_back_gives_no_row():
    findings = findings_of(input_s=((0.3, 0.6003), (1.7, 2.0)))
    assert not [r for r in findings.readings if r.name in ("squelch_attack", "key_up_delay")]
