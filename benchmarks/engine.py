"""Throughput of the engine: one channel out of 2.4 MS/s cu8, and the plain scipy chain beside it.

Prints multiples of real time, and the ratio within this run; absolute figures move with the
machine. Run with OPENBLAS_NUM_THREADS=1 for one core.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
from scipy.signal import firwin, upfirdn

from harness.blocks import Block, flow
from harness.dsp.channel import ChannelReceiver, plan_channel
from harness.dsp.demodulate import Discriminator

SAMPLE_RATE_HZ = 2.4e6
OFFSET_HZ = 300e3
SECONDS = 2.0
REPEATS = 5


def engine(codes: np.ndarray) -> None:
    """Decode, shift, filter, decimate to 25 kS/s, demodulate, in blocks."""
    plan = plan_channel(SAMPLE_RATE_HZ, OFFSET_HZ, 12500.0)
    step = 262144
    blocks = (Block(codes[i : i + step], i, SAMPLE_RATE_HZ) for i in range(0, len(codes), step))
    for _ in flow(blocks, ChannelReceiver("cu8", plan), Discriminator()):
        pass


def plain(codes: np.ndarray) -> None:
    """Do the same in whole arrays with general functions."""
    iq = (codes[:, 0].astype(np.float32) - 127.5) / 127.5 + 1j * (
        (codes[:, 1].astype(np.float32) - 127.5) / 127.5
    )
    n = np.arange(len(iq))
    shifted = iq * np.exp(-2j * np.pi * OFFSET_HZ / SAMPLE_RATE_HZ * n)
    taps = firwin(1537, 9e3, fs=SAMPLE_RATE_HZ, window=("kaiser", 8.0))
    channel = upfirdn(taps, shifted, down=96)
    np.angle(channel[1:] * np.conj(channel[:-1]))


def seconds(work: Callable[[np.ndarray], None], codes: np.ndarray) -> float:
    """Median time of a piece of work."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work(codes)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    """Print the table."""
    rng = np.random.default_rng(1)
    codes = rng.integers(0, 256, (int(SECONDS * SAMPLE_RATE_HZ), 2), dtype=np.uint8)
    engine(codes)
    ours, theirs = seconds(engine, codes), seconds(plain, codes)
    print(f"engine       {SECONDS / ours:7.1f} x real time")
    print(f"plain chain  {SECONDS / theirs:7.1f} x real time")
    print(f"ratio        {theirs / ours:7.1f}")


if __name__ == "__main__":
    main()
