"""Receivers: which a bench has, and how they are opened."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

from harness.describe import Bench
from harness.devices import Role, SampleSource
from harness.errors import BadInput
from harness.procedures.wiring.simulated import simulated_bench

OFF_CHANNEL_HZ = 40e3
"""Receivers are tuned so far below the channel: their DC then lies outside it and its neighbours,
and their image beyond them. Chosen."""


def receiver_roles(bench: Bench) -> tuple[Role, ...]:
    """Name the receivers that a bench has, input first."""
    roles: tuple[Role, ...] = ("input", "output")
    return tuple(role for role in roles if bench.receiver(role) is not None)


@contextmanager
def open_source(
    bench: Bench, roles: Sequence[Role], centres_hz: Mapping[Role, float]
) -> Iterator[SampleSource]:
    """Open the receivers of a bench, and close them at the end.

    Parameters
    ----------
    bench : description
    roles : which of its receivers
    centres_hz : what each is tuned to, for those that are real

    Raises
    ------
    BadInput : it has no such receiver, or one that cannot be recorded from as it is described.
    HardwareFault : one is missing or not ours to open.
    """
    missing = [role for role in roles if bench.receiver(role) is None]
    if missing or not roles:
        role = missing[0] if missing else "output"
        raise BadInput(f"has no receiver [{role}]", bench.name, "Describe it, or name another.")
    if bench.simulated is not None:
        yield simulated_bench(bench)
        return
    from harness.instruments.dongle import Settings
    from harness.instruments.dongles import DongleSource

    settings = []
    for role in roles:
        declared = bench.receiver(role)
        assert declared is not None
        where = f"{bench.name}: [{role}]"
        if declared.source != "rtlsdr":
            raise BadInput(
                f'source = "{declared.source}" cannot be recorded from', where, "Use rtlsdr."
            )
        if declared.gain_db is None:
            raise BadInput(
                "gain_db is missing", where, "A dongle's gain is set by hand only: write one."
            )
        if role not in centres_hz:
            raise BadInput(
                "its frequency is not known", where, f"Give the unit file, or --{role}-centre."
            )
        settings.append(
            Settings(
                role=role,
                serial=declared.serial,
                sample_rate_hz=declared.sample_rate_hz,
                centre_hz=centres_hz[role],
                gain_db=declared.gain_db,
                clock_error_ppm=declared.clock_error_ppm or 0.0,
            )
        )
    with DongleSource(settings) as source:
        yield source
