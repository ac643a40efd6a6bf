"""Plots of the receiver: drawn where there is something to show, in words too, and nowhere else."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from harness.readings import Axis, Findings, Series, measured, not_measured
from harness.report.receiver_figures import receiver_figures
from harness.uncertainty import Contribution

LEVELS_DBM = np.arange(-122.0, -113.0)
FIT = Contribution(name="fit", standard_uncertainty=0.05)


def curve(name: str, x=LEVELS_DBM, axis: str = "input_level_port", **conditions) -> Series:
    return Series(
        name=name,
        unit="dB",
        axes=(Axis(name=axis, unit="dBm" if axis.endswith("port") else "Hz", values=x),),
        values=12.0 + 0.01 * x,
        conditions=conditions,
    )


def findings(*series: Series, readings=()) -> Findings:
    return Findings(kind="audio", series=series, readings=tuple(readings))


OFFSETS_HZ = np.arange(-5000.0, 5001.0, 1000.0)
BOTH = findings(
    curve("sinad_against_level_transmitter_off"),
    curve("sinad_fit_transmitter_off"),
    curve("sinad_against_level_transmitter_on"),
    readings=[measured("desensitisation", 2.87, [FIT], count=20)],
)
OFFSET = findings(
    curve("sinad_against_offset", OFFSETS_HZ, "input_offset"),
    readings=[measured("receiver_centre", -230.0, [FIT], count=11)],
)
QUIETING = findings(
    curve("quieting_against_level", seen_at="receiver audio"),
    readings=[measured("quieting_20db", -117.5, [FIT], count=9)],
)


@pytest.mark.parametrize(
    ("part", "words"),
    [
        pytest.param(BOTH, ("transmitter off and on", "desensitisation 2.87"), id="both states"),
        pytest.param(OFFSET, ("11 offsets", "230"), id="offsets"),
        pytest.param(QUIETING, ("receiver audio", "117.50 dBm"), id="quieting"),
        pytest.param(
            findings(
                curve("sinad_against_level_transmitter_on"),
                readings=[not_measured("desensitisation", "one sweep only")],
            ),
            ("no desensitisation could be told",),
            id="one state",
        ),
        pytest.param(
            findings(curve("sinad_against_offset_transmitter_on", OFFSETS_HZ, "input_offset")),
            ("no centre",),
            id="offsets without a centre",
        ),
    ],
)
def test_drawn_with_words_for_who_cannot_see_it(part: Findings, words) -> None:
    (figure,) = receiver_figures("audio", [part])
    for word in words:
        assert word in f"{figure.caption} {figure.description}"
    ElementTree.fromstring(f'<a xmlns:xlink="x">{figure.svg}</a>')


def test_several_parts_share_a_page_without_sharing_ids() -> None:
    figures = receiver_figures("audio", [BOTH, OFFSET, QUIETING, BOTH])
    assert len(figures) == 4
    ids = [{part.split('"', 1)[0] for part in f.svg.split('id="')[1:]} for f in figures]
    assert not ids[0] & ids[3]


def test_nothing_where_there_is_nothing() -> None:
    assert receiver_figures("audio", [findings()]) == []
    assert receiver_figures("squelch", [BOTH]) == []
