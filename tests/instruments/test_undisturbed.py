"""A block that signals wait for: they act afterwards, and ignored ones stay ignored."""

import os
import signal
import threading

import pytest

from harness.instruments.undisturbed import undisturbed


@pytest.fixture
def heard():
    """Hang a handler on SIGTERM that only notes; put back what was there."""
    came = []
    before = signal.signal(signal.SIGTERM, lambda number, _: came.append(number))
    yield came
    signal.signal(signal.SIGTERM, before)


def test_a_signal_waits_for_the_end_of_the_block(heard) -> None:
    with undisturbed():
        os.kill(os.getpid(), signal.SIGTERM)
        os.kill(os.getpid(), signal.SIGTERM)
        assert heard == []
    # It comes once: the program is to end, however often it was told.
    assert heard == [signal.SIGTERM]
    os.kill(os.getpid(), signal.SIGTERM)
    assert heard == [signal.SIGTERM] * 2


def test_ctrl_c_waits_too() -> None:
    done = []

    def block() -> None:
        with undisturbed():
            os.kill(os.getpid(), signal.SIGINT)
            done.append(True)

    with pytest.raises(KeyboardInterrupt):
        block()
    assert done == [True]


def test_a_fault_inside_passes_and_handlers_are_back(heard) -> None:
    def block() -> None:
        with undisturbed():
            raise ValueError("inside")

    with pytest.raises(ValueError, match="inside"):
        block()
    os.kill(os.getpid(), signal.SIGTERM)
    assert heard == [signal.SIGTERM]


def test_what_is_ignored_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with undisturbed():
            os.kill(os.getpid(), signal.SIGHUP)
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def test_on_another_thread_nothing_is_held() -> None:
    done = []

    def work() -> None:
        with undisturbed():
            done.append(True)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert done == [True]
