"""Emission masks: all published points, files, formulas.

Published: cfr90_mask_points.csv (128 points, computed from 47 CFR 90.210(b)-(e) as read in the
2015 edition; half a unit of its last place) and cfr90_channels.csv (authorised bandwidths, read).
The table of points has 0 dB where masks B and C state nothing.
"""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from harness.errors import BadInput
from harness.measure.adjacent import authorised_bandwidth_hz
from harness.measure.masks import FormulaError, evaluate, load_mask, mask_for, mask_names

HALF_UNIT_DB = 0.5e-4 + 1e-9


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_published_point(reference: Path) -> None:
    points = rows(reference / "cfr90_mask_points.csv")
    assert len(points) == 128
    for point in points:
        mask = mask_for(
            load_mask(f"90.210-{point['mask']}"),
            power_w=float(point["power_w"]),
            bandwidth_hz=1e3 * float(point["authorized_bandwidth_khz"]),
        )
        for sign in (-1.0, 1.0):
            offset_hz = sign * 1e3 * float(point["fd_khz"])
            got = float(mask.attenuation_db(np.array([offset_hz]))[0])
            assert got == pytest.approx(float(point["attenuation_db"]), abs=HALF_UNIT_DB), point


def test_authorised_bandwidths(reference: Path) -> None:
    for row in rows(reference / "cfr90_channels.csv"):
        got = authorised_bandwidth_hz(1e3 * float(row["channel_bandwidth_khz"]))
        assert got == 1e3 * float(row["authorized_bandwidth_khz"]), row
    assert authorised_bandwidth_hz(10e3) is None


@pytest.mark.parametrize(
    ("name", "fd_khz", "attenuation_db"),
    [
        # Worked examples 5.2 to 5.4 (90.210 read; computed), to half a unit of the last digit.
        ("90.210-D", 7.5, 33.587),
        ("90.210-D", 12.5001, 56.021),
        ("90.210-C", 9.9999, 24.985),
        ("90.210-C", 50.001, 49.021),
        ("90.210-E", 3.5, 38.335),
        ("90.210-E", 4.7, 61.021),
    ],
)
def test_worked_examples_at_4_w(name: str, fd_khz: float, attenuation_db: float) -> None:
    mask = mask_for(load_mask(name), power_w=4.0, bandwidth_hz=20e3)
    assert float(mask.attenuation_db(np.array([1e3 * fd_khz]))[0]) == pytest.approx(
        attenuation_db, abs=0.6e-3
    )


def test_the_rules_own_settings() -> None:
    """90.210(d)(4), (e)(4), read: 100 Hz and peak hold to 50 kHz beyond the band's edge."""
    assert mask_names() == ("90.210-B", "90.210-C", "90.210-D", "90.210-E")
    for letter, edge_hz in (("D", 5625.0), ("E", 3000.0)):
        mask = mask_for(load_mask(f"90.210-{letter}"), power_w=4.0, bandwidth_hz=2.0 * edge_hz)
        assert (mask.file.resolution_hz, mask.file.detector) == (100.0, "peak hold")
        assert mask.file.reference == "highest emission"
        assert mask.reach_hz == edge_hz + 50e3
    for letter in "BC":
        assert load_mask(f"90.210-{letter}").reference == "unmodulated carrier"
    for name in mask_names():
        assert "47 CFR 90.210" in load_mask(name.lower()).source


POINTS = """
name = "shed mask"
source = "chosen"
reference = "highest emission"
detector = "mean"
resolution_hz = 100
points = [
  { offset_hz = 5000.0, attenuation_db = 0.0 },
  { offset_hz = 10000.0, attenuation_db = 40.0 },
  { offset_hz = 10000.0, attenuation_db = 60.0 },
  { offset_hz = 20000.0, attenuation_db = 60.0 },
]
"""


def test_a_users_points(tmp_path: Path) -> None:
    path = tmp_path / "mask.toml"
    path.write_text(POINTS, encoding="utf-8")
    mask = mask_for(load_mask(str(path)), power_w=None, bandwidth_hz=None)
    got = mask.attenuation_db(np.array([0.0, -7500.0, 9000.0, 15000.0, 20001.0]))
    assert got == pytest.approx([math.nan, 20.0, 32.0, 60.0, math.nan], nan_ok=True)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("resolution_hz = 100", "resolution_hz = 1", "resolution_hz = 1 is outside"),
        ("resolution_hz = 100", "", 'has no "resolution_hz"'),
        ('detector = "mean"', 'detector = "quasi"', "detector"),
        ('name = "shed mask"', 'nam = "shed mask"', 'did you mean "name"'),
        ("offset_hz = 20000.0", "offset_hz = 9000.0", "must rise"),
        ("offset_hz = 5000.0", "offset_hz = -5000.0", "must not be negative"),
        ("offset_hz = 5000.0", "offset_hz = nan", "finite"),
    ],
)
def test_a_wrong_file_is_refused_in_one_line(old: str, new: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "mask.toml"
    path.write_text(POINTS.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(BadInput) as refused:
        load_mask(str(path))
    assert said in str(refused.value)
    assert "mask.toml" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_what_is_missing_is_said() -> None:
    with pytest.raises(BadInput, match="--power W"):
        mask_for(load_mask("90.210-D"), power_w=None, bandwidth_hz=11250.0)
    with pytest.raises(BadInput, match="authorised bandwidth"):
        mask_for(load_mask("90.210-B"), power_w=4.0, bandwidth_hz=None)
    with pytest.raises(BadInput, match=r"did you mean 90\.210-[BCDE]"):
        load_mask("90.210D")
    with pytest.raises(BadInput, match="no such file"):
        load_mask("nowhere.toml")


@pytest.mark.parametrize(
    ("formula", "value"),
    [
        ("7.27*(fd - 2.88)", 7.27 * 4.62),
        ("min(50 + 10*log(P), 70)", 50 + 10 * math.log10(4)),
        ("29*log(fd^2/11)", 29 * math.log10(7.5**2 / 11)),
        ("-2 + max(fd, B)", 18.0),
        ("inf", math.inf),
    ],
)
def test_formulas(formula: str, value: float) -> None:
    assert float(evaluate(formula, {"fd": 7.5, "B": 20.0, "P": 4.0})) == pytest.approx(value)


@pytest.mark.parametrize(
    "formula",
    [
        *("", "fd +", "x", "__import__('os')", "fd.real", "log()", "min()", "[1]", "True", "'5'"),
        *("1/0", "9^9^9^9^9", "log(fd, 2)", "fd if fd else 1", "(" * 150, "1+" * 150 + "1"),
    ],
)
def test_anything_else_is_no_formula(formula: str) -> None:
    with pytest.raises(FormulaError):
        evaluate(formula, {"fd": 1.0, "B": 1.0, "P": 1.0})


def test_a_formula_in_a_file_is_checked(tmp_path: Path) -> None:
    path = tmp_path / "mask.toml"
    body = POINTS[: POINTS.index("points")]
    path.write_text(
        body + '[[segments]]\nover_khz = "0"\nattenuation_db = "43 + 10*lg(P)"\n', encoding="utf-8"
    )
    with pytest.raises(BadInput, match="holds more than numbers"):
        load_mask(str(path))


def test_a_formula_without_a_value_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "mask.toml"
    body = POINTS[: POINTS.index("points")]
    path.write_text(
        body + '[[segments]]\nover_khz = "0"\nattenuation_db = "43/(P - 4)"\n', encoding="utf-8"
    )
    with pytest.raises(BadInput, match="at this power"):
        mask_for(load_mask(str(path)), power_w=4.0, bandwidth_hz=None)


def test_the_masks_of_the_documentation_are_masks(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "docs" / "emission-masks.md").read_text(encoding="utf-8")
    points, segments = (part.split("```")[0] for part in text.split("```toml")[1:])
    for number, body in enumerate((points, points[: points.index("points")] + segments)):
        path = tmp_path / f"{number}.toml"
        path.write_text(body, encoding="utf-8")
        mask = mask_for(load_mask(str(path)), power_w=4.0, bandwidth_hz=20e3)
        assert float(mask.attenuation_db(np.array([15e3]))[0]) > 30.0
    assert all(name in text for name in mask_names())
