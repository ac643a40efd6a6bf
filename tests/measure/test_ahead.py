"""Blocks made ahead on a thread: the same blocks, in order, and faults in their place."""

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from harness.blocks import Block
from harness.errors import Damaged
from harness.measure import feed
from harness.measure.ahead import ahead
from harness.measure.select import Wish
from tests.truth.files import write_pair


def numbered(count: int, fault: BaseException | None = None) -> Iterator[Block]:
    for k in range(count):
        yield Block(np.full(3, k), 3 * k, 1.0)
    if fault is not None:
        raise fault


def running() -> list[str]:
    return [t.name for t in threading.enumerate() if t.name == "blocks ahead"]


def test_the_same_blocks_in_order() -> None:
    assert [b.start for b in ahead(numbered(100))] == [3 * k for k in range(100)]
    assert not running()


def test_a_fault_comes_after_the_blocks_before_it() -> None:
    blocks = ahead(numbered(7, Damaged("ends early")))
    seen = [next(blocks).start for _ in range(7)]
    with pytest.raises(Damaged, match="ends early"):
        next(blocks)
    assert seen == [3 * k for k in range(7)]
    assert not running()


def test_stopping_early_ends_the_thread() -> None:
    blocks = ahead(numbered(10_000))
    assert next(blocks).start == 0
    blocks.close()
    assert not running()


def test_it_does_not_run_far_ahead() -> None:
    made = []

    def counted() -> Iterator[Block]:
        for block in numbered(1000):
            made.append(block.start)
            yield block

    blocks = ahead(counted())
    for _ in range(10):
        next(blocks)
    # Four wait, one is in hand, one is being put.
    assert len(made) <= 10 + 6
    blocks.close()


def test_recordings_side_by_side_give_the_same_bits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two receivers on threads of their own, and the same two one after the other without."""
    monkeypatch.setattr(feed, "COMPILED_FROM_SAMPLES", 0)
    monkeypatch.setattr(feed, "cores", lambda: 2)
    paths = []
    for number, role in enumerate(("input", "output")):
        codes = np.random.default_rng(number).integers(0, 256, (700_000, 2), dtype="u1")
        paths.append(
            write_pair(tmp_path / role, [codes], "cu8", 250e3, 153.8e6, fields={"role": role})
        )
    wish = Wish(at_hz=153.825e6, spacing_hz=None, span_s=None)

    def bits(run: Callable[[list[Iterator[Block]]], Iterator[tuple[Block, ...]]]) -> list[bytes]:
        feeds = [feed.open_feed(path, None, None, wish) for path in paths]
        assert all(each.receiver is not None and each.receiver.is_compiled for each in feeds)
        parts = [b"", b""]
        for blocks in run([each.blocks() for each in feeds]):
            for number, block in enumerate(blocks):
                parts[number] += block.samples.tobytes()
        return parts

    threaded = bits(lambda streams: zip(*streams, strict=True))
    monkeypatch.setattr(feed, "cores", lambda: 1)
    alone = bits(lambda streams: iter(list(zip(*map(list, streams), strict=True))))
    assert min(map(len, alone)) > 0
    assert alone[0] != alone[1]
    assert threaded == alone
