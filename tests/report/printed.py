"""Pages as a real browser prints them; a test skips where a program for it is missing."""

import shutil
import subprocess
from pathlib import Path

import pytest

FLAGS = "--headless --no-sandbox --disable-gpu --disable-background-networking --no-first-run"


def printed(html: str, paper: str, folder: Path) -> Path:
    """Print a page on a paper ("A4", "Letter"); give the PDF."""
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("no chromium on this machine: the printed page is not looked at")
    source, pdf = folder / "print.html", folder / "print.pdf"
    source.write_text(html.replace("@page {", f"@page {{ size: {paper};"), encoding="utf-8")
    subprocess.run(
        [
            chromium,
            *FLAGS.split(),
            f"--user-data-dir={folder / 'profile'}",
            "--no-pdf-header-footer",
            f"--print-to-pdf={pdf}",
            source.as_uri(),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    return pdf


def has_reader() -> bool:
    """Whether the words of a PDF can be read here."""
    return shutil.which("pdftotext") is not None


def words_in(pdf: Path) -> str:
    """Give the words of a PDF; each page ends with a form feed."""
    if not has_reader():
        pytest.skip("no pdftotext on this machine: the printed words are not looked at")
    read = ["pdftotext", "-layout", str(pdf), "-"]
    return subprocess.run(read, check=True, capture_output=True, text=True).stdout
