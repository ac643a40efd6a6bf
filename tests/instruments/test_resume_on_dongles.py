"""A run that is unplugged, stopped or killed goes on where it was: processes of their own.

The program is on stand-in dongles and a generator on a loopback socket. Whatever ends it, RF is
off (but for a kill, which nobody can answer), finished takes are neither lost nor made again, and
what was begun is kept aside.
"""

import signal
import time

import pytest

from harness.recordings import open_recording, open_take
from harness.results import read_run
from tests.instruments.dongle_bench import RATE_HZ, DongleBench
from tests.instruments.scpi_responder import Responder

pytestmark = pytest.mark.slow(reason="acceptances in real time, a quarter of a minute each")
BYTES_A_SECOND = round(2 * RATE_HZ)
TAKES = ("carrier", "timing", "squelch-1200-search", "sensitivity")


@pytest.fixture
def responder():
    with Responder() as made:
        yield made


@pytest.fixture
def bench(dongles, responder, tmp_path):
    return DongleBench(dongles, tmp_path, responder.resource)


def finished(folder, takes):
    """What is on the disk of takes, by name."""
    found = {}
    for take in takes:
        for path in (folder / "recordings").glob(f"{take}[.-]*"):
            found[path.name] = (path.stat().st_mtime_ns, path.read_bytes())
    return found


def goes_on(bench, folder, done, responder):
    """Resume, and require that the whole is there and what was done was left alone."""
    before = finished(folder, done)
    assert len(before) == 5 * len(done)
    status, _, err = bench.run("--resume", folder)
    assert status == 4, err
    assert f"Going on: {len(done)} takes are done." in err
    assert finished(folder, done) == before
    for take in TAKES:
        assert set(open_take(folder / "recordings" / take).recordings) == {"input", "output"}
    run = read_run(folder / "results.h5")
    assert [found.kind for found in run.findings][:4] == ["carrier", "audio", "timing", "timing"]
    assert "The run stood still for" in run.notes
    assert "Ended early" not in run.notes
    assert (folder / "report.html").exists()
    assert responder.state["rf"] is False
    again = bench.run("--resume", folder)
    assert again[0] == 2
    assert again[2].splitlines() == [
        f"{folder}: the run is done. There is nothing left to go on with."
    ]


def test_unplugged_in_a_take_it_says_where_it_goes_on(bench, responder, tmp_path) -> None:
    folder = tmp_path / "run"
    # The look takes 1 s, the carrier 4 s from about 2 s on; the timing after it 4.3 s.
    bench.plug_in(f"vanish {9 * BYTES_A_SECOND} -5", index=1)
    status, out, err = bench.run("--out", folder)
    assert status == 3
    assert out == ""
    assert "With align_hz in the bench file they are aligned first." in " ".join(err.split())
    last = err.splitlines()[-1]
    assert last.startswith("dongle 00000102: ")
    assert "unplugged? All up to" in last
    assert last.endswith(
        'It goes on at "Attack and hang, 1 keyings" with:'
        f" harness accept {bench.unit} {bench.bench} --resume {folder}"
    )
    assert responder.state["rf"] is False
    assert "Ended early" in read_run(folder / "results.h5").notes
    kept = open_recording(folder / "recordings" / "timing-output.sigmf-meta")
    assert kept.duration_s > 0.2
    whole = kept.path.with_suffix(".sigmf-data").read_bytes()
    # Still unplugged: nothing is lost by trying.
    bench.plug_in("open -3", index=1)
    status, _, err = bench.run("--resume", folder)
    assert status == 3
    assert kept.path.exists()
    bench.plug_in()
    goes_on(bench, folder, ("carrier",), responder)
    aside = folder / "unfinished-1"
    assert (aside / "recordings" / "timing-output.sigmf-data").read_bytes() == whole
    assert "Ended early" in read_run(aside / "results.h5").notes


def in_the_middle(process, folder, take):
    """Answer at the knob, and wait until a take is being recorded."""
    process.stdin.write("\n" * 50)
    process.stdin.flush()
    part = folder / "recordings" / f"{take}-output.sigmf-data.part"
    deadline_s = time.monotonic() + 120.0
    while not part.exists() or part.stat().st_size < BYTES_A_SECOND // 2:
        assert process.poll() is None, process.stderr.read()
        assert time.monotonic() < deadline_s
        time.sleep(0.05)


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGKILL, -9)])
def test_stopped_or_killed_in_a_take_it_goes_on(number, status, bench, responder, tmp_path) -> None:
    folder = tmp_path / "run"
    process = bench.start("--out", folder)
    in_the_middle(process, folder, "squelch-1200-search")
    process.send_signal(number)
    _, err = process.communicate(timeout=60)
    assert process.returncode == status, err
    if number == signal.SIGINT:
        assert responder.state["rf"] is False
        told = 'It goes on at "Squelch at 12:00: looking for the region" with: harness accept'
        assert told in " ".join(err.split())
        assert err.splitlines()[-1] == "stopped; what was recorded is kept"
    goes_on(bench, folder, ("carrier", "timing"), responder)
    kept = folder / "unfinished-1" / "recordings" / "squelch-1200-search-output.sigmf-meta"
    # Of a process that was killed too: its names are put right.
    assert open_recording(kept).duration_s >= 0.25
