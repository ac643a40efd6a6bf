"""The one door from stored codes to numbers: scale and zero of each SigMF datatype.

0 dBFS is a complex sinusoid of amplitude 1. Eight-bit codes are offset binary with the zero
between two codes: (code - 127.5) / 127.5 (DESIGN section 3, Conventions).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Coding:
    """How a datatype's codes stand for numbers: ``(code - zero) / scale``.

    ``lowest`` and ``highest`` are the codes at the rails, None where there are none.
    """

    dtype: str
    zero: float
    scale: float
    lowest: int | None
    highest: int | None


CODINGS: dict[str, Coding] = {
    "cu8": Coding("u1", 127.5, 127.5, 0, 255),
    "ci16_le": Coding("<i2", 0.0, 32768.0, -32768, 32767),
    "cf32_le": Coding("<f4", 0.0, 1.0, None, None),
    "ri16_le": Coding("<i2", 0.0, 32768.0, -32768, 32767),
    "rf32_le": Coding("<f4", 0.0, 1.0, None, None),
}


def coding(datatype: str) -> Coding:
    """Give the coding of a SigMF datatype; ValueError for one that the bench does not decode."""
    try:
        return CODINGS[datatype]
    except KeyError:
        raise ValueError(f"{datatype=} is none of {', '.join(CODINGS)}") from None


def decode(codes: NDArray[Any], datatype: str) -> NDArray[np.float32]:
    """Decode stored codes.

    Parameters
    ----------
    codes : shape (n, 2), I then Q, or (n,) for audio; dtype as stored
    datatype : a key of ``CODINGS``

    Returns
    -------
    float32, shape as ``codes``; 1.0 is the amplitude of 0 dBFS, for audio full scale
    """
    how = coding(datatype)
    numbers = codes.astype(np.float32)
    if how.zero:
        numbers -= np.float32(how.zero)
    if how.scale != 1.0:
        numbers *= np.float32(1.0 / how.scale)
    return numbers


def clipped_samples(codes: NDArray[Any], datatype: str) -> int:
    """Count the samples with I or Q at a rail; 0 for a datatype without rails."""
    how = coding(datatype)
    if how.lowest is None or how.highest is None:
        return 0
    at_rail = (codes == how.lowest) | (codes == how.highest)
    if at_rail.ndim == 2:
        at_rail = at_rail[:, 0] | at_rail[:, 1]
    return int(np.count_nonzero(at_rail))
