"""What a power cut leaves at the end of a file that grows by lines, and what of it counts.

Only lines that were not yet synced can be torn, so only the last ones: cut short, or with zero
bytes where a block of the disk was given to the file and never written. None was ever reported.
"""

from __future__ import annotations

_END = b"\n"


def whole_length(raw: bytes) -> int:
    """Give how many bytes of a file, or of its end, are whole lines; none holds a zero byte.

    Parameters
    ----------
    raw : the file, or the end of it
    """
    length = raw.rfind(_END, 0, len(raw)) + 1
    while length:
        begin = raw.rfind(_END, 0, length - 1) + 1
        if b"\0" not in raw[begin:length]:
            break
        length = begin
    return length
