"""Sweeps found in rows of steps: each row of the table is one of the staircase's own rules."""

import math
from dataclasses import replace

import pytest

from harness.measure.setup import NO_SIGNAL, Step
from harness.measure.staircase import StepEnd, find_sweeps

INF = math.inf
OFF = None


def ended(*row):
    """Steps of a second from (level or OFF, keyed at its end); not keyed before the first."""
    ends, before = [], False
    for number, (level, keyed) in enumerate(row):
        label = NO_SIGNAL if level is OFF else ""
        step = Step(start_s=number, end_s=number + 1.0, level_port_dbm=level, label=label)
        ends.append(StepEnd(step=step, level_port_dbm=level, keyed=keyed, keyed_before=before))
        before = keyed
    return ends


@pytest.mark.parametrize(
    ("dropped_after_s", "closing"),
    [
        # The hang is 0.6 s. In time: it closed at -3, on the way down from -2.
        (0.65, [(-3, -2)]),
        # Sooner: it closed in the step before, too late to drop in it. Each step counts alike.
        (0.3, [(-3, -2)]),
    ],
)
def test_a_step_of_the_way_down_counts_by_what_dropped_in_it(dropped_after_s, closing):
    ends = ended((OFF, False), (-3, False), (-1, True), (-2, True), (-3, False))
    ends[-1] = replace(ends[-1], dropped_s=4.0 + dropped_after_s)
    assert find_sweeps(ends, 0.6).closing == closing


def test_a_level_that_opened_it_and_did_not_keep_it_open() -> None:
    """It closed at the level at which it had opened: above that, nothing was held."""
    ends = ended((OFF, False), (-3, False), (-2, True), (-3, False))
    for dropped_s, closing in ((3.4, (-2, INF)), (3.59, (-3, -2)), (3.65, (-3, -2))):
        # The hang is 0.6 s, and scatters by some ms.
        ends[-1] = replace(ends[-1], dropped_s=dropped_s)
        assert find_sweeps(ends, 0.6).closing == [closing]


@pytest.mark.parametrize(
    ("row", "opening", "closing"),
    [
        # Up and down.
        (
            [
                (OFF, False),
                (-3, False),
                (-2, True),
                (-1, True),
                (-2, True),
                (-3, False),
                (-4, False),
            ],
            [(-3, -2)],
            [(-3, -2)],
        ),
        # Keyed at the first level, and never dropped.
        ([(OFF, False), (-3, True), (-4, True)], [(-INF, -3)], [(-INF, -4)]),
        # Never keyed: the way down says nothing.
        ([(OFF, False), (-3, False), (-2, False), (-3, False), (-4, False)], [(-2, INF)], []),
        # Never dropped: the way up says nothing, the next way down does.
        (
            [(OFF, False), (-3, True), (-4, True), (-3, True), (-4, True), (-5, False)],
            [(-INF, -3)],
            [(-INF, -4), (-5, -4)],
        ),
        # Turned up again without the generator off: not keyed at the level before.
        ([(OFF, False), (-2, True), (-5, False), (-3, True)], [(-INF, -2), (-5, -3)], [(-5, -2)]),
        # Still keyed from a hang: no sweep until it has dropped.
        ([(OFF, True), (-5, True), (-4, True)], [], []),
        ([(OFF, True), (-5, False), (-4, True)], [(-5, -4)], []),
        # Off between two levels: two trials, not a sweep.
        ([(OFF, False), (-5, False), (OFF, False), (-4, True)], [(-5, INF), (-INF, -4)], []),
        # The same level twice, keyed at the second: it lies above the other one before it.
        ([(OFF, False), (-5, False), (-4, False), (-4, True)], [(-5, -4)], []),
        # Nobody can tell at one step: the draw spans it.
        ([(OFF, False), (-5, False), (-4, None), (-3, True)], [(-5, -3)], []),
        ([], [], []),
    ],
)
def test_draws_of_a_row_of_steps(row, opening, closing):
    found = find_sweeps(ended(*row))
    assert found.opening == opening
    assert found.closing == closing


def test_what_happens_within_a_step_counts_though_it_went_back():
    row = ended((OFF, False), (-4, False), (-3, False), (-2, True), (-3, True), (-4, True))
    row[2] = replace(row[2], rose_s=2.4, dropped_s=2.6)
    row[4] = replace(row[4], dropped_s=4.3, rose_s=4.5)
    found = find_sweeps(row)
    assert found.opening == [(-4, -3)]
    assert found.closing == [(-3, -2)]


def test_dropped_at_the_top_is_a_closing_above_it_and_the_way_down_gives_no_other():
    row = ended((OFF, False), (-4, False), (-3, True), (-2, True), (-2, True), (-3, False))
    row[4] = replace(row[4], dropped_s=4.5, rose_s=4.7)
    assert find_sweeps(row).closing == [(-2, INF)]
    # It closed a hang before it dropped: a hang of two seconds before, at the level of then.
    assert find_sweeps(row, 2.2).closing == [(-3, INF)]
    # Dropped lower down and open again higher up: the way down tells.
    row = ended((OFF, False), (-4, True), (-3, True), (-2, True), (-3, False))
    row[1] = replace(row[1], dropped_s=1.4, rose_s=1.2)
    assert find_sweeps(row).closing == [(-3, -2)]


def test_direction_is_that_of_the_settings_not_of_measured_levels():
    row = ended((OFF, False), (-3, False), (-2, False), (-1, True))
    measured = {-3: -2.9, -2: -2.95, -1: -1.1}
    seen = [
        StepEnd(
            step=end.step,
            level_port_dbm=measured.get(end.level_port_dbm),
            keyed=end.keyed,
            keyed_before=end.keyed_before,
        )
        for end in row
    ]
    assert find_sweeps(seen).opening == [(-2.95, -1.1)]
