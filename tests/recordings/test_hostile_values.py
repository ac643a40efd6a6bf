"""Values that no receiver, meter or clock gives, and descriptions made to waste time or memory.

Every row is exact: refused as bad input, or read as it stands. What is chosen stands with its
constant in the code.
"""

import json
import tracemalloc

import numpy as np
import pytest

from harness.errors import BadInput, Damaged, HarnessError, one_line
from harness.recordings import open_audio, open_recording, read_log, writer
from harness.recordings.checks import LARGEST_SAMPLE, MOST_BYTES
from harness.recordings.description import Capture, Description
from harness.recordings.gaps import find_gaps
from harness.recordings.raw import import_raw
from harness.recordings.timeline import Annotation, Timeline

soundfile = pytest.importorskip("soundfile")


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 3e38, -1.01 * LARGEST_SAMPLE])
@pytest.mark.parametrize("column", [0, 1])
def test_one_impossible_sample_late_in_the_recording(put, describe, value: float, column: int):
    samples = np.full((1000, 2), 0.25, "<f4")
    samples[993, column] = value
    recording = open_recording(put(describe(samples, "cf32_le"), samples))
    with pytest.raises(Damaged, match="sample 993 is"):
        list(recording.blocks(100))


def test_counts_saved_as_floats_are_read(put, describe):
    # Full scale of 32 bits, the largest that a program leaves unscaled.
    samples = np.full((10, 2), -(2.0**31), "<f4")
    recording = open_recording(put(describe(samples, "cf32_le"), samples))
    assert np.array_equal(next(iter(recording.blocks())).samples, samples)


@pytest.mark.parametrize("value", [1e38, np.nan])
def test_one_impossible_audio_sample(tmp_path, value: float):
    audio = np.zeros(1000)
    audio[700] = value
    soundfile.write(tmp_path / "x.wav", audio, 8000, subtype="DOUBLE")
    with pytest.raises(Damaged, match="sample 700 is"):
        list(open_audio(tmp_path / "x.wav").blocks())


def test_audio_too_small_to_square_is_silence(tmp_path):
    # The square of 1e-300 is 0 in a float: a fit of it would divide by nothing.
    soundfile.write(tmp_path / "x.wav", np.full(100, 1e-300), 8000, subtype="DOUBLE")
    (block,) = open_audio(tmp_path / "x.wav").blocks()
    assert not block.samples.any()


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("voltage_v", "1e308"),
        ("voltage_v", "-1e6"),
        ("current_a", "1e150"),
        ("power_dbm", "4000"),
        ("power_dbm", "-999"),
        ("power_w", "1e300"),
        ("power_uncertainty_db", "1e308"),
        ("power_uncertainty_db", "-1"),
        ("temperature_degc", "1e9"),
        ("frequency_error_hz", "1e12"),
    ],
)
def test_cells_that_cannot_be(tmp_path, column: str, cell: str):
    log = tmp_path / "log.csv"
    other = "temperature_degc" if column != "temperature_degc" else "voltage_v"
    log.write_text(f"time_s,{other},{column}\n0,12,1\n10,12,{cell}\n", encoding="utf-8")
    with pytest.raises(BadInput, match=f"line 3: {column} is '{cell}', which cannot be"):
        read_log(log)


def test_the_largest_description_that_is_read(put, describe, codes):
    document = describe(codes)
    document["global"]["core:description"] = "a" * MOST_BYTES
    with pytest.raises(Damaged, match="too large"):
        open_recording(put(document, codes))


def test_a_description_is_read_in_a_few_times_its_size(put, describe, codes):
    document = describe(codes)
    document["annotations"] = [
        {"core:sample_start": number // 10, "core:sample_count": 1} for number in range(5000)
    ]
    size = len(json.dumps(document))
    path = put(document, codes)
    open_recording(put(describe(codes), codes, "first"))
    tracemalloc.start()
    open_recording(path)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # Python's own objects for numbers and keys: twelve times was seen, twenty-five is chosen.
    assert most < 25 * size


def told_before(description: Description) -> dict[int, int]:
    """Gaps by the plain sum over all annotations for each segment."""
    lost = {n.start_sample: n.lost_samples for n in description.annotations}
    made = dict(lost)
    for before, after in zip(description.captures, description.captures[1:], strict=False):
        told = sum(n for at, n in lost.items() if before.stored_start < at <= after.stored_start)
        stored = after.stored_start - before.stored_start
        missing = max(0, after.global_index - before.global_index - stored - told)
        made[after.stored_start] = made.get(after.stored_start, 0) + missing
    return {at: n for at, n in made.items() if n}


@pytest.mark.parametrize("draw", range(5))
def test_gaps_are_those_of_the_plain_sum(draw: int):
    rng = np.random.default_rng(draw)
    places = np.unique(rng.integers(1, 1000, 60))
    starts = np.unique(np.append(0, rng.integers(1, 1000, 20)))
    index = np.cumsum(np.append(0, np.diff(starts) + rng.integers(0, 30, len(starts) - 1)))
    description = Description(
        datatype="cu8",
        sample_rate_hz=250e3,
        annotations=tuple(
            Annotation(start_sample=int(at), lost_samples=int(rng.integers(1, 9))) for at in places
        ),
        captures=tuple(
            Capture(stored_start=int(at), global_index=int(i))
            for at, i in zip(starts, index, strict=True)
        ),
    )
    assert find_gaps(description).lost == told_before(description)


@pytest.mark.parametrize("draw", range(5))
def test_pieces_of_a_part_are_the_pieces_of_all_cut(draw: int):
    rng = np.random.default_rng(draw)
    timeline = Timeline(
        1000, {int(at): int(rng.integers(1, 50)) for at in rng.integers(1, 999, 40)}
    )
    whole = {
        run.start + k: run.stored + k
        for run in timeline.pieces(0, timeline.end)
        for k in range(run.length)
    }
    for _ in range(50):
        start, stop = np.sort(rng.integers(0, timeline.end + 1, 2)).tolist()
        part = {
            run.start + k: run.stored + k
            for run in timeline.pieces(start, stop)
            for k in range(run.length)
        }
        assert part == {at: n for at, n in whole.items() if start <= at < stop}


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("two\nlines", "two lines"),
        ("a\x1b[2Jb", r"a\x1b[2Jb"),
        ("x\u202ey", r"x\u202ey"),
        ("\udcff", r"\udcff"),
        (
            "Gr\N{LATIN SMALL LETTER U WITH DIAERESIS}n",
            "Gr\N{LATIN SMALL LETTER U WITH DIAERESIS}n",
        ),
    ],
)
def test_one_line_for_a_terminal(text: str, line: str):
    assert one_line(text) == line
    assert str(HarnessError("is wrong", text)) == f"{line}: is wrong"


@pytest.mark.parametrize("calls", range(8))
def test_an_import_stopped_while_it_ends_leaves_nothing(tmp_path, monkeypatch, calls: int):
    raw = tmp_path / "raw.cu8"
    raw.write_bytes(bytes(2000))
    left = calls

    def stop_in(function):
        def stopped(*words, **more):
            nonlocal left
            if left == 0:
                left = -1
                raise KeyboardInterrupt
            left -= 1
            return function(*words, **more)

        return stopped

    for name in ("place", "sync_folder"):
        monkeypatch.setattr(writer, name, stop_in(getattr(writer, name)))
    monkeypatch.setattr(writer.os, "fsync", stop_in(writer.os.fsync))
    try:
        import_raw(raw, sample_rate_hz=1e6, centre_hz=1e8)
    except KeyboardInterrupt:
        assert left == -1
    names = sorted(path.name for path in tmp_path.iterdir())
    whole = ["raw.cu8", "raw.sigmf-data", "raw.sigmf-meta"]
    assert names == ["raw.cu8"] or names == whole
    if names == whole:
        assert open_recording(tmp_path / "raw").verify()
