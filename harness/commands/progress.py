"""Progress on the terminal: on standard error, and only where someone can see it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

from rich.console import Console

from harness.commands.table import say
from harness.report.wording import minus

if TYPE_CHECKING:
    from rich.progress import Progress

    from harness.measure.health import Health
    from harness.procedures.states import StreamState


@contextmanager
def progress_on_terminal(title: str, *, quiet: bool = False) -> Iterator[Callable[[float], None]]:
    """Show one bar while something runs; gives a function to call with the share done."""
    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield lambda share: None
        return
    with _bar(console) as bar:
        task = bar.add_task(title, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def say_on_terminal(text: str) -> None:
    """Print a line on standard error where someone can see it."""
    console = Console(stderr=True)
    if console.is_terminal:
        console.print(text, highlight=False, markup=False)


LINES_OF_A_RUN = 10
"""How often a long run is told of where no bar can be shown. Chosen."""


class _Shown:
    """Shows a bar where it can be seen, within a ``with`` block; what else is its maker's."""

    def __init__(self, title: str, total: float | None, *, bar: bool = True) -> None:
        self._console = Console(stderr=True)
        self._bar = _bar(self._console) if bar and self._console.is_terminal else None
        self._task = None if self._bar is None else self._bar.add_task(title, total=total)
        self._told = 0

    def __enter__(self) -> Self:
        """Begin to show."""
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(self, *exc: object) -> None:
        """Leave the terminal as it was."""
        if self._bar is not None:
            self._bar.stop()


class TerminalWatcher(_Shown):
    """A watcher of a run: a bar for each step where it can be seen, else a line.

    Parameters
    ----------
    bar : False for lines alone
    """

    def __init__(self, *, bar: bool = True) -> None:
        super().__init__("starting", 1.0, bar=bar)
        self._repeated = ""
        self._title = ""
        self._alike = False

    def step(self, title: str) -> None:
        """Show the title of what begins; as lines, of many alike one for each tenth."""
        self._title = title
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, description=title, completed=0.0)
            return
        kind = title.partition(",")[0]
        if kind != self._repeated:
            say(self._console, title)
            self._told = 0
            self._alike = False
        else:
            self._alike = True
        self._repeated = kind

    def progress(self, share: float) -> None:
        """Move the bar; as lines, say where a run of many alike is."""
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, completed=share)
        elif self._alike and int(share * LINES_OF_A_RUN + 1e-9) > self._told:
            say(self._console, f"{self._title}, {share * 100:.0f} %")
            self._told = int(share * LINES_OF_A_RUN + 1e-9)

    def row(self, line: str, share: float) -> None:
        """Show how a battery run stands: beside the bar, or as a line each."""
        if self._bar is not None and self._task is not None:
            self._title = line
            self._bar.update(self._task, description=line, completed=share)
        else:
            say(self._console, line)

    @contextmanager
    def still(self) -> Iterator[None]:
        """Take the bar away while something else is on the line."""
        if self._bar is None:
            yield
            return
        self._bar.stop()
        try:
            yield
        finally:
            self._bar.start()

    def say(self, text: str) -> None:
        """Print a line above the bar."""
        say(self._console, text)

    def health(self, healths: Sequence[Health]) -> None:
        """Show the health of receivers as a table."""
        from harness.commands.show_health import print_health

        print_health(self._console, healths, findings=False)

    def streams(self, states: Sequence[StreamState]) -> None:
        """Show how the streams of a take are doing, beside the title; not as lines."""
        if self._bar is not None and self._task is not None:
            line = " | ".join(map(_how_it_does, states))
            self._bar.update(self._task, description=f"{self._title} | {line}")


class RecordingWatcher(_Shown):
    """A watcher of a recording: how the streams are doing, beside a bar or as lines.

    Parameters
    ----------
    seconds : how long it is to be; None where nobody knows
    """

    def __init__(self, seconds: float | None) -> None:
        super().__init__("recording", seconds)
        self._seconds = seconds

    def watch(self, at_s: float, states: Sequence[StreamState]) -> None:
        """Show where the take is and how its streams are doing."""
        line = " | ".join(map(_how_it_does, states))
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, description=line, completed=at_s)
            return
        # A tenth of the time, or where it has no end ten seconds.
        every_s = 10.0 if self._seconds is None else self._seconds / LINES_OF_A_RUN
        if int(at_s / every_s + 1e-9) > self._told:
            self._told = int(at_s / every_s + 1e-9)
            say(self._console, f"{at_s:.1f} s: {line}")


def _how_it_does(state: StreamState) -> str:
    """Say how a stream is doing, short enough to stand beside a bar."""
    if state.level_port_dbm is None:
        level = f"{state.level_dbfs:.1f} dBFS"
    else:
        level = f"{state.level_port_dbm:.1f} dBm at the port ({state.level_dbfs:.1f} dBFS)"
    clipped = f"{100.0 * state.clipped_share:.2g} % clipped"
    return f"{state.role} {minus(level)}, {clipped}, {state.lost_samples} lost"


def _bar(console: Console) -> Progress:
    # Takes as long to load as a short measurement, and is seen on terminals only.
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=24),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        console=console,
        transient=True,
    )
