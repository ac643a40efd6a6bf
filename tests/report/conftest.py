"""The invented runs that the tests of the report share."""

import importlib.util
from pathlib import Path

import pytest

SAMPLE = Path(__file__).with_name("sample_run.py")


@pytest.fixture(scope="module")
def sample():
    """Give the module that makes them."""
    spec = importlib.util.spec_from_file_location("sample_run", SAMPLE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
