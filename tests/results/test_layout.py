"""The description of the layout: files, documents and the description say the same.

``harness/data/results_layout.toml`` is the one source. A file of each schema is in tests/data.
"""

import importlib.util
import math
import shutil
from pathlib import Path

import h5py
import numpy as np
import pytest

from harness.readings import findings_json
from harness.results import SCHEMA, layout, read_run, write_run
from harness.results.conform import departures, described_layout
from tests.report.sample_run import sample_run
from tests.results.many_runs import write_small

CHECKOUT = Path(__file__).resolve().parents[2]
DATA = CHECKOUT / "tests" / "data" / "results"
SCHEMAS = tuple(range(1, SCHEMA + 1))


def file_of(schema):
    return DATA / f"schema-{schema}.h5"


@pytest.fixture
def copied(tmp_path):
    path = tmp_path / "run.h5"
    shutil.copy(file_of(SCHEMA), path)
    return path


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location(
        "results_layout", CHECKOUT / "docs" / "results_layout.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_schema_that_is_described_is_the_one_that_is_written():
    assert described_layout()[0] == SCHEMA


def test_what_is_written_is_as_described(tmp_path):
    write_run(tmp_path / "sample.h5", sample_run())
    write_small(tmp_path / "small.h5")
    assert departures(tmp_path / "sample.h5") == ()
    assert departures(tmp_path / "small.h5") == ()


def test_the_document_holds_the_tables_that_are_made_from_it(script):
    document = script.DOCUMENT.read_text(encoding="utf-8")
    assert script.replaced(document) == document, "run docs/results_layout.py"


@pytest.mark.parametrize("schema", SCHEMAS)
def test_a_file_of_each_schema_is_kept_and_is_as_described(schema):
    with h5py.File(file_of(schema)) as file:
        assert int(file.attrs[layout.SCHEMA_ATTRIBUTE][0]) == schema
    assert departures(file_of(schema)) == ()


def test_all_that_is_described_stands_in_the_file_of_this_schema():
    """So that no part of the description goes unused."""
    wanted = {group.path for group in described_layout()[1]}
    found = set()
    with h5py.File(file_of(SCHEMA)) as file:
        places = ["/"]
        file.visititems(
            lambda name, held: places.append(name) if isinstance(held, h5py.Group) else None
        )
    for place in places:
        parts = place.split("/")
        if parts[0] in ("findings", "earlier") and len(parts) > 1:
            rest = ["*" if number == 1 else part for number, part in enumerate(parts[2:])]
            found.add("…/" + "/".join(rest) if rest else "findings/NN_*, earlier/NN_*")
        else:
            found.add(place)
    assert found == wanted


# Readings of each schema's file, as they were written: exact.

EXPECTED = {
    1: ("Acceptance of Frost Watch 1", "fail", "carrier_power", 35.2, 0.12166, 7),
    2: ("Acceptance of Frost Watch 2", "pass", "carrier_power", 36.02, 0.12166, 2),
}


@pytest.mark.parametrize("schema", SCHEMAS)
def test_the_file_of_each_schema_reads_as_it_was_written(schema):
    title, verdict, name, value, uncertainty, count = EXPECTED[schema]
    run = read_run(file_of(schema))
    assert (run.title, run.verdict, len(run.findings)) == (title, verdict, count)
    first = run.findings[0].readings[0]
    assert (first.name, first.value) == (name, value)
    # 2 sqrt(0.06^2 + 0.01^2), five figures.
    assert first.expanded_uncertainty == pytest.approx(uncertainty, abs=5e-6)
    assert all(findings_json(findings)["readings"] for findings in run.findings)


def test_the_file_of_schema_2_holds_what_came_with_it():
    run = read_run(file_of(2))
    assert run.notes == "naïve café"
    assert run.findings[0].readings[0].note == "3,98 W an 50 Ω"
    assert run.earlier[0].readings[0].value == 35.1
    assert run.session["operator"] == "N. N."
    opening, state, rate, tail = run.findings[1].readings
    assert opening.contributions[0].distribution == "rectangular"
    assert (state.value, state.conditions) == ("normal", {"knob": "12:00"})
    assert (rate.interval, rate.expanded_uncertainty) == ((0.0, 3.7), None)
    assert (tail.value, tail.verdict) == (None, "not measured")
    (curve,) = run.findings[1].series
    assert math.isnan(curve.values[1])


# What is not as described is told. The digest is not looked at here: read_run does.


def new_group(file):
    file.create_group("extra")


def no_group(file):
    del file["findings/00_carrier/recordings"]


def no_root_group(file):
    del file["limits"]


def new_attribute(file):
    file["unit"].attrs["colour"] = "grey"


def no_attribute(file):
    del file["findings/00_carrier"].attrs["kind"]


def wrong_attribute(file):
    file["unit"].attrs["description"] = "{"


def new_column(file):
    file["limits"].create_dataset("more", data=np.zeros(1))


def no_column(file):
    del file["limits/minimum"]


def wrong_number(file):
    replace(file, "limits/minimum", np.zeros(1, dtype=np.float32))


def wrong_text(file):
    replace(file, "software/name", np.array(["x"], dtype=object), h5py.string_dtype())


def no_units(file):
    del file["limits/minimum"].attrs["units"]


def wrong_units(file):
    file["findings/00_carrier/readings/count"].attrs["units"] = "s"


def no_encoding(file):
    del file["software/name"].attrs["_Encoding"]


def no_json(file):
    file["limits/where"][0] = b"{"


def wrong_dimension(file):
    column = file["limits/minimum"]
    column.dims[0].detach_scale(file["limits/limit"])
    column.dims[0].attach_scale(file["software/package"])


def replace(file, name, data, dtype=None):
    del file[name]
    file.create_dataset(name, data=data, dtype=dtype).attrs["units"] = "dBm"


@pytest.mark.parametrize(
    ("spoil", "line"),
    [
        (new_group, "extra: a group that is not described"),
        (no_group, "findings/00_carrier/recordings: missing"),
        (no_root_group, "limits: missing"),
        (new_attribute, "unit: the attribute colour is not described"),
        (no_attribute, "findings/00_carrier: no attribute kind"),
        (wrong_attribute, "unit: the attribute description is no json"),
        (new_column, "limits: the column more is not described"),
        (no_column, "limits: no column minimum"),
        (wrong_number, "limits/minimum: of type float32, not float64"),
        (wrong_text, "software/name: of type object, no text"),
        (no_units, "limits/minimum: its units are None"),
        (wrong_units, "findings/00_carrier/readings/count: its units are 's'"),
        (no_encoding, "software/name: says no _Encoding"),
        (wrong_dimension, "limits/minimum: its dimensions are ['package'], not ['limit']"),
        (no_json, "limits/where: not all of it is JSON"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_what_is_not_as_described_is_told(copied, spoil, line):
    with h5py.File(copied, "r+") as file:
        spoil(file)
    assert line in departures(copied)


def test_what_came_with_a_later_schema_is_no_part_of_an_earlier_one(copied):
    with h5py.File(copied, "r+") as file:
        file.attrs[layout.SCHEMA_ATTRIBUTE] = np.array([1])
    told = departures(copied)
    assert "session: not before schema 2" in told
    assert "earlier: not before schema 2" in told
