"""Steps on live streams: what an annotation covers was taken while its stimulus stood.

A real generator takes its time; meanwhile the streams run on.
"""

import time

import pytest

from harness.describe import example_path, load_bench, load_unit
from harness.instruments.dongles import DongleSource, Settings
from harness.procedures.clock import Clock
from harness.procedures.runner import Runner
from harness.procedures.steps import Record, Stimulus
from harness.procedures.wiring import OpenBench
from harness.recordings import open_recording

UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"))
SLOW_S = 0.15
LEVELS = (-90.0, -80.0, -70.0)


class SlowGenerator:
    """Writes down the samples between which it was not settled."""

    def __init__(self, source):
        self.source = source
        self.unsettled = []

    def set_frequency(self, frequency_hz):
        pass

    def set_modulation(self, tone_hz, deviation_hz):
        pass

    def set_level(self, level_port_dbm):
        begun = self.source.position()["output"]
        time.sleep(SLOW_S)
        self.unsettled.append((begun, self.source.position()["output"]))

    def rf_off(self):
        pass


class Quiet:
    def step(self, title):
        pass

    def progress(self, share):
        assert 0.0 <= share <= 1.0

    def say(self, text):
        pass


@pytest.mark.parametrize("durations_s", [(0.3, 0.3, 0.3), (0.1, 0.6, 0.2)])
def test_an_annotation_holds_only_what_was_taken_at_its_level(
    durations_s, dongles, counting, tmp_path
) -> None:
    dongles.plug_in(0, f"stream {dongles.stream(counting)}", "repeat 1")
    settings = Settings(
        role="output", serial=None, sample_rate_hz=250e3, centre_hz=153.785e6, gain_db=0.0
    )
    with DongleSource((settings,), warm_up_s=0.1) as source:
        generator = SlowGenerator(source)
        bench = OpenBench(
            source=source,
            generator=generator,
            knob=None,
            meter=None,
            waiter=Clock(),
            kind="dongles",
            stream_clock=source,
        )
        stimuli = tuple(
            Stimulus(duration_s=duration_s, level_port_dbm=level, label=str(level))
            for duration_s, level in zip(durations_s, LEVELS, strict=True)
        )

        def procedure():
            yield Record(take="one", title="one", stimuli=stimuli, roles=("output",))

        Runner(bench, UNIT, BENCH, tmp_path, Quiet()).run(procedure())
    recording = open_recording(tmp_path / "recordings" / "one-output.sigmf-meta")
    notes = [note for note in recording.annotations if note.level_dbm is not None]
    assert [note.level_dbm for note in notes] == list(LEVELS)
    for number, note in enumerate(notes):
        end = note.start_sample + note.sample_count
        # Its whole length is there: to the sample, give or take the rounding of its two ends.
        assert abs(note.sample_count - durations_s[number] * 250e3) <= 2
        assert note.start_sample >= generator.unsettled[number][1]
        if number + 1 < len(notes):
            assert end <= generator.unsettled[number + 1][0]
