"""An acceptance with two dongles aligns them first, and what moves meanwhile enters U of times.

Truth by construction: while the stand-ins are tuned to the common signal they stream files whose
sample n was taken at a known time; at all other frequencies a keyed carrier, the same in every run.
Tolerances: NEAR_S as in test_align.py; two per cent of a drift of 80 us is more than NEAR_S.
"""

import math

import numpy as np
import pytest

from harness.describe import load_bench, load_plan, load_unit
from harness.devices import Role
from harness.errors import BadInput
from harness.measure.run import measure_recordings
from harness.procedures.accept import accept
from harness.recordings import open_recording, open_take, widen_skew
from harness.recordings.files import sha512_of
from tests.instruments.dongle_bench import OFFSET_HZ, RATE_HZ, DongleBench, steady_carrier
from tests.instruments.scpi_responder import Responder
from tests.truth.signals import Carrier, Sine

SIGNAL_HZ = 160e6
TUNED_HZ = SIGNAL_HZ - OFFSET_HZ
PERIOD_S = 10.0
LATER_S = 0.0123456
"""The output's sample 0 was taken so much later than the input's."""
SLIPPED = 20
"""Samples by which the output's clock leaps, after PERIOD_S: too few to be seen as a loss."""
NEAR_S = 0.5e-6
LITTLE = (
    load_plan("short")
    .doing([])
    .altered(
        keyings=2,
        search_dbm=(-116.0, -114.0),
        quiet_s=0.5,
        sweeps=1,
        levels_dbm=(-117.0, -114.0),
    )
)


def common_signal(later_s, draw):
    """One period of modulation that no second peak fits, to be repeated without a seam."""
    random = np.random.default_rng(7)
    periods = random.choice(np.arange(3000, 27000), 16, replace=False)
    sines = tuple(
        Sine(frequency_hz=count / PERIOD_S, deviation_hz=500.0, phase_rad=phase)
        for count, phase in zip(periods, random.uniform(0.0, 6.28, 16), strict=True)
    )
    time_s = later_s + np.arange(round(PERIOD_S * RATE_HZ)) / RATE_HZ
    iq = Carrier(frequency_hz=SIGNAL_HZ, level_dbfs=-8.0, sines=sines).at(time_s, TUNED_HZ)
    normal = np.random.default_rng(draw).standard_normal((2, len(time_s)))
    iq += 0.02 * (normal[0] + 1j * normal[1])
    values = np.stack([iq.real, iq.imag], axis=1) * 127.5 + 127.5
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


def keyed(on_s, off_s):
    """Three seconds in which the carrier is on between two times."""
    codes = np.concatenate([steady_carrier()] * 3)
    random = np.random.default_rng(5)
    noise = np.clip(np.rint(127.5 + 1.3 * random.standard_normal(codes.shape)), 0, 255)
    at_s = np.arange(len(codes)) / RATE_HZ
    off = (at_s < on_s) | (at_s >= off_s)
    codes[off] = noise[off].astype(np.uint8)
    return codes


class Obliging:
    """An operator who does what is asked."""

    def ask(self, question):
        return ""

    def say(self, text):
        pass


class Quiet:
    def __init__(self):
        self.said = []

    def step(self, title):
        pass

    def progress(self, share):
        pass

    def say(self, text):
        self.said.append(text)


@pytest.fixture
def bench(dongles, tmp_path):
    with Responder() as responder:
        made = DongleBench(dongles, tmp_path, responder.resource)
        made.responder = responder
        yield made


def plug_in(bench, slipped):
    """Plug both in; the second's clock leaps once where asked."""
    dongles = bench.dongles
    first, second = common_signal(0.0, 1), common_signal(LATER_S, 2)
    later = np.roll(second, -slipped, axis=0)
    files = (first, np.concatenate([second, *[later] * 11]))
    spans_s = ((0.5, 1.5), (0.53, 2.1))
    for index, (signal, span_s) in enumerate(zip(files, spans_s, strict=True)):
        at = f"at {TUNED_HZ:.0f} {dongles.stream(signal, f'signal-{index}')}"
        dongles.plug_in(
            index, f"stream {dongles.stream(keyed(*span_s), f'on-{index}')}", "repeat 1", at
        )


def times(run):
    return [
        reading
        for found in run.findings
        if found.kind == "timing"
        for reading in found.readings
        if reading.name in ("attack_time", "hang_time") and reading.value is not None
    ]


def skew_part(reading):
    return [c for c in reading.contributions if c.name.endswith("timing-output.skew_s")]


@pytest.mark.slow(reason="two acceptances in real time, half a minute each")
@pytest.mark.parametrize(
    "slipped",
    [pytest.param(0, marks=pytest.mark.long(reason="nothing slips; the other case does")), SLIPPED],
)
def test_what_moves_between_beginning_and_end_enters_u(slipped, bench, tmp_path) -> None:
    plug_in(bench, slipped)
    text = bench.bench_text.replace("[output]", f"align_hz = {SIGNAL_HZ}\n\n[output]", 1)
    # The stand-ins' clocks are true, and what a bench file declares is not asked.
    text = text.replace("clock_error_ppm = 38.6", "").replace("clock_error_ppm = -12.4", "")
    text = text.replace("clock_uncertainty_ppm = 0.05", "")
    bench.bench.write_text(text, encoding="utf-8")
    unit, described = load_unit(bench.unit), load_bench(bench.bench)
    folder = tmp_path / "run"
    watcher = Quiet()
    run = accept(unit, described, folder, watcher, LITTLE, Obliging()).run
    assert bench.responder.state["rf"] is False
    (told,) = [c for c in run.cautions if c.startswith("Output against input, from the beginning")]
    assert told in watcher.said
    moved_s = slipped / RATE_HZ
    expected_s = moved_s / math.sqrt(3.0)
    take = open_take(folder / "recordings" / "timing")
    output = take.recordings["output"]
    # The receivers' own filters beside it: 1 us, and the clock difference over the run.
    least_s, most_s = math.hypot(expected_s, 1e-6) * 0.98, math.hypot(expected_s, 2e-6) * 1.02
    assert least_s <= output.skew_uncertainty_s <= most_s
    assert ("no more than chance" in told) == (not slipped)
    found = times(run)
    assert {reading.name for reading in found} == {"attack_time", "hang_time"}
    with_input = [reading for reading in found if skew_part(reading)]
    assert with_input
    for reading in with_input:
        (part,) = skew_part(reading)
        assert part.standard_uncertainty == output.skew_uncertainty_s
        assert reading.expanded_uncertainty >= 1.9 * output.skew_uncertainty_s
    # The recordings alone give the same, now and in years.
    paths = [recording.path for recording in take.recordings.values()]
    again = measure_recordings("timing", paths, unit=unit, bench=described)
    both = next(found for found in run.findings if found.kind == "timing")
    assert [(r.name, r.value, r.expanded_uncertainty) for r in again.readings] == [
        (r.name, r.value, r.expanded_uncertainty) for r in both.readings
    ]


def test_a_signal_that_does_not_do_ends_it_before_anything_is_keyed(bench, tmp_path) -> None:
    unit = load_unit(bench.unit)
    text = bench.bench_text.replace("[output]", f"align_hz = {SIGNAL_HZ}\n\n[output]", 1)
    bench.bench.write_text(text, encoding="utf-8")
    with pytest.raises(BadInput, match="the modulation repeats"):
        accept(unit, load_bench(bench.bench), tmp_path / "run", Quiet(), LITTLE, Obliging())
    assert bench.responder.rf_seen_on == 0
    assert not list((tmp_path / "run").rglob("*.sigmf-meta"))


def test_align_hz_is_for_two_dongles(bench) -> None:
    text = bench.bench_text.replace("[output]", f"align_hz = {SIGNAL_HZ}\n\n[output]", 1)
    head, _, rest = text.partition("[input]")
    bench.bench.write_text(head + "[generator]" + rest.partition("[generator]")[2])
    with pytest.raises(BadInput, match="align_hz is for two dongles"):
        load_bench(bench.bench)


@pytest.mark.parametrize("declared_s", [None, 3e-6])
def test_a_take_is_amended_and_stays_whole(declared_s, tmp_path) -> None:
    from datetime import UTC, datetime

    from harness.blocks import Block
    from harness.devices import StreamInfo
    from harness.recordings import RecordingWriter, write_collection

    roles: tuple[Role, ...] = ("input", "output")
    for role in roles:
        info = StreamInfo(
            role=role, datatype="cu8", sample_rate_hz=RATE_HZ, centre_hz=1e8, hardware="x"
        )
        path = tmp_path / f"t-{role}"
        skew_s = None if declared_s is None else 0.0
        with RecordingWriter(
            path,
            info,
            start_utc=datetime(2026, 1, 1, tzinfo=UTC),
            skew_s=skew_s,
            skew_uncertainty_s=declared_s,
        ) as writer:
            writer.write(Block(np.full((100, 2), 127, np.uint8), 0, RATE_HZ))
    collection = write_collection(tmp_path / "t", [tmp_path / f"t-{role}" for role in roles])
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    description = open_recording(tmp_path / "t-output")
    widen_skew(collection, "output", 4e-6)
    amended = open_take(collection).recordings["output"]
    assert amended.skew_uncertainty_s == pytest.approx(math.hypot(declared_s or 0.0, 4e-6))
    changed = {
        path.name for path in tmp_path.iterdir() if before.get(path.name) != path.read_bytes()
    }
    assert changed == {"t-output.sigmf-meta", "t.sigmf-collection"}
    assert amended.sha512 == description.sha512 == sha512_of(tmp_path / "t-output.sigmf-data")
    assert (amended.sample_count, amended.hardware) == (description.sample_count, "x")
