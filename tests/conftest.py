"""What all tests share: where the real recordings and the published tables are."""

import os
from pathlib import Path

import hypothesis
import pytest

# No test draws on a screen.
os.environ["MPLBACKEND"] = "Agg"
# Tests run in as many processes as there are cores: each keeps to one.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# The same examples on every run, and no clock: a slow machine is not a fault.
hypothesis.settings.register_profile("repeatable", derandomize=True, database=None, deadline=None)
hypothesis.settings.load_profile("repeatable")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that hold a slow test, or one of them runs alone at the end."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


def _folder(variable: str, name: str) -> Path:
    """Find a folder named by an environment variable, or else beside the checkout."""
    named = os.environ.get(variable)
    if named is not None:
        if not Path(named).is_dir():
            pytest.fail(f"{variable} names {named}, which is no folder")
        return Path(named)
    beside = Path(__file__).resolve().parents[2] / "shared" / name
    if not beside.is_dir():
        pytest.skip(f"no folder {name}: set {variable}, or put it at ../shared/{name}")
    return beside


@pytest.fixture(scope="session")
def captures() -> Path:
    """Folder of the real recordings whose truth its own README states."""
    return _folder("HARNESS_CAPTURES", "captures")


@pytest.fixture(scope="session")
def reference() -> Path:
    """Folder of the published values, as tables that name their sources."""
    return _folder("HARNESS_REFERENCE", "reference")
