"""What would decide an undecided reading, in words that a person at the bench can act on."""

import pytest

from harness.readings import Limit, Reading, measured
from harness.report.deciding import deciding_in_words
from harness.results.conformity import deciding
from harness.results.judgement import Row
from harness.uncertainty import Contribution, garwood_interval


def row(reading, low=None, high=None):
    limit = Limit(
        reading=reading.name, unit=reading.unit, source="chosen", minimum=low, maximum=high
    )
    return Row(
        reading=reading, limits=(limit,), verdict="undecided", deciding=deciding(reading, [limit])
    )


def power(*parts, **more):
    held = [Contribution(name=n, standard_uncertainty=u, kind=k) for n, u, k in parts]
    return measured("carrier_power", 36.0, held, count=5, **more)


SILENT = Reading(
    name="false_keying_rate",
    value=0.0,
    unit="1/h",
    interval=tuple(end / 0.05 for end in garwood_interval(0)),
)


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (
            row(power(("scatter", 0.2, "A")), low=35.9),
            "More averaging would decide it: 16 times as much as now (80 in place of 5).",
        ),
        (
            row(power(("shed.output.full_scale", 0.3, "B")), low=35.5),
            "A better calibration would decide it: 100 % of the variance is from"
            " shed.output.full_scale, whose standard uncertainty of 0.30 dB has to come down to"
            " 0.25 dB.",
        ),
        (
            row(power(("scatter", 0.2, "A"), flags=("outside calibration",)), low=35.9),
            "No uncertainty is declared of what it rests on: declare it in the bench file, or"
            " calibrate.",
        ),
        (
            row(power(("scatter", 0.2, "A"), bound="upper", flags=("floor",)), high=35.9),
            "The receiver's own noise or image hides the answer: one with more range, or a notch"
            " at the carrier before it, would decide it.",
        ),
        (
            row(power(("scatter", 0.2, "A"), bound="upper"), high=35.9),
            "Only a bound of carrier power is known: it decides nothing here.",
        ),
        (
            row(power(("a", 0.3, "B"), ("b", 0.3, "B")), low=35.998),
            "It lies 0.0020 dB from the limit: neither more averaging nor one better calibration"
            " would decide it.",
        ),
        # No key-up in 0.05 h leaves up to 73.8 per hour; 60 take 1.23 times as long, in steps of
        # a twentieth.
        (
            row(SILENT, high=60.0),
            "Watching 1.3 times as long would decide it, if key-ups come as often as so far.",
        ),
    ],
)
def test_each_way_is_said(one, said) -> None:
    assert deciding_in_words(one) == (said,)


def test_nothing_is_said_where_it_is_decided() -> None:
    assert deciding_in_words(row(power(("scatter", 0.2, "A")), low=30.0)) == ()
