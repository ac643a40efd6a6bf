"""Dongles that are not there: a stand-in for librtlsdr, compiled with the system's C compiler.

pyrtlsdr itself runs against it. What the dongles do stands in a file each, see
``librtlsdr/stand_in.c``.
"""

import os
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from tests.commands.conftest import typed

__all__ = ["typed"]
SOURCE = Path(__file__).parent / "librtlsdr" / "stand_in.c"


@pytest.fixture(scope="session")
def stand_in(tmp_path_factory) -> Path:
    """Folder with the stand-in, compiled; the library of this process from then on."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("no C compiler: the stand-in for librtlsdr cannot be made")
    folder = tmp_path_factory.mktemp("librtlsdr")
    words = ["-std=c11", "-D_GNU_SOURCE", "-Wall", "-Wextra", "-Werror", "-O2", "-shared", "-fPIC"]
    subprocess.run([compiler, *words, "-o", str(folder / "librtlsdr.so"), str(SOURCE)], check=True)
    return folder


@dataclass
class Dongles:
    """The dongles that are plugged in."""

    folder: Path

    def plug_in(self, index: int, *lines: str, serial: str | None = None) -> None:
        """Plug one in, or change what it does at its next opening or stream."""
        place = self.folder / str(index)
        place.mkdir(exist_ok=True)
        text = "\n".join([f"serial {serial or f'0000010{index + 1}'}", *lines])
        (place / "dongle").write_text(text + "\n", encoding="utf-8")

    def told(self, index: int) -> list[str]:
        """What it was told so far, in order."""
        log = self.folder / str(index) / "log"
        return log.read_text(encoding="utf-8").splitlines() if log.exists() else []

    def stream(self, codes: np.ndarray, name: str = "stream") -> Path:
        """Make a file of codes, shape (n, 2), for them to stream."""
        path = self.folder / f"{name}.cu8"
        np.ascontiguousarray(codes, dtype=np.uint8).tofile(path)
        return path


@pytest.fixture
def dongles(stand_in, tmp_path, monkeypatch) -> Dongles:
    """No dongle yet, but the library that would find them."""
    folder = tmp_path / "dongles"
    folder.mkdir()
    monkeypatch.setenv("STAND_IN_DONGLES", str(folder))
    monkeypatch.setenv("LD_LIBRARY_PATH", str(stand_in))
    assert os.environ["LD_LIBRARY_PATH"] == str(stand_in)
    return Dongles(folder)


@pytest.fixture
def counting() -> np.ndarray:
    """Codes that tell where they stand: shape (2^16, 2), the low byte and the high one."""
    number = np.arange(65_536)
    return np.stack([number & 255, number >> 8], axis=1).astype(np.uint8)
