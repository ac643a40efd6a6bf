"""However a recording is cut into blocks, the samples and their places are the same."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.recordings import open_recording

# The recording is made once and only read.
READ_ONLY = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture
def gapped(put, describe, codes):
    """A recording with 50 samples lost before the 400th, and a second segment at the 700th."""
    document = describe(codes)
    document["captures"].append({"core:sample_start": 700, "core:frequency": 1e6})
    document["annotations"] = [{"core:sample_start": 400, "harness:lost_samples": 50}]
    return open_recording(put(document, codes))


@READ_ONLY
@given(size=st.integers(1, 1200), ends=st.lists(st.integers(0, 1050), min_size=2, max_size=2))
def test_any_cut_gives_the_same_samples(gapped, codes, size, ends):
    first, stop = sorted(ends)
    stream = np.full((1050, 2), -1)
    stream[:400], stream[450:] = codes[:400], codes[400:]
    there = np.full((1050, 2), -1)
    end = first
    for block in gapped.blocks(size, first, stop):
        assert 1 <= len(block.samples) <= size
        assert block.start == end + block.lost_before
        assert block.sample_rate_hz == 250e3
        there[block.start : block.end] = block.samples
        end = block.end
    wanted = np.full((1050, 2), -1)
    wanted[first:stop] = stream[first:stop]
    assert np.array_equal(there, wanted)


@pytest.mark.parametrize(
    ("datatype", "dtype"), [("cu8", np.uint8), ("ci16_le", np.int16), ("cf32_le", np.float32)]
)
def test_samples_come_as_stored(put, describe, datatype, dtype):
    raw = np.random.default_rng(3).bytes(8 * 500)
    samples = np.frombuffer(raw, dtype).reshape(-1, 2)
    if dtype is np.float32:
        # Any bits that are a number near enough to full scale to be a sample.
        samples = np.clip(np.nan_to_num(samples), -1e9, 1e9)
    recording = open_recording(put(describe(samples, datatype), samples))
    blocks = list(recording.blocks(77))
    assert all(block.samples.dtype == dtype for block in blocks)
    assert b"".join(block.samples.tobytes() for block in blocks) == samples.tobytes()


def test_blocks_are_read_only_and_keep_their_own_memory(gapped, codes):
    first, *others = list(gapped.blocks(100))
    assert np.array_equal(first.samples, codes[:100])
    assert not first.samples.flags.writeable
    assert not any(np.shares_memory(first.samples, other.samples) for other in others)


def test_blocks_may_run_side_by_side(gapped):
    pairs = zip(gapped.blocks(10), gapped.blocks(10), strict=True)
    assert all(np.array_equal(a.samples, b.samples) for a, b in pairs)


@pytest.mark.parametrize("wrong", [(0, 0, None), (10, -1, None), (10, 5, 4)])
def test_a_callers_mistake(gapped, wrong):
    with pytest.raises(ValueError, match="block_samples="):
        gapped.blocks(*wrong)


def test_blocks_end_at_a_segment(gapped):
    assert [block.start for block in gapped.blocks()] == [0, 450, 750]
