"""A run in other forms: nothing lost, nothing rounded, nothing overwritten.

Read back by the csv module, by pyarrow and by the json module; all rows are exact.
"""

import csv
import json
import math
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from harness.errors import BadInput
from harness.readings import (
    Axis,
    Findings,
    Limit,
    Reading,
    RecordingUsed,
    Series,
    findings_json,
    measured,
    not_measured,
)
from harness.results import Run, read_run, write_run
from harness.results.export import export_place, export_run
from harness.results.tables import tables_of
from harness.uncertainty import Contribution
from tests.results.many_runs import START

NOTE = 'He said "3,5 dB",\nand left; naïve 50 Ω'
PART = Contribution(name="shed.path", standard_uncertainty=0.1 + 0.2, source="bench file")
VALUES = np.array([[1.0, np.nan, np.pi], [-0.0, 1e-300, -np.inf]])


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A bit of everything, as it comes out of a file."""
    axes = (
        Axis(name="level", unit="dBm", values=np.array([-110.0, -100.0])),
        Axis(name="tone", unit="Hz", values=np.array([300.0, 1000.0, 3000.0])),
    )
    audio = Findings(
        kind="audio",
        readings=(
            measured(
                "sinad",
                1.0 / 3.0,
                (PART,),
                count=3,
                note=NOTE,
                conditions={"input_level_port_dbm": -100, "weighting": "flat", "de_emphasis": True},
                flags=("clipped", "floor"),
                recordings=("take",),
            ),
            not_measured("hum_and_noise", "no standard modulation", conditions={"level": "low"}),
            Reading(name="keying_state", value="normal", unit="", count=1),
            Reading(
                name="false_keying_rate",
                value=0.0,
                unit="1/h",
                interval=(0.0, math.inf),
                conditions={"level": 2.5},
            ),
        ),
        series=(
            Series(name="response", unit="dB", axes=axes, values=VALUES, conditions={"knob": "9"}),
        ),
        cautions=("one",),
        recordings=(RecordingUsed(path="take.sigmf-meta", role="output", sha512="ab"),),
    )
    held = Run(
        title="Größe",
        procedure="p",
        started_utc=START,
        ended_utc=START,
        unit={"name": "Frost Watch 2", "serial": "FW-0118"},
        limits=(Limit(reading="sinad", unit="dB", source="invented", minimum=12.0),),
        software={"harness": "1"},
        cautions=("two",),
        findings=(audio, Findings(kind="carrier")),
        earlier=(Findings(kind="audio", readings=audio.readings[:1]),),
    )
    path = tmp_path_factory.mktemp("export") / "run.h5"
    write_run(path, held)
    return read_run(path)


@pytest.fixture(scope="module")
def exported(run, tmp_path_factory):
    folder = tmp_path_factory.mktemp("forms")
    for form in ("csv", "parquet"):
        export_run(run, form, folder / form)
    export_run(run, "json", folder / "run.json")
    return folder


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_readings_in_csv(run, exported):
    rows = rows_of(exported / "csv" / "readings.csv")
    sinad, hum, state, rate = rows
    assert float(sinad["value"]) == 1.0 / 3.0
    assert float(sinad["expanded_uncertainty"]) == run.findings[0].readings[0].expanded_uncertainty
    assert (sinad["unit"], sinad["kind"], sinad["flags"]) == ("dB", "audio", "clipped; floor")
    assert sinad["note"] == NOTE
    assert sinad["conditions.input_level_port_dbm"] == "-100.0"
    assert (sinad["conditions.weighting"], sinad["conditions.de_emphasis"]) == ("flat", "true")
    assert (hum["value"], hum["verdict"], hum["conditions.de_emphasis"]) == ("", "not measured", "")
    assert (state["value"], state["state"]) == ("", "normal")
    assert float(rate["interval_high"]) == math.inf
    # A condition that is a word in one row and a number in another is text in all.
    assert (hum["conditions.level"], rate["conditions.level"]) == ("low", "2.5")
    assert {row["run_unit"] for row in rows} == {"Frost Watch 2"}


def test_csv_is_rfc_4180(exported):
    """RFC 4180, 2 (memory): CR LF after each record, quotes about what needs them, and doubled."""
    data = (exported / "csv" / "readings.csv").read_bytes()
    assert data.endswith(b"\r\n")
    assert data.count(b"\r\n") == 5
    assert b'"He said ""3,5 dB"",\nand left; na' in data
    assert not data.startswith(b"\xef\xbb\xbf")


def test_a_series_in_csv_has_its_units_in_the_header(exported):
    rows = rows_of(exported / "csv" / "00_audio_response.csv")
    assert list(rows[0]) == ["level [dBm]", "tone [Hz]", "value [dB]"]
    assert [(float(r["level [dBm]"]), float(r["tone [Hz]"])) for r in rows[2:5]] == [
        (-110.0, 3000.0),
        (-100.0, 300.0),
        (-100.0, 1000.0),
    ]
    values = [float(row["value [dB]"] or "nan") for row in rows]
    np.testing.assert_array_equal(values, VALUES.ravel())
    assert math.copysign(1.0, values[3]) == -1.0
    (listed,) = rows_of(exported / "csv" / "series.csv")
    assert (listed["table"], listed["conditions.knob"]) == ("00_audio_response", "9")


def test_parquet_holds_numbers_bit_for_bit_and_units_as_metadata(run, exported):
    table = pq.read_table(exported / "parquet" / "00_audio_response.parquet")
    assert [table.schema.field(n).metadata[b"units"] for n in ("level", "tone", "value")] == [
        b"dBm",
        b"Hz",
        b"dB",
    ]
    assert json.loads(table.schema.metadata[b"harness.conditions"]) == {"knob": "9"}
    values = table["value"].to_pylist()
    assert values[1] is None
    np.testing.assert_array_equal(
        [math.nan if value is None else value for value in values], VALUES.ravel()
    )
    readings = pq.read_table(exported / "parquet" / "readings.parquet").to_pylist()
    assert [row["value"] for row in readings] == [1.0 / 3.0, None, None, 0.0]
    assert [row["conditions.de_emphasis"] for row in readings] == [True, None, None, None]
    assert [row["count"] for row in readings] == [3, 0, 1, 0]
    assert readings[0]["note"] == NOTE
    (part,) = pq.read_table(exported / "parquet" / "contributions.parquet").to_pylist()
    assert (part["reading"], part["standard_uncertainty"]) == ("sinad", 0.1 + 0.2)
    assert part["degrees_of_freedom"] == math.inf


def test_both_forms_hold_the_same_tables(run, exported):
    names = {table.name for table in tables_of(run)}
    for form in ("csv", "parquet"):
        assert {path.stem for path in (exported / form).iterdir()} == names
    assert {"run", "readings", "earlier_readings", "limits", "cautions"} <= names


def test_json_is_what_measure_gives(run, exported):
    told = json.loads((exported / "run.json").read_text(encoding="utf-8"))
    assert told["schema"] == 1
    assert (told["title"], told["unit"]["serial"]) == ("Größe", "FW-0118")
    assert told["limits"][0]["minimum"] == 12.0
    first = findings_json(run.findings[0])
    # JSON has no infinity.
    first["readings"][3]["interval"][1] = "inf"
    assert told["findings"] == [first, findings_json(run.findings[1])]
    assert len(told["earlier"]) == 1


# Never overwritten, never half.


@pytest.mark.parametrize("form", ["csv", "parquet", "json"])
@pytest.mark.parametrize("make", [Path.mkdir, Path.touch])
def test_nothing_is_overwritten(run, tmp_path, form, make):
    make(tmp_path / "there")
    with pytest.raises(BadInput, match="exists, and is not overwritten"):
        export_run(run, form, tmp_path / "there")
    assert os.listdir(tmp_path) == ["there"]


def test_a_folder_that_is_not_there(run, tmp_path):
    with pytest.raises(BadInput, match="folder does not exist"):
        export_run(run, "csv", tmp_path / "none" / "there")


@pytest.mark.parametrize("form", ["csv", "json"])
def test_a_full_disk_leaves_nothing(run, tmp_path, monkeypatch, form):
    real = Path.open

    def full(path, *words, **more):
        file = real(path, *words, **more)

        def write(_text):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(file, "write", write, raising=False)
        return file

    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(BadInput, match="cannot be written"):
        export_run(run, form, tmp_path / "there")
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("form", "place"), [("csv", "a/run-csv"), ("parquet", "a/run-parquet"), ("json", "a/run.json")]
)
def test_where_it_goes_when_nothing_is_said(form, place):
    assert export_place(Path("a/run.h5"), form) == Path(place)


def test_parquet_is_loaded_only_when_it_is_written():
    code = "import sys, harness.results.export; print('pyarrow' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert done.stdout == "False\n"
