"""Sums of products over windows: the inner loop of both filters. Imported by ``kernels.py`` only.

In whole numbers for eight-bit recordings: codes of 8 bits and taps of 16 give sums that 32 bits
hold exactly, and a register takes twice as many products as of float32. Floats elsewhere, in a
fixed order: 16 running sums whatever the width of a register, each product and addition rounded
once. So either way no processor gives other bits than another.

The loop over the taps is written in LLVM's language. Numba's own never come to the instruction that
multiplies pairs of 16-bit numbers and adds each pair (to it the product of two whole numbers has
64 bits), and add up each sum's register by itself at the end. There is one form for registers of
512 bits, one for 256 and one in general terms for all other processors. It works on bare addresses:
``filter_windows`` looks at the bounds first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.core.codegen import get_host_cpu_features
from numba.extending import intrinsic

OUTPUTS = 4
"""Outputs per pass: their eight sums fill the arithmetic, and share each tap. Eight were no
quicker (tried)."""
LANES = 32
"""Taps are filled up with zeros to a multiple of this, which every width here divides."""

_SHORT, _LONG, _INDEX = ir.IntType(16), ir.IntType(32), ir.IntType(64)
_FLOAT = ir.FloatType()
_PAIRS_512, _PAIRS_256 = "llvm.x86.avx512.pmaddw.d.512", "llvm.x86.avx2.pmadd.wd"
_FLOAT_LANES = 16
_U = np.uint64


@dataclass(frozen=True, slots=True)
class _Kind:
    """How one type of number is multiplied and added.

    ``lanes`` numbers are loaded at a time and give ``sums`` running sums; ``accumulate`` takes the
    running sums, numbers and taps, ``add`` adds at the end.
    """

    number: Any
    lanes: int
    sums: Any
    accumulate: Callable[[Any, Any, Any, Any], Any]
    add: Callable[[Any, Any, Any], Any]

    @property
    def width(self) -> int:
        """Running sums in a vector."""
        return int(self.sums.count)


def _whole() -> _Kind:
    """Whole numbers, by the widest instruction that the compiler is told of."""
    settings: Any = numba.config
    chosen = settings.CPU_FEATURES
    features = get_host_cpu_features() if chosen is None else chosen  # type: ignore[no-untyped-call]
    told = [] if settings.CPU_NAME is not None else features.split(",")
    lanes = 32 if "+avx512bw" in told else 16
    name = _PAIRS_512 if lanes == 32 else _PAIRS_256 if "+avx2" in told else None
    sums = ir.VectorType(_LONG, lanes // 2)

    def accumulate(builder: Any, total: Any, x: Any, taps: Any) -> Any:
        if name is not None:
            called = ir.FunctionType(sums, [x.type, x.type])
            pairs = builder.call(_declared(builder, called, name), [x, taps])
        else:
            wide = ir.VectorType(_LONG, lanes)
            products = builder.mul(builder.sext(x, wide), builder.sext(taps, wide))
            pairs = _neighbours_added(builder, builder.add, products, products, lanes // 2)
        return builder.add(total, pairs)

    return _Kind(_SHORT, lanes, sums, accumulate, lambda builder, a, b: builder.add(a, b))


def _floats() -> _Kind:
    """Floats, each product added with one rounding."""
    sums = ir.VectorType(_FLOAT, _FLOAT_LANES)

    def accumulate(builder: Any, total: Any, x: Any, taps: Any) -> Any:
        called = ir.FunctionType(sums, [sums, sums, sums])
        return builder.call(_declared(builder, called, "llvm.fma.v16f32"), [x, taps, total])

    return _Kind(_FLOAT, _FLOAT_LANES, sums, accumulate, lambda builder, a, b: builder.fadd(a, b))


def _declared(builder: Any, called: Any, name: str) -> Any:
    return cgutils.get_or_insert_function(builder.module, called, name)  # type: ignore[no-untyped-call]


def _numbered(numbers: range) -> Any:
    """Give the lanes that ``shuffle_vector`` is to take."""
    return ir.Constant(ir.VectorType(_LONG, len(numbers)), list(numbers))


def _neighbours_added(builder: Any, add: Any, a: Any, b: Any, lanes: int) -> Any:
    """Add neighbours over both vectors together; ``lanes`` come out."""
    even = builder.shuffle_vector(a, b, _numbered(range(0, 2 * lanes, 2)))
    odd = builder.shuffle_vector(a, b, _numbered(range(1, 2 * lanes, 2)))
    return add(even, odd)


def _generate_four(context: Any, builder: Any, signature: Any, values: Any) -> Any:
    """Write the machine's steps for ``_four_outputs``."""
    kind = _whole() if signature.args[0].dtype == types.int16 else _floats()
    vector = ir.VectorType(kind.number, kind.lanes)

    def array(position: int) -> Any:
        return context.make_array(signature.args[position])(context, builder, values[position])

    def load(start: Any, index: Any) -> Any:
        address = builder.bitcast(builder.gep(start, [index]), vector.as_pointer())
        return builder.load(address, align=2 if kind.number is _SHORT else 4)

    rows, taps = (array(0).data, array(1).data), (array(4).data, array(5).data)
    count = builder.extract_value(array(4).shape, 0)
    begin, hop, unit, at = values[2], values[3], values[6], values[9]
    windows = [builder.add(begin, builder.mul(hop, _INDEX(k))) for k in range(OUTPUTS)]
    before = builder.basic_block
    loop, after = builder.append_basic_block("taps"), builder.append_basic_block("sums")
    builder.branch(loop)
    builder.position_at_end(loop)
    index = builder.phi(_INDEX)
    index.add_incoming(_INDEX(0), before)
    running = [builder.phi(kind.sums) for _ in range(2 * OUTPUTS)]
    totals = []
    for way in (0, 1):
        tap = load(taps[way], index)
        for k, window in enumerate(windows):
            x = load(rows[way], builder.add(window, index))
            totals.append(kind.accumulate(builder, running[way * OUTPUTS + k], x, tap))
    further = builder.add(index, _INDEX(kind.lanes))
    index.add_incoming(further, loop)
    for old, total in zip(running, totals, strict=True):
        old.add_incoming(ir.Constant(kind.sums, None), before)
        old.add_incoming(total, loop)
    builder.cbranch(builder.icmp_unsigned("<", further, count), loop, after)
    builder.position_at_end(after)

    def added(a: Any, b: Any) -> Any:
        return kind.add(builder, a, b)

    # Eight vectors to one that holds some lanes of each, then these together.
    while len(totals) > 1:
        pairs = zip(totals[::2], totals[1::2], strict=True)
        totals = [_neighbours_added(builder, added, a, b, kind.width) for a, b in pairs]
    given, lanes = totals[0], kind.width
    while lanes > 2 * OUTPUTS:
        lanes //= 2
        given = _neighbours_added(builder, added, given, given, lanes)
    if kind.number is _SHORT:
        given = builder.sitofp(given, ir.VectorType(_FLOAT, 2 * OUTPUTS))
    units = ir.Constant(given.type, ir.Undefined)
    for lane in range(2 * OUTPUTS):
        units = builder.insert_element(units, unit, _LONG(lane))
    given = builder.fmul(given, units)
    for position, lane in ((7, 0), (8, OUTPUTS)):
        half = builder.shuffle_vector(given, given, _numbered(range(lane, lane + OUTPUTS)))
        address = builder.gep(array(position).data, [at])
        builder.store(half, builder.bitcast(address, half.type.as_pointer()), align=4)
    return context.get_dummy_value()


@intrinsic
def _four_outputs(
    typing: Any,
    real: Any,
    imaginary: Any,
    begin: Any,
    hop: Any,
    to_real: Any,
    to_imaginary: Any,
    unit: Any,
    out_real: Any,
    out_imaginary: Any,
    at: Any,
) -> Any:
    """Write four outputs: the windows at ``begin + hop * k``, times ``unit``, to ``at + k``."""
    index = types.uint64
    arguments = real, imaginary, index, index, to_real, to_imaginary, types.float32
    return types.void(*arguments, out_real, out_imaginary, index), _generate_four


@numba.njit(nogil=True)
def filter_windows(
    real: Any,
    imaginary: Any,
    begin: Any,
    hop: Any,
    to_real: Any,
    to_imaginary: Any,
    unit: Any,
    groups: Any,
    out_real: Any,
    out_imaginary: Any,
    at: Any,
) -> None:
    """Filter two rows; output k from the window at ``begin + hop * k``, to ``at + k``.

    Parameters
    ----------
    real, imaginary : int16 or float32, shape (n,), contiguous, of like length: what each sum is
        taken of. The same row twice is quicker than two
    begin, hop : int, at least 0: the first window, values from one to the next
    to_real, to_imaginary : as the rows, shape (t,), contiguous; t a multiple of ``LANES``. In whole
        numbers no window's sum may leave 32 bits
    unit : float32, what 1 stands for
    groups : int, of four outputs
    out_real, out_imaginary : float32, shape (m,), contiguous
    at : int, at least 0

    Raises
    ------
    IndexError : a window or an output would lie outside.
    """
    count = len(to_real)
    if groups <= 0:
        return
    outputs = np.int64(OUTPUTS) * np.int64(groups)
    end = np.int64(begin) + (outputs - 1) * np.int64(hop) + count
    if count == 0 or count % LANES or count != len(to_imaginary):
        raise IndexError("taps that do not fill registers")
    if begin < 0 or hop < 0 or end > min(len(real), len(imaginary)):
        raise IndexError("a window outside the rows")
    if at < 0 or np.int64(at) + outputs > min(len(out_real), len(out_imaginary)):
        raise IndexError("an output outside its row")
    step = _U(OUTPUTS)
    for group in range(_U(groups)):
        start = _U(begin) + group * step * _U(hop)
        to = _U(at) + step * group
        _four_outputs(  # type: ignore[call-arg]
            real,
            imaginary,
            start,
            _U(hop),
            to_real,
            to_imaginary,
            unit,
            out_real,
            out_imaginary,
            to,
        )
