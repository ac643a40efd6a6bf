"""Aligns the two dongles of a run before it, and looks again after it.

``synchronise`` compares and tunes; here is what a run does with it. A comparison that fails at the
beginning ends the run before anything is keyed; at the end it is a caution, for all is measured.
"""

from __future__ import annotations

from typing import cast

from harness.describe import Bench
from harness.devices import Role, TunableSource
from harness.errors import BadInput
from harness.measure.skew import Skew, drift_between
from harness.procedures.journal import Journal
from harness.procedures.runner import Runner, Watcher
from harness.procedures.synchronise import (
    align_streams,
    drift_in_words,
    enter_drift,
    skew_in_words,
    skew_of,
)
from harness.procedures.wiring import OFF_CHANNEL_HZ, OpenBench

OTHER: Role = "output"
"""The stream that is told against the input's."""
NOT_ALIGNED = (
    "The two receivers begin within about a millisecond of each other, and times are no more exact."
    " With align_hz in the bench file they are aligned first."
)


def align_first(opened: OpenBench, bench: Bench, watcher: Watcher) -> Skew | None:
    """Align the streams of two dongles; nothing is keyed yet."""
    if bench.align_hz is None:
        if bench.has_two_dongles:
            watcher.say(NOT_ALIGNED)
        return None
    source = cast(TunableSource, opened.source)
    watcher.step("Listening to one signal with both receivers")
    found = skew_of(source, OTHER, bench, bench.align_hz, off_channel_hz=OFF_CHANNEL_HZ)
    align_streams(source, OTHER, found)
    watcher.say(f"Output against input: {skew_in_words(found)}")
    return found


def align_again(before: Skew, runner: Runner) -> str:
    """Compare once more, let what moved enter the takes and their times, and say it."""
    bench, source = runner.bench, cast(TunableSource, runner.open_bench.source)
    assert bench.align_hz is not None
    runner.watcher.step("Listening to one signal once more")
    try:
        after = skew_of(source, OTHER, bench, bench.align_hz, off_channel_hz=OFF_CHANNEL_HZ)
    except BadInput as fault:
        # The signal may have gone meanwhile: all is measured, and this is one thing less known.
        told = f"How the receivers stood to each other was not found again at the end: {fault}"
    else:
        drift = drift_between(before, after)
        collections = {take: runner.collection(take) for take in runner.recorded}
        both = {take: path for take, path in collections.items() if path.exists()}
        enter_drift(drift, both.values(), OTHER)
        runner.measure_again("timing", list(both))
        told = f"Output against input, from the beginning to the end: {drift_in_words(drift)}."
    runner.watcher.say(told)
    return told


def not_aligned_again(bench: Bench, journal: Journal) -> list[str]:
    """Say that an earlier part of a run ended without the second comparison."""
    if bench.align_hz is None or not journal.pauses:
        return []
    return ["Before the run stood still, the receivers were not compared a second time."]
