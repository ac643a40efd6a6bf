"""The import contracts of pyproject.toml, tried on planted breaches in a house of empty rooms."""

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"][
    "importlinter"
]["contracts"]
DRIVERS = {"sources", "instruments", "simulator"}


def planned() -> list[str]:
    """Give every module and room that has a floor."""
    layers = next(each for each in CONTRACTS if each["id"] == "floors")["layers"]
    return re.findall(r"\w+", " ".join(layers))


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All that has a floor, a package each, with nothing inside."""
    root = tmp_path_factory.mktemp("house")
    shutil.copy(ROOT / "pyproject.toml", root)
    for room in ("", *planned()):
        folder = root / "harness" / room
        folder.mkdir()
        (folder / "__init__.py").write_text("", encoding="utf-8")
    return root


def broken(house: Path) -> str:
    """Run the linter in the house; give what it found, nothing when all is well."""
    program = "from importlinter.cli import lint_imports_command as run; run()"
    done = subprocess.run(
        [sys.executable, "-c", program, "--no-logo", "--no-cache"],
        cwd=house,
        # The house's own harness, not that of the checkout.
        env={"PYTHONPATH": str(house), "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Contracts: " in done.stdout, done.stdout + done.stderr
    return done.stdout if done.returncode else ""


def test_empty_rooms_break_nothing(house: Path) -> None:
    assert broken(house) == ""


@pytest.mark.parametrize(
    ("file", "imported", "is_breach"),
    [
        ("dsp/x.py", "simulator", True),
        ("simulator/x.py", "dsp", True),
        ("measure/x.py", "sources", True),
        ("measure/x.py", "instruments", True),
        ("measure/x.py", "simulator", True),
        ("measure/x.py", "results", True),
        ("measure/x.py", "dsp", False),
        ("compare/x.py", "procedures", True),
        ("compare/x.py", "measure", True),
        ("compare/x.py", "advice", True),
        ("advice/x.py", "measure", True),
        ("advice/x.py", "compare", False),
        ("advice/x.py", "service", True),
        ("service/x.py", "advice", True),
        ("service/x.py", "measure", True),
        ("service/x.py", "compare", False),
        ("report/x.py", "dsp", True),
        ("report/x.py", "results", False),
        ("describe/x.py", "recordings", True),
        ("errors/x.py", "units", True),
        ("procedures/runner.py", "simulator", True),
        ("procedures/wiring/x.py", "simulator", False),
        ("commands/demo.py", "simulator", True),
        ("commands/self_check.py", "simulator", False),
        ("kitchen/__init__.py", "errors", True),
        ("utils.py", "errors", True),
    ],
)
def test_a_planted_import_is_judged(house: Path, file: str, imported: str, is_breach: bool) -> None:
    planted = house / "harness" / file
    planted.parent.mkdir(exist_ok=True)
    planted.write_text(f"import harness.{imported}\n", encoding="utf-8")
    try:
        found = broken(house)
    finally:
        planted.unlink()
        if planted.parent.name == "kitchen":
            planted.parent.rmdir()
    assert bool(found) == is_breach, found


def test_every_room_of_drivers_is_protected() -> None:
    """The contract cannot name a room that is not there yet; so this tells when it must."""
    there = {room for room in DRIVERS if (ROOT / "harness" / room / "__init__.py").exists()}
    contract = next(each for each in CONTRACTS if each["id"] == "drivers")
    assert there <= {name.removeprefix("harness.") for name in contract["protected_modules"]}


def test_signals_of_known_truth_share_nothing_with_the_harness() -> None:
    for file in (ROOT / "tests" / "truth").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not [name for name in names if name.split(".")[0] == "harness"], file
