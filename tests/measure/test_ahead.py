"""Blocks made ahead on a thread: the same blocks, in order, and faults in their place."""

import threading
from collections.abc import Iterator

import numpy as np
import pytest

from harness.blocks import Block
from harness.errors import Damaged
from harness.measure.ahead import ahead


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
