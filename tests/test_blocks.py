"""Frames: the cut of the blocks never shows, gaps end a frame, nothing is invented."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.blocks import Block, Frames, flow


def cut(samples, places, start=0, rate_hz=8.0):
    """Blocks of an array, cut at the given places (any order, repeats give empty blocks)."""
    bounds = [0, *sorted(place % (len(samples) + 1) for place in places), len(samples)]
    return [Block(samples[first:last], start + first, rate_hz) for first, last in pairwise(bounds)]


def frames_of(blocks, *shape, **more):
    frames = Frames(*shape, **more)
    given_frames = [frame for block in blocks for frame in frames.push(block)]
    return given_frames, frames.rest()


def as_data(blocks):
    return [
        (block.start, block.sample_rate_hz, block.lost_before, block.samples.tolist())
        for block in blocks
    ]


@given(
    st.integers(0, 60),
    st.lists(st.integers(0, 60), max_size=8),
    st.integers(1, 9),
    st.integers(1, 9),
    st.integers(1, 5),
    st.integers(0, 20),
)
def test_the_cut_never_shows(length, places, frame, hop, align, start):
    hop = min(hop, frame)
    samples = np.arange(float(length)) + start
    whole, rest = frames_of(cut(samples, [], start), frame, hop, align=align)
    pieces, other_rest = frames_of(cut(samples, places, start), frame, hop, align=align)
    assert as_data(whole) == as_data(pieces)
    assert as_data([rest] if rest else []) == as_data([other_rest] if other_rest else [])
    # Each sample carries its own number, so a frame is right when it starts where it says.
    for given_frame in whole:
        assert given_frame.samples.tolist() == [given_frame.start + k for k in range(frame)]
        assert given_frame.start % align == whole[0].start % align or hop % align
    if whole:
        assert whole[0].start % align == 0


@given(st.lists(st.integers(0, 40), max_size=6), st.integers(1, 12), st.integers(1, 7))
def test_a_gap_ends_a_frame_and_is_handed_on(places, lost, frame):
    first = np.arange(20.0)
    after_start = 20 + lost
    second = np.arange(20.0) + after_start
    head = cut(first, places)
    tail = cut(second, places, start=after_start)
    tail[0] = Block(tail[0].samples, tail[0].start, 8.0, lost_before=lost)
    given_frames, _ = frames_of([*head, *tail], frame)
    for given_frame in given_frames:
        assert np.all(np.diff(given_frame.samples) == 1.0)
        assert given_frame.samples[0] == given_frame.start
    beyond = [given_frame for given_frame in given_frames if given_frame.start >= after_start]
    assert [given_frame.lost_before for given_frame in beyond] == [lost] + [0] * (len(beyond) - 1)
    assert beyond[0].start == after_start


def test_a_gap_that_nobody_declared_is_seen():
    frames = Frames(4)
    frames.push(Block(np.arange(3.0), 0, 8.0))
    late = Block(np.arange(4.0), 10, 8.0)
    assert frames.interrupted_by(late)
    (frame,) = frames.push(late)
    assert (frame.start, frame.lost_before) == (10, 7)


def test_what_is_left_is_given_once():
    frames = Frames(4)
    frames.push(Block(np.arange(6.0), 0, 8.0))
    rest = frames.rest()
    assert (rest.start, rest.samples.tolist()) == (4, [4.0, 5.0])
    assert frames.rest() is None


def test_undecoded_samples_keep_their_two_columns():
    (frame,) = Frames(3).push(Block(np.zeros((4, 2), np.uint8), 0, 8.0))
    assert frame.samples.shape == (3, 2)


@pytest.mark.parametrize(("length", "hop", "align"), [(0, 1, 1), (4, 5, 1), (4, 0, 1), (4, 4, 0)])
def test_impossible_frames_are_refused(length, hop, align):
    with pytest.raises(ValueError, match="need 1 <= hop <= length"):
        Frames(length, hop, align)


def test_a_block_knows_where_it_stands():
    block = Block(np.zeros(6), 12, 8.0)
    assert (block.end, block.start_s) == (18, 1.5)


class Doubling:
    """Holds each block back by one, and doubles it."""

    def __init__(self):
        self.held = []

    def push(self, block):
        given_block, self.held = self.held, [Block(block.samples * 2, block.start, 8.0)]
        return given_block

    def finish(self):
        given_block, self.held = self.held, []
        return given_block


def test_flow_brings_everything_through_to_the_end():
    blocks = cut(np.arange(10.0), [3, 7])
    through = list(flow(blocks, Doubling(), Doubling()))
    assert np.concatenate([block.samples for block in through]).tolist() == [
        4.0 * k for k in range(10)
    ]
