"""What ``harness verify`` finds: each kind of change by itself, and none where there is none.

Readings and recordings are invented; a recording is any bytes with the checksum that stands for it.
All findings are exact.
"""

import hashlib
import re
from dataclasses import replace

import numpy as np
import pytest

from harness.advice import advise
from harness.describe.cautions import LOCAL_RULES
from harness.errors import BadInput
from harness.readings import RecordingUsed
from harness.recordings import write_collection
from harness.report.seal import ReadSeal, Seal, read_seal, seal_of, sealed
from harness.report.write import write_report
from harness.results import read_run, write_run
from harness.verify import check
from tests.advice.knob_runs import run_of, seen, sensitivity
from tests.truth.files import write_pair

RAW = bytes(range(256)) * 8


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A results file, its reports and its recordings, all as they should be."""
    folder = tmp_path_factory.mktemp("kept")
    (folder / "recordings").mkdir()
    (folder / "recordings" / "squelch-output.sigmf-data").write_bytes(RAW)
    (folder / "battery-log.csv").write_bytes(b"time_s,power_dbm\n0,36\n")
    used = (
        RecordingUsed(path="squelch-output", role="output", sha512=hashlib.sha512(RAW).hexdigest()),
        RecordingUsed(
            path="battery-log.csv",
            role="log",
            sha512=hashlib.sha512(b"time_s,power_dbm\n0,36\n").hexdigest(),
        ),
    )
    run = run_of(seen("12:00", 0, 5.0, -118.0), sensitivity(-117.0))
    first, *others = run.findings
    run = replace(run, findings=(replace(first, recordings=used), *others))
    write_run(folder / "run.h5", run)
    write_run(folder / "other.h5", replace(run, notes="another"))
    for name in ("run", "other"):
        for suffix in (".html", ".pdf"):
            results = folder / f"{name}.h5"
            write_report(folder / f"{name}{suffix}", read_run(results), seal=seal_of(results))
    return folder


@pytest.fixture
def folder(kept, tmp_path):
    """A copy of it, to change."""
    for path in kept.rglob("*"):
        if path.is_file():
            copy = tmp_path / path.relative_to(kept)
            copy.parent.mkdir(exist_ok=True)
            copy.write_bytes(path.read_bytes())
    return tmp_path


def found(checked):
    return {part.name: (part.finding, part.because) for part in checked.parts}


SOUND = {"run.h5", "squelch-output", "battery-log.csv"}


@pytest.mark.parametrize("report", ["run.html", "run.pdf"])
def test_what_was_left_alone_matches(kept, report):
    checked = check(kept / "run.h5", kept / report)
    assert checked.matches
    assert set(found(checked)) == SOUND | {report}
    assert found(checked)[report][1].endswith("drawn anew it is the same")


def test_without_a_report_or_recordings(kept):
    assert set(found(check(kept / "run.h5"))) == SOUND
    assert set(found(check(kept / "run.h5", with_recordings=False))) == {"run.h5"}


def changed(path, at):
    """Change one bit of one byte."""
    raw = bytearray(path.read_bytes())
    raw[at] ^= 0x10
    path.write_bytes(raw)


@pytest.mark.parametrize("part", [0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95])
def test_one_changed_byte_of_the_results_file(folder, part):
    path = folder / "run.h5"
    changed(path, int(part * path.stat().st_size))
    assert found(check(path, folder / "run.pdf"))["run.pdf"][0] == "differs"


def test_a_changed_word_is_found_without_a_report(folder):
    path = folder / "run.h5"
    raw = path.read_bytes()
    assert b"squelch_opening" in raw
    path.write_bytes(raw.replace(b"squelch_opening", b"squelch_opening"[::-1], 1))
    assert found(check(path))["run.h5"][0] == "differs"


@pytest.mark.parametrize(
    ("file", "name"),
    [
        ("recordings/squelch-output.sigmf-data", "squelch-output"),
        ("battery-log.csv", "battery-log.csv"),
    ],
)
@pytest.mark.parametrize("at", [0, 9, -1])
def test_one_changed_byte_of_a_recording(folder, file, name, at):
    changed(folder / file, at)
    (part,) = [part for part in check(folder / "run.h5").parts if part.finding != "matches"]
    assert (part.name, part.finding) == (name, "differs")


def test_a_missing_recording_is_no_match(folder):
    (folder / "battery-log.csv").unlink()
    checked = check(folder / "run.h5")
    assert found(checked)["battery-log.csv"][0] == "missing"
    assert not checked.matches


def test_recordings_elsewhere(folder, tmp_path):
    away = tmp_path / "archive" / "2026" / "march"
    away.mkdir(parents=True)
    (folder / "recordings" / "squelch-output.sigmf-data").rename(away / "squelch-output.sigmf-data")
    (folder / "battery-log.csv").rename(away / "battery-log.csv")
    assert not check(folder / "run.h5").matches
    assert check(folder / "run.h5", recordings=tmp_path / "archive").matches
    with pytest.raises(BadInput, match="no such folder"):
        check(folder / "run.h5", recordings=tmp_path / "none")


def test_a_name_that_leads_out_of_the_folder_is_not_followed(folder):
    outside = folder.parent / "outside.sigmf-data"
    outside.write_bytes(RAW)
    run = read_run(folder / "run.h5")
    first = run.findings[0]
    used = RecordingUsed(path="../outside", role="output", sha512=hashlib.sha512(RAW).hexdigest())
    write_run(folder / "out.h5", replace(run, findings=(replace(first, recordings=(used,)),)))
    assert found(check(folder / "out.h5"))["../outside"][0] == "missing"


@pytest.mark.parametrize("suffix", [".html", ".pdf"])
def test_a_report_of_another_run(kept, suffix):
    report = f"other{suffix}"
    finding, because = found(check(kept / "run.h5", kept / report))[report]
    assert (finding, "drawn from the results file" in because) == ("differs", True)


def edited(path):
    """Change what a page says, and nothing else."""
    raw = path.read_bytes()
    assert LOCAL_RULES.encode() in raw
    path.write_bytes(raw.replace(b"come first", b"come last!"))


def test_an_edited_page_whose_fingerprint_was_kept(folder):
    edited(folder / "run.html")
    finding, because = found(check(folder / "run.h5", folder / "run.html"))["run.html"]
    assert (finding, because) == ("differs", "it was changed after it was drawn")


def test_an_edited_pdf_whose_fingerprint_was_kept(folder):
    for at in (100, 5000, -200):
        whole = (folder / "run.pdf").read_bytes()
        changed(folder / "run.pdf", at)
        assert found(check(folder / "run.h5", folder / "run.pdf"))["run.pdf"][0] == "differs"
        (folder / "run.pdf").write_bytes(whole)


def resealed(path):
    """Make the report's own digest anew, as a forger would."""
    raw = path.read_bytes()
    path.write_bytes(sealed(re.sub(rb"(?<= report=)[0-9a-f]{128}", b"0" * 128, raw)))


def test_an_edited_page_with_a_digest_made_to_fit_is_drawn_anew(folder):
    edited(folder / "run.html")
    resealed(folder / "run.html")
    finding, because = found(check(folder / "run.h5", folder / "run.html"))["run.html"]
    assert (finding, because.startswith("drawn anew")) == ("differs", True)


def test_what_it_cannot_find(folder):
    """Edited, made to fit, and said to be drawn by other code: the document says so."""
    edited(folder / "run.html")
    raw = (folder / "run.html").read_bytes()
    (folder / "run.html").write_bytes(re.sub(rb"(?<= drawn=)[0-9a-f]{16}", b"0" * 16, raw))
    resealed(folder / "run.html")
    finding, because = found(check(folder / "run.h5", folder / "run.html"))["run.html"]
    assert (finding, "was not drawn anew" in because) == ("matches", True)


def test_a_page_without_a_seal(folder):
    write_report(folder / "bare.html", read_run(folder / "run.h5"))
    assert found(check(folder / "run.h5", folder / "bare.html"))["bare.html"][0] == "missing"


def test_what_was_asked_for_is_drawn_anew_with_it(folder):
    results = folder / "run.h5"
    run = read_run(results)
    seal = seal_of(results, false_keying_per_h=60.0)
    write_report(folder / "run.html", run, advice=advise(run, 60.0), seal=seal)
    assert found(check(results, folder / "run.html"))["run.html"][1].endswith("the same")
    seal = seal_of(results, against=folder / "other.h5")
    write_report(folder / "run.html", run, seal=seal)
    assert "another results file" in found(check(results, folder / "run.html"))["run.html"][1]


def test_the_description_of_a_take_is_held_to_its_collection(folder):
    place = folder / "recordings"
    meta = write_pair(
        place / "carrier-output",
        [np.zeros(64, dtype=complex)],
        "cu8",
        250e3,
        153.825e6,
        fields={"role": "output"},
    )
    write_collection(place / "carrier", [meta])
    run = read_run(folder / "run.h5")
    first = run.findings[0]
    data = (place / "carrier-output.sigmf-data").read_bytes()
    used = RecordingUsed(
        path="carrier-output", role="output", sha512=hashlib.sha512(data).hexdigest()
    )
    write_run(folder / "take.h5", replace(run, findings=(replace(first, recordings=(used,)),)))
    name = "carrier.sigmf-collection"
    assert found(check(folder / "take.h5"))[name][0] == "matches"
    text = meta.read_text(encoding="utf-8")
    meta.write_text(text + " ", encoding="utf-8")
    assert found(check(folder / "take.h5"))[name][0] == "differs"


def test_a_seal_is_found_again():
    seal = Seal(results_sha512="ab" * 64, options=("against:0123", "false-keying:1e-05"))
    page = f"<meta content='{seal.line()}'> words".encode()
    read = read_seal(sealed(page))
    assert isinstance(read, ReadSeal)
    assert read.is_whole
    assert (read.seal.results_sha512, read.seal.options) == (seal.results_sha512, seal.options)
    assert not read_seal(sealed(page).replace(b"words", b"Words")).is_whole
    assert read_seal(page + seal.line().replace("ab", "cd").encode()) is None
    assert sealed(b"no seal") == b"no seal"
    with pytest.raises(ValueError, match="cannot be written"):
        Seal(results_sha512="short").line()
