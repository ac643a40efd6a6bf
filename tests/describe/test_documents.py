"""Hostile files: each gives one plain line, and nothing but a description or that line."""

import os
import string

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.describe import Bench, Unit, bench_from, example_path, load_bench, load_unit, unit_from
from harness.describe.document import LARGEST_FILE_BYTES, engineering, nearest, shown
from harness.errors import BadInput

AGAIN = "Correct it and run again."
UNIT = example_path("frost-watch-2.toml").read_text(encoding="utf-8")
BENCH = example_path("packing-shed.toml").read_text(encoding="utf-8")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def line_of(load, path):
    with pytest.raises(BadInput) as caught:
        load(path)
    assert caught.value.exit_status == 2
    line = str(caught.value)
    assert "\n" not in line
    assert line.isprintable()
    return line


@pytest.mark.parametrize("load", [load_unit, load_bench])
@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"", "is empty. Write the description into it."),
        (b" \n\t\r\n", "is empty. Write the description into it."),
        (
            b"\xff\xfeu\x00n\x00",
            "is not UTF-8 text (byte 0). Save it as UTF-8 and run again.",
        ),
        (b"name = 'Fr\xf6st'", "is not UTF-8 text (byte 10). Save it as UTF-8 and run again."),
        (b"\x00", f"is not TOML: Invalid statement (at line 1, column 1). {AGAIN}"),
        (b"a = ", f"is not TOML: Invalid value (at end of document). {AGAIN}"),
        (b"a = 1\na = 2", f"is not TOML: Cannot overwrite a value (at end of document). {AGAIN}"),
        (b"a = " + b"[" * 100_000, f"is not TOML: nested too deeply. {AGAIN}"),
        (b"a = " + b"9" * 5000, f"holds a number of too many digits. {AGAIN}"),
        (
            b"#" * (LARGEST_FILE_BYTES + 1),
            "is larger than 1000000 bytes and no description. Give the TOML file.",
        ),
    ],
)
def test_a_file_that_is_no_description(folder, load, content, line):
    (folder / "given.toml").write_bytes(content)
    assert line_of(load, "given.toml") == f"given.toml: {line}"


@pytest.mark.parametrize("load", [load_unit, load_bench])
@pytest.mark.parametrize(
    ("path", "line"),
    [
        (".", ".: is a folder. Give the file in it."),
        ("none.toml", "none.toml: there is no such file. Check the name and run again."),
        ("pipe", "pipe: is not a plain file. Give a TOML file."),
        ("file/in", "file/in: there is no such file. Check the name and run again."),
    ],
)
def test_what_is_no_file(folder, load, path, line):
    os.mkfifo(folder / "pipe")
    (folder / "file").write_text("")
    assert line_of(load, path) == line


@pytest.mark.parametrize("path", ["a\0b", "x" * 5000])
def test_a_path_that_no_system_takes(folder, path):
    with pytest.raises(BadInput):
        load_unit(path)


def test_byte_order_mark_and_line_ends_of_another_system_are_taken(folder):
    plain = load_unit(example_path("frost-watch-2.toml"))
    (folder / "u.toml").write_bytes(b"\xef\xbb\xbf" + UNIT.replace("\n", "\r\n").encode())
    assert load_unit("u.toml") == plain


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (153.825e6, "153.825e6"),
        (-158.425e9, "-158.425e9"),
        (12500.0, "12500"),
        (1e6, "1e6"),
        (0.01, "0.01"),
        (0, "0"),
    ],
)
def test_numbers_are_written_as_people_do(value, text):
    assert engineering(value) == text
    assert float(text) == value


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_written_number_reads_back(value):
    # 12 significant digits: half a unit in the last is at most 5e-12 of the value.
    assert float(engineering(value)) == pytest.approx(value, rel=5.1e-12, abs=0)


def test_shown_values_stay_short_and_printable():
    assert shown("a\nb") == '"a\\nb"'
    assert shown("\u202eabc").isprintable()
    assert len(shown("x" * 500)) <= 60
    assert shown(10**5000) == "a number of too many digits"


@pytest.mark.parametrize(
    ("word", "guess"),
    [("loss_dbm", "loss_db"), ("LOSS_DB", "loss_db"), ("zzz", None), ("", None)],
)
def test_nearest_right_name(word, guess):
    assert nearest(word, ["loss_db", "element", "rating_w"]) == guess


LETTERS = st.text(alphabet=string.printable, max_size=200)
SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.just(10**400),
    st.floats(),
    st.text(max_size=8),
    st.dates(),
    st.datetimes(),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)


@st.composite
def damaged_text(draw, whole):
    """Cut a piece out of a good file and put something else there."""
    first = draw(st.integers(0, len(whole)))
    last = draw(st.integers(first, min(len(whole), first + 40)))
    return whole[:first] + draw(LETTERS) + whole[last:]


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.one_of(LETTERS, damaged_text(UNIT), damaged_text(BENCH)))
def test_any_text_gives_a_description_or_one_line(folder, text):
    (folder / "any.toml").write_text(text, encoding="utf-8", newline="")
    for load, kind in ((load_unit, Unit), (load_bench, Bench)):
        try:
            loaded = load("any.toml")
        except BadInput as error:
            loaded = str(error)
        if isinstance(loaded, str):
            assert loaded.startswith("any.toml: ")
            assert "\n" not in loaded
            assert "Input should" not in loaded
        else:
            assert isinstance(loaded, kind)


def replaced(table, path, value):
    """A copy of nested tables with one value changed."""
    if not path:
        return value
    head, *rest = path
    copy = list(table) if isinstance(table, list | tuple) else dict(table)
    copy[head] = replaced(copy[head], rest, value)
    return copy


def paths(table, so_far=()):
    """Paths to all values of nested tables."""
    yield so_far
    if isinstance(table, dict):
        for key, inner in table.items():
            yield from paths(inner, (*so_far, key))
    if isinstance(table, list):
        for number, inner in enumerate(table):
            yield from paths(inner, (*so_far, number))


GOOD_UNIT = load_unit(example_path("frost-watch-2.toml")).plain()
GOOD_BENCH = load_bench(example_path("packing-shed.toml")).plain()


@settings(max_examples=300)
@given(data=st.data(), value=VALUES)
def test_any_value_anywhere_gives_a_description_or_one_line(data, value):
    for good, make, kind in ((GOOD_UNIT, unit_from, Unit), (GOOD_BENCH, bench_from, Bench)):
        path = data.draw(st.sampled_from(list(paths(good))[1:]))
        try:
            made = make(replaced(good, path, value), "any")
        except BadInput as error:
            made = str(error)
        if isinstance(made, str):
            assert made.startswith("any: ")
            assert "\n" not in made
            assert "Input should" not in made
        else:
            assert isinstance(made, kind)
