"""``harness duplexer``: table, JSON, plot, and hostile files. Figures as in test_duplexer."""

import json
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from harness.describe import example_path
from tests.truth.duplexer import Cavity, joined, touchstone, two_ports

UNIT = example_path("frost-watch-2.toml")
FOLDER = UNIT.parent
TRANSMIT, RECEIVE = FOLDER / "frost-watch-2-transmit.s2p", FOLDER / "frost-watch-2-receive.s2p"
GRID_HZ = np.linspace(150e6, 162e6, 481)  # both frequencies stand on it
HEAD = "# MHz S DB R 50\n"


@pytest.fixture
def files(tmp_path):
    """Both branches of some 67 dB, which is too little for 4 W."""
    paths = tmp_path / "a.s2p", tmp_path / "b.s2p"
    cavities = Cavity(158.425e6, 153.825e6, 0.02), Cavity(153.825e6, 158.425e6, 0.02)
    s = joined(*cavities, GRID_HZ, 156.125e6)
    for path, ports in zip(paths, ((0, 1), (1, 2)), strict=True):
        path.write_text(touchstone(GRID_HZ, two_ports(s, ports)))
    return paths


def test_the_example_passes_and_the_table_fits(typed) -> None:
    shown = typed("duplexer", TRANSMIT, RECEIVE, "--unit", UNIT)
    assert (shown.status, shown.err) == (0, "")
    assert all(len(line) <= 80 for line in shown.out.splitlines())
    for words in ("Insertion loss", "branch transmit, at 153.825 MHz", "Desensitisation expected"):
        assert words in shown.out
    assert "pass" in shown.out
    assert "fail" not in shown.out


def test_too_little_isolation_fails(typed, files) -> None:
    shown = typed("duplexer", *files, "--unit", UNIT)
    assert shown.status == 4
    assert "fail" in shown.out


def test_a_limit_of_the_unit_is_judged_by_branch(typed, tmp_path) -> None:
    unit = tmp_path / "unit.toml"
    row = (
        '[[limits]]\nreading = "insertion_loss"\nunit = "dB"\nmaximum = 0.1\nsource = "chosen"\n'
        'where = { branch = "receive" }\n'
    )
    unit.write_text(UNIT.read_text() + row)
    shown = typed("duplexer", TRANSMIT, RECEIVE, "--unit", unit, "--uncertainty", "0.01", "--json")
    assert shown.status == 4
    readings = json.loads(shown.out)["readings"]
    losses = {r["conditions"]["branch"]: r["verdict"] for r in readings if r["name"] == row[22:36]}
    assert losses == {"transmit": None, "receive": "fail"}


def test_json_is_one_object_with_the_files_it_came_from(typed, files) -> None:
    shown = typed("duplexer", *files, "--unit", UNIT, "--json")
    told = json.loads(shown.out)
    assert (told["schema"], told["kind"]) == (1, "duplexer")
    assert [one["role"] for one in told["recordings"]] == ["transmit branch", "receive branch"]
    assert all(len(one["sha512"]) == 128 for one in told["recordings"])
    assert [one["name"] for one in told["series"]] == [
        "transmit_branch_loss",
        "receive_branch_loss",
    ]
    assert all(r["expanded_uncertainty"] is not None for r in told["readings"])


def test_the_plot_stands_alone_and_goes_over_its_own_kind_only(typed, tmp_path) -> None:
    path = tmp_path / "plot.svg"
    for _ in range(2):
        shown = typed("duplexer", TRANSMIT, RECEIVE, "--unit", UNIT, "--plot", path)
        assert shown.status == 0, shown.err
        words = "\n".join(ElementTree.parse(path).getroot().itertext())
    for told in ("sends 153.825 MHz", "receives 158.425 MHz", "transmit branch", "receive branch"):
        assert told in words
    assert "var(" not in path.read_text()
    path.write_text("<svg>another's</svg>")
    typed("duplexer", TRANSMIT, RECEIVE, "--unit", UNIT, "--plot", path).is_one_plain_line()
    other = tmp_path / "plot.png"
    typed("duplexer", TRANSMIT, RECEIVE, "--unit", UNIT, "--plot", other).is_one_plain_line()
    assert not other.exists()


def _row(mhz: float, loss_db: float = 20.0) -> str:
    return f"{mhz} -20 0 -{loss_db} 0 -{loss_db} 0 -20 0\n"


HOSTILE = {
    "empty": "",
    "text": "this is no measurement\n",
    "zeros": "\0" * 400,
    "no rows": HEAD,
    "no number": HEAD + _row(150).replace("-20.0", "nan") + _row(162),
    "infinite": HEAD + _row(150) + _row(162).replace("-20.0", "1e999"),
    "unsorted": HEAD + _row(162) + _row(150),
    "twice": HEAD + _row(150) * 2 + _row(162),
    "version 2": "[Version] 2.0\n" + HEAD + _row(150) + _row(162),
    "half a line": HEAD + _row(150) + "162 -20 0 -20",
    "one point": HEAD + _row(156),
    "too short a reach": HEAD + _row(150) + _row(157),
    "in kHz by mistake": HEAD.replace("MHz", "kHz") + _row(150) + _row(162),
    "of 75 ohm": HEAD.replace("50", "75") + _row(150) + _row(162),
    "admittances": HEAD.replace(" S ", " Y ") + _row(150) + _row(162),
    "gain": HEAD + _row(150, -10.0).replace("--", "") + _row(162, -10.0).replace("--", ""),
    "three ports in name only": HEAD + "150 -20 0 -1 0 -60 0\n",
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_file_is_one_plain_line(typed, tmp_path, text, files) -> None:
    path = tmp_path / "hostile.s2p"
    path.write_text(text)
    for pair in ((path, files[1]), (files[0], path)):
        shown = typed("duplexer", *pair, "--unit", UNIT)
        shown.is_one_plain_line()
        assert "hostile.s2p" in shown.err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("{a}",), "1 file of two ports given"),
        (("{a}", "{b}", "{a}"), "3 files of two ports given"),
        (("{a}", "{b}", "--ports", "1,2,3"), "is for one file of three ports"),
        (("{b}", "{a}"), "the branches are exchanged"),
        (("{a}", "{b}", "--ports", "1,2"), "are not three ports"),
        (("{a}", "{b}", "--ports", "1,2,x"), "are not three ports"),
        (("{a}", "{b}", "--uncertainty", "nan"), "no uncertainty of a loss"),
        (("{a}", "{b}", "--uncertainty", "-1"), "no uncertainty of a loss"),
        (("{a}", "missing.s2p"), "there is no such file"),
        (("{a}", "folder.s2p"), "is a folder"),
        (("{a}", "b.txt"), "does not end in .s2p"),
        (("one.s1p", "{b}"), "has one port"),
        (("{a}", "four.s4p"), "has 4 ports"),
        (("three.s3p", "--ports", "1,2,2"), "are not the three ports"),
    ],
)
def test_wrong_words_are_one_plain_line(typed, tmp_path, monkeypatch, files, words, told) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.s2p").mkdir()
    (tmp_path / "b.txt").write_text("x")
    (tmp_path / "one.s1p").write_text("# MHz S DB R 50\n150 -20 0\n162 -20 0\n")
    for ports, name in ((4, "four.s4p"), (3, "three.s3p")):
        s = np.full((len(GRID_HZ), ports, ports), 0.01 + 0j)
        (tmp_path / name).write_text(touchstone(GRID_HZ, s))
    a, b = files
    shown = typed("duplexer", *(word.format(a=a, b=b) for word in words), "--unit", UNIT)
    shown.is_one_plain_line()
    assert told in shown.err
