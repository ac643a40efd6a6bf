"""Make the environment on first use, then become the program asked for.

Called by start.sh as ``environment.py made|searched PROGRAM ARGUMENTS...``; ``made`` says
that the Python running this is the environment's own. Only the standard library is used.

There is one environment, ``.venv`` in the checkout, for the harness and for the tests, so that an
editor finds one Python and the tests run what the harness runs. It has the packages of
``requirements/run.txt``, or those of ``requirements/test.txt``, which are the same and more.

- It is made beside, in ``.venv-new``, and renamed when whole: an interrupted or failed making
  leaves the old one as it was, and the next start begins afresh.
- Its stamps are copies of the lock files that it was made from, headed by the kind of Python.
  While they agree, nothing is fetched or asked.
- ``.venv-building.lock`` is held by the one who makes it; ``.venv-use.lock`` is shared by all who
  run in it, so that it is never exchanged under a run that may last a night. The kernel lets go
  of both when a process ends, however it ends.
"""

import fcntl
import os
import platform
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

ROOT = Path(__file__).resolve().parent.parent
LOCKS = ROOT / "requirements"
ENVIRONMENT = ROOT / ".venv"
FRESH = ROOT / ".venv-new"
OLD = ROOT / ".venv-old"
LOG = ROOT / ".venv-log.txt"
BUILDING = ROOT / ".venv-building.lock"
USE = ROOT / ".venv-use.lock"

PYTHON_KIND = f"{sys.implementation.cache_tag} {sys.platform} {platform.machine()}"
PYTHON_VERSION = f"{sys.version_info[0]}.{sys.version_info[1]}"

# A level of the environment contains those before it.
LEVELS = ("run", "test")
LEVEL_OF_PROGRAM = {"harness": "run", "capture": "run", "test": "test", "accuracy": "test"}
MODULE_OF_PROGRAM = {
    "harness": "harness",
    "capture": "scripts.captures",
    "test": "pytest",
    "accuracy": "benchmarks.accuracy",
}
# The others belong to the checkout and run in it.
WHERE_ONE_STANDS = ("harness", "capture")

# pip's settings that would put the packages elsewhere or change which are taken.
MISLEADING = (
    "PIP_TARGET PIP_PREFIX PIP_ROOT PIP_USER PIP_PYTHON PIP_REQUIREMENT PIP_CONSTRAINT "
    "PIP_DRY_RUN PIP_NO_BINARY PIP_ONLY_BINARY PYTHONPATH PYTHONHOME"
).split()
# The words by which pip's output is known to tell of a missing network.
NO_ANSWER = re.compile(
    r"NewConnectionError|Max retries exceeded|ConnectionError|ConnectTimeout|Read ?Timeout"
    r"|timed out|name resolution|Network is unreachable|Connection (refused|reset|broken)"
    r"|ProxyError|SSLError|IncompleteRead|HTTP error"
)


class CannotMakeError(Exception):
    """The environment cannot be made now; its text is the one line to show."""


def say(text: str) -> None:
    """Write one line on standard error: standard output belongs to the program."""
    print(f"harness: {text}", file=sys.stderr, flush=True)


def stamp_text(level: str) -> str:
    """Give what the stamp of this level says when the environment is up to date."""
    return f"{PYTHON_KIND}\n{(LOCKS / f'{level}.txt').read_text(encoding='utf-8')}"


def stamp_file(environment: Path, level: str) -> Path:
    """Give the place of a level's stamp."""
    return environment / f"made-from-{level}.txt"


def is_ready(level: str) -> bool:
    """Tell whether the environment has what this level's lock file asks for."""
    try:
        stamp = stamp_file(ENVIRONMENT, level).read_text(encoding="utf-8")
    except FileNotFoundError:
        return False
    return stamp == stamp_text(level) and os.access(ENVIRONMENT / "bin" / "python", os.X_OK)


@contextmanager
def held(path: Path, how: int, patience_s: float | None = None) -> Iterator[int]:
    """Hold a lock file; without patience wait for as long as it takes, and say so once."""
    handle = os.open(path, os.O_RDONLY | os.O_CREAT, 0o666)
    try:
        deadline = None if patience_s is None else time.monotonic() + patience_s
        while True:
            try:
                fcntl.flock(handle, how | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if deadline is None:
                    say("another command is making the environment; waiting for it.")
                    fcntl.flock(handle, how)
                    break
                if time.monotonic() > deadline:
                    raise
            time.sleep(0.05)
        yield handle
    finally:
        os.close(handle)


def make(level: str) -> None:
    """Make the environment afresh and put it in place, unless another has just done so."""
    with held(BUILDING, fcntl.LOCK_EX) as building:
        if is_ready(level):
            return
        if os.path.lexists(ENVIRONMENT) and not stamp_file(ENVIRONMENT, LEVELS[0]).exists():
            raise CannotMakeError(
                ".venv in the checkout was made by something else; move it away and run again."
            )
        # An environment that had the tests' packages keeps them: an editor may rely on it.
        level = max(level, *(had for had in LEVELS if has_level(had)), key=LEVELS.index)
        try:
            # Others hold this lock for a moment only, to look at the stamps, unless they run.
            with held(USE, fcntl.LOCK_EX, patience_s=2.0):
                build(level, building)
                exchange()
        except BlockingIOError:
            raise CannotMakeError(
                "the packages asked for have changed, but another command still runs with those"
                " in .venv; end it, or wait for its end, and run again."
            ) from None
        finally:
            remove(FRESH)
    say("the environment is ready; from now on no network is needed.")


def has_level(level: str) -> bool:
    """Tell whether the environment, however old, was made with this level's packages."""
    return level == LEVELS[0] or stamp_file(ENVIRONMENT, level).exists()


def build(level: str, building: int) -> None:
    """Make a whole environment in the fresh folder, stamps last."""
    remove(FRESH)
    lock = LOCKS / f"{level}.txt"
    count = sum("==" in line for line in lock.read_text(encoding="utf-8").splitlines())
    say(
        f"first use, or other packages than before: making the environment for Python "
        f"{PYTHON_VERSION} in .venv (up to {count} packages from the network, a minute or two)."
    )
    make_empty = "-I -m venv".split()
    # Hashes are demanded of every package and nothing is built from source. The lock file is
    # complete, so dependencies need not be looked for.
    install = (
        "-I -m pip --disable-pip-version-check --no-input install --no-user --progress-bar off"
        " --no-warn-script-location --require-hashes --no-deps --only-binary :all: -r"
    ).split()
    for _ in output_of([sys.executable, *make_empty, str(FRESH)], lock.name, building):
        pass
    fetched = 0
    for line in output_of(
        [str(FRESH / "bin" / "python"), *install, str(lock)], lock.name, building
    ):
        # The second word stands for a file that is at hand already.
        if line.startswith(("Collecting ", "Processing ")):
            fetched += 1
            if fetched % 10 == 0:
                say(f"{fetched} of up to {count} packages fetched.")
        elif line.startswith("Installing "):
            say("putting the packages in place.")
    LOG.unlink()

    packages = next((FRESH / "lib").glob("python*/site-packages"))
    # Relative, so that a checkout that is moved runs its own code.
    (packages / "checkout.pth").write_text(f"{os.path.relpath(ROOT, packages)}\n", encoding="utf-8")
    point_scripts_home()
    for each in LEVELS[: LEVELS.index(level) + 1]:
        stamp_file(FRESH, each).write_text(stamp_text(each), encoding="utf-8")


def output_of(command: list[str], lock: str, building: int) -> Iterator[str]:
    """Run a command and give its lines as they come; when it fails, say why."""
    import subprocess

    lines = []
    with (
        LOG.open("w", encoding="utf-8") as log,
        subprocess.Popen(
            command,
            env={name: value for name, value in os.environ.items() if name not in MISLEADING},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            # Should this process be killed, the lock stays with the command until it ends too.
            pass_fds=(building,),
        ) as running,
    ):
        assert running.stdout is not None
        for line in running.stdout:
            log.write(line)
            lines.append(line.rstrip())
            yield lines[-1]
    if running.returncode:
        raise CannotMakeError(reason(lines, lock))


def point_scripts_home() -> None:
    """Name the final place in the scripts, which name the Python that they were made with."""
    for script in (FRESH / "bin").iterdir():
        content = script.read_bytes()
        if not script.is_symlink() and b"\0" not in content:
            script.write_bytes(content.replace(bytes(FRESH), bytes(ENVIRONMENT)))


def exchange() -> None:
    """Put the fresh environment in the place of the old one."""
    remove(OLD)
    if ENVIRONMENT.exists() or ENVIRONMENT.is_symlink():
        ENVIRONMENT.rename(OLD)
    FRESH.rename(ENVIRONMENT)
    remove(OLD)


def remove(path: Path) -> None:
    """Remove a folder, or a link to one, if it is there."""
    import shutil

    if path.is_symlink():
        path.unlink()
    elif path.exists():
        shutil.rmtree(path)


def reason(lines: list[str], lock: str) -> str:
    """Say in one sentence why venv or pip failed, from what it printed."""
    text = "\n".join(lines)
    wrong = re.search(r"DO NOT MATCH THE HASHES.*?\n\s+(\S+)==", text, re.DOTALL)
    if wrong:
        return (
            f"the file fetched for {wrong[1]} is not the one that requirements/{lock} names"
            " (another hash); nothing of it was used; run again, and report it if it stays so."
        )
    if "No space left on device" in text:
        return f"the disk is full; free about 1 GB for {ENVIRONMENT.name} and run again."
    named = re.findall(r"^Collecting ([^\s;]+)", text, re.MULTILINE)
    package = named[-1].replace("==", " ") if named else "a package"
    unmatched = re.search(r"satisfies the requirement ([^\s;]+).*\(from versions: (.*)\)", text)
    if unmatched:
        package = unmatched[1].replace("==", " ")
        if unmatched[2] != "none" and not NO_ANSWER.search(text):
            return (
                f"the package index has no ready-built {package} for Python {PYTHON_VERSION} on"
                f" {platform.system()} {platform.machine()}; try another Python of 3.11 to 3.13,"
                " named in HARNESS_PYTHON."
            )
    if unmatched or NO_ANSWER.search(text):
        return (
            f"{package} could not be fetched (no network, or no package index answers);"
            " connect to the network and run again."
        )
    errors = [line for line in lines if line.startswith(("ERROR:", "Error:"))] or lines or ["?"]
    return (
        f"the environment could not be made: {errors[-1].strip()} (all of it in {LOG.name});"
        " mend that and run again."
    )


def become(program: str, arguments: list[str], started_in: Path) -> NoReturn:
    """Turn this process into the program, in the environment."""
    # A module path set for other programs would put their packages before the pinned ones.
    for name in ("PYTHONPATH", "PYTHONHOME"):
        os.environ.pop(name, None)
    module = MODULE_OF_PROGRAM[program]
    if program not in WHERE_ONE_STANDS:
        arguments = [from_root(argument, started_in) for argument in arguments]
        os.chdir(ROOT)
    python = str(ENVIRONMENT / "bin" / "python")
    # -P and -s: neither the folder one stands in nor the user's own packages come before these.
    os.execv(python, [python, "-P", "-s", "-m", module, *arguments])


def from_root(argument: str, started_in: Path) -> str:
    """Make a test named from the folder one stands in whole; pytest starts in the root."""
    path = started_in / argument.partition("::")[0]
    is_plain = not argument or argument.startswith("-") or started_in == ROOT
    return argument if is_plain or not path.exists() else str(started_in / argument)


def main(mode: str, program: str, *arguments: str) -> NoReturn:
    """Make what is missing and become the program."""
    level = LEVEL_OF_PROGRAM[program]
    started_in = Path.cwd()
    while True:
        with held(USE, fcntl.LOCK_SH) as use:
            if is_ready(level):
                os.set_inheritable(use, True)
                become(program, list(arguments), started_in)
        if mode == "made":
            # The environment's own Python is not the one to make another with.
            start = str(ROOT / "scripts" / "start.sh")
            os.execv(start, [start, "--search", program, *arguments])
        make(level)


if __name__ == "__main__":
    try:
        main(*sys.argv[1:])
    except CannotMakeError as refusal:
        say(str(refusal))
        sys.exit(3)
    except OSError as fault:
        say(f"the environment could not be made: {fault}; mend that and run again.")
        sys.exit(3)
    except KeyboardInterrupt:
        say("stopped before the environment was whole; the next start makes it afresh.")
        sys.exit(130)
