"""The plot of audio against frequency: drawn from the series that measure gives, with its words."""

import numpy as np
import pytest

from harness.readings import Axis, Findings, Series
from harness.report.figures import figures_of


def curve(name, values, frequency_hz=(300.0, 1000.0, 3000.0)):
    axis = Axis(name="audio_frequency", unit="Hz", values=np.array(frequency_hz))
    return Series(name=name, unit="dB", axes=(axis,), values=np.array(values))


def figures(*series):
    return figures_of("audio", [Findings(kind="audio", series=series)])


def test_all_that_there_is_is_drawn_and_said():
    (drawn,) = figures(
        curve("audio_response", [-10.4, 0.0, 9.5]),
        curve("audio_response_to_emphasis", [0.1, 0.0, -0.1]),
        curve("repeat_gain_against_frequency", [-1.0, -0.5, -3.2]),
    )
    assert "Relative to 1 kHz: −10.4 dB to 9.5 dB from 300 Hz to 3000 Hz" in drawn.description
    assert "relative to 6 dB/octave" in drawn.description
    assert "out against in: −3.2 dB" in drawn.description
    for words in ("relative to 1 kHz", "relative to 6 dB/octave", "out against in"):
        assert words in drawn.svg


def test_nothing_is_drawn_where_nothing_was_measured():
    assert figures() == []
    assert figures(curve("audio_response_uncertainty", [0.1, 0.1, 0.1])) == []


@pytest.mark.parametrize("values", [[np.nan] * 3, [0.0, np.nan, 1.0]])
def test_a_gap_does_not_break_the_drawing(values):
    assert len(figures(curve("audio_response", values))) == 1


def test_the_same_findings_give_the_same_drawing():
    series = curve("audio_response", [-10.4, 0.0, 9.5])
    assert figures(series)[0].svg == figures(series)[0].svg
