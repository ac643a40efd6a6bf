"""What the squelch's readings say where the data are few, one-sided or coarse.

Each take is made from thresholds that are known (``squelch_takes.py``); most are told to the
measurement as keying and steps without samples, so that many draws can be tried.
"""

import math

import numpy as np
import pytest
from scipy import stats

from harness.measure.setup import Options
from tests.measure.pick import pick
from tests.measure.squelch_takes import (
    CALIBRATION,
    HANG_S,
    Take,
    laid_out,
    measure,
    measure_exactly,
    obeyed,
    staircases,
)

OPENING, CLOSING, SPREAD = -111.6, -114.2, 0.75
UP = tuple(float(level) for level in np.arange(-118.0, -107.9, 0.75))
LEVEL = Options(stimulus_contributions=(CALIBRATION,))
BY_HAND = Options(level_step_db=1.0)
DRAWS = 100


def take_of(plan, *, opens=(OPENING,), closes=(CLOSING,), hang_s=HANG_S):
    steps = laid_out(plan)
    return Take(steps=steps, keyed_s=obeyed(steps, opens, closes, hang_s))


def off(seconds=0.3):
    return (None, seconds)


def up(levels=UP, dwell_s=0.1):
    return [(level, dwell_s) for level in levels]


def down(levels=UP, dwell_s=0.16):
    return [(level, dwell_s) for level in reversed(levels)]


def of(found, *names):
    return [pick(found, f"squelch_{name}") for name in names]


def test_a_sweep_that_only_goes_up_gives_the_opening_alone():
    opens = (-112.1, -111.4, -111.9, -110.8, -111.5, -111.7)
    found = measure(take_of([off(), *up()] * 6 + [off()], opens=opens), options=LEVEL)
    opening, closing, hysteresis, spread = of(found, "opening", "closing", "hysteresis", "spread")
    # Steps of 0.75 dB in six sweeps: 0.75 / sqrt(12 x 6), five sigma of which is 0.44 dB.
    assert opening.value == pytest.approx(np.mean(opens), abs=0.44)
    assert opening.count == 6
    assert (closing.value, hysteresis.value) == (None, None)
    assert closing.note == "no falling sweep that begins keyed"
    assert hysteresis.note == "the closing is not known"
    assert spread.value is not None
    assert pick(found, "keying_state").value == "normal"


def test_a_sweep_that_only_goes_down_gives_the_closing_and_bounds_on_the_rest():
    closes = (-114.9, -113.8, -114.2, -114.4, -113.6, -114.1)
    take = take_of([off(), *down()] * 6 + [off()], closes=closes)
    opening, closing, hysteresis = of(measure(take), "opening", "closing", "hysteresis")
    assert closing.value == pytest.approx(np.mean(closes), abs=0.44)  # as above
    top = max(UP)
    # Exact: it was keyed at once at the highest level, six times.
    assert (opening.value, opening.bound, opening.count) == (top, "upper", 6)
    assert hysteresis.bound == "upper"
    assert hysteresis.value == pytest.approx(top - closing.value, abs=1e-9)
    assert "of the opening there is a bound only" in hysteresis.note


@pytest.mark.parametrize(
    ("levels", "value", "bound", "note"),
    [
        # One level: keyed at once, or not at all.
        ((-110.0,), -110.0, "upper", "go lower"),
        ((-113.0,), -113.0, "lower", "go higher"),
        # Two levels about it: somewhere between them.
        ((-113.0, -110.0), -111.5, None, "the spread does not show"),
    ],
)
def test_too_few_steps(levels, value, bound, note):
    found = measure(take_of([off(), *up(levels), off()]), options=LEVEL)
    (opening,) = of(found, "opening")
    assert (opening.value, opening.bound) == (pytest.approx(value, abs=1e-9), bound)
    assert note in opening.note
    # k = 2 (exact): the level's 0.4 dB, a dB of spread that one sweep does not show, the step.
    half = (max(levels) - min(levels)) / 2.0 / math.sqrt(3.0)
    assert opening.expanded_uncertainty == pytest.approx(
        2.0 * math.hypot(CALIBRATION.standard_uncertainty, 1.0, half), rel=1e-3
    )
    (spread,) = of(found, "spread")
    assert spread.value is None
    assert spread.note == "it needs several rising sweeps that open on their way"


def test_keyed_at_every_level_bounds_both_and_says_so():
    levels = tuple(level for level in UP if level > -110.0)
    found = measure(take_of([off(), *up(levels), *down(levels[:-1]), off()] * 6), options=LEVEL)
    opening, closing, hysteresis = of(found, "opening", "closing", "hysteresis")
    lowest = min(levels)
    for reading in (opening, closing):
        assert (reading.value, reading.bound) == (lowest, "upper")
        assert reading.count == 6
        # Six of six that say the same: no spread need be allowed for. k = 2 times 0.4 dB.
        assert reading.expanded_uncertainty == pytest.approx(0.8)
    assert hysteresis.value is None
    assert "bounds only" in hysteresis.note
    assert pick(found, "keying_state").value == "normal"


def test_keyed_at_every_level_leaves_a_lower_bound_on_the_hysteresis():
    # The way down ends above the closing.
    levels = tuple(level for level in UP if level >= -113.0)
    opens = (-112.1, -111.4, -111.9, -110.8, -111.5, -111.7)
    take = take_of([off(), *up(levels), *down(levels[:-1]), off()] * 6, opens=opens)
    opening, closing, hysteresis = of(measure(take), "opening", "closing", "hysteresis")
    assert opening.bound is None
    assert (closing.value, closing.bound) == (min(levels), "upper")
    assert hysteresis.bound == "lower"
    assert hysteresis.value == pytest.approx(opening.value - min(levels), abs=1e-9)
    assert hysteresis.value < OPENING - CLOSING


def test_none_keyed_is_a_lower_bound_and_the_state_says_up_to_where():
    levels = tuple(level for level in UP if level < -114.5)
    found = measure(take_of([off(), *up(levels), *down(levels[:-1]), off()] * 6))
    opening, closing, hysteresis = of(found, "opening", "closing", "hysteresis")
    assert (opening.value, opening.bound) == (max(levels), "lower")
    assert closing.note == "no falling sweep that begins keyed"
    assert hysteresis.value is None
    state = pick(found, "keying_state")
    assert state.value == "never keyed"
    assert f"up to {max(levels):.1f} dBm" in state.note
    assert "no carrier is seen all through" in state.note


@pytest.mark.parametrize("sweeps", [1, 2, 3])
def test_what_few_sweeps_claim_holds_as_often_as_it_says(sweeps):
    names = ("opening", "closing", "hysteresis")
    truths = (OPENING, CLOSING, OPENING - CLOSING)
    held = np.zeros(3)
    plan = [off(), *up(), *down(UP[:-1])] * sweeps + [off()]
    for draw in range(DRAWS):
        rng = np.random.default_rng([draw, sweeps, 21])
        # The levels' own place against the truth is at chance too.
        shift = float(rng.uniform(0.0, 0.75))
        opens = OPENING + shift + SPREAD * rng.standard_normal(sweeps)
        closes = np.minimum(CLOSING + shift + SPREAD * rng.standard_normal(sweeps), opens)
        found = measure_exactly(take_of(plan, opens=tuple(opens), closes=tuple(closes)))
        for number, (reading, truth) in enumerate(zip(of(found, *names), truths, strict=True)):
            assert reading.bound is None
            moved = 0.0 if number == 2 else shift
            low, high = reading.interval or (
                reading.value - reading.expanded_uncertainty,
                reading.value + reading.expanded_uncertainty,
            )
            held[number] += low <= truth + moved <= high
    # Never less than 95 % but for the chance of so many draws (0.1 %); more is allowed: one dB of
    # spread is a cautious guess, and few sweeps in one step have wide likelihood intervals.
    assert held.min() >= stats.binom.ppf(0.001, DRAWS, 0.95)


def test_a_noisy_edge_widens_the_interval_and_keeps_the_truth():
    held, widths = 0, []
    for draw in range(DRAWS):
        rng = np.random.default_rng([draw, 22])
        opens = OPENING + 2.5 * rng.standard_normal(6)
        plan = [off(), *up()] * 6 + [off()]
        (opening,) = of(measure_exactly(take_of(plan, opens=tuple(opens))), "opening")
        if opening.bound is not None or opening.value is None:
            continue
        low, high = opening.interval or (
            opening.value - opening.expanded_uncertainty,
            opening.value + opening.expanded_uncertainty,
        )
        held += low <= OPENING <= high
        widths.append((high - low) / 2.0)
    assert len(widths) >= 0.9 * DRAWS
    # 95 % but for chance, as above; Student's half-width of six draws of 2.5 dB is 2.6 dB.
    assert held >= stats.binom.ppf(0.001, len(widths), 0.95)
    assert np.median(widths) == pytest.approx(stats.t.ppf(0.975, 5) * 2.5 / math.sqrt(6), rel=0.2)


def test_shares_without_any_order_are_not_called_an_opening():
    # Keyed at the low level and not at the high one, time and again: no squelch does that.
    steps = laid_out([off(), (-116.0, 0.1), off(), (-109.0, 0.1)] * 6 + [off()])
    keyed = tuple(
        (step.start_s + 0.02, step.start_s + 0.15)
        for step in steps
        if step.level_port_dbm == -116.0
    )
    (opening,) = of(measure_exactly(Take(steps=steps, keyed_s=keyed)), "opening")
    assert opening.verdict == "not measured"
    assert opening.note == "the share of sweeps does not rise with level"


@pytest.mark.parametrize(("anew", "sweeps"), [(False, 25), (True, 6)])
def test_levels_set_by_hand_to_whole_decibels(anew, sweeps):
    """Each mark is off by up to half a step, for good or anew at each setting."""
    names = ("opening", "closing", "hysteresis")
    truths = (OPENING, CLOSING, OPENING - CLOSING)
    levels = tuple(float(level) for level in range(-118, -107))
    plan = [off(), *up(levels), *down(levels[:-1])] * sweeps + [off()]
    held, held_without = np.zeros(3), np.zeros(3)
    for draw in range(DRAWS):
        rng = np.random.default_rng([draw, 23])
        opens = OPENING + SPREAD * rng.standard_normal(sweeps)
        closes = np.minimum(CLOSING + SPREAD * rng.standard_normal(sweeps), opens - 0.2)
        marks = {level: level + rng.uniform(-0.5, 0.5) for level in levels}
        true_plan = [
            (None, s) if x is None else (x + rng.uniform(-0.5, 0.5) if anew else marks[x], s)
            for x, s in plan
        ]
        keyed = take_of(true_plan, opens=tuple(opens), closes=tuple(closes)).keyed_s
        found = measure_exactly(Take(steps=laid_out(plan), keyed_s=keyed), BY_HAND)
        for number, reading in enumerate(of(found, *names)):
            (fit, *_), off_by = reading.contributions, abs(reading.value - truths[number])
            held[number] += off_by <= reading.expanded_uncertainty
            held_without[number] += off_by <= 2.0 * fit.standard_uncertainty
    # 95 % but for chance.
    assert held.min() >= stats.binom.ppf(0.001, DRAWS, 0.95)
    if not anew:
        # Marks that are off for good move all sweeps alike: the sweeps alone do not know it.
        assert held_without[0] < stats.binom.ppf(0.05, DRAWS, 0.95)


def test_the_setting_is_a_rectangle_of_half_a_step_and_no_common_quantity():
    levels = tuple(float(level) for level in range(-118, -107))
    take = take_of([off(), *up(levels), *down(levels[:-1])] * 25 + [off()])
    fine, coarse = measure_exactly(take), measure_exactly(take, BY_HAND)
    (opening,) = of(coarse, "opening")
    setting = next(c for c in opening.contributions if c.name == "squelch_opening.setting")
    assert setting.distribution == "rectangular"
    assert setting.standard_uncertainty == pytest.approx(0.5 / math.sqrt(3.0))  # exact
    # Opening and closing lie on marks of their own: it enters the hysteresis from both.
    a, b = (of(found, "hysteresis")[0] for found in (fine, coarse))
    names = {c.name for c in b.contributions}
    assert {"squelch_opening.setting", "squelch_closing.setting"} <= names
    assert b.expanded_uncertainty > a.expanded_uncertainty


def test_a_hang_longer_than_the_falling_steps_widens_the_closing_and_moves_it_not():
    inside, below = 0, 0
    for draw in range(100):
        rng = np.random.default_rng([draw, 24])
        closing = CLOSING + float(rng.uniform(-0.4, 0.4))
        # The first way down is cut off by the generator, which shows the hang of 0.4 s.
        plan = [off(0.6), *up(), off(0.9), *([*up(), *down(UP[:-1], 0.16), off(0.9)] * 3)]
        found = measure_exactly(take_of(plan, closes=(closing,), hang_s=0.4))
        (reading,) = of(found, "closing")
        assert any("do not outlast the hang of 0.40 s" in text for text in found.cautions)
        low, high = reading.interval or (
            reading.value - reading.expanded_uncertainty,
            reading.value + reading.expanded_uncertainty,
        )
        if reading.bound == "upper":
            low, high = -math.inf, reading.value
        inside += low <= closing <= high
        below += reading.value < closing - 1.5
    # Exact: the steps of 0.75 dB hold it, four of them at most, of which it gives the middle. Read
    # as if the hang were nothing, it would be two and a half to three steps low.
    assert inside == 100
    assert below == 0


def test_without_a_quiet_step_short_falling_steps_are_cautioned():
    plan = [*up(), *down(UP[:-1], 0.1)] * 3
    found = measure_exactly(take_of(plan, hang_s=0.4))
    assert any("the hang does not show" in text for text in found.cautions)
    # Longer than those on the way up: whoever made them thought of the hang.
    found = measure_exactly(take_of([off(), *up(), *down(UP[:-1], 0.3)] * 3, hang_s=0.05))
    assert not any("hang" in text for text in found.cautions)


def test_25_sweeps_are_as_they_were():
    take = staircases(OPENING, CLOSING, SPREAD, sweeps=25)
    whole, exact = measure(take), measure_exactly(take)
    for name in ("opening", "closing", "hysteresis", "spread"):
        # Keying found on samples and keying told: the same draws, so the same bits.
        assert of(whole, name)[0].value == of(exact, name)[0].value
