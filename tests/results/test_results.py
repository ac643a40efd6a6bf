"""Results files: what was written comes back bit for bit, opens elsewhere, and is never lost."""

import importlib.util
import math
import os
import shutil
import struct
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import h5netcdf
import h5py
import numpy as np
import pytest
import xarray
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.errors import BadInput
from harness.readings import Axis, Findings, Limit, Reading, Series, measured
from harness.results import SCHEMA, Run, layout, read_run, write_run
from harness.uncertainty import Contribution

WHEN = datetime(2026, 3, 14, 7, 41, 5, 123456, tzinfo=UTC)
BASE = Path(__file__).resolve().parents[1] / "data" / "results" / "schema-1.h5"


def sample_module():
    path = Path(__file__).resolve().parents[1] / "report" / "sample_run.py"
    spec = importlib.util.spec_from_file_location("sample_run", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def exact(value):
    """A form in which two runs are equal only if every bit is."""
    if is_dataclass(value):
        return {field.name: exact(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, np.ndarray):
        return (value.shape, value.dtype.str, value.tobytes())
    if isinstance(value, bool) or value is None or isinstance(value, str | datetime):
        return (type(value).__name__, value)
    if isinstance(value, float):
        return struct.pack("<d", value)
    if isinstance(value, int):
        return ("int", value)
    if isinstance(value, tuple | list):
        return [exact(held) for held in value]
    return {key: exact(held) for key, held in value.items()}


def small_run(**more):
    return Run(title="t", procedure="p", started_utc=WHEN, ended_utc=WHEN, **more)


@pytest.fixture(scope="module")
def sample():
    return sample_module().sample_run()


@pytest.fixture(scope="module")
def written(sample, tmp_path_factory):
    path = tmp_path_factory.mktemp("results") / "run.h5"
    write_run(path, sample)
    return path


def test_all_of_a_run_comes_back(sample, written):
    assert exact(read_run(written)) == exact(sample)


def test_nothing_comes_back_as_nothing(tmp_path):
    run = small_run()
    write_run(tmp_path / "empty.h5", run)
    assert exact(read_run(tmp_path / "empty.h5")) == exact(run)


TEXTS = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=12)
FLOATS = st.floats(allow_nan=False)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
CONDITIONS = st.dictionaries(TEXTS, st.one_of(TEXTS, FINITE, st.booleans()), max_size=3)


@st.composite
def readings(draw):
    return Reading(
        name="sinad",
        value=draw(FINITE),
        unit="dB",
        expanded_uncertainty=draw(st.none() | FLOATS),
        coverage_factor=draw(FINITE),
        interval=draw(st.none() | st.tuples(FLOATS, FLOATS)),
        bound=draw(st.sampled_from(("upper", "lower"))),
        count=draw(st.integers(0, 2**60)),
        conditions=draw(CONDITIONS),
        recordings=tuple(draw(st.lists(TEXTS, max_size=2))),
        flags=draw(st.sampled_from(((), ("clipped",), ("floor", "too short")))),
        verdict=draw(st.sampled_from((None, "pass", "fail"))),
        note=draw(TEXTS),
        contributions=tuple(
            Contribution(
                name=name,
                standard_uncertainty=draw(FLOATS),
                sensitivity=draw(FLOATS),
                kind=draw(st.sampled_from("AB")),
                degrees_of_freedom=draw(FLOATS),
                source=draw(TEXTS),
                distribution=draw(st.sampled_from(("normal", "rectangular"))),
            )
            for name in draw(st.lists(TEXTS, max_size=2))
        ),
    )


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(readings(), max_size=3), TEXTS, st.lists(TEXTS, max_size=2), CONDITIONS)
def test_any_reading_comes_back(tmp_path, given_readings, text, cautions, description):
    run = small_run(
        notes=text,
        unit=description,
        software={text: text},
        cautions=tuple(cautions),
        findings=(Findings(kind="not measured", readings=tuple(given_readings)),),
        limits=(Limit(reading="sinad", unit="dB", source=text, where={"level": (-1.5, 2.0)}),),
    )
    path = tmp_path / "any.h5"
    path.unlink(missing_ok=True)
    write_run(path, run)
    assert exact(read_run(path)) == exact(run)


@pytest.mark.parametrize(
    "values",
    [
        np.array([]),
        np.array([0.0, -0.0, np.nan, np.inf, -np.inf, 5e-324]),
        np.frombuffer(b"\x01\x02\x03\x04\x05\x06\xf8\x7f").copy(),  # a NaN with a message in it
        np.random.default_rng(1).normal(size=5000),  # large enough to be compressed
    ],
    ids=["empty", "special", "payload", "compressed"],
)
def test_series_come_back_bit_for_bit(tmp_path, values):
    axis = Axis(name="time", unit="s", values=np.arange(len(values)) * 0.1)
    series = Series(name="power", unit="dBm", axes=(axis,), values=values)
    run = small_run(findings=(Findings(kind="discharge", series=(series,)),))
    write_run(tmp_path / "run.h5", run)
    assert exact(read_run(tmp_path / "run.h5")) == exact(run)


def test_a_series_may_have_two_axes(tmp_path):
    axes = (
        Axis(name="level", unit="dBm", values=np.array([1.0, 2.0])),
        Axis(name="tone", unit="Hz", values=np.array([3.0, 4.0, 5.0])),
    )
    series = Series(name="gain", unit="dB", axes=axes, values=np.arange(6.0).reshape(2, 3))
    run = small_run(findings=(Findings(kind="audio", series=(series,)),))
    write_run(tmp_path / "run.h5", run)
    assert exact(read_run(tmp_path / "run.h5")) == exact(run)


def test_the_order_of_findings_is_kept_whatever_their_groups_are_called(tmp_path, monkeypatch):
    # As with more than a hundred: "100_b" stands before "99_a" in the alphabet.
    monkeypatch.setattr(layout, "findings_group", lambda place, kind: f"findings/{9 - place}")
    run = small_run(findings=tuple(Findings(kind=kind) for kind in "cabd"))
    write_run(tmp_path / "run.h5", run)
    assert [part.kind for part in read_run(tmp_path / "run.h5").findings] == list("cabd")


def test_times_are_kept_in_utc():
    local = timezone(timedelta(hours=5, minutes=45))
    run = Run(title="", procedure="", started_utc=WHEN.astimezone(local), ended_utc=WHEN)
    assert run.started_utc == WHEN
    assert run.started_utc.utcoffset() == timedelta(0)
    with pytest.raises(ValueError, match="time zone"):
        Run(title="", procedure="", started_utc=datetime(2026, 1, 1), ended_utc=WHEN)


# Other programs.


def test_xarray_opens_it_as_it_is(sample, written):
    with xarray.open_datatree(written, engine="h5netcdf") as tree:
        assert tree.attrs["title"] == sample.title
        power = tree["findings/06_discharge/series/power"]
        assert power["value"].dims == ("time",)
        assert power["value"].attrs["units"] == "dBm"
        assert power["time"].attrs["units"] == "s"
        np.testing.assert_array_equal(power["value"], sample.findings[6].series[0].values)
    with xarray.open_dataset(written, group="findings/00_carrier/readings") as readings:
        assert readings.sizes == {"reading": 5}
        assert list(readings["name"].values[:2]) == ["carrier_power", "frequency_error"]
        assert float(readings["value"][0]) == sample.findings[0].readings[0].value


def test_plain_hdf5_sees_scales_and_units(sample, written):
    with h5py.File(written) as file:
        value = file["findings/01_audio/series/sinad_fit/value"]
        scale = value.dims[0][0]
        assert scale.name.endswith("/input_level_port")
        np.testing.assert_array_equal(scale, sample.findings[1].series[1].axes[0].values)
        numbers = []
        file.visititems(
            lambda name, item: (
                numbers.append((name, item))
                if isinstance(item, h5py.Dataset) and item.dtype.kind in "fi"
                else None
            )
        )
        bare = [
            name
            for name, item in numbers
            if "units" not in item.attrs and not item.attrs["NAME"].startswith(b"This is a netCDF")
        ]
        assert bare == []


# Never lost, never overwritten.


def test_nothing_is_overwritten(tmp_path):
    path = tmp_path / "run.h5"
    path.write_bytes(b"last year's")
    with pytest.raises(BadInput, match="exists, and is not overwritten"):
        write_run(path, small_run())
    assert path.read_bytes() == b"last year's"
    assert os.listdir(tmp_path) == ["run.h5"]


def test_a_name_taken_meanwhile_is_not_overwritten(tmp_path, monkeypatch):
    path = tmp_path / "run.h5"
    fill = importlib.import_module("harness.results.write")
    real = fill._fill

    def slow(file, run):
        path.write_bytes(b"another's")
        real(file, run)

    monkeypatch.setattr(fill, "_fill", slow)
    with pytest.raises(BadInput, match="exists"):
        write_run(path, small_run())
    assert path.read_bytes() == b"another's"
    assert os.listdir(tmp_path) == ["run.h5"]


@pytest.mark.parametrize(
    ("more", "error"),
    [
        ({"notes": "a\0b"}, BadInput),
        ({"cautions": ("\udc80.sigmf-meta",)}, BadInput),
        ({"limits": (Limit(reading="sinad", unit="dB", source="", minimum=math.nan),)}, ValueError),
    ],
    ids=["NUL", "half a character", "NaN"],
)
def test_what_cannot_be_kept_leaves_nothing_behind(tmp_path, more, error):
    with pytest.raises(error):
        write_run(tmp_path / "run.h5", small_run(**more))
    assert os.listdir(tmp_path) == []


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(BadInput, match="folder does not exist"):
        write_run(tmp_path / "none" / "run.h5", small_run())


# Damage.


def one_line(path):
    with pytest.raises(BadInput) as caught:
        read_run(path)
    line = str(caught.value)
    assert str(path) in line
    assert "\n" not in line
    return line


@pytest.mark.parametrize("part", [0.0, 0.01, 0.3, 0.9, 0.999])
def test_a_file_cut_short(written, tmp_path, part):
    data = written.read_bytes()
    path = tmp_path / "cut.h5"
    path.write_bytes(data[: int(len(data) * part)])
    assert "cut short" in one_line(path)


def test_files_of_other_kinds(tmp_path):
    text = tmp_path / "text.h5"
    text.write_text("name = 'Frost Watch 2'\n")
    assert "no results file" in one_line(text)
    foreign = tmp_path / "foreign.h5"
    with h5py.File(foreign, "w") as file:
        file["x"] = np.arange(3)
    assert "no results file of harness" in one_line(foreign)
    assert "no such file" in one_line(tmp_path / "none.h5")
    assert "is a folder" in one_line(tmp_path)


@pytest.mark.parametrize(
    ("schema", "words"), [(SCHEMA + 1, "newer"), (0, "never was"), ("x", "damaged")]
)
def test_other_schemas(written, tmp_path, schema, words):
    path = tmp_path / "other.h5"
    shutil.copy(written, path)
    with h5netcdf.File(path, "a") as file:
        file.attrs[layout.SCHEMA_ATTRIBUTE] = schema
    assert words in one_line(path)


def change_value(file):
    file["findings/00_carrier/readings/value"][0] += 1e-9


def change_text(file):
    file["findings/00_carrier/readings/verdict"][0] = "fail"


def change_attribute(file):
    file.attrs["verdict"] = "pass"


def take_group_away(file):
    del file["limits"]


@pytest.mark.parametrize("change", [change_value, change_text, change_attribute, take_group_away])
def test_what_was_changed_afterwards_is_not_believed(written, tmp_path, change):
    path = tmp_path / "changed.h5"
    shutil.copy(written, path)
    with h5py.File(path, "a") as file:
        change(file)
    assert "damaged, or was changed" in one_line(path)


def test_a_flipped_byte_never_gives_another_run(tmp_path):
    """Any byte, anywhere: the same run, or one line."""
    sound = tmp_path / "sound.h5"
    kept = small_run(findings=(Findings(kind="audio", readings=(measured_sinad(),)),))
    write_run(sound, kept)
    data = bytearray(sound.read_bytes())
    path = tmp_path / "flipped.h5"
    told = 0
    for place in np.random.default_rng(2).integers(0, len(data), 80):
        flipped = data.copy()
        flipped[place] ^= 0x10
        path.write_bytes(flipped)
        try:
            run = read_run(path)
        except BadInput:
            told += 1
        else:
            assert exact(run) == exact(kept)
    assert told > 0


def measured_sinad():
    part = Contribution(name="sinad.repeatability", standard_uncertainty=0.1, kind="A")
    return measured("sinad", 12.3, (part,), count=3)


# Older schemas.


def test_a_file_of_schema_1_stays_readable():
    """Written by schema 1 of this project from ``sample_run.py``, then left alone."""
    run = read_run(BASE)
    assert run.title == "Acceptance of Frost Watch 1"
    assert run.verdict == "fail"
    power = run.findings[0].readings[0]
    assert (power.name, power.value, power.unit) == ("carrier_power", 35.2, "dBm")
    assert [part.name for part in power.contributions] == [
        "packing-shed bench.output.path",
        "carrier.power",
    ]
    # The column came after this file was written.
    assert {part.distribution for part in power.contributions} == {"normal"}
    assert run.limits[0].minimum == 35.5
    assert replace(run, title="x").title == "x"
