"""Print, or write, the table of truth, got and goal, and the table of coverages.

Run from the checkout: ``./scripts/accuracy`` (prints), ``./scripts/accuracy --write`` (writes
docs/accuracy.md), ``--draws N`` for other than 200. An interrupted run goes on where it was.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import groupby
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from scipy.stats import binomtest

from benchmarks.accuracy.kept import Kept, digests
from benchmarks.accuracy.running import ROOMS, draws_of, trials_of
from benchmarks.accuracy.trial import Outcome, Trial
from harness.measure.ahead import cores
from harness.vocabulary import TERMS

PAGE = Path(__file__).resolve().parents[2] / "docs" / "accuracy.md"
DRAWS = 200
COVERAGE = (0.90, 0.99)
"""Share of the draws whose interval holds the truth, for one of 95 % (issue's bounds)."""

HEAD = """# How right the readings are

Made by `./scripts/accuracy --write`; not edited by hand. The signals are made by `tests/truth`,
which shares no code with what measures them; goals are those of the contract's table of readings,
for squelch scaled to the number of sweeps.

{summary}
## Truth, got and goal

The first draw of each signal. `got` with its 95 % interval.
"""
COVERAGE_HEAD = """
## How often the interval holds the truth

Each signal with {draws} draws of its noise. A 95 % interval is to hold the truth in 90 to 99 % of
them; one that holds it always says too much. `bias` is the mean error, `scatter` the standard
deviation of the error, `U` the median of the stated one, `in goal` the share of draws within the
goal. What is at chance in reality is drawn with the noise: phases, where a tone or an edge falls
between lines or samples, what a declared uncertainty stands for.
"""


def trials() -> tuple[tuple[str, int, Trial], ...]:
    """Give every trial, with its room and its number there."""
    return tuple(
        (room, number, trial) for room in ROOMS for number, trial in enumerate(trials_of(room))
    )


def measured(
    draws: int, chosen: Sequence[tuple[str, int, Trial]]
) -> Iterator[tuple[Trial, list[list[Outcome]]]]:
    """Give each trial with its outcomes, a list for each reading; on the cores that it may use."""
    now = digests()
    kept = Kept(now)
    for room, of_room in groupby(chosen, key=lambda one: one[0]):
        # Begun anew, not forked: a worker loads what its room needs and no more.
        with ProcessPoolExecutor(cores(), get_context("spawn")) as pool:
            for _, number, trial in of_room:
                columns = kept.read(trial.signal, draws)
                if columns is None:
                    print(f"{trial.signal} ...", file=sys.stderr, flush=True)
                    columns, files = draws_of(pool, room, number, draws)
                    if digests() == now:
                        kept.write(trial.signal, draws, columns, files)
                yield trial, columns


def figure(value: float, name: str, places: int = 2, sign: str = "") -> str:
    """Print a value with some places more than a report does."""
    return f"{value:{sign}.{TERMS[name].decimals + places}f}"


def row(signal: str, name: str, cells: Sequence[str]) -> str:
    """Give a row of either table."""
    return "| " + " | ".join([f"{name} ({TERMS[name].unit})", signal, *cells]) + " |"


def first_row(signal: str, got: Outcome) -> str:
    """Give a row of truth, got and goal."""
    name = got.truth.reading
    truth, goal = figure(got.truth.value, name), figure(got.truth.goal_absolute, name)
    if got.value is None or got.error is None:
        return row(signal, name, [truth, "not measured", "", goal, "", "no"])
    interval = f"{figure(got.lower, name)} to {figure(got.upper, name)}"
    error = figure(got.error, name, sign="+")
    within = "yes" if got.within_goal else "no"
    return row(signal, name, [truth, figure(got.value, name), interval, goal, error, within])


def held(got: Sequence[Outcome]) -> float:
    """Share of the draws whose interval holds the truth."""
    return sum(one.holds for one in got) / len(got)


def by_chance(got: Sequence[Outcome]) -> tuple[float, float]:
    """Give the shares that the draws may have been taken from (Clopper and Pearson, 95 %)."""
    limits = binomtest(sum(one.holds for one in got), len(got)).proportion_ci(0.95)
    return limits.low, limits.high


def untold(share: float, low: float, high: float) -> str:
    """Say whether the draws tell a share from the nearest that is allowed."""
    nearest = min(COVERAGE, key=lambda limit: abs(limit - share))
    if not low <= nearest <= high:
        return "not explained"
    return f"so many draws do not tell it from {100.0 * nearest:.0f} %"


def is_within(share: float) -> bool:
    """Whether an interval of 95 % may hold the truth so often."""
    return COVERAGE[0] <= share <= COVERAGE[1]


def coverage_row(signal: str, got: Sequence[Outcome]) -> str:
    """Give a row of coverage, bias and scatter."""
    name = got[0].truth.reading
    errors = [one.error for one in got if one.error is not None]
    share = held(got)
    cells = [
        f"{100.0 * share:.1f} %",
        figure(statistics.mean(errors), name, 3, "+") if errors else "",
        figure(statistics.stdev(errors), name, 3) if len(errors) > 1 else "",
        figure(statistics.median(one.expanded_uncertainty for one in got), name, 3),
        f"{100.0 * sum(one.within_goal for one in got) / len(got):.0f} %",
        "" if is_within(share) else "outside 90 to 99 %",
    ]
    return row(signal, name, cells)


def summary(rows: Sequence[tuple[Trial, Sequence[Outcome]]]) -> str:
    """Say of how many rows the coverage is as it is to be, and which others there are, and why."""
    outside = [(trial, got) for trial, got in rows if not is_within(held(got))]
    share = 100.0 * (1.0 - len(outside) / len(rows))
    lines = [
        f"Of {len(rows)} rows, {len(rows) - len(outside)} ({share:.0f} %) have intervals that hold"
        f" the truth in {100 * COVERAGE[0]:.0f} to {100 * COVERAGE[1]:.0f} % of the draws."
    ]
    if outside:
        lines += ["Outside:", ""]
    for trial, got in outside:
        name = got[0].truth.reading
        low, high = by_chance(got)
        why = trial.why.get(name) or untold(held(got), low, high)
        lines.append(
            f"- {name}, {trial.signal}: {100.0 * held(got):.1f} % (by chance of {100.0 * low:.1f}"
            f" to {100.0 * high:.1f} %); {why}."
        )
    return "\n".join([*lines, ""])


def page(draws: int, words: Sequence[str]) -> str:
    """Make the whole page, or the part whose readings or signals hold one of the words."""
    chosen = [
        one
        for one in trials()
        if not words
        or any(
            word in one[2].signal or any(word in truth.reading for truth in one[2].truths_of(1))
            for word in words
        )
    ]
    firsts: dict[str, list[str]] = {}
    coverages: dict[str, list[str]] = {}
    rows: list[tuple[Trial, Sequence[Outcome]]] = []
    for trial, columns in measured(draws, chosen):
        for got in columns:
            name = got[0].truth.reading
            firsts.setdefault(name, []).append(first_row(trial.signal, got[0]))
            if len(got) > 1:
                coverages.setdefault(name, []).append(coverage_row(trial.signal, got))
                rows.append((trial, got))
    lines = [
        HEAD.format(summary=summary(rows) if rows else ""),
        "| reading | signal | truth | got | interval | goal | error | within |",
        "|---|---|---|---|---|---|---|---|",
        *(line for name in TERMS for line in firsts.get(name, ())),
    ]
    if coverages:
        lines += [
            COVERAGE_HEAD.format(draws=draws),
            "| reading | signal | held | bias | scatter | U | in goal | |",
            "|---|---|---|---|---|---|---|---|",
            *(line for name in TERMS for line in coverages.get(name, ())),
        ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run."""
    parser = argparse.ArgumentParser(prog="accuracy", description=__doc__)
    parser.add_argument("words", nargs="*", help="only readings or signals with one of these")
    parser.add_argument("--draws", type=int, default=DRAWS)
    parser.add_argument("--write", action="store_true", help="write docs/accuracy.md")
    asked = parser.parse_args()
    if asked.write and asked.words:
        parser.error("the page is written whole: leave the words out")
    text = page(asked.draws, asked.words)
    if asked.write:
        PAGE.write_text(text, encoding="utf-8")
        print(
            f"written: {PAGE.relative_to(Path.cwd()) if PAGE.is_relative_to(Path.cwd()) else PAGE}"
        )
    else:
        print(text, end="")


if __name__ == "__main__":
    main()
