"""A sound card beside receivers, as one source: fakes with a common clock that the test moves.

The card gives blocks of 100 samples at 1 kHz, each 0.1 s after it was taken, and runs 2.35 s
before the first take. All rows are exact.
"""

import numpy as np
import pytest

from harness.blocks import Block
from harness.devices import StreamInfo
from harness.errors import HardwareFault
from harness.instruments.sound_beside import SoundBeside

CARD_HZ, RECEIVER_HZ = 1000.0, 250e3


class World:
    """The time, and both devices in it."""

    def __init__(self, now_s=2.35):
        self.now_s = now_s


class Receiver:
    def __init__(self, world):
        self.world, self.begun_s, self.closed = world, None, False
        self.at = 0

    @property
    def streams(self):
        info = StreamInfo(
            role="output", datatype="cu8", sample_rate_hz=RECEIVER_HZ, centre_hz=1e8, hardware="x"
        )
        return {"output": info}

    def start(self):
        self.begun_s, self.at = self.world.now_s, 0

    def read(self, until_s):
        self.world.now_s = max(self.world.now_s, self.begun_s + until_s)
        first, self.at = self.at, round(until_s * RECEIVER_HZ)
        return {"output": [Block(np.zeros((self.at - first, 2), np.uint8), first, RECEIVER_HZ)]}

    def stop(self):
        self.begun_s = None

    def position(self):
        return {"output": round((self.world.now_s - self.begun_s) * RECEIVER_HZ)}


class Card:
    """Its sample n is n, modulo 4096, so that what came can be told."""

    name, sample_rate_hz = "fake", CARD_HZ

    def __init__(self, world, dead_from=10**9, lost_at=None):
        self.world, self.next, self.dead_from, self.lost_at = world, 0, dead_from, lost_at
        self.listens = False

    def __enter__(self):
        self.listens = True
        return self

    def __exit__(self, *exc):
        self.listens = False

    def take(self, timeout_s):
        ready_s = (self.next + 100) / CARD_HZ + 0.1
        if self.next >= self.dead_from or ready_s > self.world.now_s + timeout_s + 1e-9:
            self.world.now_s += timeout_s
            return None
        self.world.now_s = max(self.world.now_s, ready_s)
        lost = 0
        if self.lost_at is not None and self.next >= self.lost_at:
            lost, self.lost_at = 100, None
            self.next += 100
        start, self.next = self.next, self.next + 100
        samples = (np.arange(start, self.next) % 4096).astype(np.float32)
        return Block(samples, start, CARD_HZ, lost)

    @property
    def position(self):
        return round(self.world.now_s * CARD_HZ)


def opened(**card):
    world = World()
    return world, SoundBeside(Receiver(world), Card(world, **card))


def heard(source, *until_s):
    return [block for each in until_s for block in source.read(each)["audio"]]


def test_a_take_counts_from_the_sample_that_was_taken_when_it_began() -> None:
    _, source = opened()
    with source:
        for begun in (2350, None):
            source.start()
            blocks = heard(source, 0.25, 0.5, 1.0)
            assert blocks[0].start == 0
            first = int(blocks[0].samples[0])
            assert begun is None or first == begun
            whole = np.concatenate([block.samples for block in blocks])
            assert np.array_equal(whole, (first + np.arange(len(whole))) % 4096)
            assert len(whole) >= 1000
            assert [b.start for b in blocks[1:]] == [b.end for b in blocks[:-1]]
            source.stop()


def test_its_position_is_that_of_the_card_in_the_take() -> None:
    world, source = opened()
    source.start()
    heard(source, 0.5)
    world.now_s = 2.35 + 0.7
    assert source.position() == {"output": 175_000, "audio": 700}
    assert set(source.streams) == {"output", "audio"}
    info = source.streams["audio"]
    assert (info.datatype, info.centre_hz, info.sample_rate_hz) == ("rf32_le", 0.0, CARD_HZ)
    assert info.skew_uncertainty_s > 0.0


def test_what_is_lost_stands_in_its_place() -> None:
    _, source = opened(lost_at=2600)
    source.start()
    blocks = heard(source, 1.0)
    (gap,) = [block for block in blocks if block.lost_before]
    assert (gap.lost_before, gap.start) == (100, 350)
    assert gap.samples[0] == 2700.0


def test_a_loss_before_the_take_is_none_of_it() -> None:
    _, source = opened(lost_at=2300)
    source.start()
    assert not any(block.lost_before > block.start for block in heard(source, 1.0))


def test_a_card_that_fell_silent_is_said_and_what_came_is_given() -> None:
    _, source = opened(dead_from=2800)
    source.start()
    assert sum(len(block.samples) for block in heard(source, 0.5)) == 450
    with pytest.raises(HardwareFault, match=r"sound card fake: nothing for 3 s") as caught:
        heard(source, *(0.75 + 0.25 * step for step in range(20)))
    assert "Plug it in" in str(caught.value)


def test_closing_stops_to_listen() -> None:
    world = World()
    card = Card(world)
    with SoundBeside(Receiver(world), card):
        assert card.listens
    assert not card.listens
