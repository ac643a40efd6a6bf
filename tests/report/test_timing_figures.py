"""Every keying drawn: one mark each, and the same told in words."""

import numpy as np
import pytest

from harness.readings import Axis, Findings, Series
from harness.report.figures import figures_of


def course(what, values_s, suffix="", **conditions):
    values_s = np.asarray(values_s, float)
    return Series(
        name=f"{what}_course{suffix}",
        unit="s",
        axes=(Axis(name="time", unit="s", values=2.0 * np.arange(len(values_s))),),
        values=values_s,
        conditions=conditions,
    )


ATTACKS = course("attack", [0.031, 0.03, 0.033, 0.032])
HANGS = course("hang", [0.61, 0.6, 0.65, 0.64])


def drawn(*series):
    return figures_of("timing", [Findings(kind="timing", series=series)])


def test_both_are_drawn_and_told():
    (figure,) = drawn(ATTACKS, HANGS)
    words = "Attack: 4 keyings from 30.00 ms to 33.00 ms, median 31.50 ms"
    assert words in figure.description
    assert "Hang: 4 keyings from 600.00 ms to 650.00 ms, median 625.00 ms" in figure.description
    assert "Attack, ms" in figure.svg
    assert "Hang, ms" in figure.svg
    assert figure.description in figure.svg


def test_positions_of_the_knob_are_told_apart():
    (figure,) = drawn(
        course("hang", [0.61, 0.6, 0.65, 0.64], "_9:00", knob="9:00"),
        course("hang", [0.31, 0.3, 0.35, 0.34], "_3:00", knob="3:00"),
    )
    assert "at 9:00" in figure.description
    assert "at 3:00" in figure.description
    assert ">9:00<" in figure.svg


def test_what_the_output_alone_says_is_left_out_beside_both():
    other = course("hang", [0.7, 0.7, 0.7, 0.7], method="output only")
    (figure,) = drawn(HANGS, other)
    assert "700.00" not in figure.description
    (figure,) = drawn(other)
    assert "700.00" in figure.description


@pytest.mark.parametrize("series", [(), (course("hang", [0.6, 0.6, 0.6]),)])
def test_few_keyings_are_not_drawn(series):
    assert drawn(*series) == []
