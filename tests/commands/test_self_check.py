"""``harness self-check``, as typed."""

import pytest

from harness.commands import self_check as command
from harness.commands.self_check import Check
from harness.readings import measured
from harness.uncertainty import Contribution


def check(value: float, truth: float, standard: float = 0.1) -> Check:
    part = Contribution(name="x", standard_uncertainty=standard, kind="A", source="chosen")
    return Check(
        what="carrier_power", truth=truth, reading=measured("carrier_power", value, [part], count=9)
    )


@pytest.mark.parametrize(
    ("value", "truth", "agrees"),
    [(36.0, 36.0, True), (36.19, 36.0, True), (36.21, 36.0, False), (35.79, 36.0, False)],
)
def test_agreement_is_within_u(value, truth, agrees) -> None:
    # Standard uncertainty 0.1 dB, k = 2 (no degrees of freedom given): U is 0.2 dB.
    assert check(value, truth).agrees is agrees


@pytest.mark.parametrize(("wrong", "status"), [(0, 0), (1, 0), (2, 4)])
def test_status_tells_of_more_than_one_that_is_off(wrong, status, monkeypatch, typed) -> None:
    checks = [check(36.0, 36.0)] * (9 - wrong) + [check(37.0, 36.0)] * wrong
    monkeypatch.setattr(command, "_carrier", lambda *_: iter(checks))
    for other in ("_timing", "_battery", "_bessel", "_desensitisation"):
        monkeypatch.setattr(command, other, lambda *_: iter(()))
    shown = typed("self-check")
    assert shown.status == status
    lines = shown.out.splitlines()
    assert lines[0].split() == ["reading", "set", "measured", "off", "by", "agrees"]
    assert sum(line.endswith("NO") for line in lines) == wrong
    assert f"{9 - wrong} of 9 agree" in shown.out
    assert all(len(line) <= 80 for line in lines)


@pytest.mark.parametrize(
    "words", [("--unit", "frost-watch-9"), ("--seed", "-1"), ("--seed", "x"), ("more",)]
)
def test_bad_usage_gets_one_plain_line(words, typed) -> None:
    typed("self-check", *words).is_one_plain_line()


@pytest.mark.slow(reason="takes half a minute: samples are made and measured for each check")
def test_the_simulated_bench_is_measured_as_it_was_set(monkeypatch, typed) -> None:
    # Every half hour instead of every five minutes: charge and energy need no finer log.
    monkeypatch.setattr(command, "BATTERY_INTERVAL_S", 1800.0)
    shown = typed("self-check")
    assert shown.status == 0, shown.out
    names = [line.split("  ")[0] for line in shown.out.splitlines()[1:11]]
    assert names == [
        "carrier_power",
        "frequency_error",
        "deviation_tone",
        "tone_frequency",
        "attack_time",
        "hang_time",
        "charge_delivered",
        "energy_delivered",
        "Bessel null",
        "desensitisation",
    ]
