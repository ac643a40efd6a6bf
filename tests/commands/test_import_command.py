"""``harness import``, as typed; what is imported and how is tests/recordings/test_import.py."""

import json

import numpy as np
import pytest

WORDS = ("--centre", "153.8e6", "--rate", "250e3")


@pytest.fixture
def raw(tmp_path):
    path = tmp_path / "raw" / "in.cu8"
    path.parent.mkdir()
    path.write_bytes(np.arange(2000, dtype=np.uint8).tobytes())
    return path


def test_it_makes_a_recording_beside_the_file(raw, typed, left) -> None:
    shown = typed("import", raw, *WORDS, "--start", "2026-06-21T04:30:00Z", "--role", "input")
    assert shown.status == 0
    assert shown.err == ""
    assert "1000 samples, 0.004 s at 250000 Hz, cu8" in shown.out
    files = left(raw.parent)
    assert set(files) == {"in.cu8", "in.sigmf-data", "in.sigmf-meta"}
    assert files["in.sigmf-data"] == files["in.cu8"]
    meta = json.loads(files["in.sigmf-meta"])
    assert meta["global"]["harness:role"] == "input"
    assert meta["captures"][0]["core:datetime"].startswith("2026-06-21T04:30:00")


def test_a_second_time_nothing_is_overwritten(raw, typed, left) -> None:
    assert typed("import", raw, *WORDS).status == 0
    before = left(raw.parent)
    typed("import", raw, *WORDS).is_one_plain_line()
    assert left(raw.parent) == before


@pytest.mark.parametrize(
    "words",
    [
        ("--centre", "153.8e6"),
        ("--rate", "250e3"),
        ("--centre", "nan", "--rate", "250e3"),
        ("--centre", "153.8e6", "--rate", "0"),
        ("--centre", "153.8e6", "--rate", "fast"),
        (*WORDS, "--role", "both"),
        (*WORDS, "--start", "yesterday"),
        (*WORDS, "--datatype", "cu4"),
        (*WORDS, "--datatype", "cf32"),
        (*WORDS, "--out", "none/there/out"),
        (*WORDS, "--level", "3"),
    ],
)
def test_bad_input_gets_one_plain_line_and_leaves_nothing(words, raw, typed, left) -> None:
    if "cf32" in words:
        # A whole number of samples, but the last one is NaN.
        raw.write_bytes(np.array([0.5] * 9 + [np.nan], "<f4").tobytes())
    before = left(raw.parent)
    words = [str(raw.parent / word) if word.startswith("none/") else word for word in words]
    typed("import", raw, *words).is_one_plain_line()
    assert left(raw.parent) == before


@pytest.mark.parametrize("content", [None, b"", b"\x00\x01\x02"], ids=["none", "empty", "odd"])
def test_a_file_that_cannot_be_used(content, typed, tmp_path, left) -> None:
    path = tmp_path / "in.cu8"
    if content is not None:
        path.write_bytes(content)
    before = left(tmp_path)
    typed("import", path, *WORDS).is_one_plain_line()
    assert left(tmp_path) == before
