"""Field files: what may stand in them, and what is refused in one line."""

import pytest

from harness.describe import example_path
from harness.describe.field import FieldFile, load_field
from harness.errors import BadInput


def written(tmp_path, text):
    path = tmp_path / "field.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_everything_may_be_left_out(tmp_path):
    assert load_field(written(tmp_path, "# nothing known\n")) == FieldFile()


def test_the_example_is_read_and_plain_goes_back():
    field = load_field(example_path("frost-watch-2-field.toml"))
    assert field.supply.standby_a is not None
    assert len(field.duty) >= 1
    assert field.plain()["supply"]["standby_a"] == field.supply.standby_a


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("antenna_gain_db = 3", 'unknown key "antenna_gain_db"; did you mean "antenna_gain_dbi"?'),
        ('surroundings = "rurall"', 'did you mean "rural"?'),
        ("antenna_height_m = -2", "antenna_height_m = -2 is outside 0.1 to 5000 m"),
        ("[supply]\nstandby_a = 250", "standby_a = 250 looks like mA; write 250e-3"),
        ("[supply]\nrate_exponent = [1.3, 1.1]", "rate_exponent runs from high to low"),
        ("[supply]\nrate_exponent = [1.1, 1.2, 1.3]", "the two ends of a range"),
        ('[[duty]]\nname = "a"\ntransmit = 0.7\nreceive = 0.4', "more than all of the time"),
        ('[[duty]]\nname = "a"\ntransmit = 5', "transmit = 5 is outside 0 to 1"),
        ("[handheld]\npower_w = 0", "power_w = 0 is outside"),
    ],
)
def test_what_is_refused(tmp_path, text, line):
    with pytest.raises(BadInput) as refused:
        load_field(written(tmp_path, text))
    assert line in str(refused.value)
    assert "\n" not in str(refused.value)
