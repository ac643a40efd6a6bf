"""Whole measurements, the filters run plainly and by compiled code: the same readings.

The recording: 2.4 MS/s cu8, keyed twice, a 1 kHz tone with a subaudible one beneath it, the
channel beside the recorder's centre. Tolerance: the issue's 1e-4 (of the value; of the unit where
the value is near 0).
"""

import math
from pathlib import Path

import pytest

from harness.measure import feed
from harness.measure.run import measure_recordings
from harness.readings import Findings
from tests.truth.files import write_pair
from tests.truth.signals import Carrier, Dongle, Sine

CENTRE_HZ = 153.525e6
RATE_HZ = 2.4e6
DONGLE = Dongle(
    sample_rate_hz=RATE_HZ,
    centre_hz=CENTRE_HZ,
    noise_dbfs_hz=-95.0,
    carriers=(
        Carrier(
            frequency_hz=CENTRE_HZ + 300_120.0,
            level_dbfs=-10.0,
            sines=(
                Sine(frequency_hz=1000.0, deviation_hz=1500.0),
                Sine(frequency_hz=100.0, deviation_hz=400.0),
            ),
            keyed_s=((0.31, 1.47), (1.86, 9.0)),
            rise_s=2e-3,
        ),
        # A neighbour of another channel, that no way may let through.
        Carrier(frequency_hz=CENTRE_HZ - 700_000.0, level_dbfs=-12.0),
    ),
)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    fields = {"role": "output", "full_scale_dbm": -10.0}
    chunks = DONGLE.chunks(round(3.2 * RATE_HZ))
    base = tmp_path_factory.mktemp("both") / "r"
    return write_pair(base, chunks, "cu8", RATE_HZ, CENTRE_HZ, fields=fields)


def measured_by(kind: str, path: Path, *, quick: bool, patch: pytest.MonkeyPatch) -> Findings:
    patch.setattr(feed, "COMPILED_FROM_SAMPLES", 0 if quick else math.inf)
    opened = feed.open_feed(path, None, None, feed.Wish(at_hz=CENTRE_HZ + 300e3))
    assert opened.receiver is not None
    assert opened.receiver.is_compiled == quick
    return measure_recordings(kind, [path], at_hz=CENTRE_HZ + 300e3, spacing_hz=12500.0)


@pytest.mark.parametrize(("kind", "least"), [("carrier", 9), ("audio", 4), ("spectrum", 3)])
def test_both_ways_measure_alike(
    kind: str, least: int, recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = measured_by(kind, recording, quick=False, patch=monkeypatch)
    quick = measured_by(kind, recording, quick=True, patch=monkeypatch)
    numbers = 0
    for expected, got in zip(plain.readings, quick.readings, strict=True):
        assert (got.name, got.flags, got.verdict) == (
            expected.name,
            expected.flags,
            expected.verdict,
        )
        if not isinstance(expected.value, float):
            assert got.value == expected.value
            continue
        numbers += 1
        assert got.value == pytest.approx(expected.value, rel=1e-4, abs=1e-4), expected.name
    assert numbers >= least
    for expected, got in zip(plain.series, quick.series, strict=True):
        assert got.name == expected.name
        assert len(got.values) == len(expected.values)
    assert quick.cautions == plain.cautions
