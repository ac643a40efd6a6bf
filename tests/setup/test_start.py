"""The first start, and every start after it: real scripts in a copy of the checkout.

The package asked for is a tiny one made here and found in a folder, so that pip checks its real
hash without any network.
"""

import fcntl
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 120

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the scripts are for POSIX shells")

PROGRAM = """
import sys, time
import pebble
print(pebble.VERSION, sys.version_info[:2], sys.argv[1:], flush=True)
if "wait" in sys.argv:
    sys.stdin.read()
"""


@dataclass
class Checkout:
    """A copy of the scripts beside a small program."""

    root: Path
    wheels: Path
    surroundings: dict[str, str]

    def start(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Start the harness to its end."""
        return subprocess.run(
            self.command(*arguments),
            **self.options(),  # type: ignore[call-overload]
            timeout=PATIENCE_S,
            check=False,
        )

    def begin(self, *arguments: str) -> subprocess.Popen[str]:
        """Start the harness and come back at once."""
        return subprocess.Popen(
            self.command(*arguments),
            **self.options(),  # type: ignore[call-overload]
            stdin=subprocess.PIPE,
            start_new_session=True,
        )

    def command(self, *arguments: str) -> list[str]:
        """Give what one types."""
        return [str(self.root / "scripts" / "harness"), *arguments]

    def options(self) -> dict[str, object]:
        """Give how each start is watched."""
        return {
            "env": self.surroundings,
            "stdout": subprocess.PIPE,
            "stderr": subprocess.PIPE,
            "text": True,
        }

    def ask_for(self, version: str, digest: str | None = None) -> None:
        """Write the lock files, which ask for one version of the tiny package."""
        wheel = self.wheels / f"pebble-{version}-py3-none-any.whl"
        if digest is None:
            digest = hashlib.sha256(wheel.read_bytes()).hexdigest()
        for name in ("run.txt", "test.txt"):
            lock = self.root / "requirements" / name
            lock.write_text(f"pebble=={version} \\\n    --hash=sha256:{digest}\n", encoding="utf-8")

    def entries(self) -> set[str]:
        """Give what stands in the checkout beside what was put there."""
        return {path.name for path in self.root.iterdir()} - {"scripts", "requirements", "harness"}


def make_wheel(folder: Path, version: str) -> None:
    """Make a package with one module that knows its version."""
    info = f"pebble-{version}.dist-info"
    contents = {
        "pebble.py": f"VERSION = {version!r}\n",
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: pebble\nVersion: {version}\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/RECORD": f"pebble.py,,\n{info}/METADATA,,\n{info}/RECORD,,\n",
    }
    with zipfile.ZipFile(folder / f"pebble-{version}-py3-none-any.whl", "w") as wheel:
        for name, text in contents.items():
            # Without the time of day, so that the hash is the same for every test.
            wheel.writestr(zipfile.ZipInfo(name), text)


@pytest.fixture
def checkout(tmp_path: Path) -> Checkout:
    """Nothing made yet; the folder has a blank in its name."""
    root, wheels = tmp_path / "a checkout", tmp_path / "wheels"
    wheels.mkdir()
    for version in ("1.0", "2.0"):
        make_wheel(wheels, version)
    (root / "requirements").mkdir(parents=True)
    shutil.copytree(ROOT / "scripts", root / "scripts")
    (root / "harness").mkdir()
    (root / "harness" / "__init__.py").write_text("", encoding="utf-8")
    (root / "harness" / "__main__.py").write_text(PROGRAM, encoding="utf-8")
    surroundings = {
        "PATH": os.environ["PATH"],
        "HOME": str(tmp_path),
        # The Python under test, by its real name: the environment's own is not the one to copy.
        "HARNESS_PYTHON": str(Path(sys.executable).resolve()),
        "PIP_CONFIG_FILE": os.devnull,
        "PIP_NO_INDEX": "1",
        "PIP_FIND_LINKS": str(wheels),
    }
    made = Checkout(root, wheels, surroundings)
    made.ask_for("1.0")
    return made


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where one whole environment is kept, so that not each test must make its own."""
    return tmp_path_factory.mktemp("kept") / ".venv"


@pytest.fixture
def ready(checkout: Checkout, kept: Path) -> Checkout:
    """A checkout whose environment is whole."""
    if kept.exists():
        shutil.copytree(kept, checkout.root / ".venv", symlinks=True)
    else:
        assert checkout.start().returncode == 0
        shutil.copytree(checkout.root / ".venv", kept, symlinks=True)
    return checkout


def wait_until(true: Callable[[], bool]) -> None:
    """Wait for something to come about."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, "it never came about"
        time.sleep(0.02)


def one_plain_line(text: str) -> str:
    """Give the refusal, the last line; before it stands nothing but progress."""
    lines = text.splitlines()
    assert lines
    assert all(line.startswith("harness: ") for line in lines), text
    assert all(line.endswith(("minute or two).", "fetched.")) for line in lines[:-1]), text
    return lines[-1]


def fake_python(folder: Path, name: str, body: str) -> Path:
    """Put a program under the name of a Python."""
    folder.mkdir(exist_ok=True)
    program = folder / name
    program.write_text(f"#!/bin/sh\n{body}\n", encoding="utf-8")
    program.chmod(0o755)
    return program


def bare_path(folder: Path) -> str:
    """Give a PATH with the few programs that the scripts call and no Python."""
    folder.mkdir(exist_ok=True)
    for name in ("dirname", "readlink", "sh"):
        (folder / name).symlink_to(shutil.which(name) or f"/bin/{name}")
    return str(folder)


def test_first_start_makes_it_and_the_second_asks_nobody(checkout: Checkout) -> None:
    first = checkout.start("carrier", "two words", "")
    assert first.returncode == 0, first.stderr
    assert first.stdout == f"1.0 {sys.version_info[:2]} ['carrier', 'two words', '']\n"
    assert "first use" in first.stderr
    assert checkout.entries() == {".venv", ".venv-building.lock", ".venv-use.lock"}

    # Nothing to fetch from and nothing named: it must not need them, nor say a word.
    shutil.rmtree(checkout.wheels)
    del checkout.surroundings["HARNESS_PYTHON"]
    second = checkout.start("again")
    assert (second.returncode, second.stderr) == (0, "")
    assert second.stdout == f"1.0 {sys.version_info[:2]} ['again']\n"


def test_from_any_folder_through_links_and_past_traps(ready: Checkout, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "pebble.py").write_text("VERSION = 'trap'\n", encoding="utf-8")
    (elsewhere / "real").symlink_to(ready.root / "scripts" / "harness")
    (elsewhere / "linked").symlink_to("real")
    started = subprocess.run(
        ["./linked"],
        cwd=elsewhere,
        env={**ready.surroundings, "PYTHONPATH": str(elsewhere)},
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert (started.returncode, started.stderr) == (0, "")
    assert started.stdout.startswith("1.0 ")


def test_a_moved_checkout_runs_its_own_code_without_network(ready: Checkout) -> None:
    moved = ready.root.with_name("moved")
    ready.root.rename(moved)
    ready.root = moved
    shutil.rmtree(ready.wheels)
    started = ready.start()
    assert (started.returncode, started.stderr) == (0, "")
    assert started.stdout.startswith("1.0 ")


def test_without_network_one_sentence_and_nothing_left(checkout: Checkout) -> None:
    shutil.rmtree(checkout.wheels)
    checkout.wheels.mkdir()
    refused = checkout.start()
    line = one_plain_line(refused.stderr)
    assert (refused.returncode, refused.stdout) == (3, "")
    assert "pebble 1.0 could not be fetched" in line
    assert "network" in line
    assert not {".venv", ".venv-new", ".venv-old"} & checkout.entries()


def test_without_network_the_old_environment_stays(ready: Checkout) -> None:
    ready.ask_for("2.0")
    (ready.wheels / "pebble-2.0-py3-none-any.whl").unlink()
    assert ready.start().returncode == 3
    ready.ask_for("1.0")
    assert ready.start().stdout.startswith("1.0 ")


def test_a_wrong_hash_is_refused(checkout: Checkout) -> None:
    checkout.ask_for("1.0", digest="0" * 64)
    refused = checkout.start()
    assert (refused.returncode, refused.stdout) == (3, "")
    assert "pebble is not the one that requirements/run.txt names" in one_plain_line(refused.stderr)
    assert ".venv" not in checkout.entries()


def test_other_packages_asked_for_are_brought(ready: Checkout) -> None:
    ready.ask_for("2.0")
    started = ready.start()
    assert started.returncode == 0, started.stderr
    assert started.stdout.startswith("2.0 ")


def test_packages_are_not_exchanged_under_a_running_command(ready: Checkout) -> None:
    running = ready.begin("wait")
    assert running.stdout is not None
    assert running.stdout.readline().startswith("1.0 ")
    ready.ask_for("2.0")
    refused = ready.start()
    assert (refused.returncode, refused.stdout) == (3, "")
    assert "another command still runs" in one_plain_line(refused.stderr)
    assert (ready.root / ".venv" / "bin" / "python").exists()
    running.communicate("", timeout=PATIENCE_S)
    assert running.returncode == 0


def begin_and_end_amid(checkout: Checkout, end: Callable[[int], None]) -> str:
    """Begin the first start, end it while it makes the environment, give what it said."""
    begun = checkout.begin()
    wait_until(lambda: (checkout.root / ".venv-new" / "pyvenv.cfg").exists())
    end(begun.pid)
    _, said = begun.communicate(timeout=PATIENCE_S)
    assert begun.returncode != 0
    assert ".venv" not in checkout.entries()
    return said


def test_after_a_killed_making_the_next_start_begins_afresh(checkout: Checkout) -> None:
    # Only the process itself: the commands that it started live on for a while.
    begin_and_end_amid(checkout, lambda process: os.kill(process, signal.SIGKILL))
    second = checkout.start()
    assert second.returncode == 0, second.stderr
    assert second.stdout.startswith("1.0 ")
    assert checkout.entries() == {".venv", ".venv-building.lock", ".venv-use.lock"}


def test_an_interrupted_making_leaves_nothing(checkout: Checkout) -> None:
    # As the terminal does it: to all processes of the command.
    said = begin_and_end_amid(checkout, lambda process: os.killpg(process, signal.SIGINT))
    assert "Traceback" not in said
    assert "the next start makes it afresh" in said.splitlines()[-1]
    assert ".venv-new" not in checkout.entries()


def test_two_first_starts_at_once_make_one_environment(checkout: Checkout) -> None:
    both = [checkout.begin(name) for name in ("one", "two")]
    ended = [each.communicate("", timeout=PATIENCE_S) for each in both]
    assert [each.returncode for each in both] == [0, 0], ended
    assert all(out.startswith("1.0 ") for out, _ in ended)
    assert sum("first use" in said for _, said in ended) == 1
    assert sum("waiting for it" in said for _, said in ended) <= 1


def test_it_waits_for_the_one_who_makes_it(checkout: Checkout) -> None:
    handle = os.open(checkout.root / ".venv-building.lock", os.O_RDONLY | os.O_CREAT)
    # Shared here, so that only one who asks for it alone must wait.
    fcntl.flock(handle, fcntl.LOCK_SH)
    begun = checkout.begin()
    assert begun.stderr is not None
    assert "waiting for it" in begun.stderr.readline()
    assert not {".venv", ".venv-new"} & checkout.entries()
    os.close(handle)
    out, _ = begun.communicate("", timeout=PATIENCE_S)
    assert out.startswith("1.0 ")


def test_an_environment_of_someone_else_is_left_alone(checkout: Checkout) -> None:
    foreign = checkout.root / ".venv" / "bin"
    foreign.mkdir(parents=True)
    fake_python(foreign, "python", "echo foreign")
    refused = checkout.start()
    assert (refused.returncode, refused.stdout) == (3, "")
    assert "made by something else" in one_plain_line(refused.stderr)
    assert (foreign / "python").exists()


OLD = "echo 'other 3.9.2'"
BROKEN = "echo 'not installed' >&2; exit 127"


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        ({}, "no Python was found"),
        ({"python3": OLD}, "only 3.9.2 ("),
        ({"python3.12": BROKEN}, "no Python was found"),
        ({"python3.13": BROKEN, "python3": OLD}, "only 3.9.2 ("),
    ],
    ids=["none", "too old", "broken launcher", "broken launcher and too old"],
)
def test_without_a_python_that_fits(
    checkout: Checkout, tmp_path: Path, names: dict[str, str], expected: str
) -> None:
    del checkout.surroundings["HARNESS_PYTHON"]
    checkout.surroundings["PATH"] = bare_path(tmp_path / "bin")
    for name, body in names.items():
        fake_python(tmp_path / "bin", name, body)
    refused = checkout.start()
    line = one_plain_line(refused.stderr)
    assert (refused.returncode, refused.stdout) == (2, "")
    assert expected in line
    assert "3.11, 3.12 or 3.13" in line
    assert checkout.entries() == set()


def test_a_real_probe_tells_the_version(checkout: Checkout, tmp_path: Path) -> None:
    """The probe itself, run by this Python made to look old."""
    real = Path(sys.executable).resolve()
    old = fake_python(
        tmp_path / "fake",
        "python3",
        f'exec "{real}" -E -S -c "import sys; sys.version_info = (3, 10, 13); $4"',
    )
    checkout.surroundings["HARNESS_PYTHON"] = str(old)
    refused = checkout.start()
    assert refused.returncode == 2
    assert f"only 3.10.13 ({old}) was found" in one_plain_line(refused.stderr)


def test_a_python_without_venv_names_the_package_to_install(
    checkout: Checkout, tmp_path: Path
) -> None:
    real = Path(sys.executable).resolve()
    bare = fake_python(
        tmp_path / "fake",
        "python3",
        f'exec "{real}" -E -S -c "import sys; sys.modules[\'ensurepip\'] = None; $4"',
    )
    checkout.surroundings["HARNESS_PYTHON"] = str(bare)
    refused = checkout.start()
    assert refused.returncode == 2
    package = f"python3.{sys.version_info[1]}-venv"
    assert f"apt install {package}" in one_plain_line(refused.stderr)


def test_a_wrong_harness_python_is_named(checkout: Checkout, tmp_path: Path) -> None:
    checkout.surroundings["HARNESS_PYTHON"] = str(tmp_path / "nowhere")
    refused = checkout.start()
    assert refused.returncode == 2
    assert str(tmp_path / "nowhere") in one_plain_line(refused.stderr)


def test_a_fitting_python_is_found_behind_a_broken_launcher(
    checkout: Checkout, tmp_path: Path
) -> None:
    """The same name twice on PATH: the first does not run, the second does."""
    del checkout.surroundings["HARNESS_PYTHON"]
    fake_python(tmp_path / "first", "python3.12", BROKEN)
    answer = 'if [ "$1" = -E ]; then echo \'fits 3.12.1\'; else echo handed over "$5" "$6"; fi'
    fake_python(tmp_path / "second", "python3.12", answer)
    path = f"{tmp_path / 'first'}:{tmp_path / 'second'}:{bare_path(tmp_path / 'bin')}"
    checkout.surroundings["PATH"] = path
    assert checkout.start("carrier").stdout == "handed over harness carrier\n"
