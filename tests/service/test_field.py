"""A unit in service: which reading counts, where each value is from, what is not measured.

All runs are invented; numbers are sums by hand of what they hold.
"""

import math
from dataclasses import replace

import pytest

from harness.describe.field import FieldFile
from harness.describe.unit import unit_from
from harness.errors import BadInput
from harness.readings import Findings, measured
from harness.service import exposure, noise
from harness.service.field import in_service
from harness.service.known import Named
from harness.uncertainty import Contribution
from tests.advice.knob_runs import level, seen
from tests.service.battery_runs import UNIT, discharge, run_of


def reading(name, value, standard=0.2, count=10, **conditions):
    part = Contribution(name=f"{name}.fit", standard_uncertainty=standard, kind="A")
    return measured(name, value, (part,), count=count, conditions=conditions)


def sensitivity(level_dbm, **more):
    conditions = {"weighting": "flat", "de_emphasis": False, **more}
    return reading("sensitivity_12db_sinad", level_dbm, **conditions)


def audio(*readings):
    return Findings(kind="audio", readings=readings)


POWER = Findings(kind="carrier", readings=(reading("carrier_power", 36.0),))
INPUT = Findings(kind="carrier", readings=(reading("carrier_power", -80.0, role="input"),))


def named(*findings, name="a.h5", **more):
    return Named(name=name, run=run_of(*findings, **more))


def service(*runs, field=None, **more):
    return in_service(runs, field or FieldFile(), **more)


def known(found, name):
    return next(each for each in found.inputs if each.name == name)


def test_nothing_measured_is_said_and_nothing_invented():
    found = service(named())
    for name in ("power_dbm", "sensitivity_dbm", "opening_dbm", "capacity_ah", "transmit_a"):
        assert known(found, name).origin == "not measured"
        assert known(found, name).value is None
        assert known(found, name).source
    assert all(each.hours is None for each in found.endurances)
    assert (found.talk_out.budget_db, found.talk_in.budget_db, found.balance) == (None,) * 3
    assert (found.exposures, found.capacity, found.ageing) == ((), None, None)


def test_every_value_tells_where_it_is_from():
    found = service(
        named(POWER, audio(sensitivity(-117.0))),
        field=FieldFile(antenna_height_m=12.0),
        where="field.toml",
    )
    assert known(found, "power_dbm").origin == "measured"
    assert known(found, "power_dbm").source == "a.h5, 2026-03-14"
    assert known(found, "antenna_height_m").origin == "given"
    assert known(found, "antenna_height_m").source == "field.toml"
    assert known(found, "antenna_gain_dbi").origin == "assumed"
    assert all(each.source for each in found.inputs)


def test_the_newest_run_counts_and_older_ones_fill_what_it_lacks():
    new = Findings(kind="carrier", readings=(reading("carrier_power", 35.0),))
    found = service(
        named(new, name="new.h5", days=30.0),
        named(POWER, audio(sensitivity(-117.0)), name="old.h5"),
    )
    assert (known(found, "power_dbm").value, known(found, "power_dbm").source[:6]) == (
        35.0,
        "new.h5",
    )
    assert known(found, "sensitivity_dbm").source.startswith("old.h5")


def test_power_measured_on_the_input_is_not_the_transmitters():
    assert known(service(named(INPUT)), "power_dbm").value is None


@pytest.mark.parametrize(
    ("readings", "needed_dbm", "u_db"),
    [
        pytest.param([sensitivity(-117.0)], -117.0, 0.4, id="transmitter not told"),
        pytest.param([sensitivity(-117.0, transmitter="off")], -117.0, 0.4, id="off"),
        pytest.param(
            [sensitivity(-117.0, transmitter="off"), reading("desensitisation", 2.5)],
            -114.5,
            math.hypot(0.4, 0.4),
            id="off and desensitisation",
        ),
        pytest.param(
            [sensitivity(-117.0, transmitter="off"), reading("desensitisation", -0.3)],
            -117.0,
            math.hypot(0.4, 0.4),
            id="a transmitter sharpens nothing",
        ),
        pytest.param(
            [
                sensitivity(-117.0, transmitter="off"),
                sensitivity(-114.0, transmitter="on"),
                reading("desensitisation", 9.0),
            ],
            -114.0,
            0.4,
            id="keyed goes before all",
        ),
    ],
)
def test_what_the_repeater_needs(readings, needed_dbm, u_db):
    """In: 37 - 8 + 2.15 - 1 - needed - noise, noise as the room itself says (tried elsewhere)."""
    found = service(named(POWER, audio(*readings)))
    raised_db = known(found, "noise_raises_db").value
    power_dbm = 10 * math.log10(5e3)
    budget = power_dbm - 8 + 2.15 - 1 - needed_dbm - raised_db
    assert found.talk_in.budget_db == pytest.approx(budget, abs=1e-9)
    assert found.talk_in.expanded_uncertainty_db == pytest.approx(u_db, rel=0.12)
    assert found.governing == "sensitivity, 12 dB SINAD"


def test_a_sensitivity_that_is_a_bound_is_taken_only_where_there_is_none_better():
    """Known to hear at -113 dBm: that level counts, and the page says that it may hear more."""
    bound = replace(sensitivity(-113.0), bound="upper")
    found = service(named(audio(bound)))
    assert known(found, "sensitivity_dbm").value == -113.0
    assert known(found, "sensitivity_dbm").title.endswith("at most")
    assert any("may reach further" in remark for remark in found.remarks)
    both = service(named(audio(bound), days=9.0), named(audio(sensitivity(-117.0)), name="b.h5"))
    assert known(both, "sensitivity_dbm").value == -117.0
    lower = replace(sensitivity(-113.0), bound="lower")
    assert service(named(audio(lower))).talk_in.missing == "sensitivity"


def test_what_was_measured_under_a_disturbance_does_not_count():
    faded = seen("12:00", 0, 4.0, -112.0)
    faded = replace(
        faded,
        readings=tuple(
            replace(r, conditions={**r.conditions, "input_fade_db": 6.0}) for r in faded.readings
        ),
    )
    assert known(service(named(faded), knob="12:00"), "opening_dbm").value is None


def test_the_squelch_governs_where_it_opens_later():
    found = service(named(audio(sensitivity(-117.0)), seen("12:00", 0, 4.0, -112.0)), knob="12:00")
    assert found.governing == "squelch opening"
    assert known(found, "opening_dbm").title == "squelch opening at 12:00"
    earlier = service(
        named(audio(sensitivity(-117.0)), seen("12:00", 0, 4.0, -119.0)), knob="12:00"
    )
    assert earlier.governing == "sensitivity, 12 dB SINAD"
    assert earlier.talk_in.budget_db - found.talk_in.budget_db == pytest.approx(5.0, abs=1e-9)


def test_the_opening_is_that_of_the_position_in_use():
    squelch = [seen("9:00", 0, 4.0, -121.0), seen("3:30", 0, 4.0, -110.0)]
    run = named(audio(sensitivity(-117.0)), *squelch)
    assert known(service(run, knob="3:30"), "opening_dbm").value == -110.0
    assert known(service(run), "opening_dbm").value is None
    marked = named(audio(sensitivity(-117.0)), *squelch, unit={**UNIT, "marked_knob": "9:00"})
    assert known(service(marked), "opening_dbm").value == -121.0
    assert known(service(run, knob="12:00"), "opening_dbm").value is None


def test_an_opening_alone_is_no_sensitivity():
    opening = level("squelch_opening", -112.0, 0.1, None)
    found = service(named(Findings(kind="squelch", readings=(opening,))))
    assert found.talk_in.missing == "sensitivity"


def test_noise_by_hand():
    """158.425 MHz, rural: F_am 6.27 dB; feeder 1 dB, sensitivity of a 6 dB receiver."""
    found = service(named(audio(sensitivity(-117.23))))
    fam = 67.2 - 27.7 * math.log10(158.425)
    loss = 10**0.1
    seen_ratio = 10 ** (fam / 10) / loss + 1 - 1 / loss
    by_hand = 10 * math.log10((seen_ratio + 10**0.6 - 1) / 10**0.6)
    assert known(found, "noise_figure_db").value == pytest.approx(6.0, abs=5e-3)
    assert known(found, "noise_raises_db").value == pytest.approx(by_hand, abs=5e-3)


def test_a_noise_figure_of_the_unit_file_goes_before_the_sensitivity():
    unit = {**UNIT, "duplex": {"noise_figure_db": 3.0}}
    found = service(named(audio(sensitivity(-117.23)), unit=unit))
    figure = known(found, "noise_figure_db")
    assert (figure.value, figure.origin) == (3.0, "unit file")


def test_noise_outside_its_range_is_left_out_and_said():
    unit = {**UNIT, "receive_hz": 465e6, "transmit_hz": 460e6}
    found = service(named(POWER, audio(sensitivity(-117.0)), unit=unit))
    assert not any(each.name.endswith("noise_raises_db") for each in found.inputs)
    assert any("P.372 gives no man-made noise" in remark for remark in found.remarks)
    assert noise.ENVIRONMENTS["rural"].median_db(465e6) is None


def test_exposure_counts_the_upper_end_of_the_power_and_no_assumed_feeder():
    """36 dBm + U 0.4: 4.365 W into 2.15 dBi; free space, public, by 6.2 of the worked examples."""
    found = service(named(POWER))
    eirp_w = 10 ** ((36.0 + known(found, "power_dbm").expanded_uncertainty + 2.15 - 30) / 10)
    public = found.exposures[0]
    assert public.distances_m[0] == pytest.approx(math.sqrt(eirp_w / (4 * math.pi * 2.0)), rel=1e-9)
    assert public.distances_m[2] == pytest.approx(2 * public.distances_m[0], rel=1e-9)
    fed = service(named(POWER), field=FieldFile(feeder_loss_db=3.0))
    ratio = fed.exposures[0].distances_m[0] / public.distances_m[0]
    assert ratio == pytest.approx(10 ** (-3 / 20), rel=1e-9)


def test_exposure_is_averaged_only_when_asked():
    whole = service(named(POWER)).exposures[0].distances_m[-1]
    asked = service(named(POWER), field=FieldFile(exposure_share=0.25)).exposures[0]
    assert asked.distances_m[-1] == pytest.approx(whole / 2, rel=1e-9)
    assert exposure.CAREFUL == max(exposure.REFLECTIONS)


def test_currents_and_battery_from_a_run_and_from_the_user():
    run = named(discharge(20000.0, 1.3), name="battery.h5")
    field = FieldFile.model_validate(
        {
            "supply": {"standby_a": 0.06, "receive_a": 0.12},
            "duty": ({"name": "busy", "transmit": 0.5, "receive": 0.1},),
        }
    )
    found = service(run, field=field, where="field.toml")
    assert known(found, "transmit_a").origin == "measured"
    assert known(found, "standby_a").origin == "given"
    assert known(found, "standby_a").expanded_uncertainty == pytest.approx(0.003)
    (busy,) = found.endurances
    assert busy.duty.standby == pytest.approx(0.4)
    assert busy.hours > 20000 / 3600
    assert found.rated.percent > 0.0


def test_a_given_capacity_goes_before_a_measured_one_and_is_called_given():
    run = named(discharge(20000.0, 1.3))
    field = FieldFile.model_validate({"supply": {"capacity_ah": 7.0}})
    found = service(run, field=field)
    assert (known(found, "capacity_ah").value, known(found, "capacity_ah").origin) == (7.0, "given")
    assert found.capacity is not None


def test_without_a_chemistry_the_rate_is_not_known():
    unit = {key: value for key, value in UNIT.items() if key != "battery"}
    found = service(named(discharge(20000.0, 1.3), unit=unit))
    assert known(found, "rate_exponent").value is None
    assert found.endurances[0].missing == ("chemistry of the battery",)
    field = FieldFile.model_validate({"supply": {"rate_exponent": (1.1, 1.2)}})
    assert service(named(discharge(20000.0, 1.3), unit=unit), field=field).endurances[0].hours


def test_hydrogen_only_where_there_is_acid():
    """Six cells: 6 x 0.4564 L for each ampere-hour (worked example 9.3)."""
    assert service(named()).hydrogen_l_per_ah == pytest.approx(6 * 0.4564, abs=6e-4)
    lithium = {**UNIT, "battery": {**UNIT["battery"], "chemistry": "LiFePO4"}}
    assert service(named(unit=lithium)).hydrogen_l_per_ah is None


def test_another_units_results_are_refused():
    other = named(POWER, name="other.h5", unit={**UNIT, "name": "Frost Watch 1"})
    with pytest.raises(BadInput, match=r"other\.h5: is of another unit \(name Frost Watch 1"):
        service(named(POWER, days=1.0), other)
    unit = unit_from({**UNIT, "name": "Frost Watch 3"})
    with pytest.raises(BadInput, match="another unit"):
        service(named(POWER), unit=unit)


def test_results_without_a_unit_take_the_unit_file():
    bare = named(POWER, unit={})
    assert service(bare).talk_out is None
    assert any("frequencies" in remark for remark in service(bare).remarks)
    assert service(bare, unit=unit_from(UNIT)).talk_out.budget_db is not None


def test_three_battery_runs_are_a_history():
    runs = [
        named(discharge(lasted_s, 0.45), days=365.25 * years, name=f"{years}.h5")
        for years, lasted_s in enumerate((72000.0, 68400.0, 64800.0))
    ]
    found = service(*runs)
    assert [each.name for each in found.ageing.capacities] == ["0.h5", "1.h5", "2.h5"]
    assert found.ageing.per_year.percent < -3.0
    assert found.capacity.name == "2.h5"
