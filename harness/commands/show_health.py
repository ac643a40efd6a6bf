"""The health of receivers, and what a pad told, on the terminal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from rich.console import Console

from harness.commands.table import Row, print_rows, say
from harness.report.wording import minus, quantity

if TYPE_CHECKING:
    from harness.measure.health import BandHealth, Health, Seen
    from harness.measure.pad_test import Moved, PadTest


def print_health(console: Console, healths: Sequence[Health], *, findings: bool = True) -> None:
    """Print a column for each receiver, then what is wrong, each with what to do.

    Parameters
    ----------
    findings : False leaves out what is wrong
    """
    from harness.measure.health_findings import findings_of

    if not healths:
        return
    headings = ("", *(health.watched.name for health in healths))
    rows = [
        Row(title=title, values=tuple(tell(health) for health in healths)) for title, tell in _ROWS
    ]
    print_rows(console, headings, rows)
    if not findings:
        return
    for health in healths:
        for finding in findings_of(health):
            word = "Fault" if finding.severity == "fault" else "Caution"
            say(console, f"{word}: {minus(finding.sentence)}")


def print_pad_test(console: Console, pad: PadTest) -> None:
    """Print each emission, how the pad moved it, and where it is therefore made."""
    if pad.moved:
        rows = [
            Row(
                title=f"{each.frequency_hz / 1e6:.4f} MHz",
                values=(
                    quantity(each.level_dbfs, "dBFS", decimals=1),
                    _how_far(each),
                    _where_made(each),
                ),
            )
            for each in pad.moved
        ]
        say(console, f"\n{pad.name}, with {pad.pad_db:g} dB more before it:")
        print_rows(console, ("emission", "without", "fell by", "is"), rows)
        say(
            console, "After ± stands the expanded uncertainty, k = 2 unless few looks ask for more."
        )
    for caution in pad.cautions:
        say(console, f"Caution: {caution}")


def _how_far(moved: Moved) -> str:
    if moved.is_bound:
        return f"at least {quantity(moved.moved_db, 'dB', decimals=1)}"
    return quantity(moved.moved_db, "dB", moved.expanded_uncertainty_db)


def _where_made(moved: Moved) -> str:
    if moved.is_centre and moved.origin == "receiver's own":
        return "the receiver's own DC spike"
    return {
        "signal": "a signal",
        "receiver's own": "the receiver's own",
        "second order": "suspected second order, made in the receiver",
        "third order": "suspected third order, made in the receiver",
        "higher order": "suspected of a higher order, made in the receiver",
        "second order or higher": "suspected second order or higher, made in the receiver",
        "undecided": "undecided",
    }[moved.origin]


def _channel(health: Health) -> str:
    band = health.spectrum
    if band is None:
        return "too short"
    return f"{_mhz(band.channel_hz)}{'' if band.is_named else ' (strongest)'}"


def _mhz(frequency_hz: float) -> str:
    """Write a place in the band: it was seen to some 100 Hz."""
    return f"{frequency_hz / 1e6:.3f} MHz"


def _level(value_dbfs: float, _: Health) -> str:
    return quantity(value_dbfs, "dBFS", decimals=1)


def _at_port(band: BandHealth, health: Health) -> str:
    scale_dbm = health.watched.scale_dbm
    if scale_dbm is None:
        return "no scale"
    return quantity(band.channel_dbfs + scale_dbm, "dBm", decimals=1)


def _of_band(tell: Callable[[BandHealth, Health], str]) -> Callable[[Health], str]:
    return lambda health: "" if health.spectrum is None else tell(health.spectrum, health)


def _peak(health: Health) -> str:
    if health.peak_dbfs is None:
        return "silence"
    return quantity(health.peak_dbfs, "dBFS", decimals=1)


def _clipped(health: Health) -> str:
    if not health.clipped_samples:
        return "none"
    return f"{100.0 * health.clipped_share:.2g} %"


def _lost(health: Health) -> str:
    return f"{health.lost_samples} samples" if health.lost_samples else "none"


def _seen(seen: Seen, unit: str) -> str:
    return f"{'at most ' if seen.is_bound else ''}{quantity(seen.level_db, unit, decimals=1)}"


def _spike(band: BandHealth, _: Health) -> str:
    place = "in channel" if band.spike_in_channel else "beside it"
    return f"{_seen(band.spike_dbfs, 'dBFS')}, {place}"


def _image(band: BandHealth, _: Health) -> str:
    if band.emission_hz is None:
        return "no emission"
    if band.image_db is None:
        return "on the emission itself"
    return f"{_seen(band.image_db, 'dB')} to {_mhz(band.emission_hz)}"


def _gain(health: Health) -> str:
    if health.gain_step_count:
        return f"{health.gain_step_count} steps"
    return "steady" if health.gain_judged else "cannot be judged"


_ROWS: tuple[tuple[str, Callable[[Health], str]], ...] = (
    ("channel", _channel),
    ("level in it", _of_band(lambda band, health: _level(band.channel_dbfs, health))),
    ("at the port", _of_band(_at_port)),
    ("noise in it", _of_band(lambda band, health: _level(band.noise_dbfs, health))),
    ("peak of all", _peak),
    ("clipped", _clipped),
    ("lost", _lost),
    ("DC spike", _of_band(_spike)),
    ("image", _of_band(_image)),
    ("gain", _gain),
)
