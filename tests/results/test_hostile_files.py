"""Results files that were built or damaged to waste memory or to lead elsewhere.

Each keeps a right digest where one can be had, so that only the content itself gives it away.
"""

import shutil
import tracemalloc
from pathlib import Path

import h5py
import numpy as np
import pytest

from harness.errors import BadInput
from harness.results import layout, read_run
from harness.results.read import MOST_BYTES

BASE = Path(__file__).resolve().parents[1] / "data" / "results" / "schema-1.h5"


def huge(file: h5py.File) -> None:
    # Takes no room in the file: nothing of it was ever written.
    file.create_dataset("more", (2 * MOST_BYTES,), dtype="u1", chunks=(4096,))


def soft(file: h5py.File) -> None:
    file["findings/again"] = h5py.SoftLink("/limits")


def abroad(file: h5py.File) -> None:
    file["abroad"] = h5py.ExternalLink("other.h5", "/x")


def itself(file: h5py.File) -> None:
    file["findings/again"] = file["/findings"]


def named_type(file: h5py.File) -> None:
    file["type"] = np.dtype("f8")


def outside(file: h5py.File) -> None:
    file.create_dataset("raw", (4,), dtype="u1", external=[("other.bin", 0, 4)])


@pytest.mark.parametrize("spoil", [huge, soft, abroad, itself, named_type, outside])
def test_refused_before_it_is_read(tmp_path: Path, spoil) -> None:
    path = tmp_path / "run.h5"
    shutil.copy(BASE, path)
    (tmp_path / "other.bin").write_bytes(b"1234")
    with h5py.File(tmp_path / "other.h5", "w") as other:
        other["x"] = [1.0]
    with h5py.File(path, "r+") as file:
        spoil(file)
        if spoil not in (huge, itself, named_type, outside):
            file.attrs[layout.DIGEST] = layout.digest(file)
    tracemalloc.start()
    with pytest.raises(BadInput, match="damaged, or was changed"):
        read_run(path)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 20e6, "chosen: a sound one takes a few megabytes"


def test_a_name_too_long_for_the_system() -> None:
    with pytest.raises(BadInput, match="no such file"):
        read_run("n" * 5000)


@pytest.mark.parametrize(
    ("group", "name", "value"),
    [
        ("/", layout.TITLE, np.arange(3)),
        ("/", layout.PROCEDURE, np.arange(3)),
        ("/", layout.VERDICT, "splendid"),
        ("/", layout.STARTED_UTC, "yesterday"),
        (layout.UNIT, layout.DESCRIPTION, "[1]"),
        (layout.BENCH, layout.DESCRIPTION, "[" * 20000),
    ],
)
def test_attributes_of_the_wrong_kind(tmp_path: Path, group: str, name: str, value) -> None:
    path = tmp_path / "run.h5"
    shutil.copy(BASE, path)
    with h5py.File(path, "r+") as file:
        file[group].attrs[name] = value
        file.attrs[layout.DIGEST] = layout.digest(file)
    with pytest.raises(BadInput, match="damaged, or was changed"):
        read_run(path)
