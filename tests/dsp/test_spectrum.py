"""Lengths that transform quickly, beside all products of their factors."""

from itertools import product

import pytest

from harness.dsp.spectrum import fast_length, fast_length_within

LENGTHS = sorted(
    2**a * 3**b * 5**c * 7**d
    for a, b, c, d in product(range(17), range(11), range(8), range(7))
    if 2**a * 3**b * 5**c * 7**d <= 70_000
)


@pytest.mark.parametrize("length", [1, 2, 11, 13, 4095, 4096, 4097, 24_910, 24_952, 25_000, 60_013])
def test_the_nearest_quick_length_on_either_side_is_found(length: int) -> None:
    assert fast_length(length) == min(each for each in LENGTHS if each >= length)
    assert fast_length_within(length) == max(each for each in LENGTHS if each <= length)
