"""A live bench that hears: a stand-in dongle on the output, and a card that runs by the clock.

The card's samples are the time at which each was taken, so that a recording tells whether a step
begins after it was set.
"""

import threading
import time
from typing import ClassVar

import numpy as np
import pytest

from harness.blocks import Block
from harness.describe import bench_from, load_bench, load_unit
from harness.errors import BadInput, Stopped
from harness.instruments import sound_card
from harness.procedures.runner import Runner
from harness.procedures.steps import EnableTransmitter, HoldKey, Record, Stimulus
from harness.procedures.wiring import open_bench
from harness.recordings import open_recording
from harness.recordings.take import open_take
from tests.instruments.dongle_bench import DongleBench

RATE_HZ, BLOCK, LATENCY_S = 48000.0, 4096, 0.15


class Card:
    """Gives each block LATENCY_S after its last sample was taken."""

    opened: ClassVar[list["Card"]] = []

    def __init__(self, device, *, sample_rate_hz):
        self.name, self.sample_rate_hz = device, sample_rate_hz
        self.next = 0
        self.listens = False
        Card.opened.append(self)

    def __enter__(self):
        self.begun_s = time.monotonic()
        self.listens = True
        return self

    def __exit__(self, *exc):
        self.listens = False

    @property
    def position(self):
        return round((time.monotonic() - self.begun_s) * RATE_HZ)

    def take(self, timeout_s):
        ready_s = self.begun_s + (self.next + BLOCK) / RATE_HZ + LATENCY_S
        wait_s = ready_s - time.monotonic()
        if wait_s > timeout_s:
            time.sleep(timeout_s)
            return None
        time.sleep(max(wait_s, 0.0))
        start, self.next = self.next, self.next + BLOCK
        taken_s = np.arange(start, self.next) / RATE_HZ
        return Block((taken_s / 1000.0).astype(np.float32), start, RATE_HZ)


class Typist:
    """Presses Enter after a while, and remembers when."""

    def __init__(self, most=99):
        self.asked, self.at_s, self.most = [], [], most

    def ask(self, question):
        if len(self.asked) == self.most:
            raise EOFError
        self.asked.append(question)
        time.sleep(0.3)
        self.at_s.append(time.monotonic())
        return ""

    def say(self, text):
        pass


class Quiet:
    def step(self, title):
        pass

    def progress(self, share):
        pass

    def say(self, text):
        pass


@pytest.fixture
def described(dongles, tmp_path, monkeypatch):
    monkeypatch.setattr(sound_card, "SoundInput", Card)
    Card.opened.clear()
    made = DongleBench(dongles, tmp_path, None)
    bench = load_bench(made.bench)
    sound = {"source": "sound card", "input_device": "line in", "sample_rate_hz": RATE_HZ}
    return load_unit(made.unit), bench, bench_from({**bench.plain(), "sound": sound})


def procedure():
    yield EnableTransmitter(enabled=False)
    yield HoldKey(held=True)
    yield Record(
        take="one",
        title="one",
        stimuli=(
            Stimulus(duration_s=0.6, level_port_dbm=-100.0, transmitter="off"),
            Stimulus(duration_s=0.6, level_port_dbm=-101.0, transmitter="off"),
        ),
        roles=("output", "audio"),
    )


def test_both_streams_of_a_take_hold_the_steps_from_when_they_were_set(described, tmp_path) -> None:
    unit, _, bench = described
    operator = Typist()
    with open_bench(bench, operator, unit=unit, hears=True) as opened:
        assert set(opened.source.streams) == {"output", "audio"}
        (card,) = Card.opened
        Runner(opened, unit, bench, tmp_path, Quiet()).run(procedure())
    assert not card.listens
    assert [question.split()[0] for question in operator.asked[:2]] == ["Disable", "Key"]
    take = open_take(tmp_path / "recordings" / "one.sigmf-collection")
    assert set(take.recordings) == {"output", "audio"}
    audio = open_recording(tmp_path / "recordings" / "one-audio.sigmf-meta")
    assert (audio.datatype, audio.sample_rate_hz) == ("rf32_le", RATE_HZ)
    blocks = list(audio.blocks())
    assert not any(block.lost_before for block in blocks)
    samples = np.concatenate([block.samples for block in blocks])
    for recording in take.recordings.values():
        steps = [(a.level_dbm, a.transmitter) for a in recording.annotations]
        assert steps == [(-100.0, "off"), (-101.0, "off")]
    for annotation, set_s in zip(audio.annotations, operator.at_s[2:4], strict=True):
        begun_s = card.begun_s + 1000.0 * float(samples[annotation.start_sample])
        # Not before it was set (float32 of the time tells it to 1 ms), nor much after.
        assert -0.001 <= begun_s - set_s < 0.5
        assert annotation.sample_count > 0.3 * RATE_HZ


def test_without_a_sound_card_it_is_refused_and_nothing_is_left_open(described) -> None:
    unit, deaf, _ = described
    with pytest.raises(BadInput, match="names no sound card"):
        open_bench(deaf, Typist(), unit=unit, hears=True)
    assert not Card.opened
    assert not [t for t in threading.enumerate() if "dongle" in t.name.lower()]


def test_nobody_to_answer_ends_it_with_the_card_closed(described, tmp_path) -> None:
    unit, _, bench = described
    with (
        pytest.raises(Stopped),
        open_bench(bench, Typist(most=1), unit=unit, hears=True) as opened,
    ):
        Runner(opened, unit, bench, tmp_path, Quiet()).run(procedure())
    assert [card.listens for card in Card.opened] == [False]
