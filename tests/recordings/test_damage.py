"""Every damage is found on opening and said in one plain line: what, where, what to do."""

import copy
import json
import os

import numpy as np
import pytest

from harness.errors import BadInput, Damaged
from harness.recordings import open_recording


def _global(**fields):
    def change(document):
        for name, value in fields.items():
            document["global"][name.replace("__", ":")] = value

    return change


def _capture(**fields):
    def change(document):
        for name, value in fields.items():
            document["captures"][0][name.replace("__", ":")] = value

    return change


def _note(**fields):
    def change(document):
        note = {"core:sample_start": 10, "core:sample_count": 5}
        note |= {name.replace("__", ":"): value for name, value in fields.items()}
        document["annotations"] = [note]

    return change


def _without(part, name):
    def change(document):
        del document[part][name]

    return change


def _starts(part, *starts):
    def change(document):
        document[part] = [{"core:sample_start": start} for start in starts]

    return change


DESCRIPTIONS = [
    (_global(core__sample_rate=0), "global: core:sample_rate is 0, below 1000"),
    (_global(core__sample_rate=-250e3), "core:sample_rate is -250000.0, below 1000"),
    (_global(core__sample_rate=float("nan")), "core:sample_rate is NaN, not a finite number"),
    (_global(core__sample_rate=float("inf")), "core:sample_rate is Infinity, not a finite"),
    (_global(core__sample_rate=1e15), "core:sample_rate is 1000000000000000.0, above 1e+09"),
    (_global(core__sample_rate=10**400), "core:sample_rate is a huge number, above 1e+09"),
    (_global(core__sample_rate="250k"), 'core:sample_rate is "250k", not a number'),
    (_global(core__sample_rate=True), "core:sample_rate is true, not a number"),
    (_global(core__sample_rate=None), "core:sample_rate is null, not a number"),
    (_without("global", "core:sample_rate"), "core:sample_rate is missing. Write the rate"),
    (_without("global", "core:datatype"), "core:datatype is missing. Write one of cu8"),
    (_without("global", "core:version"), "core:version is missing"),
    (_global(core__datatype="CU8"), 'core:datatype is "CU8", an unknown datatype: none of cu8'),
    (_global(core__datatype="cu8_le"), 'core:datatype is "cu8_le", an unknown datatype'),
    (_global(core__datatype="ci24_le"), 'core:datatype is "ci24_le", an unknown datatype'),
    (_global(core__datatype="cf32_be"), 'core:datatype is "cf32_be", an unknown datatype'),
    (
        _global(core__datatype="ri16_le", harness__role="input"),
        'harness:role is "input", but ri16_le holds audio, not IQ. Write "audio" into it.',
    ),
    (_global(core__datatype=8), "core:datatype is 8, not a text"),
    (_global(core__version="2.0.0"), 'core:version is "2.0.0", not a version that the bench reads'),
    (_global(core__version="1.2"), 'core:version is "1.2", not a version'),
    (_global(core__num_channels=2), "core:num_channels is 2, more than one. Store each channel"),
    (_global(core__sha512="abc"), 'core:sha512 is "abc", not 128 hexadecimal digits'),
    (_global(core__sha512=["a"]), "core:sha512 is a list, not a text"),
    (_global(core__metadata_only=True), "describes samples that it does not bring. Get the data."),
    (_global(core__hw=7), "core:hw is 7, not a text"),
    (_global(core__author=7), "global['core:author']: 7 is not of type 'string'"),
    (
        _global(core__extensions=[{"name": "radar", "version": "1.0.0", "optional": False}]),
        'needs the SigMF extension "radar", which the bench does not know. Mark it optional',
    ),
    (_global(core__extensions="harness"), 'core:extensions is "harness", not a list'),
    (_global(core__extensions=["harness"]), 'core:extensions[0] is "harness", not an object'),
    (_global(core__extensions=[{"name": 1}]), "core:extensions[0]: name is 1, not a text"),
    (_global(harness__full_scale_dbm="high"), 'harness:full_scale_dbm is "high", not a number'),
    (_global(harness__full_scale_dbm=float("nan")), "full_scale_dbm is NaN, not a finite number"),
    (_global(harness__port_offset_db=[1]), "harness:port_offset_db is a list, not a number"),
    (_global(harness__role="duplex"), 'harness:role is "duplex", none of input, output, audio'),
    (_global(harness__role=1), "harness:role is 1, not a text"),
    (_global(harness__skew_s="0"), 'harness:skew_s is "0", not a number'),
    (_global(harness__skew_uncertainty_s=-1e-3), "harness:skew_uncertainty_s is -0.001, below 0"),
    (_global(harness__clock_error_ppm=5000), "harness:clock_error_ppm is 5000, above 1000"),
    (_global(harness__clock_uncertainty_ppm=-1), "clock_uncertainty_ppm is -1, below 0"),
    (_global(harness__gain_db=False), "harness:gain_db is false, not a number"),
    (
        _global(harness__sample_count=1500),
        "take-1.sigmf-data: holds 1000 samples where 1500 were recorded. It was cut off",
    ),
    (_capture(core__frequency="153M"), 'captures[0]: core:frequency is "153M", not a number'),
    (_capture(core__datetime="yesterday"), 'core:datetime is "yesterday", not a UTC time. Write'),
    (_capture(core__datetime="2025-02-30T00:00:00Z"), '2025-02-30T00:00:00Z", not a UTC time'),
    (_capture(core__datetime="2025-03-01T06:00:00+02:00"), "not a UTC time"),
    (_capture(core__datetime=1740800000), "core:datetime is 1740800000, not a text"),
    (_starts("captures", -4), "captures[0]: core:sample_start is -4, below 0"),
    (_starts("captures", 0.5), "captures[0]: core:sample_start is 0.5, not a whole number"),
    (_starts("captures", 5), "core:sample_start is 5, so the samples before it belong to no"),
    (_starts("captures", 0, 500, 400), "captures[2]: core:sample_start is 400, before the 500"),
    (_starts("captures", 0, 1000), "captures[1] begins at sample 1000 beyond the data (1000"),
    (_starts("annotations", -1), "annotations[0]: core:sample_start is -1, below 0"),
    (_starts("annotations", 9, 8), "annotations[1]: core:sample_start is 8, before the 9 above"),
    (_starts("annotations", 1001), "annotations[0] reaches to sample 1001 beyond the data"),
    (_note(core__sample_count=991), "annotations[0] reaches to sample 1001 beyond the data"),
    (_note(core__sample_count=10**30), "core:sample_count is a huge number, above 9.22337e+18"),
    (_note(core__sample_count=-1), "annotations[0]: core:sample_count is -1, below 0"),
    (_note(core__label=3), "annotations[0]: core:label is 3, not a text"),
    (_note(harness__level_dbm="-120"), 'harness:level_dbm is "-120", not a number'),
    (_note(harness__knob=3.5), "harness:knob is 3.5, not a text"),
    (_note(harness__offset_hz="250"), 'harness:offset_hz is "250", not a number'),
    (_note(harness__offset_hz=2e6), "harness:offset_hz is 2000000.0, above 1e+06"),
    (_note(harness__transmitter=True), "harness:transmitter is true, not a text"),
    (_note(harness__transmitter="keyed"), 'harness:transmitter is "keyed", none of on, off'),
    (_note(harness__lost_samples=-5), "harness:lost_samples is -5, below 0"),
    (_note(harness__lost_samples="many"), 'harness:lost_samples is "many", not a whole number'),
    (
        _note(core__freq_lower_edge=2.0, core__freq_upper_edge=1.0),
        "core:freq_upper_edge is 1.0, below core:freq_lower_edge",
    ),
    (lambda document: document.pop("captures"), "has no captures. Is it really a SigMF"),
    (lambda document: document.update(captures={}), "captures is an object, not a list"),
    (lambda document: document.update({"global": []}), "global is a list, not an object"),
    (lambda document: document.update(annotations=[4]), "annotations[0] is 4, not an object"),
    (lambda document: document.update(more=1), "'more' was unexpected"),
    (_capture(core__header_bytes="44"), 'core:header_bytes is "44", not a whole number'),
    (_global(core__trailing_bytes=2000), "holds no samples"),
    (_global(core__trailing_bytes=1), "1999 bytes is not a whole number of cu8 samples"),
    (_global(core__dataset="../other.iq"), 'core:dataset is "../other.iq", not the name of a file'),
    (_global(core__dataset="/etc/passwd"), 'core:dataset is "/etc/passwd", not the name of a file'),
    (_global(core__dataset=".."), 'core:dataset is "..", not the name of a file'),
    (_global(core__dataset="a\0b"), "not the name of a file beside it"),
    (_global(core__dataset="gone.iq"), "gone.iq: the data file is missing. Put it beside"),
]


@pytest.mark.parametrize(
    ("change", "line"), DESCRIPTIONS, ids=[row[1][:60] for row in DESCRIPTIONS]
)
def test_a_wrong_description(put, describe, codes, change, line):
    document = copy.deepcopy(describe(codes))
    change(document)
    _refuses(put(document, codes), line)


WHOLE_FILES = [
    (b"", "is not JSON: expecting value at line 1, column 1"),
    (b"hello", "is not JSON: expecting value at line 1, column 1"),
    (b'{"global": {', "is not JSON: expecting property name"),
    (b"\xff\xfe\x00", "is not UTF-8 text (byte 0)"),
    (b"[]", "is not a JSON object"),
    (b"17", "is not a JSON object"),
    (b"null", "is not a JSON object"),
    (b'{"global": 1, "global": 2}', '"global" stands twice in one object'),
    (b'{"a": ' + b"[" * 200_000, "is nested too deeply"),
    (b'{"a": ' + b"[" * 900 + b"]" * 900 + b"}", "has no global"),
    (b'{"a": ' + b"9" * 5000 + b"}", "is not JSON: "),
    (b'{"a": "\\ud800"}', "holds characters that are none"),
]


@pytest.mark.parametrize(("raw", "line"), WHOLE_FILES, ids=[row[1] for row in WHOLE_FILES])
def test_a_description_that_is_none(put, codes, raw, line):
    _refuses(put(raw, codes), line)


def test_a_huge_description_is_not_loaded(put, codes):
    meta = put(b"{}", codes)
    os.truncate(meta, 65 << 20)
    _refuses(meta, "68157440 bytes is too large for a description")


@pytest.mark.parametrize(
    ("samples", "datatype", "line"),
    [
        (None, "cu8", "take-1.sigmf-data: the data file is missing. Put it beside take-1.sigmf-m"),
        (b"", "cu8", "holds no samples. Record again"),
        (bytes(1999), "cu8", "1999 bytes is not a whole number of cu8 samples (2 bytes each)"),
        (bytes(4002), "ci16_le", "4002 bytes is not a whole number of ci16_le samples (4 bytes"),
        (bytes(4001), "ri16_le", "4001 bytes is not a whole number of ri16_le samples (2 bytes"),
        (bytes(4002), "rf32_le", "4002 bytes is not a whole number of rf32_le samples (4 bytes"),
        (bytes(8004), "cf32_le", "8004 bytes is not a whole number of cf32_le samples (8 bytes"),
    ],
)
def test_a_wrong_data_file(put, describe, codes, samples, datatype, line):
    _refuses(put(describe(codes, datatype), samples), line)


def test_a_missing_description(put, describe, codes, tmp_path):
    put(describe(codes), codes).unlink()
    _refuses(tmp_path / "take-1.sigmf-data", "the description is missing; only the data is there")
    _refuses(tmp_path / "other", "other.sigmf-meta: there is no such file. Check the name.")


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("x.sigmf", "is a SigMF archive. Unpack it first, with tar -xf."),
        ("x.sigmf-collection", "is a take, not a recording"),
        ("x.cu8", "is not a SigMF recording. Give the .sigmf-meta file, or bring it in with"),
    ],
)
def test_another_kind_of_file(tmp_path, name, line):
    (tmp_path / name).write_bytes(b"{}")
    _refuses(tmp_path / name, line)


def test_a_folder_a_pipe_and_a_name_that_is_none(put, describe, codes, tmp_path):
    (tmp_path / "f.sigmf-meta").mkdir()
    _refuses(tmp_path / "f.sigmf-meta", "is a folder, not a file")
    data = put(describe(codes), None).with_name("take-1.sigmf-data")
    os.mkfifo(data)
    _refuses(data, "is a device or a pipe, not a file")
    _refuses("a\0b.sigmf-meta", "is no name of a recording")


def test_a_dataset_may_not_lead_out_of_the_folder(put, describe, codes, tmp_path):
    inside = tmp_path / "inside"
    inside.mkdir()
    (tmp_path / "secret").write_bytes(codes.tobytes())
    (inside / "data.iq").symlink_to(tmp_path / "secret")
    meta = inside / "x.sigmf-meta"
    meta.write_text(json.dumps(describe(codes, core__dataset="data.iq")))
    _refuses(meta, 'core:dataset "data.iq" leads out of the folder')


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("at", [0, 777, 999])
def test_nan_is_found_while_the_samples_stream(put, describe, bad, at):
    samples = np.zeros((1000, 2), np.float32)
    samples[at, 1] = bad
    recording = open_recording(put(describe(samples, "cf32_le"), samples))
    with pytest.raises(Damaged, match=f"sample {at} is NaN or infinite"):
        list(recording.blocks(block_samples=100))


def _refuses(path, line):
    with pytest.raises(BadInput) as caught:
        open_recording(path)
    text = str(caught.value)
    assert line in text
    assert "\n" not in text
    assert len(text) < 700
    assert caught.value.exit_status == 2
    assert text.rstrip()[-1] in ".?"
