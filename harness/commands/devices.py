"""``harness devices``: what is plugged in, and what to write into a bench file for it."""

from __future__ import annotations


def devices() -> None:
    """List the receivers and instruments found on this computer.

    The last column is what a bench file calls each by.
    """
    from rich.console import Console

    from harness.commands.table import Row, print_rows, say
    from harness.errors import HarnessError
    from harness.procedures.wiring import DEVICE_LISTS

    console = Console()
    rows, missing, faults = [], [], []
    for kind, find in DEVICE_LISTS.items():
        try:
            found = find()
        except HarnessError as fault:
            faults.append(fault)
            continue
        if not found:
            missing.append(kind)
        for one in found:
            written = f'{one.name} = "{one.value}"' if one.value else "not told"
            rows.append(Row(title=one.kind, values=(one.detail, written)))
    if rows:
        print_rows(console, ("kind", "device", "in a bench file"), rows)
    for kind in missing:
        say(console, f"No {kind} found.")
    if not rows and not missing:
        raise faults[0]
    for each in faults:
        say(console, f"Not looked for: {each}")
