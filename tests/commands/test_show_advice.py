"""The advice on the terminal: the answer first, each reason, commands that can be copied."""

import io

import pytest
from rich.console import Console

from harness.advice import advise
from harness.commands.show_advice import print_advice
from tests.advice.knob_runs import keyed, run_of, seen, sensitivity

RUN = run_of(
    keyed("9:00"), seen("12:00", 0, 0.05, -118.0), seen("3:30", 2, 1.0, -114.0), sensitivity(-117.0)
)


def printed(run, width=80):
    console = Console(file=io.StringIO(), width=width)
    print_advice(advise(run), console)
    return console.file.getvalue()


def test_the_answer_comes_first():
    lines = printed(RUN).split("\n")
    assert lines[1] == "No setting is proven yet; 12:00 is the one to watch longer"


@pytest.mark.parametrize(
    "said",
    [
        "−118.00 ± 0.63 dBm",
        "at most 60 per hour",
        "Left out: the transmitter does not drop without a signal.",
        "No key-up in 3 min: not proven.",
        "+4.00 ± 0.28 dB lost by going so tight",
        "chosen by this program",
        "one-sided, 95 %",
    ],
)
def test_what_it_says(said):
    assert said in " ".join(printed(RUN).split())


@pytest.mark.parametrize("width", [60, 80, 120])
def test_it_keeps_to_the_width_but_for_commands(width):
    text = printed(RUN, width).split("\n")
    commands = [line for line in text if line.startswith("    harness ")]
    assert commands
    assert max(len(line) for line in text if line not in commands) <= width


def test_nothing_measured_is_two_lines():
    assert printed(run_of(order=None)).split("\n")[1:3] == [
        "Nothing of the squelch was measured",
        "There is no reading of the squelch in this run.",
    ]
