"""Recordings made by hand, with ``json`` and bytes only, to be opened by the bench."""

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

DATA = Path(__file__).resolve().parents[1] / "data"


def description(samples: np.ndarray, datatype: str = "cu8", **fields: Any) -> dict[str, Any]:
    """A description as SigMF 1.2 has it; ``fields`` go to global, with ``__`` for the colon."""
    whole = {
        "core:datatype": datatype,
        "core:sample_rate": 250_000,
        "core:version": "1.2.0",
        "core:sha512": hashlib.sha512(samples.tobytes()).hexdigest(),
    }
    whole |= {name.replace("__", ":"): value for name, value in fields.items()}
    return {
        "global": whole,
        "captures": [{"core:sample_start": 0, "core:frequency": 153_825_000}],
        "annotations": [],
    }


@pytest.fixture
def codes() -> np.ndarray:
    """A thousand cu8 samples that are all different from their neighbours."""
    return np.random.default_rng(2).integers(0, 256, (1000, 2)).astype(np.uint8)


@pytest.fixture
def put(tmp_path: Path) -> Callable[..., Path]:
    """Write a pair; gives the path of its description."""

    def _put(document: Any, samples: np.ndarray | bytes | None, name: str = "take-1") -> Path:
        meta = tmp_path / f"{name}.sigmf-meta"
        meta.write_bytes(document if isinstance(document, bytes) else json.dumps(document).encode())
        if samples is not None:
            raw = samples if isinstance(samples, bytes) else samples.tobytes()
            (tmp_path / f"{name}.sigmf-data").write_bytes(raw)
        return meta

    return _put


@pytest.fixture
def describe() -> Callable[..., dict[str, Any]]:
    """The function ``description``: fixtures need no import."""
    return description


@pytest.fixture(scope="session")
def data() -> Path:
    """Folder of the small real recordings that stand in the repository."""
    return DATA
