"""Generator and meter of a bench: by SCPI, by hand, from a CSV file, or simulated."""

from __future__ import annotations

from contextlib import ExitStack
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from harness.describe import Bench, GeneratorDescription
from harness.devices import Generator, Memory, Operator, SupplyMeter
from harness.procedures.wiring.by_hand import hand_for
from harness.procedures.wiring.parts import Instruments

if TYPE_CHECKING:
    from harness.simulator import SimulatedBench


def open_instruments(
    bench: Bench,
    operator: Operator | None = None,
    memory: Memory | None = None,
    behind: SimulatedBench | None = None,
    readings_done: int = 0,
) -> Instruments:
    """Open generator and meter of a bench, RF off.

    Parameters
    ----------
    operator, memory, readings_done : as for ``open_bench``
    behind : the simulated bench, on a simulated one

    Raises
    ------
    BadInput : one cannot be used so. HardwareFault : one is not there.
    """
    identities: dict[str, str] = {}
    cautions: list[str] = []
    with ExitStack() as closing:
        hand = hand_for(bench, operator, memory)
        generator: Generator | None = None
        meter: SupplyMeter | None = None
        described = bench.generator
        if described is not None and described.source == "scpi":
            from harness.instruments.dialect import load_dialect
            from harness.instruments.scpi import open_generator

            by_scpi = closing.enter_context(
                open_generator(
                    described, load_dialect(described.dialect), loss_db=bench.generator_loss_db
                )
            )
            identities["generator"] = by_scpi.identity
            cautions += by_scpi.cautions
            generator = by_scpi
        elif described is not None and described.source == "by hand":
            from harness.instruments import by_hand
            from harness.instruments.level_range import highest_dbm

            generator = by_hand.Generator(
                hand,
                loss_db=bench.generator_loss_db,
                minimum_dbm=described.minimum_dbm,
                maximum_dbm=highest_dbm(described, by_hand.WHERE),
                behind=behind,
            )
        else:
            generator = behind
        # A rehearsal sets the simulated generator, whose scale is exact.
        if generator is not None and described is not None and behind is None:
            generator = _true_deviation(generator, described, cautions)
        shown = bench.meter
        if shown is not None and shown.source == "scpi":
            from harness.instruments.dialect import load_dialect
            from harness.instruments.scpi import open_meter

            read = closing.enter_context(open_meter(shown, load_dialect(shown.dialect)))
            identities["meter"] = read.identity
            cautions += read.cautions
            meter = read
        elif shown is not None and shown.source == "csv":
            from harness.instruments.csv_meter import CsvMeter

            followed = CsvMeter(shown)
            identities["meter"] = followed.identity
            meter = followed
        elif shown is not None and shown.source == "by hand":
            from harness.instruments import by_hand

            meter = by_hand.Meter(
                hand,
                reads_current=shown.reads_current,
                behind=behind,
                readings_done=readings_done,
            )
        else:
            meter = behind
        return Instruments(
            generator=generator,
            meter=meter,
            identities=identities,
            cautions=tuple(cautions),
            closing=closing.pop_all(),
        )


def _true_deviation(
    generator: Generator, described: GeneratorDescription, cautions: list[str]
) -> Generator:
    """Have the deviation corrected where its scale is known; add what there is to say of it."""
    if not described.deviation_calibrations:
        return generator
    from harness.instruments.true_deviation import TrueDeviation

    corrected = TrueDeviation(generator, described.deviation_calibrations)
    cautions += corrected.cautions(datetime.now(UTC).date())
    return corrected
