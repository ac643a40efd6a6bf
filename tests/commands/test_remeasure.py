"""``harness remeasure``: findings one by one, resumed, nothing overwritten.

Exit status and one plain line per fault are DESIGN section 6; a cluster of two workers is the
issue's. Findings must be those that ``harness measure`` gives.
"""

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from harness.commands.app import main
from tests.truth.files import write_collection, write_pair
from tests.truth.signals import Carrier, Dongle

AT_HZ = 153.875e6


def record(path: Path, offset_hz: float = 0.0, role: str = "output") -> Path:
    """Write half a second of a carrier at 250 kS/s."""
    dongle = Dongle(
        sample_rate_hz=250e3,
        noise_dbfs_hz=-90.0,
        carriers=(Carrier(frequency_hz=AT_HZ + offset_hz, level_dbfs=-10.0),),
    )
    fields = {
        "role": role,
        "full_scale_dbm": -20.0,
        "clock_error_ppm": 0.0,
        "clock_uncertainty_ppm": 0.001,
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    return write_pair(path, [dongle.samples(125_000)], "cu8", 250e3, 153.825e6, fields=fields)


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Three recordings in two folders; two of them have one name."""
    folder = tmp_path / "archive"
    record(folder / "june" / "one", 100.0)
    record(folder / "july" / "one", 200.0)
    record(folder / "july" / "two", 300.0)
    return folder


@pytest.fixture
def typed(monkeypatch, capsys):
    """Type a command; give exit status, standard output and standard error."""

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["harness", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        assert "Traceback" not in printed.err
        return ended.value.code, printed.out, printed.err

    return run


def error_hz(path: Path) -> float:
    findings = json.loads(path.read_text(encoding="utf-8"))
    assert findings["kind"] == "carrier"
    (found,) = (r for r in findings["readings"] if r["name"] == "frequency_error")
    return found["value"]


def test_each_recording_gets_what_measure_gives(archive, tmp_path, typed) -> None:
    out = tmp_path / "found"
    words = ("remeasure", "carrier", archive, "--at", AT_HZ, "--out", out, "--jobs", 2)
    status, printed, complaints = typed(*words)
    assert (status, complaints) == (0, "")
    assert "3 measured" in printed
    # Half a hertz is DESIGN's goal for the frequency.
    for name, expected_hz in (("june/one", 100.0), ("july/one", 200.0), ("july/two", 300.0)):
        assert error_hz(out / f"{name}.carrier.json") == pytest.approx(expected_hz, abs=0.5)
    assert sorted(p.name for p in out.rglob("*") if p.is_file()) == [
        "one.carrier.json",
        "one.carrier.json",
        "two.carrier.json",
    ]
    _, alone, _ = typed("measure", "carrier", archive / "july" / "two", "--at", AT_HZ, "--json")
    found = json.loads((out / "july" / "two.carrier.json").read_text(encoding="utf-8"))
    assert found == json.loads(alone)


def test_a_second_run_goes_on_where_the_first_was(archive, tmp_path, typed) -> None:
    out = tmp_path / "found"
    words = ("remeasure", "carrier", archive, "--at", AT_HZ, "--out", out, "--jobs", 1)
    assert typed(*words)[0] == 0
    kept = out / "june" / "one.carrier.json"
    before = kept.stat().st_mtime_ns
    (out / "july" / "two.carrier.json").unlink()
    status, printed, _ = typed(*words)
    assert status == 0
    assert "1 measured" in printed
    assert "2 were there already" in printed
    assert kept.stat().st_mtime_ns == before


def test_a_bad_recording_is_listed_and_stops_nothing(archive, tmp_path, typed) -> None:
    data = archive / "july" / "one.sigmf-data"
    octets = bytearray(data.read_bytes())
    octets[1000] ^= 1
    data.write_bytes(octets)
    out = tmp_path / "found"
    words = ("remeasure", "carrier", archive, "--at", AT_HZ, "--out", out, "--jobs", 2)
    status, printed, complaints = typed(*words)
    assert status == 2
    assert "2 measured" in printed
    assert "1 could not be measured" in printed
    assert len(complaints.splitlines()) == 1
    assert "july" in complaints
    assert "checksum" in complaints
    assert not (out / "july" / "one.carrier.json").exists()
    assert (out / "june" / "one.carrier.json").exists()


@pytest.mark.parametrize("content", ["", "{}", '{"kind": "audio", "recordings": []}'])
def test_what_is_in_the_way_is_not_overwritten(archive, tmp_path, typed, content) -> None:
    out = tmp_path / "found"
    other = out / "june" / "one.carrier.json"
    other.parent.mkdir(parents=True)
    other.write_text(content, encoding="utf-8")
    words = ("remeasure", "carrier", archive, "--at", AT_HZ, "--out", out, "--jobs", 1)
    status, _, complaints = typed(*words)
    assert status == 2
    assert "june" in complaints
    assert other.read_text(encoding="utf-8") == content
    assert (out / "july" / "two.carrier.json").exists()


def test_findings_of_other_samples_are_not_taken_for_done(archive, tmp_path, typed) -> None:
    out = tmp_path / "found"
    one = archive / "june" / "one.sigmf-meta"
    words = ("remeasure", "carrier", one, "--at", AT_HZ, "--out", out, "--jobs", 1)
    assert typed(*words)[0] == 0
    for suffix in (".sigmf-meta", ".sigmf-data"):
        one.with_suffix(suffix).unlink()
    record(archive / "june" / "one", 400.0)
    status, _, complaints = typed(*words)
    assert status == 2
    assert "other samples" in complaints
    assert error_hz(out / "one.carrier.json") == pytest.approx(100.0, abs=0.5)


def test_a_take_stands_for_its_recordings(tmp_path, typed) -> None:
    folder = tmp_path / "archive"
    metas = [record(folder / "in", 50.0, "input"), record(folder / "out", 150.0)]
    write_collection(folder / "take", metas)
    record(folder / "alone", 250.0)
    out = tmp_path / "found"
    words = ("remeasure", "carrier", folder, "--at", AT_HZ, "--out", out, "--jobs", 1)
    assert typed(*words)[0] == 0
    assert sorted(p.name for p in out.iterdir()) == ["alone.carrier.json", "take.carrier.json"]
    assert error_hz(out / "take.carrier.json") == pytest.approx(150.0, abs=0.5)


def test_a_failed_limit_is_status_4(archive, tmp_path, typed) -> None:
    unit = tmp_path / "unit.toml"
    unit.write_text(
        'name = "bench piece"\nreceive_hz = 158.475e6\ntransmit_hz = 153.875e6\n'
        "channel_spacing_hz = 12500\nrated_deviation_hz = 2500\n"
        "rated_power_w = 1.0\nemphasis = true\n"
        '[[limits]]\nreading = "frequency_error"\nmaximum = 150\nminimum = -150\nunit = "Hz"\n'
        'source = "chosen"\n',
        encoding="utf-8",
    )
    out = tmp_path / "found"
    words = ("remeasure", "carrier", archive, "--unit", unit, "--out", out, "--jobs", 1)
    status, printed, complaints = typed(*words)
    assert status == 4, complaints
    assert "2 do not pass" in printed


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["discharge", "ARCHIVE"], "discharge"),
        (["carrier", "ARCHIVE/empty"], "no recording"),
        (["carrier", "ARCHIVE/june/one.sigmf-meta", "ARCHIVE/july/one.sigmf-meta"], "same name"),
        (["carrier", "ARCHIVE", "--jobs", "0"], "--jobs"),
        (["carrier", "ARCHIVE/nowhere.sigmf-meta"], "nowhere"),
    ],
)
def test_bad_use_is_one_line(archive, tmp_path, typed, words, part) -> None:
    (archive / "empty").mkdir()
    words = [word.replace("ARCHIVE", str(archive)) for word in words]
    status, _, complaints = typed("remeasure", *words, "--out", tmp_path / "found")
    assert status == 2
    assert part in complaints
    assert len(complaints.splitlines()) == 1


HAS_DASK = importlib.util.find_spec("distributed") is not None
ON_A_CLUSTER = """
import sys
from distributed import LocalCluster
from harness.commands.app import main

if __name__ == "__main__":
    with LocalCluster(
        n_workers=2, processes=True, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        sys.argv = ["harness", *sys.argv[1:], "--cluster", cluster.scheduler_address]
        main()
"""


@pytest.mark.skipif(not HAS_DASK, reason="Dask is not installed: the extra 'cluster'")
def test_on_a_cluster_of_two_workers(archive, tmp_path) -> None:
    """Workers are processes of their own, so what is sent must be importable and picklable."""
    (archive / "july" / "one.sigmf-data").unlink()
    script = tmp_path / "cluster.py"
    script.write_text(ON_A_CLUSTER, encoding="utf-8")
    out = tmp_path / "found"
    words = ["remeasure", "carrier", archive, "--at", AT_HZ, "--out", out]
    got = subprocess.run(
        [sys.executable, str(script), *map(str, words)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    assert got.returncode == 2, got.stderr
    assert "2 measured" in got.stdout
    assert "1 could not be measured" in got.stdout
    assert error_hz(out / "june" / "one.carrier.json") == pytest.approx(100.0, abs=0.5)
    assert error_hz(out / "july" / "two.carrier.json") == pytest.approx(300.0, abs=0.5)


@pytest.mark.skipif(not HAS_DASK, reason="Dask is not installed: the extra 'cluster'")
def test_no_scheduler_is_one_line(archive, tmp_path, typed, monkeypatch) -> None:
    monkeypatch.setattr("harness.measure.many.CLUSTER_PATIENCE_S", 0.2)
    words = ("remeasure", "carrier", archive, "--at", AT_HZ, "--out", tmp_path / "found")
    status, _, complaints = typed(*words, "--cluster", "tcp://127.0.0.1:9")
    assert status == 2
    assert "scheduler" in complaints
