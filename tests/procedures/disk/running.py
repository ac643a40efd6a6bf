"""A small battery run, all of whose files are the real ones; and a process that runs it by forking.

Started as a program it reads tasks, a line of JSON each, from its input: a fork does each, so that
what is imported is imported once. ``disk.c``, preloaded, says what the disk does meanwhile.
"""

import ctypes
import json
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path
from unittest.mock import patch

from harness.describe import example_path, load_bench, load_unit
from harness.devices import SupplyReading
from harness.errors import HarnessError
from harness.measure.setup import Options
from harness.procedures import accept
from harness.procedures.journal import Journal
from harness.procedures.steps import Log, MeasureLog, ReadSupply, Record, Stimulus, TurnKnob, Wait
from harness.results import write_run
from tests.procedures.bench import Notebook, Quiet

UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"))
SETTINGS = {"unit": UNIT.plain(), "bench": BENCH.plain()}
ROWS = 4
INTERVAL_S = 60.0


class Battery(Notebook):
    """No two readings of its voltage are the same, so that a row is known again."""

    def read_supply(self):
        return SupplyReading(voltage_v=12.0 + random.random(), current_a=1.4, temperature_degc=21.0)


def procedure(shown):
    """Yield rows with a short take each; ``shown`` is told each row that a watcher would see."""
    on = (Stimulus(duration_s=0.004, level_port_dbm=-80.0),)
    yield TurnKnob(position="12:00")
    for number in range(ROWS):
        now_s = yield Wait(seconds=INTERVAL_S if number else 0.0)
        if number < 2:
            take = f"row/{number}"
            yield Record(take=take, title=take, stimuli=on, roles=("output",), leave_on=True)
        supply = yield ReadSupply()
        row = {"time_s": now_s, "voltage_v": supply.voltage_v, "current_a": supply.current_a}
        yield Log(row={**row, "keyed": 1.0})
        shown(row)
    yield MeasureLog(options=Options(end_v=11.0))


def run(folder, shown=lambda row: None, *, resume=False, results=False, on_read=lambda: None):
    """Run it, or go on with it; HarnessError as any procedure.

    Most of its time would go into writing its results: that is only done with ``results``.
    """
    stand_ins = {
        "write_run": write_run if results else lambda *_: None,
        "look_first": lambda *_: (),
        "open_bench": lambda *_, **__: Battery(on_read=on_read).devices(),
    }
    with patch.multiple(accept, **stand_ins):
        return _run(folder, shown, resume)


def _run(folder, shown, resume):
    journal = (Journal.of if resume else Journal.new)(Path(folder), SETTINGS)
    watcher = Quiet()
    accept.perform(
        UNIT,
        BENCH,
        Path(folder),
        watcher,
        procedure(shown),
        title="A small run",
        name="small run",
        journal=journal,
    )
    return watcher.said


def _child(disk, task):
    """Do a task; what was shown goes to a file beside the folder that the disk is about."""
    random.seed(task["seed"])
    with open(os.path.dirname(task["folder"]) + ".shown", "ab", buffering=0) as told:

        def shown(row):
            text = json.dumps(row)
            disk.disk_mark(text.encode())
            told.write((text + "\n").encode())

        under = os.path.dirname(task["folder"]).encode()
        if "trace" in task:
            trace = os.open(task["trace"], os.O_WRONLY | os.O_CREAT)
            disk.disk_trace(under, trace)
        else:
            disk.disk_arm(under, task.get("at", 0), task.get("what", 0))
        try:
            run(task["folder"], shown, results=task.get("results", False))
        except HarnessError as error:
            told.write(f"!{error}\n".encode())
            return 3
        told.write(f"#{disk.disk_count()}\n".encode())
    return 0


def main():
    disk = ctypes.CDLL(None)
    disk.disk_arm.argtypes = [ctypes.c_char_p, ctypes.c_long, ctypes.c_int]
    disk.disk_trace.argtypes = [ctypes.c_char_p, ctypes.c_int]
    disk.disk_count.restype = ctypes.c_long
    # What is loaded and compiled on first use is so before the first fork.
    with tempfile.TemporaryDirectory() as first:
        run(Path(first) / "run", results=True)
    print("ready", flush=True)
    for line in sys.stdin:
        task = json.loads(line)
        pid = os.fork()
        if not pid:
            status = 1
            try:
                status = _child(disk, task)
            finally:
                sys.stderr.flush()
                os._exit(status)
        if "kill_after_s" in task:
            time.sleep(task["kill_after_s"])
            os.kill(pid, signal.SIGKILL)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
