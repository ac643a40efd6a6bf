"""``harness health`` on recordings: made ones with known faults, and real ones.

The real ones' truths stand in their README: "overloads the receiver", 28 % of the values at the
rails while keyed (197 symbols of 0.524 s), and 57 % of I in the first of two bursts.
"""

import json
import math

import numpy as np
import pytest

from harness.commands.health import LONGEST_S
from tests.measure.test_health import image_ratio_db, unbalanced
from tests.measure.test_pad_test import FIRST_HZ, SECOND_HZ, SPUR_HZ, tone
from tests.truth.files import write_collection, write_pair

RATE_HZ, CENTRE_HZ = 250e3, 153.785e6
COUNT = 500_000


def noise(random: int, rms: float = 0.01) -> np.ndarray:
    draw = np.random.default_rng(random).normal(scale=rms / math.sqrt(2.0), size=(COUNT, 2))
    return draw[:, 0] + 1j * draw[:, 1]


@pytest.fixture
def made(tmp_path):
    """Writes a recording and gives its path."""

    def write(name: str, iq: np.ndarray, **fields):
        return write_pair(
            tmp_path / name, [iq], "cu8", RATE_HZ, CENTRE_HZ, fields={"role": "output", **fields}
        )

    return write


def test_a_table_and_what_to_do(made, typed) -> None:
    iq = unbalanced(tone(40e3, 0.5), 1.10, 0.02) + noise(1) + 0.01
    shown = typed("health", made("one", iq, full_scale_dbm=-10.0, port_offset_db=30.0), "--at", 0)
    assert shown.status == 2, "0 Hz is far from the recording"
    shown = typed("health", made("two", iq, full_scale_dbm=-10.0, port_offset_db=30.0))
    assert shown.status == 0, shown.err
    lines = {line[:12].strip(): line[13:].strip() for line in shown.out.splitlines()}
    assert lines["channel"] == "153.825 MHz (strongest)"
    assert lines["level in it"] == "−5.6 dBFS"  # 0.5, and a gain of 1.1 on one rail: +0.4 dB
    assert lines["at the port"] == "14.4 dBm"
    assert lines["DC spike"] == "−40.0 dBFS, beside it"
    assert round(image_ratio_db(1.10, 0.02), 1) == -26.3
    assert lines["image"] == "−26.3 dB to 153.825 MHz"
    assert "Caution: two: the image of 153.825" in " ".join(shown.out.split())


def test_json_is_one_object(made, typed) -> None:
    path = made("one", 3.0 * tone(40e3, 0.5) + noise(1))
    shown = typed("health", path, "--json")
    assert (shown.status, shown.err) == (0, "")
    told = json.loads(shown.out)
    assert told["kind"] == "health"
    assert told["recordings"][0]["path"] == "one"
    assert len(told["recordings"][0]["sha512"]) == 128
    (receiver,) = told["receivers"]
    assert receiver["samples"] == COUNT
    assert receiver["lost_samples"] == 0
    assert {finding["severity"] for finding in receiver["findings"]} == {"fault"}
    assert told["pads"] == told["cautions"] == []


def test_two_recordings_and_a_pad(made, typed) -> None:
    """A cubic term of 0.5 after the pad: products of three times the pad (6 dB)."""

    def through(pad_db: float, random: int) -> np.ndarray:
        at_receiver = (tone(FIRST_HZ, 0.15) + tone(SECOND_HZ, 0.15)) * 10 ** (-pad_db / 20)
        made_in_it = at_receiver + 0.2 * at_receiver * np.abs(at_receiver) ** 2
        return made_in_it + tone(SPUR_HZ, 0.005) + noise(random, 0.006)

    paths = [made("without", through(0.0, 1)), made("with", through(3.0, 2))]
    shown = typed("health", *paths, "--pad", 3, "--json")
    assert shown.status == 0, shown.err
    (pad,) = json.loads(shown.out)["pads"]
    origins = {
        round((each["frequency_hz"] - CENTRE_HZ) / 1e3): each["origin"] for each in pad["emissions"]
    }
    assert origins[20] == origins[32] == "signal"
    assert origins[8] == origins[44] == "third order"
    assert origins[-70] == "receiver's own"
    shown = typed("health", *paths, "--pad", 3)
    words = " ".join(shown.out.split())
    assert "153.8050 MHz" in words
    assert "suspected third order" in words


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("ONE", "--pad", "6"), "--pad: 1 recordings are given."),
        (("ONE", "--role", "output"), "--role: is for a bench."),
        ((), "RECORDING: nothing to look at."),
        (("ONE", "--seconds", LONGEST_S + 1), "--seconds: 3601 s."),
        (("ONE", "--at", "150e6"), "one: a channel at 150.000000 MHz is not within"),
        (("nowhere",), "nowhere.sigmf-meta"),
    ],
)
def test_what_cannot_be_is_one_plain_line(words, line, made, typed, monkeypatch, tmp_path) -> None:
    monkeypatch.chdir(tmp_path)
    path = made("one", tone(40e3, 0.5) + noise(1))
    shown = typed("health", *(path if word == "ONE" else word for word in words))
    shown.is_one_plain_line()
    assert shown.err.startswith(line)


def test_a_take_is_looked_at_by_its_receivers(typed, tmp_path) -> None:
    metas = [
        write_pair(
            tmp_path / f"take-{role}",
            [tone(40e3, 0.5) + noise(random)],
            "cu8",
            RATE_HZ,
            CENTRE_HZ,
            fields={"role": role},
        )
        for role, random in (("input", 1), ("output", 2))
    ]
    take = write_collection(tmp_path / "take", metas)
    told = json.loads(typed("health", take, "--json").out)
    assert [used["role"] for used in told["recordings"]] == ["input", "output"]
    assert [each["name"] for each in told["receivers"]] == ["take-input", "take-output"]


def test_audio_has_no_receiver(typed, tmp_path) -> None:
    path = write_pair(tmp_path / "tone", [np.zeros(48_000)], "rf32_le", 48e3, None)
    typed("health", path).is_one_plain_line()


@pytest.mark.parametrize(
    ("name", "least_share", "most_share"),
    # 28 % of the values are the I or Q of between 28 and 56 % of the samples, in the 38 % of the
    # time that it sends. 57 % of I, and as much of Q at most, in 6.66 ms of 655 ms.
    [("ook_433m92_250k", 0.106, 0.213), ("wmbus_t1_868m95_1m6", 0.0058, 0.0116)],
)
def test_real_recordings_are_told_to_clip(name, least_share, most_share, typed, captures) -> None:
    shown = typed("health", captures / f"{name}.sigmf-meta", "--json")
    assert shown.status == 0, shown.err
    (receiver,) = json.loads(shown.out)["receivers"]
    assert least_share < receiver["clipped_share"] < most_share
    assert receiver["worst_clipped_share"] > receiver["clipped_share"]
    kinds = [finding["kind"] for finding in receiver["findings"]]
    assert kinds == ["clipped", "DC spike"]
    # Wide or wild as they are, nothing is called an image or a step of the gain.
    assert receiver["gain_steps"] == []
