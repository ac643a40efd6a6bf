"""Results files in other people's readers: each takes in every text and every number.

The values are those that were written, so all rows are exact. Octave is not in CI: its test runs
where ``octave`` is on the path, and docs/results-file.md tells what was seen.
"""

import json
import shutil
import subprocess

import h5py
import numpy as np
import pytest
import xarray

from harness.readings import Axis, Findings, Series, measured, not_measured
from harness.results import Run, write_run
from harness.uncertainty import Contribution
from tests.results.many_runs import START

NOTE = "50 µV an 50 Ω, −3 dB"
PART = Contribution(name="shed.path", standard_uncertainty=0.25, source="bench file")
VALUES = np.array([[1.0, np.nan, 3.0], [4.0, 5.0, 6.5]])


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """One run with a bit of everything, texts beyond ASCII and tables without rows among it."""
    axes = (
        Axis(name="level", unit="dBm", values=np.array([-110.0, -100.0])),
        Axis(name="tone", unit="Hz", values=np.array([300.0, 1000.0, 3000.0])),
    )
    findings = Findings(
        kind="audio",
        readings=(
            measured("sinad", 20.5, (PART,), count=3, note=NOTE),
            not_measured("hum_and_noise", "no standard modulation"),
        ),
        series=(Series(name="response", unit="dB", axes=axes, values=VALUES),),
    )
    run = Run(
        title="Größe",
        procedure="p",
        started_utc=START,
        ended_utc=START,
        software={"harness": "1"},
        cautions=("one",),
        findings=(findings, Findings(kind="carrier")),
    )
    path = tmp_path_factory.mktemp("readers") / "run.h5"
    write_run(path, run)
    return path


def test_h5py_sees_no_type_that_another_reader_may_not_know(path):
    """Numbers of 8 bytes and texts of fixed length: no references or texts of their own length."""
    kinds = {}

    def see(name, held):
        if isinstance(held, h5py.Dataset) and not held.attrs.get("NAME", b"").startswith(
            b"This is a netCDF dimension but"
        ):
            kinds.setdefault(held.dtype.kind, []).append(name)
            assert held.dtype.kind == "S" or held.dtype.itemsize == 8, name

    with h5py.File(path) as file:
        file.visititems(see)
        note = file["findings/00_audio/readings/note"]
        assert note[0].decode(note.attrs["_Encoding"]) == NOTE
    assert set(kinds) == {"S", "f", "i"}


def test_xarray_decodes_texts_by_itself(path):
    with xarray.open_datatree(path, engine="h5netcdf") as tree:
        readings = tree["findings/00_audio/readings"]
        assert list(readings["note"].values) == [NOTE, "no standard modulation"]
        assert list(readings["verdict"].values) == ["", "not measured"]
        np.testing.assert_array_equal(
            tree["findings/00_audio/series/response/value"].values, VALUES
        )
        assert tree["findings/01_carrier/readings"].sizes == {"reading": 0}
        assert tree.attrs["title"] == "Größe"


OCTAVE = """
run = load('{path}');
readings = run.findings._00_audio.readings;
held.name = cellstr(readings.name);
held.note = double(readings.note(1, :));
held.value = readings.value;
held.units = cellstr(readings.unit);
held.count = double(readings.count);
held.response = run.findings._00_audio.series.response.value;
held.level = run.findings._00_audio.series.response.level;
held.caution = run.cautions.text;
disp(jsonencode(held));
"""


@pytest.mark.skipif(shutil.which("octave") is None, reason="octave is not on the path")
def test_octave_loads_all_of_it(path):
    done = subprocess.run(
        ["octave", "--no-gui", "--quiet", "--norc", "--eval", OCTAVE.format(path=path)],
        capture_output=True,
        text=True,
    )
    # What it cannot take in it leaves out, with a warning.
    assert "warning: load" not in done.stderr, done.stderr
    held = json.loads(done.stdout)
    assert held["name"] == ["sinad", "hum_and_noise"]
    assert bytes(int(code) for code in held["note"]).rstrip(b"\0").decode() == NOTE
    assert held["value"] == [20.5, None]
    assert held["units"] == ["dB", "dB"]
    assert held["count"] == [3, 0]
    # The first dimension of the file is the last of Octave's, which counts columns first.
    assert np.array(held["response"], dtype=float).T.tolist()[1] == VALUES[1].tolist()
    assert held["level"] == [-110.0, -100.0]
    assert held["caution"] == "one"
