"""Tables of commands: what is in them, and each slip as its line."""

import re
import tomllib

import pytest

from harness.errors import BadInput
from harness.instruments.dialect import SHIPPED, load_dialect, shipped

GOOD = (SHIPPED / "scpi-99.toml").read_text(encoding="utf-8")


def tables(value):
    """Give every table in a file, however deep."""
    if isinstance(value, dict):
        yield value
    for inner in value.values() if isinstance(value, dict) else value:
        if isinstance(inner, dict | list):
            yield from tables(inner)


@pytest.mark.parametrize("name", shipped())
def test_every_shipped_command_says_where_it_is_written(name) -> None:
    assert load_dialect(name).name
    table = tomllib.loads((SHIPPED / f"{name}.toml").read_text(encoding="utf-8"))
    with_commands = [each for each in tables(table) if {"query", "set", "on"} & set(each)]
    assert len(with_commands) >= 11
    assert all(each["source"] for each in with_commands)


def test_scpi_99_is_what_is_meant_without_a_name() -> None:
    assert load_dialect(None) == load_dialect("scpi-99")


@pytest.mark.parametrize(
    ("value", "sent"), [(-112.0, "-112.000"), (0.0, "0.000"), (-52.25, "-52.250")]
)
def test_a_number_is_sent_a_digit_finer_than_it_is_read_back(value, sent) -> None:
    level = load_dialect(None).generator.level
    assert level.command(value).endswith(f"AMPLitude {sent} DBM")


@pytest.mark.parametrize(
    ("right", "wrong", "line"),
    [
        ("resolution = 0.01", "resolutoin = 0.01", 'unknown key "resolutoin"; did you mean'),
        ("[meter.current]", "[meter.curent]", 'unknown key "curent"; did you mean "current"'),
        ("{value} DBM", "DBM", "needs {value} once, where the number goes"),
        ("{value} DBM", "{value} {value}", "needs {value} once"),
        ("{value} DBM", "{value} {0}", "needs {value} once"),
        ('"OUTPut:STATe ON"', '"OUTPut:STATe {value}"', "takes no number"),
        ('query = "OUTPut:STATe?"', 'query = "OUTPut:STATe"', "no question mark"),
        ('"OUTPut:STATe ON"', '"OUTPut\\nON"', "is no command"),
        ("resolution = 0.01", "resolution = 0.0", "is outside"),
        ('source = "IEEE 488.2', 'note = "IEEE 488.2', 'unknown key "note"'),
    ],
)
def test_each_slip_gives_its_line(right, wrong, line, tmp_path) -> None:
    assert right in GOOD
    path = tmp_path / "own.toml"
    path.write_text(GOOD.replace(right, wrong, 1))
    with pytest.raises(BadInput, match=re.escape(line)) as caught:
        load_dialect(str(path))
    assert str(caught.value).startswith(str(path))


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("scpi99", 'did you mean "scpi-99"?'),
        ("esperanto", "there is scpi-99"),
        ("no-such-file.toml", "there is no such file"),
    ],
)
def test_a_dialect_that_is_not_there(name, line) -> None:
    with pytest.raises(BadInput, match=re.escape(line)):
        load_dialect(name)
