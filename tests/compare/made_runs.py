"""Invented runs of invented units for comparisons: few readings, values as asked for."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from harness.compare import Named
from harness.readings import Findings, Reading, measured
from harness.results import Run
from harness.uncertainty import Contribution

START = datetime(2020, 3, 14, 7, 41, tzinfo=UTC)
SHARED = Contribution(name="shed.output.pad", standard_uncertainty=0.3, source="bench file")


def own(standard_uncertainty, name="repeatability"):
    """What is a run's alone."""
    return Contribution(
        name=name, standard_uncertainty=standard_uncertainty, kind="A", source="scatter"
    )


def reading(name, value, standard_uncertainty, *shared, **more):
    return measured(name, value, (own(standard_uncertainty), *shared), count=1, **more)


def state(word):
    return Reading(name="keying_state", value=word, unit="", count=1)


def made(
    name,
    *readings,
    unit: Mapping = {},
    bench="shed",
    when=START,
    source="rtlsdr",
    verdict="pass",
    kind="audio",
    **more,
):
    """One run of a unit, whose serial number is its name."""
    return Named(
        name=name,
        run=Run(
            title=f"Acceptance of {name}",
            procedure="acceptance",
            started_utc=when,
            ended_utc=when + timedelta(hours=1),
            unit={"name": name, **unit},
            bench={"name": bench},
            findings=(Findings(kind=kind, readings=readings),),
            verdict=verdict,
            source=source,
            **more,
        ),
    )


def fleet(values, standard_uncertainty=0.1, name="sensitivity_12db_sinad", *shared, **more):
    """A unit for each value."""
    return [
        made(f"unit {number}", reading(name, value, standard_uncertainty, *shared), **more)
        for number, value in enumerate(values)
    ]


def years(values, days, standard_uncertainty=0.1, name="carrier_power", *shared):
    """A run for each value, so many days after the first."""
    return [
        Named(
            name=f"run {number}",
            run=made(
                "Frost Watch 2",
                reading(name, value, standard_uncertainty, *shared),
                when=START + timedelta(days=day),
            ).run,
        )
        for number, (value, day) in enumerate(zip(values, days, strict=True))
    ]
