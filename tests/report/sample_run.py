"""An invented run of an invented unit, plausible enough to look at on paper.

All values are made up (DESIGN section 8's orchard cooperative); they are no measurement.
"""

import math
from datetime import UTC, datetime, timedelta

import numpy as np

from harness.readings import (
    Axis,
    Findings,
    Limit,
    Reading,
    RecordingUsed,
    Series,
    judged,
    measured,
    not_measured,
    worst,
)
from harness.results import Run
from harness.uncertainty import Contribution

START = datetime(2026, 3, 14, 7, 41, 5, 123456, tzinfo=UTC)
KNOBS = ("9:00", "12:00", "3:30")
PATH = Contribution(
    name="packing-shed bench.output.path",
    standard_uncertainty=0.06,
    source="bench.toml, 30 dB pad",
)
CLOCK = Contribution(
    name="packing-shed bench.output.clock",
    standard_uncertainty=0.025,
    sensitivity=153.825,
    source="bench.toml, clock_uncertainty_ppm",
)
INPUT_PATH = Contribution(
    name="packing-shed bench.input.path", standard_uncertainty=0.15, source="bench.toml, tap"
)


def type_a(name, standard_uncertainty, degrees_of_freedom=60.0):
    return Contribution(
        name=name,
        standard_uncertainty=standard_uncertainty,
        kind="A",
        degrees_of_freedom=degrees_of_freedom,
        source="repetition",
    )


def used(name, role):
    digit = f"{sum(map(ord, name)) % 16:x}"
    return RecordingUsed(path=name, role=role, sha512=(digit + "0123456789abcdef" * 8)[:128])


def axis(name, unit, values):
    return Axis(name=name, unit=unit, values=np.asarray(values, dtype=np.float64))


def carrier(power_dbm, error_hz):
    offset_hz = np.linspace(-25e3, 25e3, 2001)
    lines_dbc = np.full(offset_hz.shape, -78.0)
    rng = np.random.default_rng(7)
    for order, level in enumerate((-1.2, -8.0, -16.5, -30.0, -45.0, -62.0)):
        for sign in (-1, 1):
            lines_dbc = np.maximum(
                lines_dbc, level - ((offset_hz - sign * order * 1000.0 - error_hz) / 60.0) ** 2
            )
    lines_dbc = lines_dbc + rng.normal(0.0, 1.0, offset_hz.shape)
    take = ("carrier-output",)
    return Findings(
        kind="carrier",
        readings=(
            measured(
                "carrier_power",
                power_dbm,
                (PATH, type_a("carrier.power", 0.01)),
                count=41,
                recordings=take,
            ),
            measured(
                "frequency_error",
                error_hz,
                (CLOCK, type_a("carrier.frequency", 0.08)),
                count=41,
                recordings=take,
            ),
            measured(
                "deviation_peak",
                1537.4,
                (type_a("carrier.deviation", 2.1),),
                count=1800,
                recordings=take,
            ),
            measured(
                "deviation_tone",
                1502.2,
                (type_a("carrier.tone", 0.9),),
                count=1800,
                recordings=take,
            ),
            measured(
                "tone_frequency",
                1000.012,
                (type_a("carrier.tone_frequency", 0.004),),
                count=1800,
                recordings=take,
                flags=("lost samples",),
                note="262144 samples were lost at 1.5 s.",
            ),
        ),
        series=(
            Series(
                name="spectrum",
                unit="dBc",
                axes=(axis("frequency_offset", "Hz", offset_hz),),
                values=lines_dbc,
            ),
        ),
        recordings=(used("carrier-output.sigmf-meta", "output"),),
        cautions=("A block of 262144 samples was lost at 1.5 s into carrier-output.",),
    )


def audio(sensitivity_dbm):
    levels_dbm = np.arange(-124.0, -95.0, 2.0)
    fine_dbm = np.linspace(-124.0, -96.0, 281)

    def sinad_db(level_dbm):
        above = level_dbm - sensitivity_dbm
        raw = 12.0 + np.where(above < 0, 1.9 * above, 1.05 * above)
        return 34.0 - np.logaddexp(0.0, (34.0 - np.maximum(raw, 0.3)) / 3.0) * 3.0 + 0.2

    noise = np.random.default_rng(3).normal(0.0, 0.25, levels_dbm.shape)
    return Findings(
        kind="audio",
        readings=(
            *(
                measured(
                    "sinad",
                    float(sinad_db(np.float64(level))),
                    (type_a(f"audio.{level}", 0.2),),
                    count=20,
                    conditions={
                        "input_level_port_dbm": level,
                        "weighting": "flat",
                        "de_emphasis": True,
                    },
                )
                for level in (-100.0, -80.0)
            ),
            measured(
                "sensitivity_12db_sinad",
                sensitivity_dbm,
                (INPUT_PATH, type_a("audio.fit", 0.08, 13.0)),
                count=15,
                conditions={"weighting": "flat", "de_emphasis": True, "deviation_hz": 1500.0},
            ),
            not_measured("squelch_tail", "The recording ends before the input drops."),
        ),
        series=(
            Series(
                name="sinad_against_level",
                unit="dB",
                axes=(axis("input_level_port", "dBm", levels_dbm),),
                values=sinad_db(levels_dbm) + noise,
            ),
            Series(
                name="sinad_fit",
                unit="dB",
                axes=(axis("input_level_port", "dBm", fine_dbm),),
                values=sinad_db(fine_dbm),
            ),
        ),
        recordings=(
            used("sweep-input.sigmf-meta", "input"),
            used("sweep-output.sigmf-meta", "output"),
        ),
    )


def timing(attack_s, hang_s):
    time_s = np.arange(0.0, 4.0, 1e-4)
    up_s, down_s = 0.5, 2.0
    rng = np.random.default_rng(11)

    def envelope_db(on_s, off_s, rise_s, floor_db):
        on = 1.0 - np.exp(-np.maximum(time_s - on_s, 0.0) / rise_s)
        on = np.where(time_s >= off_s, np.exp(-np.maximum(time_s - off_s, 0.0) / 0.0008), on)
        power = on**2 + 10 ** (floor_db / 10.0) * rng.exponential(1.0, time_s.shape)
        return 10.0 * np.log10(power)

    def edges(name, up, down):
        return Series(
            name=name,
            unit="1",
            axes=(axis("time", "s", [up, down]),),
            values=np.array([1.0, -1.0]),
        )

    return Findings(
        kind="timing",
        readings=(
            measured(
                "attack_time",
                attack_s,
                (type_a("timing.attack", 0.0001, 4.0),),
                count=5,
            ),
            measured(
                "hang_time",
                hang_s,
                (type_a("timing.hang", 0.0002, 4.0),),
                count=5,
                conditions={"method": "two recordings"},
            ),
        ),
        series=(
            Series(
                name="input_envelope",
                unit="dB",
                axes=(axis("time", "s", time_s),),
                values=envelope_db(up_s, down_s, 0.0005, -38.0),
            ),
            Series(
                name="output_envelope",
                unit="dB",
                axes=(axis("time", "s", time_s),),
                values=envelope_db(up_s + attack_s, down_s + hang_s, 0.002, -52.0),
            ),
            edges("input_keying", up_s, down_s),
            edges("output_keying", up_s + attack_s, down_s + hang_s),
        ),
        recordings=(
            used("keying-input.sigmf-meta", "input"),
            used("keying-output.sigmf-meta", "output"),
        ),
    )


def ogive(levels_dbm, middle_dbm, spread_db):
    return np.array(
        [0.5 * math.erfc((middle_dbm - level) / spread_db / math.sqrt(2)) for level in levels_dbm]
    )


def squelch(knob, opening_dbm):
    conditions = {"knob": knob}
    recordings = (used(f"squelch-{knob.replace(':', '')}-output.sigmf-meta", "output"),)
    state = Reading(
        name="keying_state",
        value="normal" if opening_dbm else "always keyed",
        unit="",
        conditions=conditions,
        count=25,
    )
    if opening_dbm is None:
        note = "The transmitter never drops without a signal."
        return Findings(
            kind="squelch",
            readings=(
                state,
                not_measured("squelch_opening", note, conditions=conditions),
                not_measured("squelch_closing", note, conditions=conditions),
            ),
            recordings=recordings,
            cautions=(f"At knob {knob} the transmitter is always keyed.",),
        )
    closing_dbm = opening_dbm - 3.1
    levels_dbm = np.arange(closing_dbm - 4.0, opening_dbm + 4.5, 0.5)
    fine_dbm = np.linspace(levels_dbm[0], levels_dbm[-1], 200)

    def counted(middle):
        return np.round(ogive(levels_dbm, middle, 0.75) * 25) / 25

    def series(name, levels, values):
        return Series(
            name=name,
            unit="1",
            axes=(axis("input_level_port", "dBm", levels),),
            values=values,
            conditions=conditions,
        )

    fitted = (type_a(f"squelch.{knob}.opening", 0.12), type_a(f"squelch.{knob}.closing", 0.12))
    return Findings(
        kind="squelch",
        readings=(
            state,
            measured(
                "squelch_opening",
                opening_dbm,
                (INPUT_PATH, fitted[0]),
                count=25,
                conditions=conditions,
            ),
            measured(
                "squelch_closing",
                closing_dbm,
                (INPUT_PATH, fitted[1]),
                count=25,
                conditions=conditions,
            ),
            measured(
                "squelch_hysteresis",
                opening_dbm - closing_dbm,
                fitted,
                count=25,
                conditions=conditions,
            ),
            Reading(
                name="false_keying_rate",
                value=0.0,
                unit="1/h",
                interval=(0.0, 11.07),
                count=0,
                conditions=conditions,
            ),
        ),
        series=(
            series("opening_fraction", levels_dbm, counted(opening_dbm)),
            series("closing_fraction", levels_dbm, counted(closing_dbm)),
            series("opening_fit", fine_dbm, ogive(fine_dbm, opening_dbm, 0.75)),
            series("closing_fit", fine_dbm, ogive(fine_dbm, closing_dbm, 0.75)),
        ),
        recordings=recordings,
    )


def discharge(power_dbm, hours):
    time_s = np.arange(0.0, hours * 3600.0, 10.0)
    part = time_s / time_s[-1]
    voltage_v = 12.75 - 0.9 * part - 1.4 * part**8
    rng = np.random.default_rng(5)
    drop_db = 0.42 * (12.75 - voltage_v) ** 1.6
    values_dbm = power_dbm - drop_db + rng.normal(0.0, 0.01, time_s.shape)
    values_dbm[1200:1260] = np.nan

    def crossing_s(loss_db):
        return float(time_s[np.argmax(drop_db >= loss_db)])

    def series(name, unit, values):
        return Series(name=name, unit=unit, axes=(axis("time", "s", time_s),), values=values)

    def at(name, value):
        step = Contribution(
            name=f"discharge.{name}",
            standard_uncertainty=10.0 / math.sqrt(12.0),
            source="logging interval 10 s",
        )
        return measured(name, value, (step,), count=len(time_s))

    return Findings(
        kind="discharge",
        readings=(
            measured(
                "power_drift",
                -float(drop_db[-1]),
                (type_a("discharge.drift", 0.01),),
                count=len(time_s),
            ),
            at("time_to_minus_1db", crossing_s(1.0)),
            at("time_to_minus_3db", crossing_s(3.0))
            if drop_db[-1] >= 3.0
            else not_measured("time_to_minus_3db", "The power did not fall so far in this run."),
            at("run_time", float(time_s[-1])),
        ),
        series=(series("power", "dBm", values_dbm), series("voltage", "V", voltage_v)),
        recordings=(used("battery-run.csv", "output"),),
        cautions=("The log has a gap of 600 s at 12000 s.",),
    )


LIMITS = (
    Limit(
        reading="carrier_power",
        unit="dBm",
        minimum=35.5,
        maximum=36.5,
        source="unit sheet, 4 W ± 0.5 dB",
    ),
    Limit(
        reading="frequency_error",
        unit="Hz",
        minimum=-384.6,
        maximum=384.6,
        source="47 CFR 90.213(a), 2015 edition: 2.5 ppm",
    ),
    Limit(reading="deviation_peak", unit="Hz", maximum=2500.0, source="unit sheet"),
    Limit(reading="sensitivity_12db_sinad", unit="dBm", maximum=-116.0, source="unit sheet"),
    Limit(reading="hang_time", unit="s", minimum=0.5, maximum=3.0, source="cooperative's wish"),
    Limit(
        reading="keying_state",
        unit="",
        allowed=("normal",),
        source="cooperative's wish",
        where={"knob": "12:00"},
    ),
    Limit(reading="run_time", unit="s", minimum=36000.0, source="one frost night, 10 h"),
    Limit(reading="hum_and_noise", unit="dB", maximum=-40.0, source="unit sheet"),
)


def sample_run(
    name="Frost Watch 2",
    *,
    power_dbm=36.05,
    error_hz=120.4,
    sensitivity_dbm=-117.9,
    openings_dbm=(None, -115.2, -108.4),
    attack_s=0.0203,
    hang_s=1.2031,
    hours=11.5,
    start=START,
):
    findings = (
        carrier(power_dbm, error_hz),
        audio(sensitivity_dbm),
        timing(attack_s, hang_s),
        *(squelch(knob, level) for knob, level in zip(KNOBS, openings_dbm, strict=True)),
        discharge(power_dbm, hours),
    )
    findings = tuple(
        Findings(
            kind=part.kind,
            readings=judged(part.readings, LIMITS),
            series=part.series,
            cautions=part.cautions,
            recordings=part.recordings,
        )
        for part in findings
    )
    return Run(
        title=f"Acceptance of {name}",
        procedure="acceptance",
        unit={
            "name": name,
            "serial": "FW-0117",
            "receive_hz": 158.425e6,
            "transmit_hz": 153.825e6,
            "channel_spacing_hz": 12500,
            "rated_deviation_hz": 2500.0,
            "rated_power_w": 4.0,
            "emphasis": True,
            "battery": {
                "chemistry": "lead-acid AGM",
                "nominal_v": 12.0,
                "capacity_ah": 9.0,
                "end_v": 10.5,
            },
        },
        bench={
            "name": "packing-shed bench",
            "output": {"source": "simulated", "serial": "00000102", "clock_error_ppm": 38.6},
            "input": {"source": "simulated", "serial": "00000101"},
            "generator": "simulated",
        },
        limits=LIMITS,
        findings=findings,
        verdict=worst(r.verdict for part in findings for r in part.readings),
        started_utc=start,
        ended_utc=start + timedelta(hours=hours, minutes=13),
        software={"harness": "0.1.0", "python": "3.11.7", "numpy": "2.4.6"},
        cautions=("Lead-acid batteries give off hydrogen: charge them in the open.",),
        notes="Case dented, lid seal replaced. Owner's note: knob left at 12 o'clock.",
        source="simulated",
    )


def other_run():
    return sample_run(
        "Frost Watch 1",
        power_dbm=35.2,
        error_hz=-612.5,
        sensitivity_dbm=-114.3,
        openings_dbm=(-121.0, -113.9, -108.2),
        attack_s=0.0204,
        hang_s=1.45,
        hours=9.2,
        start=START - timedelta(days=1),
    )
