"""A few lines that Ctrl-C and a kill wait for: switching RF off is not left half done."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType

WAITING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """Hold signals that end the program until the end of the block, then let them act.

    What is done inside must end by itself: everything there has a time limit. Outside the main
    thread signals do not arrive, and nothing is held.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def hold(number: int, _frame: FrameType | None) -> None:
        came.append(number)

    before = {}
    for number in WAITING:
        # Ignored ones stay ignored, and what C code has set is not ours to put back.
        if signal.getsignal(number) not in (None, signal.SIG_IGN):
            before[number] = signal.signal(number, hold)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if came:
            signal.raise_signal(came[0])
