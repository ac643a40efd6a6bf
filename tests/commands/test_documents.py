"""The documents, held to what they say: each shell line and each Python block runs.

The demonstration that they begin with runs whole, but shortened as in ``test_demo``; the names of
what it leaves are the same. A battery run is kept, since a line measures its log.
"""

import functools
import re
import shlex
import shutil
import string
from pathlib import Path

import pytest

import harness.describe
from harness.commands import demo as command
from harness.describe import load_plan, load_unit
from harness.results import index

pytestmark = pytest.mark.slow(reason="two units are accepted once for all lines of the documents")
CHECKOUT = Path(__file__).resolve().parents[2]
README = CHECKOUT / "README.md"
DOCUMENTS = (README, *sorted((CHECKOUT / "docs").glob("*.md")), CHECKOUT / "captures/README.md")
LITTLE = (
    load_plan("short")
    .doing(["battery"])
    .altered(
        keyings=2,
        search_dbm=(-122.0, -114.0),
        quiet_s=0.5,
        sweeps=1,
        levels_dbm=(-119.0, -114.0),
        interval_s=3600.0,
    )
)
DEMO = "./scripts/harness demo --out captures/demo"
ELSEWHERE = {
    "./scripts/test": "it is what runs this",
    "./scripts/harness self-check": "test_self_check runs it",
    "./scripts/harness devices": "what it shows hangs on the computer; test_devices runs it",
}


def blocks(path: Path, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", path.read_text(encoding="utf-8"), re.DOTALL)


LINES = [line for path in DOCUMENTS for block in blocks(path, "sh") for line in block.splitlines()]


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    """A folder to stand in, with the descriptions that the lines name."""
    folder = tmp_path_factory.mktemp("documents")
    examples = folder / "harness" / "data" / "examples"
    shutil.copytree(CHECKOUT / "harness" / "data" / "examples", examples)
    (folder / "captures").mkdir()
    return folder


@pytest.fixture
def here(place, monkeypatch, typed):
    """Stand there, after the demonstration."""
    monkeypatch.chdir(place)
    monkeypatch.setattr(index, "index_path", lambda: place / "cache" / "runs.sqlite")
    if not Path("captures/demo").exists():
        with pytest.MonkeyPatch.context() as little:
            demonstrate = functools.partial(_demonstrate, command.demonstrate)
            little.setattr(command, "demonstrate", demonstrate)
            little.setattr(harness.describe, "load_unit", _one_position)
            done = typed(*shlex.split(DEMO)[1:])
        assert done.status == 0, done.err
    return place


def _one_position(path):
    return load_unit(path).model_copy(update={"knob_positions": ("12:00",)})


def _demonstrate(real, folder, _extent):
    real(folder, LITTLE)


def test_the_documents_begin_with_the_demonstration() -> None:
    assert LINES[0] == DEMO
    assert len(LINES) > 10


def test_every_shell_line_runs_as_it_stands(here, typed, captured) -> None:
    names: dict[str, str] = {}
    ran = 0
    for line in LINES:
        if line == DEMO or line in ELSEWHERE:
            continue
        assigned = re.fullmatch(r"(\w+)=(\S+)", line)
        if assigned:
            names[assigned[1]] = assigned[2]
            continue
        words = shlex.split(string.Template(line).substitute(names))
        if words[0] == "cp":
            shutil.copy(*words[1:])
            continue
        start = {"./scripts/harness": typed, "./scripts/capture": captured}
        assert words[0] in start, line
        shown = start[words[0]](*words[1:])
        # With so few sweeps a limit may well lie within U: that is no fault of the line.
        judges = "--unit" in words or words[1] in ("accept", "discharge")
        assert shown.status in ((0, 4) if judges else (0,)), (line, shown.err)
        assert shown.out.strip(), line
        ran += 1
    assert ran >= 10
    assert Path("captures/frost-watch-1.html").is_file()


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_every_python_block_runs_as_it_stands(path, here, capsys) -> None:
    for block in blocks(path, "python"):
        exec(compile(block, str(path), "exec"), {})
        assert capsys.readouterr().out.strip()


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_every_file_that_a_document_names_is_there(path) -> None:
    text = path.read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:docs|harness|scripts|tests|captures)/[\w./-]+)`", text))
    missing = {name for name in named if not (CHECKOUT / name).exists()}
    # A link is seen from the document.
    linked = set(re.findall(r"\]\((?!http)([\w./-]+)\)", text))
    missing |= {name for name in linked if not (path.parent / name).exists()}
    assert missing <= {"captures/demo"}, "only what the demonstration makes may be missing"


def test_every_command_stands_in_the_readme() -> None:
    text = README.read_text(encoding="utf-8")
    for name in (
        "demo",
        "accept",
        "duplexer",
        "squelch",
        "field",
        "devices",
        "health",
        "record",
        "discharge",
        "instruments",
        "calibrate",
        "play",
        "listen",
        "measure",
        "remeasure",
        "import",
        "report",
        "verify",
        "compare",
        "runs",
        "export",
        "self-check",
    ):
        assert re.search(rf"\./scripts/harness {name}\b", text), name


def test_the_readme_promises_no_more_than_there_is() -> None:
    words = " ".join(README.read_text(encoding="utf-8").split())
    assert "No real dongle, generator or meter has been on it yet" in words
    assert "the drivers were tried on stand-ins" in words
    assert "does not check your receiver, its calibration, your pads or any other hardware" in words
    assert "the exit status stays 0" in words
    assert re.search(r"\d+ MB in `captures/demo` of the folder that you are in", words)
