"""The advice on the knob in words, as a table and as a plot: nothing claimed beyond what was shown.

Numbers by hand: -ln(0.05) = 2.9957 over the hours watched; U of a margin or cost as in
``tests/advice/test_knob.py``.
"""

import re
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.advice import advise
from harness.readings import Findings, Limit, measured, not_measured
from harness.report.advised import advised
from harness.report.advised_figure import advised_figure
from harness.report.quiet_wording import rate_in_words, wanted_in_words, watched_in_words
from harness.report.write import write_report
from harness.uncertainty import Contribution
from harness.vocabulary import TERMS
from tests.advice.knob_runs import SHED_LIMIT, keyed, run_of, seen, sensitivity
from tests.report.test_report import Page


def words_of(*findings, asked=None, **more):
    return advised(advise(run_of(*findings, **more), asked))


WHOLE = (
    keyed("9:00"),
    seen("12:00", 0, 3.2, -118.0),
    seen("3:30", 0, 0.05, -114.0),
    sensitivity(-117.0),
)


@pytest.mark.parametrize(
    ("per_h", "limit", "is_upper", "written"),
    [
        (59.9146, None, True, "60 per hour"),
        (0.93617, None, True, "0.94 per hour"),
        (1.9712, None, False, "1.9 per hour"),
        (2334.46, None, True, "2400 per hour"),
        (1.0, None, True, "1 per hour"),
        # At or under the limit it is not written as more than the limit.
        (2.009, 2.01, True, "2.01 per hour"),
        (2.009, 2.0, True, "2.1 per hour"),
        (0.0, None, False, "0 per hour"),
    ],
)
def test_a_bound_is_rounded_to_the_side_that_claims_less(per_h, limit, is_upper, written):
    assert rate_in_words(per_h, limit, is_upper=is_upper) == written


@given(st.floats(1e-4, 1e6), st.booleans())
def test_no_rounding_claims_more(per_h, is_upper):
    written = Decimal(rate_in_words(per_h, is_upper=is_upper).removesuffix(" per hour"))
    assert (written >= Decimal(per_h)) if is_upper else (written <= Decimal(per_h))
    # Two figures: by less than a tenth. In decimals: in floats 0.0011 - 0.001 is more than that.
    assert abs(written - Decimal(per_h)) <= Decimal(per_h) / 10


@pytest.mark.parametrize(
    ("seconds", "watched", "wanted"),
    [
        (4.68, "4.6 s", "4.7 s"),
        (180.0, "3 min", "3 min"),
        (599.5, "9 min 59 s", "10 min"),
        (10784.64, "2 h 59 min", "3 h"),
        # Rounding of a time that comes back from a bound.
        (28800.0 - 1e-7, "8 h", "8 h"),
    ],
)
def test_time_watched_is_rounded_down_and_time_wanted_up(seconds, watched, wanted):
    assert watched_in_words(seconds) == watched
    assert wanted_in_words(seconds) == wanted


def test_a_choice_with_its_reasons():
    words = words_of(*WHOLE)
    assert words.headline == "Set the knob to 12:00"
    assert words.sentence == (
        "It is the loosest position measured that is shown to key falsely no more than 1 per hour:"
        " no key-up in 3 h 12 min without a signal leaves at most 0.94 per hour (95 %). It opens"
        " 1.00 ± 0.28 dB below the level for 12 dB SINAD: a signal that a listener can just follow"
        " mostly opens it."
    )
    assert "chosen by this program" in words.limit
    assert "−117.00 ± 0.63 dBm" in words.sensitivity
    loose, here, tight = words.lines
    assert (loose.standing, loose.opening, loose.false_keying) == (
        "always keyed",
        "not measured",
        "not measured",
    )
    assert loose.reason == "Left out: the transmitter does not drop without a signal."
    assert (here.mark, here.cost, here.margin) == ("set here", "", "+1.00 ± 0.28 dB")
    assert (tight.cost, tight.margin) == ("+4.00 ± 0.28 dB", "−3.00 ± 0.28 dB")
    assert tight.margin_means == "opens above 12 dB SINAD"
    # 2.9957 h less three minutes is 2 h 56 min 45 s.
    assert tight.reason == (
        "No key-up in 3 min: not proven. 2 h 57 min more without a key-up would prove it."
    )
    assert words.next_steps == ()


@pytest.mark.parametrize(
    ("findings", "more", "headline", "said"),
    [
        (
            [keyed("9:00"), seen("12:00", 0, 0.05, -118.0)],
            {},
            "No setting is proven yet; 12:00 is the one to watch longer",
            "No key-up in 3 min at 12:00 leaves up to 60 per hour (95 %): no lower limit can be"
            " claimed from that time, and what is asked is 1 per hour.",
        ),
        (
            [seen("9:00", 0, 0.05)],
            {"asked": 60.0},
            "Set the knob to 9:00",
            "leaves at most 60 per hour (95 %)",
        ),
        (
            [seen("9:00", 0, 2.0), seen("12:00", 1, 3.0)],
            {"limits": [SHED_LIMIT]},
            "Set the knob to 9:00",
            "no more than 2 per hour",
        ),
        (
            [keyed("9:00"), keyed("12:00"), keyed("3:30")],
            {},
            "No position that was measured will do",
            "stays keyed at all of them: try tighter positions",
        ),
        (
            [seen(knob, word="never keyed") for knob in ("9:00", "12:00", "3:30")],
            {},
            "No position that was measured will do",
            "try looser positions",
        ),
        (
            [keyed("9:00"), seen("12:00", 9, 1.0), seen("3:30", word="never keyed")],
            {},
            "No position that was measured will do",
            "there may be one that does neither",
        ),
        (
            [seen("12:00", 4, 1.5)],
            {},
            "No setting can be named: what was seen is over the limit, or unproven",
            "longer watching will not prove it",
        ),
        (
            [keyed("9:00"), seen("12:00")],
            {},
            "No setting can be named: too little was measured",
            "was not measured",
        ),
        (
            [seen("9:00", 0, 5.0), seen("12:00", 0, 5.0)],
            {"order": None},
            "No setting can be named: the order of the positions is not known",
            "knob_positions",
        ),
        (
            [seen(None, 0, 5.0)],
            {"order": None},
            "Leave the knob where it was found",
            "only position measured",
        ),
        ([], {}, "Nothing of the squelch was measured", "no reading of the squelch"),
    ],
)
def test_each_outcome_is_said(findings, more, headline, said):
    words = words_of(*findings, **more)
    assert words.headline == headline
    assert said in words.sentence


@pytest.mark.parametrize(
    ("found", "reason"),
    [
        (seen("12:00", 9, 1.0), "Left out: 9 key-ups in 1 h, at least 4.6 per hour (95 %)."),
        (seen("12:00", 0, 1.0, word="chatters"), "Left out: the transmitter drops again and again"),
        (
            replace(
                keyed("12:00"),
                readings=(
                    replace(
                        keyed("12:00").readings[-1], note="not up to -90 dBm", value="chatters"
                    ),
                ),
            ),
            "drops again and again while a signal holds (not up to −90 dBm).",
        ),
        (seen("12:00", 0, None), "Not judged: time without a signal not measured."),
        (Findings(kind="squelch"), "Not measured."),
        (seen("12:00", 1, 2.0), "at the rate seen it takes about"),
        (seen("12:00", 3, 2.0), "at that rate no time proves it."),
    ],
)
def test_each_standing_has_its_reason(found, reason):
    assert reason in words_of(found).lines[1].reason


@pytest.mark.parametrize(
    ("findings", "said"),
    [
        ([seen("12:00", 0, 5.0)], "its opening and that level were not measured"),
        ([seen("12:00", 0, 5.0, -118.0)], "that level was not measured"),
        ([seen("12:00", 0, 5.0), sensitivity(-117.0)], "its opening was not measured"),
        (
            [seen("12:00", 0, 5.0, -118.0), sensitivity(-118.2)],
            "at the level for 12 dB SINAD, as near as the uncertainty can tell",
        ),
        (
            [seen("12:00", 0, 5.0, -118.0), sensitivity(-119.0)],
            "1.00 ± 0.28 dB above the level for 12 dB SINAD",
        ),
    ],
)
def test_how_it_lies_to_12_db_sinad(findings, said):
    assert said in words_of(*findings).sentence


def test_contradictions_and_strangers_are_pointed_out():
    words = words_of(
        seen("12:00", 0, 4.0, -118.0), seen("3:30", 0, 4.0, -119.0), seen("1:00", 0, 4.0)
    )
    first, second = words.remarks
    assert "3:30 is said to be tighter than 12:00 and opens 1.00 ± 0.28 dB lower." in first
    assert "does not name 1:00 in knob_positions" in second


@pytest.mark.parametrize(
    ("marked", "said"),
    [
        ("3:30", ["The unit file has the unit used at 3:30 (marked_knob): mark 12:00 instead."]),
        ("12:00", []),
    ],
)
def test_a_mark_that_stands_elsewhere_is_pointed_out(marked, said):
    run = run_of(*WHOLE)
    run = replace(run, unit={**run.unit, "marked_knob": marked})
    assert list(advised(advise(run)).remarks) == said


def test_what_to_do_next_has_its_command():
    words = words_of(seen("9:00", 0, 0.05, -120.0), seen("12:00", 0, 3.0, -118.0))
    watch, level = words.next_steps
    assert watch.sentence == (
        "A looser setting may do as well. Watch 9:00 without a signal for 3 h in one go."
    )
    assert watch.command == "harness squelch UNIT.toml BENCH.toml --knob 9:00 --quiet 3h"
    assert "sensitivity" in level.sentence
    assert level.command == "harness report RUN.h5 --sensitivity ACCEPTED.h5"


def test_a_sensitivity_of_another_run_says_which():
    other = run_of(sensitivity(-117.0))
    words = advised(advise(run_of(seen("9:00", 0, 5.0, -118.0)), sensitivity_run=other))
    assert "from Squelch of Frost Watch 2, 2026-03-14" in words.sensitivity
    assert "−117.00 ± 0.63 dBm" in words.sensitivity


def test_limits_that_differ_stand_beside_their_positions():
    words = words_of(
        seen("9:00", 0, 5.0),
        seen("12:00", 0, 5.0),
        limits=[
            Limit(
                reading="false_keying_rate",
                unit="1/h",
                maximum=3.0,
                source="wish",
                where={"knob": "12:00"},
            )
        ],
    )
    assert "limits of their own" in words.limit
    assert words.lines[1].watched == "no key-up in 5 h; limit 3 per hour, of the unit file (wish)"


# On the page.


def page_of(tmp_path, *findings, **more):
    write_report(tmp_path / "r.html", run_of(*findings, **more))
    return (tmp_path / "r.html").read_text(encoding="utf-8")


def test_the_report_has_the_section_with_table_plot_and_reasons(tmp_path):
    html = page_of(tmp_path, *WHOLE)
    page = Page(html)
    assert page.loose == []
    assert len(page.ids) == len(set(page.ids))
    assert page.words.index("Where to set the knob") < page.words.index("What was not measured")
    (row,) = [row for row in page.rows if row.startswith("12:00 set here")]
    for said in ("−118.00 ± 0.63 dBm", "at most 0.94 per hour", "+1.00 ± 0.28 dB", "proven"):
        assert said in row
    assert "one-sided, 95 %" in page.words


def test_a_run_without_squelch_has_no_such_section(tmp_path):
    assert "Where to set the knob" not in page_of(tmp_path, sensitivity(-117.0))


def test_a_squelch_run_begins_with_the_answer(tmp_path):
    page = Page(page_of(tmp_path, *WHOLE))
    assert page.words.index("Where to set the knob") < page.words.index("Receiver and audio")


def texts_of(figure):
    return re.findall(r"<text[^>]*>([^<]*)</text>", figure.svg)


def test_the_plot_can_be_read_without_colour():
    texts = texts_of(advised_figure(advise(run_of(*WHOLE))))
    for text in ("9:00", "12:00", "3:30", "always keyed", "opens", "closes", "12 dB SINAD ± U"):
        assert text in texts
    assert {"limit 1 per hour", "set here"} <= set(texts)
    assert "≤ 0.94" in texts
    assert not [text for text in texts if "math" in text]


@pytest.mark.parametrize(
    "findings",
    [
        [seen("12:00", 0, 0.05)],
        [seen("12:00", 3, 0.05, -118.0)],
        [seen("12:00", 0, None, -118.0)],
        [seen("12:00", 0, 5.0, -118.0), sensitivity(-117.0)],
        [keyed("9:00"), seen("12:00", 0, 1e-3, -118.0)],
    ],
)
def test_poor_data_still_give_a_plot(findings):
    figure = advised_figure(advise(run_of(*findings)))
    assert figure is not None
    assert figure.svg == advised_figure(advise(run_of(*findings))).svg


def test_without_level_or_bound_there_is_no_plot():
    assert advised_figure(advise(run_of(keyed("9:00"), keyed("12:00")))) is None
    assert advised_figure(advise(run_of(order=None))) is None


def test_what_the_listener_gets_and_the_times_stand_beside_it():
    def at_twelve(name, value):
        part = Contribution(name=name, standard_uncertainty=0.001, kind="A", source="chosen")
        return measured(name, value, (part,), count=5, conditions={"knob": "12:00"})

    times = Findings(
        kind="timing", readings=(at_twelve("attack_time", 0.05), at_twelve("hang_time", 1.2))
    )
    line = words_of(*WHOLE, times).lines[1]
    assert line.times == "attack 50.0 ± 2.0 ms, hang 1.2000 ± 0.0020 s"


@pytest.mark.parametrize(
    ("value_db", "said"),
    [(9.4, "9.40 ± 0.20 dB SINAD at opening"), (None, "SINAD at opening not measured")],
)
def test_what_the_listener_gets_at_the_opening(monkeypatch, value_db, said):
    name = "sinad_at_opening"
    monkeypatch.setitem(TERMS, name, replace(TERMS["sinad"], name=name))
    conditions = {"knob": "12:00", "input_level_port_dbm": -118.0, "weighting": "flat"}
    part = Contribution(name="noise", standard_uncertainty=0.1, kind="A", source="chosen")
    reading = (
        not_measured(name, "the squelch was closed", conditions=conditions)
        if value_db is None
        else measured(name, value_db, (part,), count=8, conditions=conditions)
    )
    loose, here, _ = words_of(*WHOLE, Findings(kind="audio", readings=(reading,))).lines
    assert (here.listener, loose.listener) == (said, "")
