"""The convolution of the live network on a CPU; as `models.estimator.Estimator.shapes`.

Six rows that lie a dilation apart are made at once from eight sums of the eight rows that they
look at, which leaves four of nine products (F(6, 3) across rows). Rows are padded to whole
vectors, and vectors are written as such: the compiler would not keep the sums in registers.

Source: Lavin and Gray, "Fast Algorithms for Convolutional Neural Networks", CVPR 2016.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import torch
from llvmlite import ir
from llvmlite.binding import get_host_cpu_features
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic
from torch import Tensor, nn

from models.kernels.cpu.compiled import kernel

Array = Any

_LANES = 16
_BLOCK = 12 if get_host_cpu_features().get("avx512f") else 6
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
_TAPS = (
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
_ROWS, _SUMS = len(_OUT), len(_IN)

_FLOAT, _INT = ir.FloatType(), ir.IntType(64)
_VECTOR = ir.VectorType(_FLOAT, _LANES)
_NOTHING = ir.Constant(_VECTOR, ir.Undefined)
_ZERO = ir.Constant(_VECTOR, [0.0] * _LANES)
_FUSED = ("contract",)
_PLACES = types.UniTuple(types.i8, _SUMS)
_FLOATS, _GRID = types.Array(types.f4, 1, "C"), types.Array(types.f4, 2, "C")


def _array(context: Any, builder: Any, kind: Any, value: Any) -> Any:
    return context.make_array(kind)(context, builder, value)


def _vector(builder: Any, data: Any, at: Any) -> Any:
    return builder.bitcast(builder.gep(data, [at]), _VECTOR.as_pointer())


def _everywhere(builder: Any, value: Any) -> Any:
    first = builder.insert_element(_NOTHING, value, ir.Constant(ir.IntType(32), 0))
    lanes = ir.Constant(ir.VectorType(ir.IntType(32), _LANES), [0] * _LANES)
    return builder.shuffle_vector(first, _NOTHING, lanes)


def _sum(builder: Any, factors: Any, values: Any, total: Any = None) -> Any:
    for factor, value in zip(factors, values, strict=True):
        if factor:
            scale = ir.Constant(_VECTOR, [float(factor)] * _LANES)
            product = value if factor == 1 else builder.fmul(value, scale, flags=_FUSED)
            total = product if total is None else builder.fadd(total, product, flags=_FUSED)
    return total


@intrinsic  # type: ignore[untyped-decorator]
def _products(
    typing: Any, src: Any, at: Any, offsets: Any, weights: Any, out: Any, to: Any, step: Any
) -> Any:
    """Sums of products for one vector of each of `_BLOCK` rows of ``out``, ``step`` apart.

    Each row of ``weights`` goes with one value of ``src``, further from ``at`` by its offset.
    """
    places = types.Array(types.i8, 1, "C")

    def make(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        src, at, offsets, weights, out, to, step = arguments
        src, weights = (
            _array(context, builder, k, v) for k, v in ((_FLOATS, src), (_GRID, weights))
        )
        offsets, out = (
            _array(context, builder, k, v) for k, v in ((places, offsets), (_FLOATS, out))
        )
        sums = [cgutils.alloca_once_value(builder, _ZERO) for _ in range(_BLOCK)]
        for total in sums:
            builder.store(_ZERO, total)
        (count,) = cgutils.unpack_tuple(builder, offsets.shape, 1)
        with cgutils.for_range(builder, count) as loop:
            offset = builder.load(builder.gep(offsets.data, [loop.index]))
            seen = builder.load(_vector(builder, src.data, builder.add(at, offset)), align=4)
            first = builder.mul(loop.index, ir.Constant(_INT, _BLOCK))
            for i, total in enumerate(sums):
                place = builder.gep(weights.data, [builder.add(first, ir.Constant(_INT, i))])
                weight = _everywhere(builder, builder.load(place))
                product = builder.fmul(seen, weight, flags=_FUSED)
                builder.store(builder.fadd(product, builder.load(total), flags=_FUSED), total)
        for total in sums:
            builder.store(builder.load(total), _vector(builder, out.data, to), align=4)
            to = builder.add(to, step)
        return context.get_dummy_value()

    i8 = types.i8
    return types.void(_FLOATS, i8, places, _GRID, _FLOATS, i8, i8), make


@intrinsic  # type: ignore[untyped-decorator]
def _taken(typing: Any, src: Any, places: Any, x: Any, out: Any, to: Any, step: Any) -> Any:
    """One vector of the eight sums of eight rows of ``src``, to rows of ``out`` ``step`` apart."""

    def make(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        src, places, x, out, to, step = arguments
        src, out = (_array(context, builder, _FLOATS, v) for v in (src, out))
        rows = [
            builder.load(_vector(builder, src.data, builder.add(at, x)), align=4)
            for at in cgutils.unpack_tuple(builder, places, _SUMS)
        ]
        sums = [_sum(builder, _IN[0], rows)]
        for factors in _IN[1:-1:2]:
            odd, even = (_sum(builder, factors[i::2], rows[i::2]) for i in (1, 0))
            sums += [builder.fadd(even, odd), builder.fsub(even, odd)]
        for value in [*sums, _sum(builder, _IN[-1], rows)]:
            builder.store(value, _vector(builder, out.data, to), align=4)
            to = builder.add(to, step)
        return context.get_dummy_value()

    return types.void(_FLOATS, _PLACES, types.i8, _FLOATS, types.i8, types.i8), make


@intrinsic  # type: ignore[untyped-decorator]
def _given(
    typing: Any, src: Any, at: Any, step: Any, bias: Any, out: Any, places: Any, x: Any
) -> Any:
    """One vector of six rows of ``out``, from the eight rows of products, with bias, cut at 0."""

    def make(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        src, at, step, bias, out, places, x = arguments
        src, out = (_array(context, builder, _FLOATS, v) for v in (src, out))
        start, rows = _everywhere(builder, bias), []
        for _ in range(_SUMS):
            rows.append(builder.load(_vector(builder, src.data, at), align=4))
            at = builder.add(at, step)
        pairs = [(rows[i], rows[i + 1]) for i in range(1, _SUMS - 1, 2)]
        both = [[builder.fadd(*p) for p in pairs], [builder.fsub(*p) for p in pairs]]
        to = cgutils.unpack_tuple(builder, places, _ROWS)
        for i, (factors, place) in enumerate(zip(_OUT, to, strict=True)):
            value = _sum(builder, factors[1:-1:2], both[i % 2], start)
            value = _sum(builder, (factors[0], factors[-1]), (rows[0], rows[-1]), value)
            value = builder.select(builder.fcmp_ordered(">", value, _ZERO), value, _ZERO)
            builder.store(value, _vector(builder, out.data, builder.add(place, x)), align=4)
        return context.get_dummy_value()

    places = types.UniTuple(types.i8, _ROWS)
    i8 = types.i8
    return types.void(_FLOATS, i8, i8, types.f4, _FLOATS, places, i8), make


@kernel()
def line(base: int, y: int, h: int, row: int, otherwise: int) -> int:
    """Where a row of a channel lies, whose first is the ``base``-th; ``otherwise`` past its ends."""
    return (base + y) * row if 0 <= y < h else otherwise


@kernel("void(f4[::1], i8, i8, i8, i8, i8, f4[:,:,:,::1], f4[::1], f4[::1], f4[::1], f4[::1])")
def convolve(
    src: Array, have: int, h: int, w: int, row: int, far: int, weights: Array, bias: Array,
    taken: Array, made: Array, out: Array,
) -> None:  # fmt: skip
    """A dilated 3x3 convolution with zeros around, cut at 0.

    Args:
        src: ``have`` channels of h rows, each of ``row`` values, zero from ``w`` on; then one row
            of zeros.
        have: channels of ``src``.
        h, w: the field's size.
        row: whole vectors that hold ``w``.
        far: the dilation.
        weights: (8, blocks, 3 have, `_BLOCK`), from `_packed`.
        bias: one for each channel that is made.
        taken, made: memory for the eight sums and their products.
        out: as ``src``; what follows the channels is scratch.
    """
    want, blocks, pad = bias.shape[0], weights.shape[1], -(-far // _LANES) * _LANES
    wide = row + 2 * pad
    offsets = np.empty(3 * have, np.int64)
    for c in range(have):
        for i in range(3):
            offsets[3 * c + i] = c * wide + pad + (i - 1) * far
    taken[: _SUMS * have * wide] = 0
    nothing, dump = have * h * row, want * h * row
    for first in range(h):
        if first // far % _ROWS:
            continue
        for c in range(have):
            base = c * h
            rows = (
                line(base, first - far, h, row, nothing),
                line(base, first, h, row, nothing),
                line(base, first + far, h, row, nothing),
                line(base, first + 2 * far, h, row, nothing),
                line(base, first + 3 * far, h, row, nothing),
                line(base, first + 4 * far, h, row, nothing),
                line(base, first + 5 * far, h, row, nothing),
                line(base, first + 6 * far, h, row, nothing),
            )
            for x in range(0, row, _LANES):
                _taken(src, rows, x, taken, c * wide + pad + x, have * wide)
        for k in range(_SUMS):
            for n in range(blocks):
                to = (k * blocks + n) * _BLOCK * row
                for x in range(0, row, _LANES):
                    at = k * have * wide + x
                    _products(taken, at, offsets, weights[k, n], made, to + x, row)
        for c in range(want):
            base = c * h
            into = (
                line(base, first, h, row, dump),
                line(base, first + far, h, row, dump),
                line(base, first + 2 * far, h, row, dump),
                line(base, first + 3 * far, h, row, dump),
                line(base, first + 4 * far, h, row, dump),
                line(base, first + 5 * far, h, row, dump),
            )
            for x in range(0, row, _LANES):
                step = blocks * _BLOCK * row
                _given(made, c * row + x, step, bias[c], out, into, x)
            if w < row:
                for start in into:
                    out[start + w : start + row] = 0
    out[dump : dump + row] = 0


@kernel("void(f4[::1], i8, i8, f4[:,:,::1], f4[::1], f4[::1], f4[:,:,::1])")
def combine(
    src: Array, have: int, row: int, weights: Array, bias: Array, made: Array, out: Array
) -> None:
    """A 1x1 convolution of what `convolve` made.

    Args:
        src, have, row: as there.
        weights: (blocks, have, `_BLOCK`).
        bias: one for each channel of ``out``.
        made: memory.
        out: (C, h, w).
    """
    want, h, w = out.shape
    offsets = np.empty(have, np.int64)
    for c in range(have):
        offsets[c] = c * h * row
    for y in range(h):
        for n in range(weights.shape[0]):
            for x in range(0, row, _LANES):
                to = n * _BLOCK * row + x
                _products(src, y * row + x, offsets, weights[n], made, to, row)
        for c in range(want):
            to, seen, start = out[c, y], made[c * row : c * row + w], bias[c]
            for x in range(w):
                to[x] = seen[x] + start


@kernel("void(f4[:,:,::1], i8, f4[::1])")
def spaced(src: Array, row: int, out: Array) -> None:
    """Lay fields out as `convolve` reads them."""
    count, h, w = src.shape
    for c in range(count):
        for y in range(h):
            seen, to = src[c, y], out[(c * h + y) * row : (c * h + y + 1) * row]
            for x in range(w):
                to[x] = seen[x]
            for x in range(w, row):
                to[x] = 0
    out[count * h * row : (count * h + 1) * row] = 0


def _blocked(weights: Array) -> Array:
    """(O, terms) as (blocks, terms, `_BLOCK`), float32, zeros in place of what is missing."""
    blocks = -(-weights.shape[0] // _BLOCK)
    out = np.zeros((blocks * _BLOCK, weights.shape[1]), np.float32)
    out[: weights.shape[0]] = weights
    return np.ascontiguousarray(out.reshape(blocks, _BLOCK, -1).transpose(0, 2, 1))


def _aligned(count: int) -> Array:
    """Memory for values, whole vectors of which never lie across two lines of the cache."""
    whole = np.empty(count + _LANES, np.float32)
    start = -whole.ctypes.data // whole.itemsize % _LANES
    return whole[start : start + count]


class Packed:
    """The convolution's weights as the kernels read them, and memory. For one thread at a time.

    Args:
        layers: `models.estimator.Estimator.shapes`.
    """

    def __init__(self, layers: nn.Sequential) -> None:
        *dilated, last = (x for x in layers if isinstance(x, nn.Conv2d))
        self.layers: list[tuple[int, Array, Array]] = []
        for layer in dilated:
            # (O, C, rows, columns), in double precision: the sums cancel when they are undone.
            taps = layer.weight.detach().double().numpy()
            sums = np.einsum("kr,ocrx->kocx", np.array(_TAPS), taps)
            weights = np.stack([_blocked(x.reshape(len(x), -1)) for x in sums])
            self.layers.append((layer.dilation[0], weights, _values(layer.bias)))
        self.last = _blocked(last.weight.detach()[:, :, 0, 0].double().numpy()), _values(last.bias)
        self._size: tuple[int, int] | None = None
        self._room: tuple[Array, ...] = ()

    def room(self, size: tuple[int, int]) -> tuple[Array, ...]:
        """Memory for two layouts of fields, the sums of their rows, and the products of those."""
        if size != self._size:
            row = -(-size[1] // _LANES) * _LANES
            have = max(w.shape[2] // 3 for _, w, _ in self.layers)
            want = max(w.shape[1] for w in [x for _, x, _ in self.layers] + [self.last[0][None]])
            most = max(len(b) for _, _, b in self.layers)
            pad = max(-(-d // _LANES) * _LANES for d, _, _ in self.layers)
            fields = (max(have, most) * size[0] + 1) * row
            sizes = fields, fields, _SUMS * have * (row + 2 * pad), _SUMS * want * _BLOCK * row
            self._size, self._room = size, tuple(_aligned(n) for n in sizes)
        return self._room


def _values(bias: Tensor | None) -> Array:
    if bias is None:
        raise ValueError("Packed: need convolutions with a bias")
    return bias.detach().float().numpy().copy()


def shapes(overview: Tensor, packed: Packed) -> Tensor:
    """What `models.estimator.Estimator.shapes` makes of an overview.

    Args:
        overview: (1, 9, h, w) float32, of `models.features.Context`.
        packed: the network's weights.

    Returns:
        (1, 8, h, w) float32.
    """
    _, have, h, w = overview.shape
    row = -(-w // _LANES) * _LANES
    src, other, taken, made = packed.room((h, w))
    spaced(overview[0].contiguous().numpy(), row, src)
    for far, weights, bias in packed.layers:
        convolve(src, have, h, w, row, far, weights, bias, taken, made, other)
        src, other, have = other, src, len(bias)
    weights, bias = packed.last
    out = torch.empty(1, len(bias), h, w)
    combine(src, have, row, weights, bias, made, out[0].numpy())
    return out
