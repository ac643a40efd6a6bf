"""The bounded queue: what came is given once and in order, what has no room is counted."""

import numpy as np
import pytest

from harness.instruments.arrivals import ROOM_S, Arrivals

RATE_HZ = 1000.0
"""Small, so that the queue is: 8000 samples."""
ROOM = round(ROOM_S * RATE_HZ)


def filled(*lengths, begin=0):
    """Give a queue of buffers of so many samples that came on time, numbered codes."""
    queue = Arrivals(RATE_HZ, RATE_HZ)
    queue.begin(begin)
    put(queue, *lengths)
    return queue


def put(queue, *lengths):
    for length in lengths:
        number = queue.counted + np.arange(length)
        codes = np.stack([number & 255, (number >> 8) & 255], axis=1).astype(np.uint8)
        queue.put(codes.reshape(-1), (queue.counted + length) / RATE_HZ)


def given(blocks):
    """Numbers of the samples in blocks, each checked against its place."""
    numbers = []
    for block in blocks:
        codes = block.samples.astype(int)
        numbers += list(range(block.start, block.end))
        place = block.start + np.arange(len(codes))
        assert (codes[:, 0] + 256 * codes[:, 1] == place).all()
    return numbers


@pytest.mark.parametrize("cuts", [(1, 2, 3), (100, 250, 300), (300,), (299, 300)])
def test_however_it_is_cut_each_sample_comes_once(cuts) -> None:
    queue = filled(100, 1, 99, 100)
    numbers = [n for cut in cuts for n in given(queue.take(cut))]
    numbers += given(queue.take(1000))
    assert numbers == list(range(300))
    assert queue.take(1000) == []


def test_the_buffer_is_copied_since_the_library_uses_it_again() -> None:
    queue = Arrivals(RATE_HZ, RATE_HZ)
    queue.begin(0)
    buffer = np.zeros(20, np.uint8)
    queue.put(buffer, 0.01)
    buffer[:] = 255
    (block,) = queue.take(10)
    assert not block.samples.any()
    assert not block.samples.flags.writeable


def test_what_there_is_no_room_for_is_a_gap() -> None:
    queue = filled(*[1000] * 10)
    assert queue.overrun_samples == 10_000 - ROOM
    first = queue.take(10_000)
    assert given(first) == list(range(ROOM))
    put(queue, 500)
    (block,) = queue.take(20_000)
    assert (block.start, block.lost_before) == (10_000, 10_000 - ROOM)
    put(queue, 500)
    assert [b.lost_before for b in queue.take(20_000)] == [0]


def test_a_take_begins_within_a_buffer_and_counts_from_there() -> None:
    queue = Arrivals(RATE_HZ, RATE_HZ)
    put(queue, 100)
    queue.begin(130)
    put(queue, 50, 50)
    blocks = queue.take(1000)
    assert [(b.start, len(b.samples), b.lost_before) for b in blocks] == [(0, 20, 0), (20, 50, 0)]
    assert blocks[0].samples[0, 0] == 130
    queue.stop()
    put(queue, 100)
    queue.begin(queue.counted)
    assert queue.take(1000) == []


def test_a_take_cannot_begin_with_what_is_past() -> None:
    queue = Arrivals(RATE_HZ, RATE_HZ)
    put(queue, 100, 100)
    assert not queue.begin(199)
    put(queue, 100)
    with pytest.raises(ValueError, match="no take"):
        queue.take(1000)
    assert queue.begin(300)
    put(queue, 100)
    assert [block.start for block in queue.take(1000)] == [0]


def test_lost_on_the_way_is_missing_before_the_next() -> None:
    queue = filled(100, 100)
    # 50 ms late for good: 50 samples; certain half a second later.
    for number in range(3, 12):
        queue.put(np.zeros(200, np.uint8), number * 0.1 + 0.05)
    blocks = queue.take(10_000)
    assert [(b.start, b.lost_before) for b in blocks[:4]] == [(0, 0), (100, 0), (250, 50), (350, 0)]
    assert queue.lost_samples == 50


def test_waiting_ends_with_the_samples_the_end_or_the_silence() -> None:
    queue = filled(100)
    assert queue.wait(100, 10.0)
    assert not queue.wait(101, 0.01)
    queue.end("gone")
    assert not queue.wait(101, 10.0)
    assert queue.wait(100, 10.0)
    queue.stop()
    for ask in (lambda: queue.wait(1, 1.0), lambda: queue.take(1)):
        with pytest.raises(ValueError, match="no take"):
            ask()
