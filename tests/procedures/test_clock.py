"""The clocks of a run: a step of the clock of day, a sleep of the computer, a start of it.

Both clocks are faked, so that all is exact; but that this computer's own goes forward.
"""

from datetime import UTC, datetime, timedelta

import pytest

from harness.procedures.clock import Clock, Moment, clock_set_s, counted_s, moment_now, passed
from harness.procedures.journal import Journal
from harness.procedures.runner import LOG_NAME, Runner
from harness.procedures.steps import Log, Wait
from harness.procedures.wiring import LIVE
from harness.recordings import read_log
from tests.procedures.disk.running import BENCH, UNIT, Battery
from tests.procedures.test_resume import Ended

NOON = datetime(2026, 3, 29, 12, tzinfo=UTC)
SETTINGS = {"what": "clocks"}
HOUR_S = 3600.0


class World:
    """A computer whose clock can be set, that can sleep, and be started anew."""

    def __init__(self):
        self.counted_s, self.utc, self.boot = 1000.0, NOON, "first"
        self.sleeps, self.naps = {}, 0

    def goes_on(self, seconds):
        self.counted_s += seconds
        self.utc += timedelta(seconds=seconds)

    def nap(self, seconds):
        """Sleep for some time by the program's own clock; at some naps the lid is closed first."""
        self.naps += 1
        self.goes_on(seconds + self.sleeps.get(self.naps, 0.0))

    def is_started_anew(self, after_s, wrong_by_s=0.0):
        self.counted_s, self.boot = 5.0, "second"
        self.utc += timedelta(seconds=after_s + wrong_by_s)

    def now(self):
        return Moment(counted_s=self.counted_s, utc=self.utc, boot=self.boot)

    def clock(self):
        return Clock(lambda: self.counted_s, self.nap)


def test_this_computer_s_clock_goes_forward() -> None:
    first = moment_now()
    assert first.counted_s <= counted_s()
    assert passed(first, moment_now()).seconds >= 0.0


@pytest.mark.parametrize(
    ("sleeps", "took_s"),
    [
        ({}, 300.0),
        # An hour with the lid closed ends the wait at the next look at the clock.
        ({10: HOUR_S}, HOUR_S + 10.0),
        ({2: 20.0}, 300.0),
    ],
)
def test_a_wait_is_over_by_the_clock_that_counts_sleep(sleeps, took_s) -> None:
    world = World()
    clock = world.clock()
    world.sleeps = sleeps
    clock.wait(300.0)
    assert clock.now_s == pytest.approx(took_s, abs=1e-6)


@pytest.mark.parametrize(
    ("then", "now", "seconds", "doubt"),
    [
        ((10.0, 0.0, "a"), (70.0, 60.0, "a"), 60.0, ""),
        # The clock of day was put back and forth: the other one knows.
        ((10.0, 0.0, "a"), (70.0, -3540.0, "a"), 60.0, ""),
        ((10.0, 0.0, "a"), (5.0, 600.0, "b"), 600.0, "may have been set"),
        ((10.0, 0.0, "a"), (5.0, -600.0, "b"), 0.0, "was put back"),
        ((10.0, 0.0, ""), (70.0, 61.0, ""), 61.0, "may have been set"),
    ],
)
def test_how_long_it_was(then, now, seconds, doubt) -> None:
    moments = [
        Moment(counted_s=counted, utc=NOON + timedelta(seconds=utc_s), boot=boot)
        for counted, utc_s, boot in (then, now)
    ]
    found = passed(*moments)
    assert found.seconds == seconds
    assert doubt in found.doubt
    assert bool(found.doubt) == bool(doubt)


@pytest.mark.parametrize(
    ("by_s", "over_s", "is_set"),
    [
        (3600.0, 300.0, True),
        (-3600.0, 300.0, True),
        (2.5, 60.0, True),
        (1.5, 60.0, False),
        # NTP may slew by 500 ppm: half of what is allowed for.
        (18.0, 36000.0, False),
        (40.0, 36000.0, True),
    ],
)
def test_a_clock_that_was_set_is_told_from_one_that_was_slewed(by_s, over_s, is_set) -> None:
    then = Moment(counted_s=7.0, utc=NOON)
    now = Moment(counted_s=7.0 + over_s, utc=NOON + timedelta(seconds=over_s + by_s))
    assert clock_set_s(then, now) == pytest.approx(by_s if is_set else 0.0, abs=1e-5)


def rows(count, happens=lambda number: None):
    """Log rows a minute apart, each with what happens before it."""
    started_s = yield Wait(seconds=0.0)
    for number in range(count):
        now_s = yield Wait(seconds=60.0 if number else 0.0)
        happens(number)
        yield Log(row={"time_s": now_s - started_s, "voltage_v": 12.0 + number, "keyed": 1.0})


def logged(world, folder, notebook, procedure, *, resume=False):
    """Perform rows on a bench in that world; give what was said and the journal."""
    journal = (Journal.of if resume else Journal.new)(folder, SETTINGS)
    bench = Battery()
    bench.wait = None
    opened = bench.devices()
    object.__setattr__(opened, "waiter", world.clock())
    object.__setattr__(opened, "kind", LIVE)
    watcher = notebook.Quiet()
    runner = Runner(opened, UNIT, BENCH, folder, watcher, journal=journal, clock=world.now)
    journal.begin({})
    try:
        runner.run(procedure)
    except Ended:
        pass
    return watcher.said, journal


@pytest.mark.parametrize("by_s", [HOUR_S, -HOUR_S])
def test_a_clock_set_during_a_run_is_said_and_changes_no_time(by_s, notebook, tmp_path) -> None:
    world = World()

    def happens(number):
        if number == 2:
            world.utc += timedelta(seconds=by_s)

    said, journal = logged(world, tmp_path, notebook, rows(5, happens))
    log = read_log(tmp_path / LOG_NAME)
    assert log.time_s.tolist() == [0.0, 60.0, 120.0, 180.0, 240.0]
    assert log.voltage_v.tolist() == [12.0, 13.0, 14.0, 15.0, 16.0]
    assert log.start_utc == NOON
    told = f"The computer's clock of day was set by {by_s:+.0f} s"
    assert next(text for text in said if "clock" in text).startswith(told)
    assert [text for text in journal.remarks if text.startswith(told)]
    assert log.cautions == (
        f"battery-log.csv: the clock of day was set by {by_s:+.0f} s before 120 s;"
        " times are those of time_s",
    )


def test_an_hour_asleep_is_an_hour_without_rows(notebook, tmp_path) -> None:
    world = World()
    world.sleeps = {90: HOUR_S}
    said, _ = logged(world, tmp_path, notebook, rows(5))
    log = read_log(tmp_path / LOG_NAME)
    # A minute is sixty naps: half of the second one is over when the lid is closed.
    assert log.time_s == pytest.approx([0.0, 60.0, 90.0 + HOUR_S, 150.0 + HOUR_S, 210.0 + HOUR_S])
    assert not log.cautions
    assert not said


@pytest.mark.parametrize(
    ("started_anew", "wrong_by_s"), [(False, 0.0), (True, 0.0), (True, 7200.0), (True, -7200.0)]
)
def test_resumed_what_it_stood_still_is_a_gap(started_anew, wrong_by_s, notebook, tmp_path) -> None:
    world = World()

    def ends(number):
        if number == 2:
            raise Ended

    logged(world, tmp_path, notebook, rows(5, ends))
    if started_anew:
        world.is_started_anew(1800.0, wrong_by_s)
    else:
        world.goes_on(1800.0)
    _, journal = logged(world, tmp_path, notebook, rows(5), resume=True)
    log = read_log(tmp_path / LOG_NAME)
    gap_s = max(1800.0 + wrong_by_s, 0.0)
    # The third row's wait was over: its row is of then. The fourth is a minute after going on.
    after_s = [180.0 + gap_s, 240.0 + gap_s]
    assert log.time_s == pytest.approx([0.0, 60.0, 120.0, *after_s])
    # Put back so far that it lies before the end of the first part, it shows in the log too.
    assert bool(log.cautions) == (wrong_by_s < -1800.0)
    (pause,) = journal.pauses
    assert f"stood still for {gap_s / 60:.1f} min at 2.0 min, which counts in its time" in pause
    assert ("clock of day" in pause) == started_anew


def test_rows_that_only_the_journal_has_are_put_back(notebook, tmp_path) -> None:
    world = World()

    def ends(number):
        if number == 4:
            raise Ended

    logged(world, tmp_path, notebook, rows(6, ends))
    path = tmp_path / LOG_NAME
    lines = path.read_bytes().splitlines(keepends=True)
    # The second row is gone, the fourth torn.
    path.write_bytes(b"".join([*lines[:2], lines[3], lines[4][:20]]))
    said, journal = logged(world, tmp_path, notebook, rows(6), resume=True)
    log = read_log(path)
    assert log.time_s == pytest.approx([0.0, 60.0, 120.0, 180.0, 240.0, 300.0])
    assert log.voltage_v.tolist() == [12.0, 13.0, 14.0, 15.0, 16.0, 17.0]
    assert log.cautions == ("battery-log.csv: 1 row is out of time order; put in place",)
    told = "2 rows were missing from battery-log.csv and put back from the journal."
    assert told in said
    assert told in journal.remarks


def test_a_log_that_is_gone_is_written_again(notebook, tmp_path) -> None:
    world = World()

    def ends(number):
        if number == 3:
            raise Ended

    logged(world, tmp_path, notebook, rows(4, ends))
    before = (tmp_path / LOG_NAME).read_bytes()
    (tmp_path / LOG_NAME).unlink()
    logged(world, tmp_path, notebook, rows(4), resume=True)
    assert (tmp_path / LOG_NAME).read_bytes().startswith(before)
