"""The compiled loops of the engine. Imported by ``compiled.py`` only: Numba takes a second to load.

Numba does not check bounds (set NUMBA_BOUNDSCHECK=1 to have it do so). What is written here keeps
them by these rules: a window is as long as the taps; the first filter works in chunks of fixed
length, the second in groups of four outputs, both counted from where a stretch begins, so that the
cut of the blocks cannot show in the bits; each is made only when all that it reads is there.

The filters' inner loops stand in ``sums.py``. Unsigned indices tell the compiler that none counts
from the end; calls stay out of inner loops: one with slices for arguments costs as much as sixty
taps.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba
import numpy as np
from numba import int16
from numba.core.codegen import get_host_cpu_features
from numba.extending import overload

from harness.dsp.sums import filter_windows

_Function = TypeVar("_Function", bound=Callable[..., Any])

FUSED = {"contract"}
_U = np.uint64
CAN_CACHE = True
"""Whether the machine code is kept on disk; False where no folder may be written."""


def _use_whole_registers() -> None:
    """Let the compiler use registers of 512 bits where there are any: it keeps to half unless told.

    An eighth of the engine's time, a fifth of eight channels'. Whoever sets NUMBA_CPU_FEATURES
    has their way.
    """
    # The settings are made as Numba starts; types know nothing of them.
    settings: Any = numba.config
    features = get_host_cpu_features()
    if settings.CPU_FEATURES is None and "+avx512f" in features:
        settings.CPU_FEATURES = f"{features},-prefer-256-bit"


_use_whole_registers()


def _compiled(**options: Any) -> Callable[[_Function], _Function]:
    """Compile on first use, keep the machine code on disk where some folder may be written."""

    def decorate(function: _Function) -> _Function:
        global CAN_CACHE
        try:
            made = numba.njit(nogil=True, cache=True, **options)(function)
        except RuntimeError:
            CAN_CACHE = False
            made = numba.njit(nogil=True, **options)(function)
        return made  # type: ignore[no-any-return]

    return decorate


@_compiled()
def clipped_count(codes, lowest, highest):
    """Count the pairs of values with one at a rail.

    Parameters
    ----------
    codes : uint8 or int16, shape (2 n,), I and Q in turn
    lowest, highest : of the same type
    """
    pairs = 0
    piece = 4096
    for begin in range(0, len(codes), piece):
        part = codes[begin : begin + piece]
        low = highest
        high = lowest
        for k in range(len(part)):
            low = min(low, part[k])
            high = max(high, part[k])
        if low == lowest or high == highest:
            for k in range(len(part) // 2):
                first, second = part[2 * k], part[2 * k + 1]
                if first == lowest or first == highest or second == lowest or second == highest:
                    pairs += 1
    return pairs


@_compiled(fastmath=FUSED)
def _decode_float(codes, begin, zero, numbers):
    for k in range(_U(len(numbers))):
        numbers[k] = np.float32(codes[_U(begin) + k]) - zero


@_compiled()
def _decode_whole(codes, begin, zero, numbers):
    """Twice the distance from the zero, which lies between two codes: odd whole numbers."""
    twice = np.int16(np.float32(2.0) * zero)
    for k in range(_U(len(numbers))):
        numbers[k] = np.int16(2) * np.int16(codes[_U(begin) + k]) - twice


@_compiled()
def _copy(source, begin, target, at, count):
    for k in range(_U(count)):
        target[_U(at) + k] = source[_U(begin) + k]


def _decode(codes, begin, zero, numbers):
    """Decode the codes from ``begin`` on into all of ``numbers``: float32, or int16 as whole."""
    raise NotImplementedError


@overload(_decode)
def _decode_as(codes, begin, zero, numbers):
    def whole(codes, begin, zero, numbers):
        _decode_whole(codes, begin, zero, numbers)

    def floats(codes, begin, zero, numbers):
        _decode_float(codes, begin, zero, numbers)

    return whole if numbers.dtype == int16 else floats


@_compiled(fastmath=FUSED)
def _turn(real, imaginary, begin, turning, cosine, sine):
    """Turn the values from ``begin``: each by its row of ``turning``, all by cosine + i sine."""
    cosines, sines = turning[0], turning[1]
    for k in range(_U(len(cosines))):
        c = cosines[k] * cosine - sines[k] * sine
        s = cosines[k] * sine + sines[k] * cosine
        x, y = real[_U(begin) + k], imaginary[_U(begin) + k]
        real[_U(begin) + k] = x * c - y * s
        imaginary[_U(begin) + k] = x * s + y * c


TAIL, MIDDLE, WINDOW, INDEX, MADE, CLIPPED = 0, 1, 2, 3, 4, 5
"""What stands in ``state``: values in the tail; middle samples in their buffer; where there the
next window of the second filter begins; number of the next middle sample; channel samples made;
pairs at a rail among the codes."""


@_compiled()
def _select(state, middle, step, reach, taps, out):
    """Second filter over all whole groups of each channel; what is used up leaves the buffer."""
    count, window, made = state[MIDDLE], state[WINDOW], state[MADE]
    groups = 0
    if window + reach <= count:
        groups = (count - window - reach) // (4 * step) + 1
    further = window + 4 * groups * step
    gone = min(further, count)
    for channel in range(len(middle)):
        real, imaginary = middle[channel, 0], middle[channel, 1]
        to_real, to_imaginary = out[channel, 0], out[channel, 1]
        if groups > 0:
            one = np.float32(1.0)
            filter_windows(
                real, imaginary, window, step, taps, taps, one, groups, to_real, to_imaginary, made
            )
        _copy(real, gone, real, np.int64(0), count - gone)
        _copy(imaginary, gone, imaginary, np.int64(0), count - gone)
    state[MADE] = made + 4 * groups
    state[MIDDLE] = count - gone
    state[WINDOW] = further - gone


@_compiled()
def advance(
    codes,
    rails,
    zero,
    tail,
    state,
    numbers,
    first,
    units,
    first_step,
    first_reach,
    turning,
    turns,
    middle,
    second,
    second_step,
    second_reach,
    out,
    samples,
):
    """Take values of an uninterrupted stretch; write the channel samples that are complete.

    Parameters
    ----------
    codes : uint8, int16 or float32, shape (2 n,), I and Q in turn
    rails : as codes, shape (2,): lowest and highest code, NaN where there are none
    zero : float32, the code of no signal
    tail : as codes, room for twice ``first_reach`` and a chunk's step; kept
    state : int64, shape (6,); kept
    numbers : float32 or int16, shape (2 m,), work space of a chunk: the first filter runs in floats
        or in whole numbers; int16 for uint8 only, whose sums 32 bits hold
    first : as numbers, shape (channels, 2, 2 t): what each number gives to the real part of an
        output, and to the imaginary one
    units : float32, shape (channels,), what 1 stands for in the sums
    first_step, second_step : samples from one output to the next
    first_reach : values that must be there before a chunk is made; at least its length
    turning : float32, shape (channels, 2, outputs of a chunk): cosines and sines that turn a
        channel on to 0 Hz, from 0 at the first output
    turns : float64, shape (channels,), turns per middle sample
    middle : float32, shape (channels, 2, m); kept; room for a chunk beside what a window needs
    second : float32, shape (t,), taps of all channels
    second_reach : middle samples that must be there before a group of four is made
    out : float32, shape (channels, 2, n), room for four channel samples more than can come
    samples : float32, shape (channels, 2 n), I and Q in turn

    Returns
    -------
    int : channel samples written, of each channel
    """
    outputs = turning.shape[2]
    stride = 2 * outputs * first_step
    # A constant 0 for an argument would have the loop compiled once more for it.
    origin = np.int64(0)
    have = state[TAIL]
    state[MADE] = state[CLIPPED] = 0
    chunks, looked_at = 0, origin
    if have + len(codes) >= first_reach:
        chunks = (have + len(codes) - first_reach) // stride + 1
    bridging = min(chunks, (have + stride - 1) // stride)
    if bridging > 0:
        _copy(codes, origin, tail, have, max((bridging - 1) * stride + first_reach - have, 0))
    for chunk in range(chunks + 1):
        if chunk == chunks or state[MIDDLE] + outputs > middle.shape[2]:
            _select(state, middle, second_step, second_reach, second, out)
        if chunk == chunks:
            break
        begin = chunk * stride
        # Together with what is decoded next, so that the codes come from memory once.
        look_to = min(max(begin + stride - have, looked_at), len(codes))
        state[CLIPPED] += clipped_count(codes[looked_at:look_to], rails[0], rails[1])
        looked_at = look_to
        if chunk < bridging:
            _decode(tail, begin, zero, numbers)
        else:
            _decode(codes, begin - have, zero, numbers)
        at = state[MIDDLE]
        for channel in range(len(first)):
            real, imaginary = middle[channel, 0], middle[channel, 1]
            to_real, to_imaginary = first[channel, 0], first[channel, 1]
            filter_windows(
                numbers, numbers, origin, 2 * first_step, to_real, to_imaginary, units[channel],
                outputs // 4, real, imaginary, at,
            )  # fmt: skip
            angle = -2.0 * np.pi * ((float(state[INDEX]) * turns[channel]) % 1.0)
            cosine, sine = np.float32(np.cos(angle)), np.float32(np.sin(angle))
            _turn(real, imaginary, at, turning[channel], cosine, sine)
        state[MIDDLE] += outputs
        state[INDEX] += outputs
    state[CLIPPED] += clipped_count(codes[looked_at:], rails[0], rails[1])
    used = chunks * stride - have
    kept = max(-used, 0)
    _copy(tail, have - kept, tail, origin, kept)
    used = max(used, 0)
    _copy(codes, used, tail, kept, len(codes) - used)
    state[TAIL] = kept + len(codes) - used
    for channel in range(len(samples)):
        for k in range(state[MADE]):
            samples[channel, 2 * k] = out[channel, 0, k]
            samples[channel, 2 * k + 1] = out[channel, 1, k]
    return state[MADE]


@_compiled()
def _phase_steps(values, steep_from, terms, steps):
    """As ``demodulate.phase_steps``, operation for operation."""
    i0 = values[0 : 2 * len(steps) : 2]
    q0 = values[1 : 2 * len(steps) : 2]
    i1 = values[2 : 2 * len(steps) + 2 : 2]
    q1 = values[3 : 2 * len(steps) + 2 : 2]
    for k in range(len(steps)):
        i, q = np.float64(i1[k]), np.float64(q1[k])
        before_i, before_q = np.float64(i0[k]), np.float64(q0[k])
        x = i * before_i + q * before_q
        y = q * before_i - i * before_q
        across, up = abs(x), abs(y)
        more = across if across > up else up
        less = up if across > up else across
        steep = less > steep_from * more
        below = less + more if steep else more
        above = less - more if steep else less
        ratio = above / (1.0 if below == 0.0 else below)
        square = ratio * ratio
        angle = terms[7]
        angle = angle * square + terms[6]
        angle = angle * square + terms[5]
        angle = angle * square + terms[4]
        angle = angle * square + terms[3]
        angle = angle * square + terms[2]
        angle = angle * square + terms[1]
        angle = angle * square + terms[0]
        angle = angle * ratio
        angle = angle + np.pi / 4.0 if steep else angle
        angle = np.pi / 2.0 - angle if up > across else angle
        angle = np.pi - angle if x < 0.0 else angle
        steps[k] = np.copysign(angle, y)


@_compiled()
def _add_pairs(steps, taps, k, total):
    """Add four pairs of taps' products, one after the other as the plain way does."""
    count = _U(len(total))
    last = _U(len(taps) - 1 - k)
    a, b, c, d = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
    for n in range(count):
        x = n + _U(k)
        y = n + last
        sum_ = total[n] + a * (steps[x] + steps[y])
        sum_ += b * (steps[x + _U(1)] + steps[y - _U(1)])
        sum_ += c * (steps[x + _U(2)] + steps[y - _U(2)])
        total[n] = sum_ + d * (steps[x + _U(3)] + steps[y - _U(3)])


@_compiled()
def demodulate(values, steep_from, terms, taps, scale, steps, out):
    """Demodulate one run of samples, as ``demodulate.demodulated_frequency_hz`` does plainly.

    Parameters
    ----------
    values : float32, shape (2 n,), I and Q in turn
    steep_from, terms, taps : float64, as the plain way has them; half the taps a multiple of four
    scale : float64, Hz per radian per sample
    steps : float64, room for a piece and ``len(taps)``
    out : float64, shape (n - len(taps),)
    """
    half = len(taps) // 2
    piece = len(steps) - len(taps)
    for begin in range(0, len(out), piece):
        total = out[begin : min(begin + piece, len(out))]
        count = len(total)
        part = steps[: count + len(taps) - 1]
        _phase_steps(values[2 * begin : 2 * (begin + count + len(taps))], steep_from, terms, part)
        total[:] = 0.0
        for k in range(0, half, 4):
            _add_pairs(part, taps, k, total)
        for k in range(count):
            total[k] *= scale


@_compiled()
def add_moments(values, grain, sums):
    """Add up power and its square over each grain of samples.

    Parameters
    ----------
    values : float32, shape (2 n,), I and Q in turn
    grain : int
    sums : float64, shape (2, n // grain); added to
    """
    for k in range(sums.shape[1]):
        part = values[2 * grain * k : 2 * grain * (k + 1)]
        second, fourth = 0.0, 0.0
        for n in range(grain):
            i, q = np.float64(part[2 * n]), np.float64(part[2 * n + 1])
            power = i * i + q * q
            second += power
            fourth += power * power
        sums[0, k] += second
        sums[1, k] += fourth
