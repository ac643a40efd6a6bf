"""Nothing lost: a battery run that is killed, cut off, or given a disk that fails, at any call.

Each row that was shown is in the log afterwards, the log reads, and the run goes on to its end.
``disk/disk.c`` is preloaded into a process that runs a small battery run on the real journal, log,
recordings and results; ``disk/power_cut.py`` says what a power cut may leave. All is exact.
"""

import contextlib
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from harness.errors import Damaged, HardwareFault
from harness.measure.discharge import discharge_from_log
from harness.measure.setup import Options
from harness.procedures.journal import JOURNAL_NAME
from harness.procedures.runner import LOG_NAME
from harness.recordings import read_log
from harness.results import read_run
from tests.procedures.disk.power_cut import POLICIES, Disk, calls_of
from tests.procedures.disk.running import INTERVAL_S, ROWS, run

ROOT = Path(__file__).resolve().parents[2]
KILL_BEFORE, KILL_HALFWAY, FULL_FROM, BROKEN_ONCE, SHORT_ONCE, DEAF_FROM = range(1, 7)
KILLED = -9
TIMES_S = [INTERVAL_S * number for number in range(ROWS)]


@pytest.fixture(scope="module")
def place():
    """A folder in memory where there is one: what a sync costs is no part of the question."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as made:
        yield Path(made)


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """Runs in a process of their own, each a fork: give a task, get how it ended."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or not sys.platform.startswith("linux"):
        pytest.skip("no C compiler, or no preloading: the disk that fails cannot be made")
    disk = tmp_path_factory.mktemp("disk") / "disk.so"
    words = ["-std=c11", "-D_GNU_SOURCE", "-Wall", "-Wextra", "-Werror", "-O2", "-shared", "-fPIC"]
    source = Path(__file__).parent / "disk" / "disk.c"
    subprocess.run([compiler, *words, "-o", disk, source, "-ldl"], check=True)
    with subprocess.Popen(
        [sys.executable, "-m", "tests.procedures.disk.running"],
        cwd=ROOT,
        env={**os.environ, "LD_PRELOAD": str(disk), "PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout.readline() == "ready\n"

        def told(**task):
            process.stdin.write(json.dumps(task | {"folder": str(task["folder"])}) + "\n")
            process.stdin.flush()
            return int(process.stdout.readline())

        yield told
        process.stdin.close()


@pytest.fixture(scope="module")
def traced(runs, place):
    """All calls of a whole run, its results too."""
    trace, disk = place / "trace", place / "traced"
    disk.mkdir()
    assert runs(folder=disk / "run", seed=1, trace=str(trace), results=True) == 0
    return calls_of(trace.read_bytes()), str(disk)


@pytest.fixture
def disk(place):
    """A new folder for the disk to be about."""
    made = Path(tempfile.mkdtemp(dir=place))
    yield made
    shutil.rmtree(made)


def shown_in(folder):
    """Rows that were shown, and what was said of an error."""
    told = Path(f"{folder.parent}.shown")
    # Killed before it was made, nothing was shown.
    lines = told.read_text().splitlines() if told.exists() else []
    return [json.loads(line) for line in lines if line[0] == "{"], [
        line[1:] for line in lines if line[0] == "!"
    ]


def stored_in(folder):
    """Time and voltage of each row of the log."""
    if not (folder / LOG_NAME).exists() or (folder / LOG_NAME).read_bytes().count(b"\n") < 2:
        return []
    table = read_log(folder / LOG_NAME)
    assert discharge_from_log(table, Options()).kind == "discharge"
    first_s = float((folder / LOG_NAME).read_text().splitlines()[1].split(",")[1])
    return list(zip((first_s + table.time_s).tolist(), table.voltage_v.tolist(), strict=True))


def require_lasting(folder, shown):
    """Nothing that was shown is missing; the run goes on to its end, and is whole then."""
    before = stored_in(folder)
    rows = [(row["time_s"], row["voltage_v"]) for row in shown]
    assert set(rows) <= set(before)
    if (folder / "results.h5").exists():
        assert read_run(folder / "results.h5").procedure == "small run"
    journal = folder / JOURNAL_NAME
    if not journal.exists() or b"\n" not in journal.read_bytes().rstrip(b"\0"):
        # Nothing was begun: so it is said, and nothing was shown.
        assert not rows
        if journal.exists():
            with pytest.raises(Damaged, match="nothing was begun"):
                run(folder, resume=True)
        return
    if b'"ended"' in journal.read_bytes():
        return
    run(folder, resume=True)
    after = stored_in(folder)
    assert [time_s for time_s, _ in after] == TIMES_S
    assert set(rows) <= set(after)
    assert not [text for text in read_log(folder / LOG_NAME).cautions if "torn" not in text]


def require_after_cut(traced, place, policy, count, chance):
    """Cut the power after so many calls, and require that nothing shown is lost."""
    calls, old = traced
    disk = Disk()
    for call in calls[:count]:
        disk.does(call)
    with tempfile.TemporaryDirectory(dir=place) as folder:
        disk.leave(policy, chance, old, Path(folder))
        require_lasting(Path(folder) / "run", [json.loads(mark) for mark in disk.marks])


def test_the_trace_is_of_the_whole_run(traced) -> None:
    calls, _ = traced
    kinds = {call.does for call in calls}
    assert kinds >= {"folder", "make", "write", "cut", "sync", "link", "unlink", "mark"}
    assert sum(call.does == "mark" for call in calls) == ROWS
    names = {Path(call.path).name.split(".")[0] for call in calls}
    assert names >= {"battery-log", "journal", "0-output"}


def test_power_cut_between_any_two_calls_only_what_is_sure(traced, place) -> None:
    for count in range(len(traced[0]) + 1):
        require_after_cut(traced, place, "strict", count, random.Random(count))


@pytest.mark.parametrize("policy", POLICIES[1:])
def test_power_cut_and_some_of_what_is_not_sure(policy, traced, place) -> None:
    chance = random.Random(policy)
    for count in sorted(chance.sample(range(len(traced[0]) + 1), 30)):
        require_after_cut(traced, place, policy, count, chance)


def counted(runs, disk, **task):
    """Calls of a run on a sound disk."""
    assert runs(folder=disk / "run", seed=1, **task) == 0
    count = int(Path(f"{disk}.shown").read_text().rsplit("#", 1)[1])
    shutil.rmtree(disk / "run")
    Path(f"{disk}.shown").unlink()
    return count


def require_each(runs, disk, points, what, ends, **task):
    """Let something happen at each of some calls; nothing that was shown is missing after any."""
    for at in points:
        folder = disk / f"{at}" / "run"
        folder.parent.mkdir()
        status = runs(folder=folder, seed=at, at=at, what=what, **task)
        assert status in ends, at
        shown, errors = shown_in(folder)
        assert len(errors) == (status == 3)
        # A plain line that says what to do, of the disk and not of what stumbled over it later.
        assert all(text.endswith(".") and str(disk) in text for text in errors)
        require_lasting(folder, shown)
        shutil.rmtree(folder.parent)


def test_killed_before_any_call(runs, disk) -> None:
    count = counted(runs, disk)
    require_each(runs, disk, range(1, count + 1, 4), KILL_BEFORE, {KILLED})


def test_killed_halfway_through_a_write(runs, disk) -> None:
    count = counted(runs, disk)
    require_each(runs, disk, range(2, count + 1, 6), KILL_HALFWAY, {KILLED})


def test_killed_while_the_results_are_written(runs, disk) -> None:
    begins, count = counted(runs, disk), counted(runs, disk, results=True)
    points = range(begins - 2, count + 1, max((count - begins) // 4, 1))
    require_each(runs, disk, points, KILL_BEFORE, {KILLED}, results=True)


@pytest.mark.parametrize("what", [FULL_FROM, BROKEN_ONCE, SHORT_ONCE, DEAF_FROM])
def test_a_disk_that_fails_at_some_call(what, runs, disk) -> None:
    count = counted(runs, disk)
    points = range(1 + what, count + 1, 13)
    require_each(runs, disk, points, what, {0} if what == SHORT_ONCE else {3, 0})


def test_a_full_disk_while_the_results_are_written(runs, disk) -> None:
    begins, count = counted(runs, disk), counted(runs, disk, results=True)
    points = range(begins - 1, count + 1, max((count - begins) // 4, 1))
    # The last calls take no room: then it is done.
    require_each(runs, disk, points, FULL_FROM, {3, 0}, results=True)


def test_killed_at_random_moments(runs, disk) -> None:
    kill_at_random(runs, disk, 20)


def kill_at_random(runs, disk, many):
    chance = random.Random(many)
    for number in range(many):
        folder = disk / f"{number}" / "run"
        folder.parent.mkdir()
        after_s = chance.uniform(0.0, 0.05)
        assert runs(folder=folder, seed=number, kill_after_s=after_s) in (KILLED, 0)
        require_lasting(folder, shown_in(folder)[0])


@pytest.mark.parametrize("at", range(1, 5))
def test_a_dongle_pulled_while_it_is_read(at, tmp_path) -> None:
    """The driver's own watch is tried in tests/instruments; here what becomes of the run."""
    reads, shown = 0, []

    def pulled():
        nonlocal reads
        reads += 1
        if reads == at:
            raise HardwareFault("no samples for 1.0 s; unplugged?", "dongle", "Plug it in.")

    with pytest.raises(HardwareFault, match="unplugged"):
        run(tmp_path / "run", shown.append, on_read=pulled)
    require_lasting(tmp_path / "run", shown)


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 256 KB in memory."""
    folder = tmp_path / "small"
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(words, capture_output=True).returncode:
        pytest.skip("no file system may be mounted here: a full one is tried in disk.c only")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_file_system_that_fills(small_disk) -> None:
    ballast = small_disk / "ballast"
    for left_bytes in range(4096, 90_000, 16_384):
        ballast.write_bytes(bytes((256 << 10) - left_bytes))
        shown = []
        with contextlib.suppress(HardwareFault):
            run(small_disk / "run", shown.append)
        ballast.unlink()
        require_lasting(small_disk / "run", shown)
        shutil.rmtree(small_disk / "run", ignore_errors=True)


@pytest.mark.long(
    reason="some thousand runs: a quarter of an hour; the tests above are a part of it"
)
@pytest.mark.parametrize("what", [KILL_BEFORE, KILL_HALFWAY, FULL_FROM, BROKEN_ONCE, DEAF_FROM])
def test_each_fault_at_each_call(what, runs, disk) -> None:
    ends = {KILLED} if what in (KILL_BEFORE, KILL_HALFWAY) else {3, 0}
    count = counted(runs, disk, results=True)
    require_each(runs, disk, range(1, count + 1), what, ends, results=True)


@pytest.mark.long(reason="as above")
def test_killed_at_hundreds_of_random_moments(runs, disk) -> None:
    kill_at_random(runs, disk, 600)


@pytest.mark.long(reason="as above")
@pytest.mark.parametrize("policy", POLICIES)
@pytest.mark.parametrize("seed", range(3))
def test_power_cut_between_any_two_calls(policy, seed, traced, place) -> None:
    chance = random.Random(f"{policy} {seed}")
    for count in range(len(traced[0]) + 1):
        require_after_cut(traced, place, policy, count, chance)
