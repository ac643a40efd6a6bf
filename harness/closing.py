"""What is closed at the end of its ``with`` block."""

from __future__ import annotations

from types import TracebackType
from typing import Self


class Closing:
    """Something that is closed when its ``with`` block is left, whatever happened."""

    __slots__ = ()

    def close(self) -> object:
        """Close; allowed any number of times."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        """Give it."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close."""
        self.close()
