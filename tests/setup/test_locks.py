"""The lock files: pinned, hashed, complete for every Python, and free of any place or index."""

import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
LOCKS = [ROOT / "requirements" / "run.txt", ROOT / "requirements" / "test.txt"]


def requirements(lock: Path) -> dict[str, tuple[Requirement, list[str]]]:
    """Read a lock file into requirement and hashes by name."""
    found = {}
    joined = lock.read_text(encoding="utf-8").replace("\\\n", " ")
    for line in joined.splitlines():
        if line.startswith("#"):
            continue
        text, *hashes = line.split("--hash=")
        requirement = Requirement(text)
        assert requirement.name not in found, f"{requirement.name} stands twice"
        found[requirement.name] = (requirement, [each.strip() for each in hashes])
    return found


@pytest.mark.parametrize("lock", LOCKS, ids=lambda lock: lock.name)
def test_each_package_is_pinned_and_hashed(lock: Path) -> None:
    packages = requirements(lock)
    assert packages
    for requirement, hashes in packages.values():
        assert re.fullmatch(r"==[^*,]+", str(requirement.specifier)), requirement
        assert requirement.url is None
        assert hashes, requirement
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", each) for each in hashes), requirement


@pytest.mark.parametrize("lock", LOCKS, ids=lambda lock: lock.name)
def test_no_place_and_no_index_is_named(lock: Path) -> None:
    text = lock.read_text(encoding="utf-8")
    # Options, addresses, folders: nothing but the name of the script that remakes the file.
    assert set(re.findall(r"\s--?[a-z-]+", text)) == {" --hash"}
    assert re.findall(r"\S*/\S*", text) == ["./scripts/lock"]


def test_the_tests_run_on_what_the_harness_runs_on() -> None:
    run, test = (requirements(lock) for lock in LOCKS)
    assert {name: str(run[name][0]) for name in run} == {
        name: str(test[name][0]) for name in run if name in test
    }
    assert "pytest" in test
    assert "pytest" not in run


@pytest.mark.parametrize("python", ["3.11", "3.12", "3.13"])
@pytest.mark.parametrize("system", ["linux", "darwin", "win32"])
def test_what_is_asked_for_is_pinned_everywhere(python: str, system: str) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    place = {
        **default_environment(),
        "python_version": python,
        "python_full_version": f"{python}.0",
        "sys_platform": system,
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
    }
    for lock, wanted in zip(
        LOCKS,
        (project["dependencies"], project["optional-dependencies"]["test"]),
        strict=True,
    ):
        pinned = requirements(lock)
        for text in wanted:
            asked = Requirement(text)
            pin, _ = pinned[asked.name]
            assert pin.marker is None or pin.marker.evaluate(place), (asked, python, system)
            assert asked.specifier.contains(str(pin.specifier).removeprefix("==")), asked


@pytest.mark.parametrize("lock", LOCKS, ids=lambda lock: lock.name)
def test_nothing_is_wanting(lock: Path) -> None:
    """The packages are installed without looking for dependencies, so all must be named."""
    pinned = requirements(lock)
    for name, (pin, _) in pinned.items():
        if pin.marker is not None and not pin.marker.evaluate():
            continue
        for text in metadata.requires(name) or []:
            needed = Requirement(text)
            if needed.marker is None or needed.marker.evaluate({"extra": ""}):
                assert canonicalize_name(needed.name) in pinned, f"{name} needs {text}"
                version = metadata.version(needed.name)
                assert needed.specifier.contains(version), f"{name} needs {text}, not {version}"


def test_the_environment_is_what_the_lock_says() -> None:
    for name, (pin, _) in requirements(LOCKS[1]).items():
        if pin.marker is None or pin.marker.evaluate():
            assert pin.specifier.contains(metadata.version(name)), pin
