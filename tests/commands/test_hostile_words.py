"""Words, names and streams that a clumsy or hostile user gives the program.

The promise is DESIGN section 6: exit status 2 for bad usage and bad input, 3 for what the machine
cannot do; then standard output is empty and standard error has one plain line. All rows are exact.
"""

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.commands.app import main
from tests.truth.files import write_pair
from tests.truth.signals import Carrier, Dongle

RATE_HZ, CENTRE_HZ, CARRIER_HZ = 250e3, 153.8e6, 153.83e6


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tenth of a second of a bare carrier."""
    dongle = Dongle(
        sample_rate_hz=RATE_HZ, centre_hz=CENTRE_HZ, carriers=(Carrier(frequency_hz=CARRIER_HZ),)
    )
    base = tmp_path_factory.mktemp("words") / "take"
    return write_pair(
        base, dongle.chunks(25_000), "cu8", RATE_HZ, CENTRE_HZ, fields={"role": "output"}
    )


@pytest.fixture
def typed(monkeypatch, capsys):
    """Type a command; give status, standard output and standard error."""

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["harness", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        return ended.value.code, printed.out, printed.err

    return run


def refused(answer: tuple[int, str, str], *words: str) -> str:
    """Check that it is a refusal in one plain line that holds the words; give the line."""
    status, out, err = answer
    assert (status, out) == (2, ""), err
    assert err.endswith("\n")
    assert err[:-1].isprintable(), "one line, and nothing that a terminal would obey"
    assert "Traceback" not in err
    assert len(err) < 600
    for word in words:
        assert word in err
    return err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["mesure"], "mesure"),
        (["measure"], "KIND"),
        (["measure", "carrier"], "--help"),
        (["measure", "carrier", "{r}", "--at"], "--help"),
        (["measure", "carrier", "{r}", "--at", "12.5k"], "number"),
        (["measure", "carrier", "{r}", "--at", ""], "number"),
        (["measure", "carrier", "{r}", "--att", "1"], "--att"),
        (["measure", "carrier", "{r}", "--at", "nan"], "--at"),
        (["measure", "carrier", "{r}", "--spacing", "1e-320"], "--spacing"),
        (["measure", "carrier", "{r}", "--spacing", "1e400"], "--spacing"),
        (["measure", "carrier", "{r}", "--span", "1:0"], "span"),
        (["measure", "carrier", "{r}", "--span", "nan:nan"], "span"),
        (["measure", "carrier", *["{r}"] * 500], "500 recordings"),
        (["measure", "carrier", "{r}", "{r}"], "both"),
        (["import", "{d}", "--rate", "1e6", "--datatype", "cu8"], "centre"),
        (["import", "{d}", "--centre", "x", "--rate", "1e6", "--datatype", "cu8"], "number"),
        (
            ["import", "{d}", "--centre", "1e8", "--rate", "1e6", "--datatype=cu8", "--out="],
            "--out",
        ),
    ],
    ids=lambda value: " ".join(value)[:60] if isinstance(value, list) else None,
)
def test_words_that_are_refused(typed, recording: Path, words: list[str], told: str) -> None:
    data = recording.with_suffix(".sigmf-data")
    refused(typed(*(word.format(r=recording, d=data) for word in words)), told)


@pytest.mark.parametrize("name", ["a\nb", "\x1b[2Jred", "x\u202ey", "\udcff", "n" * 5000, "", "."])
@pytest.mark.parametrize(
    "words",
    [
        ["measure", "carrier", "{n}"],
        ["measure", "discharge", "{n}"],
        ["measure", "audio", "{n}.wav"],
        ["measure", "carrier", "{r}", "--unit", "{n}"],
        ["compare", "{n}", "{n}"],
        ["report", "{n}"],
        ["import", "{n}", "--centre", "1e8", "--rate", "1e6", "--datatype", "cu8"],
    ],
    ids=lambda words: "-".join(words[:2]),
)
def test_names_of_nothing(
    typed, recording: Path, tmp_path: Path, monkeypatch, words, name: str
) -> None:
    # Some commands take a folder: this one is empty.
    monkeypatch.chdir(tmp_path)
    name = name if name in ("", ".") else f"{tmp_path}/{name}"
    refused(typed(*(word.format(n=name, r=recording) for word in words)))


@pytest.mark.skipif(os.name != "posix", reason="names in bytes are a custom of POSIX systems")
@pytest.mark.parametrize(
    "name", ["-x", "a\nb", "\udcff\udcfe", "[bold]", "\x1b[31m", "\N{BLACK SUN WITH RAYS}"]
)
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_any_name_that_a_file_can_have(
    monkeypatch, capsysbinary, recording: Path, tmp_path: Path, name: str, encoding: str
) -> None:
    base = recording.name.removesuffix(".sigmf-meta")
    for suffix in (".sigmf-meta", ".sigmf-data"):
        (tmp_path / f"{name}{suffix}").write_bytes(
            (recording.parent / (base + suffix)).read_bytes()
        )
    sys.stdout.reconfigure(encoding=encoding)
    for words in (["measure", "carrier"], ["measure", "carrier", "--json"]):
        monkeypatch.setattr(sys, "argv", ["harness", *words, f"{tmp_path}/{name}.sigmf-meta"])
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsysbinary.readouterr()
        assert (ended.value.code, printed.err) == (0, b"")
    assert json.loads(printed.out)["recordings"][0]["path"] == name
    raw = tmp_path / f"{name}.cu8"
    raw.write_bytes(bytes(2000))
    out = f"{tmp_path}/out-{name}"
    monkeypatch.setattr(
        sys, "argv", ["harness", "import", str(raw), "--centre=1e8", "--rate=1e6", "--out", out]
    )
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0, capsysbinary.readouterr().err
    assert raw.stat().st_size == 2000


@pytest.mark.parametrize("out", ["z" * 300, "no/such/folder/x"])
def test_import_leaves_nothing_under_an_impossible_name(
    typed, recording: Path, tmp_path: Path, out: str
) -> None:
    data = recording.with_suffix(".sigmf-data")
    words = ["--centre", "1e8", "--rate", "1e6", "--datatype", "cu8", "--out", tmp_path / out]
    refused(typed("import", data, *words))
    assert not list(tmp_path.iterdir())


LOADING = "import sys, harness.commands.app as a; sys.argv[0] = 'harness'; a.main()"


def process(words: list[object], **how: object) -> tuple[int, str]:
    """Run the program apart; give status and standard error."""
    command = [sys.executable, "-c", LOADING, *map(str, words)]
    done = subprocess.run(command, stderr=subprocess.PIPE, check=False, timeout=60, **how)
    return done.returncode, done.stderr.decode()


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="a device of Linux")
@pytest.mark.parametrize("form", [["--json"], []])
def test_full_standard_output(recording: Path, form: list[str]) -> None:
    with open("/dev/full", "wb") as full:
        status, err = process(["measure", "carrier", recording, *form], stdout=full)
    assert status == 3
    assert err.count("\n") == 1
    assert os.strerror(errno.ENOSPC).lower() in err


@pytest.mark.skipif(os.name != "posix", reason="pipes of POSIX systems")
@pytest.mark.parametrize("form", [["--json"], []])
def test_nobody_reads_standard_output(recording: Path, form: list[str]) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "wb") as pipe:
        assert process(["measure", "carrier", recording, *form], stdout=pipe) == (0, "")


@pytest.mark.skipif(os.name != "posix", reason="closed streams of POSIX systems")
def test_closed_streams(recording: Path) -> None:
    def close_both() -> None:
        os.close(1)
        os.close(2)

    assert process(["measure", "carrier", recording], preexec_fn=close_both)[0] == 0


def test_samples_far_beyond_full_scale(typed, tmp_path: Path) -> None:
    codes = np.full((5000, 2), 3e38, "<f4")
    meta = write_pair(tmp_path / "huge", [codes], "cf32_le", RATE_HZ, CENTRE_HZ)
    refused(typed("measure", "carrier", meta, "--at", CARRIER_HZ, "--json"), "full scale")


def test_ctrl_c_says_one_line(typed, recording: Path, monkeypatch) -> None:
    def stopped(*words: object, **more: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("harness.measure.run.measure_recordings", stopped)
    status, out, err = typed("measure", "carrier", recording, "--json")
    # 130 is the shell's custom for Ctrl-C.
    assert (status, out, err.count("\n")) == (130, "", 1)
    assert "stopped" in err
