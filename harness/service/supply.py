"""The supply of a unit in service: battery runs, currents and rate, each with where it is from.

A current or a capacity that the user gives goes before a measured one, and stands as given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from harness.describe.chemistries import CHEMISTRIES, Chemistry
from harness.describe.field import FieldFile
from harness.service.battery import BatteryRun, Flow, battery_run_of
from harness.service.capacity import Capacity, Ratio, capacity_of, of_rated
from harness.service.hydrogen import hydrogen_litres
from harness.service.known import Known, Named, missing, number_of
from harness.service.run_time import Draw, Duty, Endurance, Rate, State, Store, endurance

DUTIES = (
    Duty(name="transmitting all the time", transmit=1.0, receive=0.0, source="chosen"),
    Duty(name="half of the time", transmit=0.5, receive=0.0, source="chosen"),
    Duty(
        name="mostly waiting",
        transmit=0.05,
        receive=0.05,
        source="common practice, no source",
    ),
    Duty(name="standby only", transmit=0.0, receive=0.0, source="chosen"),
)
CURRENT_UNCERTAINTY_PERCENT = 5.0
"""U of a current that is given without one. Chosen."""
CAPACITY_UNCERTAINTY_PERCENT = 10.0
"""U of a capacity that is given without one. Chosen."""


class SupplyInService:
    """Battery runs, currents and rate of a unit, and what they give."""

    def __init__(
        self, runs: Sequence[Named], unit: Mapping[str, Any], field: FieldFile, where: str
    ) -> None:
        held = unit.get("battery")
        self._table: Mapping[str, Any] = held if isinstance(held, Mapping) else {}
        self._supply = field.supply
        self._field = field
        self._where = where
        chemistry = self._table.get("chemistry")
        self._chemistry: Chemistry | None = (
            CHEMISTRIES.get(chemistry) if isinstance(chemistry, str) else None
        )
        self._runs: list[BatteryRun] = [
            found for each in runs if (found := battery_run_of(each.run, each.name)) is not None
        ]
        self._rate, self._rate_known = self._rate_of()
        self.capacities: tuple[Capacity, ...] = (
            tuple(capacity_of(run, self._rate, self._rate_known.source) for run in self._runs)
            if self._rate is not None
            else ()
        )

    def _rate_of(self) -> tuple[Rate | None, Known]:
        given, chemistry = self._supply.rate_exponent, self._chemistry
        title = "Peukert's exponent, at the rated time"
        if given:
            low, high, source, origin = given[0], given[-1], self._where, "given"
        elif chemistry is not None:
            held = chemistry.rate_exponent
            low, high, source = held.low, held.high, f"{chemistry.name}: {held.source}"
            origin = "assumed"
        else:
            what = "chemistry of the battery, in the unit file"
            return None, missing("rate_exponent", title, "", what)
        hours = self._supply.rated_hours
        if hours is None:
            hours = chemistry.rated_time.hours if chemistry is not None else 20.0
        known = Known(
            name="rate_exponent",
            title=title,
            value=f"{low:g} to {high:g}, {hours:g} h",
            unit="",
            origin="given" if origin == "given" else "assumed",
            source=source,
        )
        return Rate(low=low, high=high, rated_hours=hours), known

    def endurances(self, inputs: list[Known], remarks: list[str]) -> tuple[Endurance, ...]:
        """Give the run times, and what went into them."""
        store = self._store(inputs)
        draws = self._draws(inputs, remarks)
        inputs.append(self._rate_known)
        duties = self._duties()
        if self._rate is None:
            return tuple(
                Endurance(duty=duty, missing=("chemistry of the battery",)) for duty in duties
            )
        return tuple(endurance(duty, draws, store, self._rate) for duty in duties)

    def _duties(self) -> tuple[Duty, ...]:
        given = tuple(
            Duty(name=row.name, transmit=row.transmit, receive=row.receive, source=self._where)
            for row in self._field.duty
        )
        return given or DUTIES

    def _store(self, inputs: list[Known]) -> Store:
        title, name = "charge that the battery gives", "capacity_ah"
        given = self._supply.capacity_ah
        if given is not None:
            percent = self._supply.capacity_uncertainty_percent
            spread = given / 100.0 * (CAPACITY_UNCERTAINTY_PERCENT if percent is None else percent)
            inputs.append(
                Known(
                    name=name,
                    title="capacity at the rated time",
                    value=given,
                    unit="Ah",
                    origin="given",
                    source=self._where + ("" if percent is not None else "; U chosen"),
                    expanded_uncertainty=spread,
                )
            )
            return Store(capacity_ah=given, standard_uncertainty_ah=spread / 2.0)
        if not self._runs:
            inputs.append(missing(name, title, "Ah", "a battery run (accept --battery)"))
            return Store()
        run = self._runs[0]
        source = f"{run.name}, {run.started_utc:%Y-%m-%d}"
        inputs.append(
            Known(
                name=name,
                title=f"{title}, in {run.lasted_h:.2f} h",
                value=run.charge_ah,
                unit="Ah",
                origin="measured",
                source=source,
                expanded_uncertainty=run.charge.expanded_uncertainty,
            )
        )
        return Store(run=run)

    def _draws(self, inputs: list[Known], remarks: list[str]) -> dict[State, Draw]:
        run = self._runs[0] if self._runs else None
        draws: dict[State, Draw] = {}
        titles: dict[State, str] = {
            "transmit": "current while transmitting",
            "receive": "current while receiving",
            "standby": "current on standby",
        }
        for state, title in titles.items():
            name = f"{state}_a"
            given = getattr(self._supply, name)
            flow = None if run is None else run.keyed if state == "transmit" else run.unkeyed
            if given is not None:
                draws[state] = self._given(name, title, given, inputs)
            elif run is not None and flow is not None:
                draws[state] = _of_run(name, title, run, flow, inputs)
                if state == "standby":
                    remarks.append(
                        "With the transmitter off the run tells one current, of receiver and"
                        " standby in the shares that it had: it stands for both."
                    )
            else:
                inputs.append(missing(name, title, "A", f"give supply.{name} in a field file"))
        return draws

    def _given(self, name: str, title: str, given: float, inputs: list[Known]) -> Draw:
        percent = self._supply.current_uncertainty_percent
        spread = given / 100.0 * (CURRENT_UNCERTAINTY_PERCENT if percent is None else percent)
        inputs.append(
            Known(
                name=name,
                title=title,
                value=given,
                unit="A",
                origin="given",
                source=self._where + ("" if percent is not None else "; U chosen"),
                expanded_uncertainty=spread,
            )
        )
        return Draw(current_a=given, standard_uncertainty_a=spread / 2.0)

    def rated(self) -> Ratio | None:
        """Set the newest capacity against the marked one."""
        marked = number_of(self._table, "capacity_ah")
        if marked is None or not self.capacities:
            return None
        return of_rated(self.capacities[0], marked)

    def hydrogen_l_per_ah(self) -> float | None:
        """Give what each ampere-hour of overcharge frees, where there is acid in it."""
        nominal_v = number_of(self._table, "nominal_v")
        if self._chemistry is None or not self._chemistry.lead_acid or nominal_v is None:
            return None
        return hydrogen_litres(1.0, self._chemistry.cells(nominal_v))


def _of_run(name: str, title: str, run: BatteryRun, flow: Flow, inputs: list[Known]) -> Draw:
    spread = (
        2.0
        * ((flow.current_a * run.scale_uncertainty) ** 2 + flow.standard_uncertainty_a**2) ** 0.5
    )
    inputs.append(
        Known(
            name=name,
            title=title,
            value=flow.current_a,
            unit="A",
            origin="measured",
            source=f"{run.name}, {run.started_utc:%Y-%m-%d}, mean",
            expanded_uncertainty=spread,
        )
    )
    return Draw(
        current_a=flow.current_a,
        standard_uncertainty_a=flow.standard_uncertainty_a,
        of_the_run=True,
    )
