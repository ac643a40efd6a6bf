"""The operator at the terminal: a question on standard error, a line from standard input."""

from __future__ import annotations

import io
import sys

from harness.commands.progress import TerminalWatcher


class TerminalOperator:
    """Asks at the terminal; satisfies ``harness.devices.Operator``.

    Parameters
    ----------
    watcher : whose bar stands still while a question is open
    """

    def __init__(self, watcher: TerminalWatcher) -> None:
        self._watcher = watcher
        if isinstance(sys.stdin, io.TextIOWrapper):
            # What is typed in another encoding is a wrong answer, and no fault.
            sys.stdin.reconfigure(errors="replace")

    def ask(self, question: str) -> str:
        """Show a question and give the line typed.

        Raises
        ------
        EOFError : the input has ended.
        """
        with self._watcher.still():
            sys.stderr.write(question)
            sys.stderr.flush()
            line = "" if sys.stdin is None else sys.stdin.readline()
        if not line:
            # The question is left on a line of its own.
            sys.stderr.write("\n")
            raise EOFError
        return line.rstrip("\r\n")

    def say(self, text: str) -> None:
        """Show a line."""
        self._watcher.say(text)
