"""Blocks made on another thread, a few ahead of whoever takes them.

Compiled code lets other threads run, so the recordings of a take, and the measurement itself,
use the machine's cores beside each other. The blocks and their order are the same as without.
"""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Iterable, Iterator

from harness.blocks import Block

BLOCKS_AHEAD = 4
"""Channel blocks that may wait, of some 1,400 samples each. Chosen: enough to even out."""

_END = object()


def cores() -> int:
    """Count the cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def ahead(blocks: Iterable[Block]) -> Iterator[Block]:
    """Give the blocks in order while a thread makes the next ones.

    What goes wrong there is raised here, in its place in the order. When the taker stops early
    (the generator is closed), the thread ends after the block in hand.
    """
    waiting: queue.Queue[object] = queue.Queue(maxsize=BLOCKS_AHEAD)
    stopped = threading.Event()

    def put(item: object) -> bool:
        while not stopped.is_set():
            try:
                waiting.put(item, timeout=0.1)
            except queue.Full:
                continue
            return True
        return False

    def work() -> None:
        try:
            for block in blocks:
                if not put(block):
                    return
        except BaseException as fault:
            put(fault)
        else:
            put(_END)

    thread = threading.Thread(target=work, name="blocks ahead", daemon=True)
    thread.start()
    try:
        while (item := waiting.get()) is not _END:
            if isinstance(item, BaseException):
                raise item
            assert isinstance(item, Block)
            yield item
    finally:
        stopped.set()
        thread.join()
