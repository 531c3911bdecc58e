"""Steps of a convolution that are written as vectors, for `models.kernels.cpu.convolving`.

The compiler would not keep the sums of twelve rows in registers. These are expanded where they are
called; fields are float32 in one row, and places in them count values.

Source of the sums: Lavin and Gray, "Fast Algorithms for Convolutional Neural Networks", CVPR 2016,
here F(6, 3), across rows only.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from llvmlite.binding import get_host_cpu_features  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

Array = Any

_CAN = get_host_cpu_features()
QUICK = bool(_CAN.get("avx512f") or _CAN.get("avx2"))
"""Whether vectors are long enough here for these steps to be quicker than torch's convolution."""
LANES = 16
BLOCK = 12 if _CAN.get("avx512f") else 6
"""Values of a row, and output channels, whose sums are held in registers."""
_IN = (
    (1, 0, -21 / 4, 0, 21 / 4, 0, -1, 0),
    (0, 1, 1, -17 / 4, -17 / 4, 1, 1, 0),
    (0, -1, 1, 17 / 4, -17 / 4, -1, 1, 0),
    (0, 1 / 2, 1 / 4, -5 / 2, -5 / 4, 2, 1, 0),
    (0, -1 / 2, 1 / 4, 5 / 2, -5 / 4, -2, 1, 0),
    (0, 2, 4, -5 / 2, -5, 1 / 2, 1, 0),
    (0, -2, 4, 5 / 2, -5, -1 / 2, 1, 0),
    (0, -1, 0, 21 / 4, 0, -21 / 4, 0, 1),
)
TAPS = (
    (1, 0, 0),
    (-2 / 9, -2 / 9, -2 / 9),
    (-2 / 9, 2 / 9, -2 / 9),
    (1 / 90, 1 / 45, 2 / 45),
    (1 / 90, -1 / 45, 2 / 45),
    (32 / 45, 16 / 45, 8 / 45),
    (32 / 45, -16 / 45, 8 / 45),
    (0, 0, 1),
)
_OUT = (
    (1, 1, 1, 1, 1, 1, 1, 0),
    (0, 1, -1, 2, -2, 1 / 2, -1 / 2, 0),
    (0, 1, 1, 4, 4, 1 / 4, 1 / 4, 0),
    (0, 1, -1, 8, -8, 1 / 8, -1 / 8, 0),
    (0, 1, 1, 16, 16, 1 / 16, 1 / 16, 0),
    (0, 1, -1, 32, -32, 1 / 32, -1 / 32, 1),
)
"""From eight rows their sums, from three taps their factors, from the products six rows. The
second to seventh are pairs, which differ in the signs of every second term."""
ROWS, SUMS = len(_OUT), len(_IN)

# Untyped.
_tools: Any = cgutils
_types: Any = types
_intrinsic: Callable[[Any], Any] = intrinsic

_FLOAT, _INT = ir.FloatType(), ir.IntType(64)
_VECTOR = ir.VectorType(_FLOAT, LANES)
_NOTHING = ir.Constant(_VECTOR, ir.Undefined)
_ZERO = ir.Constant(_VECTOR, [0.0] * LANES)
_FUSED = ("contract",)
_PLACES = _types.UniTuple(_types.i8, SUMS)
_FLOATS, _GRID = _types.Array(_types.f4, 1, "C"), _types.Array(_types.f4, 2, "C")


def _array(context: Any, builder: Any, kind: Any, value: Any) -> Any:
    return context.make_array(kind)(context, builder, value)


def _vector(builder: Any, data: Any, at: Any) -> Any:
    return builder.bitcast(builder.gep(data, [at]), _VECTOR.as_pointer())


def _everywhere(builder: Any, value: Any) -> Any:
    first = builder.insert_element(_NOTHING, value, ir.Constant(ir.IntType(32), 0))
    lanes = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
    return builder.shuffle_vector(first, _NOTHING, lanes)


def _sum(builder: Any, factors: Any, values: Any, total: Any = None) -> Any:
    for factor, value in zip(factors, values, strict=True):
        if factor:
            scale = ir.Constant(_VECTOR, [float(factor)] * LANES)
            product = value if factor == 1 else builder.fmul(value, scale, flags=_FUSED)
            total = product if total is None else builder.fadd(total, product, flags=_FUSED)
    return total


@_intrinsic
def products(
    typing: Any, src: Any, at: Any, offsets: Any, weights: Any, out: Any, to: Any, step: Any
) -> Any:
    """Sums of products for one vector of each of `BLOCK` rows of ``out``, ``step`` apart.

    Each row of ``weights`` goes with one value of ``src``, further from ``at`` by its offset.
    """
    places = _types.Array(_types.i8, 1, "C")

    def make(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        src, at, offsets, weights, out, to, step = arguments
        src, weights = (
            _array(context, builder, k, v) for k, v in ((_FLOATS, src), (_GRID, weights))
        )
        offsets, out = (
            _array(context, builder, k, v) for k, v in ((places, offsets), (_FLOATS, out))
        )
        sums = [_tools.alloca_once_value(builder, _ZERO) for _ in range(BLOCK)]
        for total in sums:
            builder.store(_ZERO, total)
        (count,) = _tools.unpack_tuple(builder, offsets.shape, 1)
        with _tools.for_range(builder, count) as loop:
            offset = builder.load(builder.gep(offsets.data, [loop.index]))
            seen = builder.load(_vector(builder, src.data, builder.add(at, offset)), align=4)
            first = builder.mul(loop.index, ir.Constant(_INT, BLOCK))
            for i, total in enumerate(sums):
                place = builder.gep(weights.data, [builder.add(first, ir.Constant(_INT, i))])
                weight = _everywhere(builder, builder.load(place))
                product = builder.fmul(seen, weight, flags=_FUSED)
                builder.store(builder.fadd(product, builder.load(total), flags=_FUSED), total)
        for total in sums:
            builder.store(builder.load(total), _vector(builder, out.data, to), align=4)
            to = builder.add(to, step)
        return context.get_dummy_value()

    i8 = _types.i8
    return _types.void(_FLOATS, i8, places, _GRID, _FLOATS, i8, i8), make


@_intrinsic
def sums_of(typing: Any, src: Any, places: Any, x: Any, out: Any, to: Any, step: Any) -> Any:
    """One vector of the eight sums of eight rows of ``src``, to rows of ``out`` ``step`` apart."""

    def make(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        src, places, x, out, to, step = arguments
        src, out = (_array(context, builder, _FLOATS, v) for v in (src, out))
        rows = [
            builder.load(_vector(builder, src.data, builder.add(at, x)), align=4)
            for at in _tools.unpack_tuple(builder, places, SUMS)
        ]
        sums = [_sum(builder, _IN[0], rows)]
        for factors in _IN[1:-1:2]:
            odd, even = (_sum(builder, factors[i::2], rows[i::2]) for i in (1, 0))
            sums += [builder.fadd(even, odd), builder.fsub(even, odd)]
        for value in [*sums, _sum(builder, _IN[-1], rows)]:
            builder.store(value, _vector(builder, out.data, to), align=4)
            to = builder.add(to, step)
        return context.get_dummy_value()

    return _types.void(_FLOATS, _PLACES, _types.i8, _FLOATS, _types.i8, _types.i8), make


@_intrinsic
def rows_of(
    typing: Any, src: Any, at: Any, step: Any, bias: Any, out: Any, places: Any, x: Any
) -> Any:
    """One vector of six rows of ``out``, from the eight rows of products, with bias, cut at 0."""

    def make(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        src, at, step, bias, out, places, x = arguments
        src, out = (_array(context, builder, _FLOATS, v) for v in (src, out))
        start, rows = _everywhere(builder, bias), []
        for _ in range(SUMS):
            rows.append(builder.load(_vector(builder, src.data, at), align=4))
            at = builder.add(at, step)
        pairs = [(rows[i], rows[i + 1]) for i in range(1, SUMS - 1, 2)]
        both = [[builder.fadd(*p) for p in pairs], [builder.fsub(*p) for p in pairs]]
        to = _tools.unpack_tuple(builder, places, ROWS)
        for i, (factors, place) in enumerate(zip(_OUT, to, strict=True)):
            value = _sum(builder, factors[1:-1:2], both[i % 2], start)
            value = _sum(builder, (factors[0], factors[-1]), (rows[0], rows[-1]), value)
            value = builder.select(builder.fcmp_ordered(">", value, _ZERO), value, _ZERO)
            builder.store(value, _vector(builder, out.data, builder.add(place, x)), align=4)
        return context.get_dummy_value()

    places = _types.UniTuple(_types.i8, ROWS)
    i8 = _types.i8
    return _types.void(_FLOATS, i8, i8, _types.f4, _FLOATS, places, i8), make
