"""The filter as a matrix product against NumPy's plain sum."""

import numpy as np
import pytest

from harness.dsp.long_filter import OUTPUTS_PER_ROW, filter_long


@pytest.mark.parametrize("taps", [1, 2, 61, 200])
@pytest.mark.parametrize("outputs", [1, 5, OUTPUTS_PER_ROW, 2 * OUTPUTS_PER_ROW, 1000])
def test_as_the_plain_sum(taps: int, outputs: int) -> None:
    rng = np.random.default_rng(taps)
    samples, factors = rng.standard_normal(outputs + taps - 1), rng.standard_normal(taps)
    expected = np.convolve(samples, factors, mode="valid")
    got = filter_long(samples, factors)
    assert got.shape == (outputs,)
    # Rounding of 200 products near 1.
    assert np.abs(got - expected).max() < 1e-12
