"""The notebook bench, by path: test folders are no packages."""

import importlib.util
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def notebook():
    """Give the module with the bench that only writes down what it is told."""
    path = Path(__file__).with_name("bench.py")
    spec = importlib.util.spec_from_file_location("notebook_bench", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
