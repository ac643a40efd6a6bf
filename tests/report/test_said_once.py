"""What the report says, once and in one form: notes, times that never came, signs, the head."""

from dataclasses import replace

import numpy as np
import pytest

from harness.readings import Axis, Findings, Reading, Series, not_measured
from harness.report.carrier_figures import carrier_figures
from harness.report.content import content_of
from harness.report.discharge_figures import discharge_figures
from harness.report.wording import also, in_words, minus, remark


def reading(name: str, unit: str, value: float, note: str) -> Reading:
    return Reading(name=name, unit=unit, value=value, expanded_uncertainty=0.53, note=note)


@pytest.mark.parametrize(
    ("given", "other", "left"),
    [
        # -117.08 dBm across 50 ohm: 1e6 sqrt(1e-3 10^-11.708 50) = 0.3130 uV; 0.53 dB is 6.1 %.
        (
            reading("sensitivity_12db_sinad", "dBm", -117.08, "0.313 µV across 50 ohm"),
            "0.313 ± 0.019 µV across 50 ohm",
            "",
        ),
        (
            reading("sensitivity_12db_sinad", "dBm", -117.08, "0.313 µV across 50 ohm; by input"),
            "0.313 ± 0.019 µV across 50 ohm",
            "by input",
        ),
        # 114.3 Hz of 153.825 MHz is 0.74305 ppm; 0.53 Hz is 0.0034 ppm.
        (
            reading("frequency_error", "Hz", 114.3, "carrier at 153825114.3 Hz, +0.743 ppm"),
            "0.7431 ± 0.0034 ppm",
            "carrier at 153825114.3 Hz",
        ),
        (reading("carrier_power", "dBm", 36.0, "-3 dB pad"), "3.98 ± 0.49 W", "−3 dB pad"),
    ],
)
def test_no_value_stands_twice_in_a_row(given, other, left) -> None:
    assert also(given, 153.825e6) == other
    assert remark(given, 153.825e6) == left


def test_without_the_nominal_frequency_the_note_keeps_its_ppm() -> None:
    given = reading("frequency_error", "Hz", 114.3, "carrier at 153825114.3 Hz, +0.743 ppm")
    assert remark(given) == given.note


NEVER = not_measured("time_to_minus_3db", "Never: the power was within 2.51 dB until the end.")


def test_a_time_that_never_came_is_a_reading(sample) -> None:
    run = replace(
        sample.sample_run(), limits=(), findings=(Findings(kind="discharge", readings=(NEVER,)),)
    )
    content = content_of(run)
    (line,) = content.sections[0].lines
    assert (line.title, line.value) == ("Time to −3 dB", "never within the run")
    assert line.remarks == ("The power was within 2.51 dB until the end.",)
    assert line.verdict is None
    assert content.missing == ()


def test_another_reason_is_still_a_missing_reading(sample) -> None:
    part = Findings(
        kind="discharge", readings=(not_measured("time_to_minus_3db", "no power was logged"),)
    )
    content = content_of(replace(sample.sample_run(), limits=(), findings=(part,)))
    assert content.sections == ()
    assert content.missing[0].titles == ("Time to −3 dB",)
    assert in_words(part.readings[0]) == "not measured"


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("a level of -26 dBm", "a level of −26 dBm"),
        ("-1.5 dB", "−1.5 dB"),
        ("from -3 to -1", "from −3 to −1"),
        ("150-174 MHz on 2026-11-25, 90.210-D", "150-174 MHz on 2026-11-25, 90.210-D"),
        ("serial FW-0117 at squelch-1200-output", "serial FW-0117 at squelch-1200-output"),
    ],
)
def test_only_signs_become_a_minus(text, written) -> None:
    assert minus(text) == written


def test_the_head_says_who_where_and_since_when_it_is_calibrated(sample) -> None:
    run = sample.sample_run()
    bench = {**run.bench, "operator": "M. Ortiz", "place": "shed 2", "calibrated": "2026-11-20"}
    told = dict(content_of(replace(run, bench=bench)).particulars)
    assert told["Measured by"] == "M. Ortiz"
    assert told["Where"] == "shed 2"
    assert told["Bench"].endswith("calibrated 2026-11-20")
    assert "FW-0117" in told["Unit"]
    bare = {key: value for key, value in run.bench.items() if key != "calibrated"}
    told = dict(content_of(replace(run, bench=bare)).particulars)
    assert not told.keys() & {"Measured by", "Where"}
    assert "calibrated" not in told["Bench"]


def spectrum(**conditions: float) -> Findings:
    offset_hz = np.linspace(-12500.0, 12500.0, 2001)
    axes = (Axis(name="frequency_offset", unit="Hz", values=offset_hz),)
    # -7.77 dB inside 0.6 of the spacing; what must not be drawn is far below.
    values = np.where(np.abs(offset_hz) <= 7500.0, -7.77, -120.0)
    series = Series(
        name="spectrum",
        unit="dB",
        axes=axes,
        values=values,
        conditions={"resolution_bandwidth_hz": 46.03, **conditions},
    )
    return Findings(kind="carrier", series=(series,))


def test_the_spectrum_is_drawn_only_where_the_filter_is_flat() -> None:
    (figure,) = carrier_figures((spectrum(flat_hz=7500.0),))
    assert figure.svg.count("not measured") == 2
    assert "from −7.5 kHz to 7.5 kHz" in figure.description
    assert "dB to the carrier, in 46 Hz" in figure.svg
    assert "−120" not in figure.svg
    (whole,) = carrier_figures((spectrum(),))
    assert "not measured" not in whole.svg
    assert "−120" in whole.svg


def test_the_battery_plot_shows_the_level_that_the_drop_counts_from() -> None:
    """From 36.2 dBm, warm at 36.0 dBm: -1 dB is reached at 35.0 dBm, at 2 h."""
    axes = (Axis(name="time", unit="s", values=np.array([0.0, 600.0, 7200.0, 10800.0])),)
    power = Series(name="power", unit="dBm", axes=axes, values=np.array([36.2, 36.0, 35.0, 34.6]))
    time = Reading(name="time_to_minus_1db", unit="s", value=7200.0, expanded_uncertainty=60.0)
    (figure,) = discharge_figures((Findings(kind="discharge", readings=(time,), series=(power,)),))
    assert "start, 36.00 dBm" in figure.svg
    assert "−1 dB after 2 h ± 1 min." in figure.description
    (bare,) = discharge_figures((Findings(kind="discharge", series=(power,)),))
    assert "start," not in bare.svg
