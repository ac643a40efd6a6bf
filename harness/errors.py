"""Every error that the bench tells its user about, with its exit status.

A caller's mistake inside the program is ``ValueError`` or ``TypeError`` and is a defect; what
stands here is for the person at the bench: what is wrong, where, and what to do.
"""

from __future__ import annotations

LONGEST_PLACE = 200
"""Characters of a file name that are shown; chosen."""


class HarnessError(Exception):
    """What is wrong, where, and what to do about it, in one line.

    Parameters
    ----------
    what : str
        What is wrong, without a full stop.
    where : str
        File, device or option that it concerns.
    remedy : str
        What to do next, as a sentence.
    """

    exit_status = 1

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        super().__init__(str(self))

    def __str__(self) -> str:
        """Give the one line."""
        where = self.where
        if len(where) > LONGEST_PLACE:
            half = LONGEST_PLACE // 2
            where = f"{where[:half]}...{where[-half:]}"
        line = f"{where}: {self.what}" if where else self.what
        if self.remedy:
            line = line.rstrip(".;")
            line = f"{line}{'' if line.endswith('?') else '.'} {self.remedy}"
        return one_line(line)


def one_line(text: str) -> str:
    """Put a text on one line; what a terminal would obey instead of showing is escaped."""
    line = " ".join(text.split())
    if line.isprintable():
        return line
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in line)


class BadInput(HarnessError):
    """A file, value or option that cannot be used as it is."""

    exit_status = 2


class TooShort(BadInput):
    """A recording, span or array too short for what was asked of it."""


class NoTone(BadInput):
    """No test tone where one was expected."""


class Damaged(BadInput):
    """A recording or results file whose bytes or description are broken or do not match."""


class Unsafe(BadInput):
    """A level plan that would overload or destroy something."""


class HardwareFault(HarnessError):
    """A device that is missing, silent or wrong."""

    exit_status = 3


class Stopped(HarnessError):
    """The operator ended a run; what was done until then is kept."""

    exit_status = 130
