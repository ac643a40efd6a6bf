"""The compiled loops of the engine. Imported by ``compiled.py`` only: Numba takes a second to load.

Numba does not check bounds (set NUMBA_BOUNDSCHECK=1 to have it do so). What is written here keeps
them by these rules: a window of the first filter is ``len(first_real)`` values long, one of the
second ``len(second)``; outputs are made in groups of four, always by the same code, so that the
cut of the blocks cannot show in the bits; a group is made only when all that it reads is there.

The inner loops run over contiguous slices of float32, which the compiler turns into fused
multiply-adds on whole registers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba
import numpy as np

_Function = TypeVar("_Function", bound=Callable[..., Any])

SUMS_MAY_BE_REGROUPED = {"reassoc", "contract", "nsz", "arcp"}
CAN_CACHE = True
"""Whether the machine code is kept on disk; False where no folder may be written."""


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


@_compiled()
def _decode(codes, zero, numbers):
    for k in range(len(numbers)):
        numbers[k] = np.float32(codes[k]) - zero


@_compiled()
def _copy(source, target):
    for k in range(len(source)):
        target[k] = source[k]


@_compiled(fastmath=SUMS_MAY_BE_REGROUPED)
def _first_four(numbers, step, real, imaginary, out_real, out_imaginary):
    """Four outputs of the first filter: windows of ``numbers`` that begin ``step`` apart."""
    n = len(real)
    x0 = numbers[0:n]
    x1 = numbers[step : step + n]
    x2 = numbers[2 * step : 2 * step + n]
    x3 = numbers[3 * step : 3 * step + n]
    zero = np.float32(0.0)
    r0, r1, r2, r3 = zero, zero, zero, zero
    i0, i1, i2, i3 = zero, zero, zero, zero
    for k in range(n):
        a = real[k]
        b = imaginary[k]
        r0 += x0[k] * a
        i0 += x0[k] * b
        r1 += x1[k] * a
        i1 += x1[k] * b
        r2 += x2[k] * a
        i2 += x2[k] * b
        r3 += x3[k] * a
        i3 += x3[k] * b
    out_real[0], out_real[1], out_real[2], out_real[3] = r0, r1, r2, r3
    out_imaginary[0], out_imaginary[1], out_imaginary[2], out_imaginary[3] = i0, i1, i2, i3


@_compiled(fastmath=SUMS_MAY_BE_REGROUPED)
def _second_four(real, imaginary, step, taps, out):
    """Four outputs of the second filter, written as I and Q in turn."""
    n = len(taps)
    x0 = real[0:n]
    x1 = real[step : step + n]
    x2 = real[2 * step : 2 * step + n]
    x3 = real[3 * step : 3 * step + n]
    y0 = imaginary[0:n]
    y1 = imaginary[step : step + n]
    y2 = imaginary[2 * step : 2 * step + n]
    y3 = imaginary[3 * step : 3 * step + n]
    zero = np.float32(0.0)
    r0, r1, r2, r3 = zero, zero, zero, zero
    i0, i1, i2, i3 = zero, zero, zero, zero
    for k in range(n):
        a = taps[k]
        r0 += x0[k] * a
        i0 += y0[k] * a
        r1 += x1[k] * a
        i1 += y1[k] * a
        r2 += x2[k] * a
        i2 += y2[k] * a
        r3 += x3[k] * a
        i3 += y3[k] * a
    out[0], out[1], out[2], out[3] = r0, i0, r1, i1
    out[4], out[5], out[6], out[7] = r2, i2, r3, i3


@_compiled()
def _turn(real, imaginary, first_index, turn, cosines, sines):
    """Turn middle samples by -turn * index, anchored to whole tables from index 0."""
    size = len(cosines)
    done = 0
    while done < len(real):
        index = first_index + done
        inside = index % size
        count = min(size - inside, len(real) - done)
        angle = -2.0 * np.pi * ((float(index - inside) * turn) % 1.0)
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        x = real[done : done + count]
        y = imaginary[done : done + count]
        fine_c = cosines[inside : inside + count]
        fine_s = sines[inside : inside + count]
        for k in range(count):
            a = c * fine_c[k] - s * fine_s[k]
            b = c * fine_s[k] + s * fine_c[k]
            p = x[k] * a - y[k] * b
            y[k] = x[k] * b + y[k] * a
            x[k] = p
        done += count


TAIL, MIDDLE, WINDOW, INDEX = 0, 1, 2, 3
"""What stands in ``state``: values in the tail; middle samples in their buffer; where there the
next window of the second filter begins; number of the next middle sample."""


@_compiled()
def _select(state, middle, step, reach, taps, out, made):
    """Second filter over all whole groups; what is used up leaves the buffer."""
    count = state[MIDDLE]
    window = state[WINDOW]
    while window + reach <= count:
        _second_four(
            middle[0, window : window + reach],
            middle[1, window : window + reach],
            step,
            taps,
            out[2 * made : 2 * made + 8],
        )
        made += 4
        window += 4 * step
    gone = min(window, count)
    for row in range(2):
        _copy(middle[row, gone:count], middle[row, : count - gone])
    state[MIDDLE] = count - gone
    state[WINDOW] = window - gone
    return made


@_compiled()
def _shift(codes, zero, groups, step, first, state, middle, numbers, turning, turn):
    """First filter on ``groups`` groups of four: decode, filter, turn, add to the middle."""
    length = first.shape[1]
    values = (4 * groups - 1) * step + length
    decoded = numbers[:values]
    _decode(codes[:values], zero, decoded)
    have = state[MIDDLE]
    for group in range(groups):
        begin = 4 * group * step
        at = have + 4 * group
        _first_four(
            decoded[begin : begin + 3 * step + length],
            step,
            first[0],
            first[1],
            middle[0, at : at + 4],
            middle[1, at : at + 4],
        )
    count = 4 * groups
    _turn(
        middle[0, have : have + count],
        middle[1, have : have + count],
        state[INDEX],
        turn,
        turning[0],
        turning[1],
    )
    state[MIDDLE] = have + count
    state[INDEX] += count


@_compiled()
def advance(
    codes,
    zero,
    tail,
    state,
    first,
    first_step,
    first_reach,
    middle,
    numbers,
    turning,
    turn,
    second,
    second_step,
    second_reach,
    out,
):
    """Take values of an uninterrupted stretch; write the channel samples that are complete.

    Parameters
    ----------
    codes : uint8, int16 or float32, shape (2 n,), I and Q in turn
    zero : float32, the code of no signal
    tail : as codes, room for ``2 * first_reach`` and four steps; kept
    state : int64, shape (4,); kept
    first : float32, shape (2, values), taps for the real and for the imaginary part
    first_step, second_step : values, middle samples from one output to the next
    first_reach, second_reach : what must be there before a group of four is made; at least what
        it reads, three steps and the taps
    middle : float32, shape (2, m); kept; room for a chunk of groups beside one window
    numbers : float32, room for the values of a chunk of groups
    turning : float32, shape (2, size): cosines and sines of ``-turn`` times 0, 1, ...
    turn : float64, turns per middle sample
    second : float32, taps
    out : float32, I and Q in turn, room for four channel samples more than can come

    Returns
    -------
    int : channel samples written
    """
    length = first.shape[1]
    reach = first_reach
    stride = 4 * first_step
    most = (len(numbers) - length + first_step) // stride
    have = state[TAIL]
    made = 0
    groups = 0
    if have + len(codes) >= reach:
        groups = (have + len(codes) - reach) // stride + 1
    bridging = min(groups, (have + stride - 1) // stride)
    if bridging > 0:
        more = max((bridging - 1) * stride + reach - have, 0)
        _copy(codes[:more], tail[have : have + more])
        done = 0
        while done < bridging:
            now = min(most, bridging - done)
            part = tail[done * stride : (done + now - 1) * stride + reach]
            _shift(part, zero, now, first_step, first, state, middle, numbers, turning, turn)
            made = _select(state, middle, second_step, second_reach, second, out, made)
            done += now
    used = bridging * stride - have
    groups -= bridging
    while groups > 0:
        now = min(most, groups)
        part = codes[used : used + (now - 1) * stride + reach]
        _shift(part, zero, now, first_step, first, state, middle, numbers, turning, turn)
        made = _select(state, middle, second_step, second_reach, second, out, made)
        used += now * stride
        groups -= now
    if used < 0:
        _copy(tail[have + used : have], tail[:-used])
        have = -used
        used = 0
    else:
        have = 0
    _copy(codes[used:], tail[have : have + len(codes) - used])
    state[TAIL] = have + len(codes) - used
    return made


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
def _add_pair(first, second, tap, total):
    for k in range(len(total)):
        total[k] += tap * (first[k] + second[k])


@_compiled()
def demodulate(values, steep_from, terms, taps, scale, steps, out):
    """Demodulate one run of samples, as ``demodulate.demodulated_frequency_hz`` does plainly.

    Parameters
    ----------
    values : float32, shape (2 n,), I and Q in turn
    steep_from, terms, taps : float64, as the plain way has them
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
        for k in range(half):
            mirrored = len(taps) - 1 - k
            _add_pair(part[k : k + count], part[mirrored : mirrored + count], taps[k], total)
        for k in range(count):
            total[k] *= scale
