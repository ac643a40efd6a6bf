"""The plot of the deviation out against the deviation in, and its words."""

import numpy as np

from harness.readings import Axis, Findings, Series
from harness.report.figures import figures_of

CURVE = Series(
    name="deviation_out_against_deviation_in",
    unit="Hz",
    axes=(Axis(name="deviation_in", unit="Hz", values=np.array([600.0, 2000.0, 4000.0])),),
    values=np.array([600.0, 1948.8, 2056.2]),
)


def test_the_curve_is_drawn_and_said():
    (drawn,) = figures_of("carrier", [Findings(kind="carrier", series=(CURVE,))])
    assert "600 Hz out for 600 Hz in, and 2056 Hz out for 4000 Hz in." in drawn.description
    for words in ("peak deviation out", "no limiting", "Peak deviation in, kHz"):
        assert words in drawn.svg


def test_nothing_is_drawn_without_it():
    assert figures_of("carrier", [Findings(kind="carrier")]) == []
