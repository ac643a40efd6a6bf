"""How many times faster than the clock the simulated bench runs, on one core.

Input and output at 250 kS/s cu8. Run: ``OPENBLAS_NUM_THREADS=1 python benchmarks/simulator.py``
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import time

from harness.simulator import SimulatedBench, simulated_unit

LENGTH_S = 10.0
GOAL = 10.0


def times_real_time(case: str) -> float:
    """Give seconds made in a second of one core's time."""
    bench = SimulatedBench(simulated_unit("frost-watch-2"))
    bench.start()
    if case != "idle":
        if case == "keyed, 1 kHz tone":
            bench.set_modulation(1000.0, 1500.0)
        bench.set_level(-100.0)
    bench.read(1.0)
    began_s = time.process_time()
    for second in range(round(LENGTH_S)):
        bench.read(2.0 + second)
    return LENGTH_S / (time.process_time() - began_s)


def main() -> None:
    """Print one line per case: the best of three runs."""
    for case in ("keyed, 1 kHz tone", "keyed, no modulation", "idle"):
        best = max(times_real_time(case) for _ in range(3))
        print(f"{case:22s} {best:5.1f} times real time (goal {GOAL:g})")


if __name__ == "__main__":
    main()
