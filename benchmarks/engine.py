"""Speed and memory of the engine beside a plain scipy chain, all in one run.

One channel out of 2.4 MS/s cu8: shift by 300 kHz, filter, decimate to 25 kS/s, demodulated
frequency, power per millisecond, from a file that the system has in memory. Prints multiples of
real time and ratios, each against its goal. Pieces of work take turns; each figure is the median
of its turns (and the best). Times are those of the processor, so that what else runs on the
machine counts less; where two cores are compared it is the clock's.

Run: ``python benchmarks/engine.py [TURNS] [--write]``; with ``--write`` the table goes into
``docs/speed.md``. An overlap-save channel on pyfftw is added where pyfftw is installed; the project
does not depend on it.
"""

from __future__ import annotations

import os

# One core: set before NumPy reads it.
os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

import hashlib
import json
import multiprocessing
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
from scipy.signal import firwin, upfirdn

from harness.blocks import Block, Frames, flow
from harness.commands.progress import RecordingWatcher
from harness.describe import bench_from
from harness.devices import Role, StreamInfo
from harness.dsp import compiled
from harness.dsp.channel import ChannelBank, ChannelReceiver, plan_channel
from harness.dsp.demodulate import Discriminator, grain_moments
from harness.measure.feed import QUICK_BLOCK_SAMPLES
from harness.measure.run import measure_recordings
from harness.procedures.looking import Channels
from harness.procedures.recording import record_take, take_paths
from harness.recordings import Recording, open_recording
from harness.recordings.recording import BLOCK_SAMPLES

SAMPLE_RATE_HZ = 2.4e6
OFFSET_HZ = 300e3
CENTRE_HZ = 153.525e6
LONG_S = 60
SHORT_S = 2
WHOLE_CHAIN_BYTES = 12e9
"""The plain chain takes the whole recording at a time, some 8 GB of arrays; with less memory free
it is timed on the first ``SHORT_S``, which stay nearer to the processor: kinder to it. Chosen."""
GRAIN = 25
EIGHT_HZ = [-1050e3, -700e3, -450e3, -100e3, 200e3, 300e3, 650e3, 1000e3]


def write_recording(folder: Path, name: str, seconds: int) -> Path:
    """Write a carrier with a 1 kHz tone and noise."""
    n = np.arange(int(SAMPLE_RATE_HZ))
    time_s = n / SAMPLE_RATE_HZ
    iq = 0.5 * np.exp(2j * np.pi * OFFSET_HZ * time_s + 1.5j * np.sin(2000.0 * np.pi * time_s))
    rng = np.random.default_rng(1)
    pairs = np.stack([iq.real, iq.imag], axis=1) + 0.02 * rng.standard_normal((len(n), 2))
    octets = np.clip(np.rint(127.5 + 127.5 * pairs), 0, 255).astype(np.uint8).tobytes()
    digest = hashlib.sha512()
    with (folder / f"{name}.sigmf-data").open("wb") as data:
        for _ in range(seconds):
            data.write(octets)
            digest.update(octets)
        # So that the disk is not busy with it while times are taken.
        data.flush()
        os.fsync(data.fileno())
    meta = {
        "global": {
            "core:version": "1.2.0",
            "core:datatype": "cu8",
            "core:sample_rate": SAMPLE_RATE_HZ,
            "core:sha512": digest.hexdigest(),
        },
        "captures": [{"core:sample_start": 0, "core:frequency": CENTRE_HZ}],
        "annotations": [],
    }
    path = folder / f"{name}.sigmf-meta"
    path.write_text(json.dumps(meta), encoding="utf-8")
    return path


def engine(recording: Recording, offset_hz: float = OFFSET_HZ, *, use_compiled: bool = True) -> int:
    """Run the engine over an open recording: frequency and power per millisecond."""
    plan = plan_channel(SAMPLE_RATE_HZ, offset_hz, 12500.0)
    receiver = ChannelReceiver("cu8", plan, use_compiled=use_compiled)
    taker = Taker()
    blocks = recording.blocks(QUICK_BLOCK_SAMPLES, reuse_memory=receiver.is_compiled)
    for block in flow(blocks, receiver):
        taker.push(block)
    return taker.count


class Taker:
    """Demodulate channel blocks and take their power per millisecond."""

    def __init__(self) -> None:
        self._discriminator = Discriminator()
        self._frames = Frames(GRAIN * 1000, GRAIN * 1000)
        self.count = 0

    def push(self, block: Block) -> None:
        """Take a channel block."""
        for frequency in self._discriminator.push(block):
            self.count += len(frequency.samples)
        for frame in self._frames.push(block):
            self.count += len(grain_moments(frame.samples, GRAIN).second)


def eight(recording: Recording) -> None:
    """Take eight channels out of one recording that is read and decoded once."""
    plans = [plan_channel(SAMPLE_RATE_HZ, hz, 12500.0) for hz in EIGHT_HZ]
    bank = ChannelBank("cu8", plans, use_compiled=True)
    takers = [Taker() for _ in plans]
    blocks = recording.blocks(QUICK_BLOCK_SAMPLES, reuse_memory=True)
    for given in [*map(bank.push, blocks), bank.finish()]:
        for taker, made in zip(takers, given, strict=True):
            for block in made:
                taker.push(block)


def plain(path: Path, count: int = -1) -> None:
    """Do the same in whole arrays with general functions."""
    codes = np.fromfile(path.with_suffix(".sigmf-data"), np.uint8, count).reshape(-1, 2)
    iq = (codes[:, 0].astype(np.float32) - 127.5) / 127.5 + 1j * (
        (codes[:, 1].astype(np.float32) - 127.5) / 127.5
    )
    n = np.arange(len(iq))
    shifted = iq * np.exp(-2j * np.pi * OFFSET_HZ / SAMPLE_RATE_HZ * n)
    taps = firwin(1537, 9e3, fs=SAMPLE_RATE_HZ, window=("kaiser", 8.0))
    channel = upfirdn(taps, shifted, down=96)
    step = np.angle(channel[1:] * np.conj(channel[:-1]))
    (step * 25e3 / (2.0 * np.pi)).astype(np.float32)
    whole = channel[: len(channel) // GRAIN * GRAIN]
    (whole.real**2 + whole.imag**2).reshape(-1, GRAIN).mean(axis=1)


def overlap_save() -> Callable[[np.ndarray], None] | None:
    """Make an FFT overlap-save channel on pyfftw, or None where it is not installed."""
    try:
        import pyfftw
    except ImportError:
        return None
    size, down = 24576, 96
    taps = firwin(1537, 9e3, fs=SAMPLE_RATE_HZ, window=("kaiser", 8.0))
    small = size // down
    hop = (size - len(taps) + 1) // down * down
    forward = pyfftw.FFTW(
        pyfftw.empty_aligned(size, "complex64"), pyfftw.empty_aligned(size, "complex64")
    )
    backward = pyfftw.FFTW(
        pyfftw.empty_aligned(small, "complex64"),
        pyfftw.empty_aligned(small, "complex64"),
        direction="FFTW_BACKWARD",
    )
    shift = round(OFFSET_HZ / SAMPLE_RATE_HZ * size)
    bins = (np.arange(-small // 2, small // 2) + shift) % size
    low_pass = np.fft.fft(taps, size)[np.arange(-small // 2, small // 2) % size]
    low_pass = np.fft.ifftshift(low_pass).astype(np.complex64) / down
    order = np.fft.ifftshift(bins)
    lead = -(-(len(taps) - 1) // down)

    def run(codes: np.ndarray) -> None:
        out = []
        numbers = np.empty((size, 2), dtype=np.float32)
        for start in range(0, len(codes) - size + 1, hop):
            numbers[:] = codes[start : start + size]
            numbers -= np.float32(127.5)
            forward.input_array[:] = numbers.view(np.complex64)[:, 0]
            spectrum = forward()
            backward.input_array[:] = spectrum[order] * low_pass
            out.append(backward()[lead : lead + hop // down].copy())
        channel = np.concatenate(out)
        np.angle(channel[1:] * np.conj(channel[:-1]))
        whole = channel[: len(channel) // GRAIN * GRAIN]
        (whole.real**2 + whole.imag**2).reshape(-1, GRAIN).mean(axis=1)

    return run


def read_only(path: Path) -> None:
    """Only read the file into a reused buffer."""
    buffer = bytearray(262_144)
    with path.with_suffix(".sigmf-data").open("rb", buffering=0) as file:
        while file.readinto(buffer):
            pass


def two_at_once(recordings: list[Recording]) -> None:
    """Run the engine on each recording on a thread of its own."""
    threads = [threading.Thread(target=engine, args=[each]) for each in recordings]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _again(pipe: Connection, path: Path) -> None:
    """Run the engine whenever asked."""
    recording = open_recording(path)
    engine(recording)
    pipe.send(True)
    while pipe.recv():
        engine(recording)
        pipe.send(True)


class TwoProcesses:
    """The same on two processes: as much as the machine has to give at the moment."""

    def __init__(self, paths: list[Path]) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipes = []
        for path in paths:
            ours, theirs = context.Pipe()
            context.Process(target=_again, args=(theirs, path), daemon=True).start()
            self._pipes.append(ours)
        for pipe in self._pipes:
            pipe.recv()

    def run(self) -> None:
        """Let both run once."""
        for pipe in self._pipes:
            pipe.send(True)
        for pipe in self._pipes:
            pipe.recv()

    def end(self) -> None:
        """Let both go."""
        for pipe in self._pipes:
            pipe.send(False)


class Replayed:
    """A live stream that waits for nobody: satisfies ``harness.devices.SampleSource``."""

    def __init__(self, recording: Recording) -> None:
        self.streams = {
            "output": StreamInfo(
                role="output",
                datatype="cu8",
                sample_rate_hz=SAMPLE_RATE_HZ,
                centre_hz=CENTRE_HZ,
                hardware="none",
            )
        }
        self._recording = recording
        self._start = 0

    def start(self) -> None:
        """Begin anew."""
        self._start = 0

    def stop(self) -> None:
        """Nothing to stop."""

    def read(self, until_s: float) -> dict[Role, list[Block]]:
        """Give the blocks up to then."""
        start, self._start = self._start, round(until_s * SAMPLE_RATE_HZ)
        blocks = self._recording.blocks(BLOCK_SAMPLES, start, self._start)
        return {"output": list(blocks)}


def live(recording: Recording, folder: Path) -> None:
    """Record a stream and have its level, clipping and lost samples shown as they come."""
    bench = bench_from({"name": "benchmark", "output": {"source": "rtlsdr", "serial": "0"}})
    channels = Channels(middles_hz={"output": CENTRE_HZ + OFFSET_HZ})
    place = Path(tempfile.mkdtemp(dir=folder))
    paths = take_paths(place / "take", ["output"])
    with open(os.devnull, "w") as nowhere, redirect_stderr(nowhere), redirect_stdout(nowhere):
        with RecordingWatcher(LONG_S) as watcher:
            source = Replayed(recording)
            record_take(source, bench, channels, paths, place / "take", LONG_S, watcher.watch)
    shutil.rmtree(place)


def program_s(path: Path, cache: Path | None = None) -> float:
    """Time ``harness measure carrier`` as a whole process, compiled code kept in ``cache``."""
    words = ["measure", "carrier", str(path), "--at", str(CENTRE_HZ + OFFSET_HZ), "--json"]
    cached = {} if cache is None else {"NUMBA_CACHE_DIR": str(cache)}
    began = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "harness", *words],
        stdout=subprocess.DEVNULL,
        check=True,
        env={**os.environ, **cached, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    return time.perf_counter() - began


_PEAK = """
import re, sys
from pathlib import Path
from harness.measure.feed import QUICK_BLOCK_SAMPLES
from harness.measure.run import measure_recordings
measure_recordings("carrier", [Path(sys.argv[1])], at_hz=153.825e6, verify=False)
print(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1])
"""


def peak_mb(path: Path) -> float:
    """Peak memory of a whole measurement in a process of its own."""
    run = subprocess.run(
        [sys.executable, "-c", _PEAK, str(path)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    return int(run.stdout) * 1024 / 1e6


def free_bytes() -> float:
    """Memory that can be had without anything being put aside; 0 where the system does not say."""
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0.0
    sizes = dict(line.split(":") for line in lines)
    return 1024.0 * float(sizes["MemAvailable"].split()[0])


@contextmanager
def one_core() -> Iterator[None]:
    """Stay on one core for a while, where the system lets a process choose."""
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(before)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def seconds_by_turns(
    works: dict[str, tuple[float, Callable[[], object]]],
    turns: int,
    clock: Callable[[], float] = time.process_time,
) -> tuple[dict[str, list[float]], dict[str, list[float]]]:
    """Time each piece of work in turn, twice; give seconds per second of recording of each.

    Returns
    -------
    settled : the second time of each turn, when the caches hold what the work itself put there
    first : the first time of each turn, after what another piece of work left behind
    """
    settled: dict[str, list[float]] = {name: [] for name in works}
    first: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(turns):
        for name, (length_s, work) in works.items():
            for taken in (first, settled):
                began = clock()
                work()
                taken[name].append((clock() - began) / length_s)
    return settled, first


@dataclass(frozen=True)
class Line:
    """A figure and its goal; ``most`` where less is better."""

    title: str
    median: float
    best: float
    goal: float | None
    most: bool = False

    @property
    def met(self) -> bool:
        """Whether the median reaches the goal."""
        if self.goal is None:
            return True
        return self.median <= self.goal if self.most else self.median >= self.goal

    @property
    def goal_text(self) -> str:
        """The goal as text."""
        if self.goal is None:
            return ""
        return f"{'<=' if self.most else '>='} {self.goal:g}"


DOCUMENT = Path(__file__).resolve().parent.parent / "docs" / "speed.md"
WORDS = """# Speed and memory

Made by `python benchmarks/engine.py {turns} --write`; do not edit the tables by hand.

One channel out of unsigned 8-bit IQ at 2.4 MS/s, a disk's file in the page cache: shift by 300 kHz,
filter with 80 dB of alias rejection or more, decimate to 25 kS/s, demodulated frequency, power per
millisecond. Compiled code warm, recordings open. Pieces of work take turns, twice each: the second
time counts, for right after another piece (the plain chain leaves gigabytes behind it) the first
finds the caches full of what is not its own. Ratios are formed within a turn. Times are those of
the processor, pinned to one core, so that what else runs counts less; where two cores are compared
it is the clock's, and what else runs counts in full: see the load below, and compare with two
processes, which share nothing. Caches and execution units are shared with what else runs, so
absolute figures move by a factor of two.

{machine}
"""


def main() -> None:
    """Print the table; write it where asked."""
    given = [word for word in sys.argv[1:] if word != "--write"]
    turns = int(given[0]) if given else 5
    before = os.getloadavg()[0]
    chain_s = LONG_S if free_bytes() > WHOLE_CHAIN_BYTES else SHORT_S
    # A disk's file, as recordings are: one in shared memory lies in small pages, half as quick.
    with tempfile.TemporaryDirectory() as name:
        speeds, lines = measure_all(Path(name), turns, chain_s)
    load = max(before, os.getloadavg()[0])
    machine = (
        f"{os.cpu_count()} cores ({platform.machine()}), Python {platform.python_version()}, NumPy"
        f" {np.__version__}; load of the machine up to {load:.1f}, this run's own included. The"
        f" plain chain took {chain_s} s of recording in one piece, in whole arrays."
    )
    print(f"{'':44s} {'median':>9s} {'best':>9s}   multiples of real time, one core")
    for line in speeds:
        print(f"{line.title:44s} {line.median:9.1f} {line.best:9.1f}")
    print(f"\n{'':44s} {'median':>9s} {'best':>9s}   goal")
    for line in lines:
        missed = "" if line.met else "   missed"
        print(f"{line.title:44s} {line.median:9.2f} {line.best:9.2f}   {line.goal_text}{missed}")
    print(machine)
    if "--write" in sys.argv[1:]:
        text = WORDS.format(turns=turns, machine=machine)
        text += "\n| | median | best | goal | |\n|---|---|---|---|---|\n"
        for line in lines:
            met = "" if line.goal is None else "met" if line.met else "missed"
            text += f"| {line.title} | {line.median:.2f} | {line.best:.2f}"
            text += f" | {line.goal_text.replace('<=', '≤').replace('>=', '≥')} | {met} |\n"
        text += "\n| multiples of real time, one core | median | best |\n|---|---|---|\n"
        for line in speeds:
            text += f"| {line.title} | {line.median:.1f} | {line.best:.1f} |\n"
        DOCUMENT.write_text(text, encoding="utf-8")


def measure_all(folder: Path, turns: int, chain_s: int) -> tuple[list[Line], list[Line]]:
    """Write the recordings, warm up, take turns; give the speeds and the figures with goals."""
    long, other = (write_recording(folder, name, LONG_S) for name in ("one", "two"))
    recordings = [open_recording(path) for path in (long, other)]
    short = np.fromfile(
        long.with_suffix(".sigmf-data"), np.uint8, int(SAMPLE_RATE_HZ) * 2 * SHORT_S
    )
    short = short.reshape(-1, 2)
    overlapped = overlap_save()
    chain_count = int(SAMPLE_RATE_HZ) * 2 * chain_s
    works: dict[str, tuple[float, Callable[[], object]]] = {
        "plain scipy chain": (chain_s, lambda: plain(long, chain_count)),
        "engine": (LONG_S, lambda: engine(recordings[0])),
        "engine, plain way": (LONG_S, lambda: engine(recordings[0], use_compiled=False)),
        "measure carrier": (
            LONG_S,
            lambda: measure_recordings(
                "carrier", [long], at_hz=CENTRE_HZ + OFFSET_HZ, verify=False
            ),
        ),
        "readinto": (LONG_S, lambda: read_only(long)),
        "eight channels": (LONG_S, lambda: eight(recordings[0])),
        "live stream, recorded and shown": (LONG_S, lambda: live(recordings[0], folder)),
    }
    if overlapped is not None:
        works["pyfftw overlap-save"] = (SHORT_S, lambda: overlapped(short))
    if not compiled.is_available():
        print("Numba is not there: the engine runs the plain way.")
    with one_core():
        for name in ("engine", "measure carrier", "pyfftw overlap-save"):
            if name in works:
                works[name][1]()
        taken, first = seconds_by_turns(works, turns)
    speeds = [
        Line(name, 1 / statistics.median(each), 1 / min(each), None)
        for name, each in [*taken.items(), ("engine, right after the plain chain", first["engine"])]
    ]

    def ratio(title: str, slow: str, fast: str, goal: float) -> Line:
        pairs = [a / b for a, b in zip(taken[slow], taken[fast], strict=True)]
        return Line(title, statistics.median(pairs), max(pairs), goal)

    lines = [
        ratio("engine against the plain chain", "plain scipy chain", "engine", 130),
        ratio("measure carrier against it", "plain scipy chain", "measure carrier", 60),
        ratio("engine's share of readinto's speed", "readinto", "engine", 0.3),
    ]
    if overlapped is not None:
        lines.append(
            ratio("engine against overlap-save on pyfftw", "pyfftw overlap-save", "engine", 5)
        )
    eights = [a / b for a, b in zip(taken["eight channels"], taken["engine"], strict=True)]
    lines.append(
        Line("eight channels against one", statistics.median(eights), min(eights), 3, most=True)
    )
    processes = TwoProcesses([long, other])
    clocked, _ = seconds_by_turns(
        {
            "one": (1.0, lambda: engine(recordings[0])),
            "threads": (1.0, lambda: two_at_once(recordings)),
            "processes": (1.0, processes.run),
        },
        turns,
        time.perf_counter,
    )
    processes.end()
    for what, goal in (("threads", 1.8), ("processes", None)):
        gains = [2.0 * a / b for a, b in zip(clocked["one"], clocked[what], strict=True)]
        title = f"two recordings on two {what} against one"
        lines.append(Line(title, statistics.median(gains), max(gains), goal))
    if Path("/proc/self/status").exists():
        peak = peak_mb(long)
        lines.append(
            Line(f"peak memory, measure carrier on {LONG_S} s, MB", peak, peak, 180, most=True)
        )
    brief = write_recording(folder, "brief", 1)
    once = [program_s(brief) for _ in range(turns)]
    with tempfile.TemporaryDirectory() as empty:
        at_first = program_s(brief, Path(empty))
    lives = [100.0 * each for each in taken["live stream, recorded and shown"]]
    lines += [
        Line(
            "harness measure on 1 s, whole process, s",
            statistics.median(once),
            min(once),
            1.3,
            True,
        ),
        Line("the same with nothing compiled before, s", at_first, at_first, 6, True),
        Line("live stream, % of one core", statistics.median(lives), min(lives), 25, True),
    ]
    from simulator import times_real_time

    simulated = [times_real_time("keyed, 1 kHz tone") for _ in range(2)]
    lines.append(
        Line("simulated bench, times real time", statistics.median(simulated), max(simulated), 10)
    )
    return speeds, lines


if __name__ == "__main__":
    main()
