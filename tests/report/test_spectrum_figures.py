"""Plots of the spectrum: drawn from the series alone, the same bytes each time."""

from dataclasses import replace

import numpy as np
import pytest

from harness.readings import Axis, Findings, Reading, Series, not_measured
from harness.report.figures import figures_of

OFFSET_HZ = np.linspace(-60e3, 60e3, 4001)


def line(name: str, values: np.ndarray, axis: Axis | None = None, unit: str = "dBc") -> Series:
    axis = axis or Axis(name="frequency_offset", unit="Hz", values=OFFSET_HZ)
    conditions = {"mask": "90.210-D"} if name == "emission_mask" else {}
    conditions |= {"resolution_bandwidth_hz": 98.0} if name == "emission" else {}
    return Series(name=name, unit=unit, axes=(axis,), values=values, conditions=conditions)


def track(name: str, sign: float) -> Series:
    time_s = np.linspace(0.0, 0.06, 601) * sign
    values = 9000.0 * np.exp(-np.abs(time_s) / 3e-3)
    return line(name, values, Axis(name="time", unit="s", values=time_s), unit="Hz")


@pytest.fixture
def findings() -> Findings:
    mask = np.where(np.abs(OFFSET_HZ) < 5625.0, 0.0, -56.0)
    mask[np.abs(OFFSET_HZ) > 55e3] = np.nan
    level = -90.0 + 88.0 * np.exp(-((OFFSET_HZ / 5e3) ** 2))
    return Findings(
        kind="spectrum",
        readings=(
            Reading(name="occupied_bandwidth", value=8012.0, unit="Hz", expanded_uncertainty=113.0),
            not_measured("emission_mask_margin", "no reason"),
            Reading(
                name="transient_frequency",
                value=8950.0,
                unit="Hz",
                expanded_uncertainty=250.0,
                conditions={"interval": "t1"},
            ),
        ),
        series=(
            line("emission", level),
            line("emission_peak_hold", level + 4.0),
            line("emission_mask", mask),
            track("transient_key_up", 1.0),
            track("transient_drop", -1.0),
        ),
    )


def test_emission_and_transients_are_drawn(findings: Findings) -> None:
    emission, transient = figures_of("spectrum", [findings])
    assert emission.caption == "Emission and its mask"
    assert "mask 90.210-D" in emission.svg
    assert "8010" in emission.description
    assert "98 Hz" in emission.description
    assert "emission mask margin" not in emission.description
    assert "t1: " in transient.svg
    assert "9000 Hz" in transient.description
    assert [f.svg for f in figures_of("spectrum", [findings])] == [emission.svg, transient.svg]


def test_what_is_not_there_is_not_drawn(findings: Findings) -> None:
    assert figures_of("spectrum", [replace(findings, series=())]) == []
    only = replace(findings, series=findings.series[:1], readings=())
    (emission,) = figures_of("spectrum", [only])
    assert emission.caption == "Emission"
    assert "mask" not in emission.svg
    (transient,) = figures_of("spectrum", [replace(findings, series=findings.series[4:])])
    assert "before the drop" in transient.description
    assert "after key-up" not in transient.description
