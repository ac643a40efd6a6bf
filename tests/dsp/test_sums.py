"""Sums of both filters: against NumPy's whole numbers, at the ends of 32 bits, on any processor.

Whole numbers have one right answer; floats are compared with double precision.
"""

import hashlib
import os
import subprocess
import sys

import numpy as np
import pytest

from harness.dsp import compiled
from harness.dsp.plan import MOST_CODE, plan_channel, turned_taps

compiled.kernels()
from harness.dsp.sums import LANES, filter_windows  # noqa: E402

ONE = np.float32(1.0)
SIGNALS = [(250e3, 62.5e3), (2.4e6, 300e3), (2.4e6, -1.1e6), (3.2e6, 7e3), (1.024e6, 256e3)]


def windows(kind: type, seed: int, taps: int = 5 * LANES, groups: int = 7, hop: int = 48):
    """Rows, taps, where outputs go, and what an output is."""
    rng = np.random.default_rng(seed)
    length = 3 + (4 * groups - 1) * hop + taps
    if kind is np.int16:
        rows = rng.integers(-255, 256, (2, length)).astype(kind)
        weights = rng.integers(-9000, 9000, (2, taps)).astype(kind)
    else:
        rows = rng.standard_normal((2, length)).astype(kind)
        weights = rng.standard_normal((2, taps)).astype(kind)
    out = np.full((2, 4 * groups + 5), np.float32(77.0))
    starts = 3 + hop * np.arange(4 * groups)
    exact = [
        [float(row[s : s + taps].astype(float) @ tap.astype(float)) for s in starts]
        for row, tap in zip(rows, weights, strict=True)
    ]
    return rows, weights, out, np.array(exact)


@pytest.mark.parametrize("kind", [np.int16, np.float32])
@pytest.mark.parametrize(("taps", "groups", "hop"), [(32, 1, 1), (160, 7, 48), (64, 3, 0)])
def test_each_output_is_the_sum_over_its_window(
    kind: type, taps: int, groups: int, hop: int
) -> None:
    rows, weights, out, exact = windows(kind, 1, taps, groups, hop)
    unit = np.float32(0.25)
    filter_windows(rows[0], rows[1], 3, hop, *weights, unit, groups, out[0], out[1], 2)
    got = out[:, 2:-3]
    if kind is np.int16:
        assert np.array_equal(got, exact.astype(np.float32) * unit)
    else:
        # Rounding of float32 over a hundred or so products: 1e-6 of ten times their root sum.
        assert np.abs(got / unit - exact).max() < 1e-6 * 10 * np.sqrt(taps)
    # Nothing beside them is touched.
    assert np.all(out[:, :2] == 77.0)
    assert np.all(out[:, -3:] == 77.0)


@pytest.mark.parametrize("use", SIGNALS)
def test_no_sum_leaves_32_bits(use: tuple[float, float]) -> None:
    """The worst recording: each code at the rail that its tap's sign makes add up."""
    turned = turned_taps(plan_channel(*use, 12500.0), "cu8")
    assert turned.unit is not None
    for part in (turned.taps.real, turned.taps.imag):
        whole = np.rint(part / turned.unit)
        assert part == pytest.approx(whole * turned.unit, abs=1e-12)
        assert np.abs(whole).max() <= 2**15 - 1
    taps = np.column_stack([turned.taps.real, -turned.taps.imag]).ravel() / turned.unit
    taps = np.concatenate([np.rint(taps), np.zeros(-len(taps) % LANES)]).astype(np.int16)
    worst = np.where(taps < 0, -MOST_CODE, MOST_CODE).astype(np.int16)
    out = np.zeros((2, 4), np.float32)
    filter_windows(worst, worst, 0, 0, taps, taps, ONE, 1, out[0], out[1], 0)
    exact = MOST_CODE * np.abs(taps.astype(np.int64)).sum()
    assert exact < 2**31
    assert np.all(out == np.float32(exact))


@pytest.mark.parametrize("use", SIGNALS)
def test_rounded_taps_reject_what_folds(use: tuple[float, float]) -> None:
    """speed.md: aliases at most -85 dB by design; the taps' own design has -90 dB."""
    plan = plan_channel(*use, 12500.0)
    turned = turned_taps(plan, "cu8")
    n = np.arange(len(turned.taps)) - len(turned.taps) // 2
    reach = 0.9 * plan.spacing_hz
    middle_hz = plan.sample_rate_hz / plan.first_decimation
    for multiple in range(1, plan.first_decimation):
        f = plan.offset_hz + multiple * middle_hz + np.linspace(-reach, reach, 41)
        through = np.exp(2j * np.pi * np.outer(f / plan.sample_rate_hz, n)) @ turned.taps
        assert 20 * np.log10(np.abs(through).max()) < -85.0


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"begin": -1}, "window"),
        ({"begin": 4}, "window"),
        ({"hop": 49}, "window"),
        ({"hop": -1}, "window"),
        ({"groups": 8}, "window"),
        ({"at": -1}, "output"),
        ({"at": 6}, "output"),
        ({"taps": 159}, "taps"),
        ({"taps": 0}, "taps"),
    ],
)
@pytest.mark.parametrize("kind", [np.int16, np.float32])
def test_bounds_are_looked_at_first(kind: type, change: dict[str, int], what: str) -> None:
    rows, weights, out, _ = windows(kind, 2)
    how = {"begin": 3, "hop": 48, "groups": 7, "at": 0, "taps": weights.shape[1]} | change
    taps = weights[:, : how["taps"]]
    before = out.copy()
    with pytest.raises(IndexError, match=what):
        filter_windows(
            rows[0], rows[1], how["begin"], how["hop"], taps[0], taps[1], ONE, how["groups"],
            out[0], out[1], how["at"],
        )  # fmt: skip
    assert np.array_equal(out, before)


PRINT_DIGEST = """
import hashlib, numpy as np
from harness.dsp import compiled
compiled.kernels()
from tests.dsp.test_sums import ONE, filter_windows, windows
for kind in (np.int16, np.float32):
    rows, weights, out, _ = windows(kind, 3)
    filter_windows(rows[0], rows[1], 3, 48, *weights, ONE, 7, out[0], out[1], 0)
    print(hashlib.sha512(out.tobytes()).hexdigest())
"""


def _digests(settings: dict[str, str]) -> list[str]:
    got = subprocess.run(
        [sys.executable, "-c", PRINT_DIGEST],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([os.getcwd(), *sys.path]), **settings},
        capture_output=True,
        text=True,
        check=True,
    )
    return got.stdout.split()


@pytest.mark.parametrize(
    "settings",
    [
        {"NUMBA_CPU_FEATURES": "+sse2,+avx,+avx2,+fma"},
        {"NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": ""},
    ],
)
def test_other_registers_give_the_same_bits(settings: dict[str, str]) -> None:
    """A processor with registers of 256 bits, and one of which nothing is known."""
    ours = []
    for kind in (np.int16, np.float32):
        rows, weights, out, _ = windows(kind, 3)
        filter_windows(rows[0], rows[1], 3, 48, *weights, ONE, 7, out[0], out[1], 0)
        ours.append(hashlib.sha512(out.tobytes()).hexdigest())
    assert _digests(settings) == ours
