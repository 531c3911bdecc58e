"""The live network in Triton: products in float16, sums in float32.

The first layer is linear, so what it makes of the looked-up channels is made once for a frame, at
the fields' own size; linear interpolation of that is the same. Within a tile of pixels the
interpolation is a product of matrices too: weights of the few nodes under the tile, times what
stands at each. A node in its middle is taken out before, so that float16 rounds only what varies.

chosen: features, weights and hidden values rounded to float16 move alpha by .001 at the most on a
noisy 2160p frame, a quarter of a code.
"""

from __future__ import annotations

# ruff: noqa: N803  constants of a kernel in capitals, as Triton writes them
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
from dataclasses import dataclass

import torch
import triton
import triton.language as tl
from torch import Tensor

from models.estimator import AROUND, PIXELS, Estimator
from models.features import channel_order
from models.screen import Hue

HIDDEN = 32
"""Columns of a product: the network's hidden channels and zeros."""
# Own, key, noise, nine rough values and nine of luma, as `models.features.pixels` orders them; the
# middle pixel comes first there, and in its place here.
_RING = [1, 2, 3, 4, 0, 5, 6, 7, 8]


@dataclass(frozen=True)
class Weights:
    """The network's weights as the kernels read them.

    Attributes:
        looked_up: (28, 32) float32: rows for `Context.around`, the shapes, then noise.
        bias: (32,) float32, of the first layer.
        pixel: (2, 32, 32) float16, for a green and for a blue screen. Rows of the first
            half: nine rough values, red, blue, one unused, key, three zeros; of the second: nine of
            luma, green, zeros.
        second: (32, 32) float16; two hidden channels are always 1 and carry its bias.
        rest: (33,) float32: the last layer, its bias.
    """

    looked_up: Tensor
    bias: Tensor
    pixel: Tensor
    second: Tensor
    rest: Tensor


def weights_of(network: Estimator) -> Weights | None:
    """Lay out a network's weights.

    Args:
        network: the live network.

    Returns:
        None where it has more hidden channels than the kernels take.
    """
    first, second, last = network.first, network.second, network.last
    hidden = first.out_features
    if hidden > HIDDEN - 2:
        return None
    device = first.weight.device

    def wide(rows: int) -> Tensor:
        return torch.zeros(rows, HIDDEN, device=device)

    w = first.weight.detach().T
    looked_up, other = wide(AROUND + 8 + 1), wide(HIDDEN)
    looked_up[: AROUND + 8, :hidden] = w[PIXELS:]
    looked_up[AROUND + 8, :hidden] = w[4]
    tables = []
    for hue in Hue:
        pixel, order = wide(32), channel_order(hue)
        pixel[0:9, :hidden] = w[5:14][_RING]
        pixel[16:25, :hidden] = w[14:23][_RING]
        for row, channel in ((9, 0), (25, 1), (10, 2)):
            pixel[row, :hidden] = w[order.index(channel)]
        pixel[12, :hidden] = w[3]
        tables.append(pixel.half())
    bias, rest = wide(1)[0], torch.zeros(HIDDEN + 1, device=device)
    bias[:hidden] = first.bias.detach()
    bias[hidden : hidden + 2] = 1
    other[:hidden, :hidden] = second.weight.detach().T
    coarse = second.bias.detach().half().float()
    other[hidden, :hidden] = coarse
    other[hidden + 1, :hidden] = second.bias.detach() - coarse
    rest[:hidden] = last.weight.detach()[0]
    rest[HIDDEN] = last.bias.detach()[0]
    return Weights(looked_up, bias, torch.stack(tables), other.half(), rest)


@triton.jit
def weighed(x, weights, total, COUNT: tl.constexpr):
    """Add a product of up to 32 channels, side by side, and weights: as exact as float32."""
    k, column = tl.arange(0, 32), tl.arange(0, 32)[None, :]
    by = tl.load(weights + k[:, None] * 32 + column, (k < COUNT)[:, None], 0.0)
    return tl.dot(x, by, total, input_precision="tf32x3")


@triton.jit
def first_layer(channels, weights, at, n, row, COUNT: tl.constexpr, BLOCK: tl.constexpr):
    """A product of channels and weights, above a row; all loaded at once."""
    k = tl.arange(0, 32)
    used = (at < n)[:, None] & (k < COUNT)[None, :]
    x = tl.load(channels + (k * n)[None, :] + at[:, None], used, 0.0)
    return weighed(x, weights, tl.broadcast_to(row[None, :], (BLOCK, 32)), COUNT)


@triton.jit
def looked_up(
    fields, shapes, told, weights, bias, packed, out_around, out_shapes, n, m, floats, block,
    AROUND: tl.constexpr, SHAPES: tl.constexpr, BLOCK: tl.constexpr, CORRECTS: tl.constexpr,
):  # fmt: skip
    """What the first layer makes of the looked-up channels, at their own size, channels last.

    The ten fields before them are ``packed`` by four: the screen's colour and own_key; near, solid
    and hold_out; the foreground's colour, and what corrects alpha where that is made.
    """
    column = tl.arange(0, 32)
    first = tl.cdiv(n, BLOCK)
    if block < first:
        at = block * BLOCK + tl.arange(0, BLOCK)
        # The noise of a scaled frame is less by its scale.
        noise = tl.load(told) * tl.load(floats + 12)
        row = tl.load(bias + column) + noise * tl.load(weights + (AROUND + SHAPES) * 32 + column)
        total = first_layer(fields + 10 * n, weights, at, n, row, AROUND, BLOCK)
        place = out_around + at[:, None] * 32 + column[None, :]
        tl.store(place, total, (at < n)[:, None])
        for k in tl.static_range(10):
            x = tl.load(fields + k * n + at, at < n, 0.0)
            slot = k // 3 * 4 * n + k % 3 if k < 9 else 3
            tl.store(packed + slot + at * 4, x, at < n)
        if CORRECTS:
            x = tl.load(fields + (10 + AROUND) * n + at, at < n, 0.0)
            tl.store(packed + 8 * n + 3 + at * 4, x, at < n)
    else:
        at = (block - first) * BLOCK + tl.arange(0, BLOCK)
        row = tl.zeros((32,), tl.float32)
        total = first_layer(shapes, weights + AROUND * 32, at, m, row, SHAPES, BLOCK)
        place = out_shapes + at[:, None] * 32 + column[None, :]
        tl.store(place, total, (at < m)[:, None])


@triton.jit
def _sampled(table, y, x, high, wide, ROWS: tl.constexpr, COLUMNS: tl.constexpr):
    """Each pixel between four nodes: (ROWS * COLUMNS, 32); for tiles with many nodes under them."""
    count: tl.constexpr = ROWS * COLUMNS
    size: tl.constexpr = (COLUMNS, ROWS)
    y = tl.minimum(tl.maximum(y, 0.0), high - 1.0)
    x = tl.minimum(tl.maximum(x, 0.0), wide - 1.0)
    y0, x0 = tl.floor(y).to(tl.int32), tl.floor(x).to(tl.int32)
    y1, x1 = tl.minimum(y0 + 1, high - 1), tl.minimum(x0 + 1, wide - 1)
    fy = tl.reshape(tl.broadcast_to((y - y0)[None, :], size), (count,))[:, None]
    fx = tl.reshape(tl.broadcast_to((x - x0)[:, None], size), (count,))[:, None]
    column = tl.arange(0, 32)[None, :]
    a = tl.reshape(y0[None, :] * wide + x0[:, None], (count,))[:, None] * 32 + column
    b = tl.reshape(y0[None, :] * wide + x1[:, None], (count,))[:, None] * 32 + column
    c = tl.reshape(y1[None, :] * wide + x0[:, None], (count,))[:, None] * 32 + column
    d = tl.reshape(y1[None, :] * wide + x1[:, None], (count,))[:, None] * 32 + column
    upper = tl.load(table + a) * (1 - fx) + tl.load(table + b) * fx
    lower = tl.load(table + c) * (1 - fx) + tl.load(table + d) * fx
    return upper * (1 - fy) + lower * fy


@triton.jit
def _middle(table, top, left, high, wide, DOWN: tl.constexpr, ACROSS: tl.constexpr):
    """The node amid those under a tile: (32,)."""
    ny = tl.minimum(tl.maximum(top + DOWN // 2 - 1, 0), high - 1)
    nx = tl.minimum(tl.maximum(left + ACROSS // 2 - 1, 0), wide - 1)
    return tl.load(table + (ny * wide + nx) * 32 + tl.arange(0, 32))


@triton.jit
def _interpolated(
    table, middle, y, x, top, left, high, wide, total,
    DOWN: tl.constexpr, ACROSS: tl.constexpr, ROWS: tl.constexpr, COLUMNS: tl.constexpr,
):  # fmt: skip
    """Add a product of interpolation weights and nodes less ``middle``: (ROWS * COLUMNS, 32).

    ``y`` and ``x`` are places of the tile's rows and columns among the nodes, of which at most
    DOWN by ACROSS lie under it, from ``top`` and ``left``. Beyond the edge the last go on.
    """
    node = tl.arange(0, DOWN * ACROSS)
    ny = tl.minimum(tl.maximum(top + node // ACROSS, 0), high - 1)
    nx = tl.minimum(tl.maximum(left + node % ACROSS, 0), wide - 1)
    at = (ny * wide + nx)[:, None] * 32 + tl.arange(0, 32)[None, :]
    value = tl.load(table + at) - middle[None, :]
    down = tl.abs(y[:, None] - (top + tl.arange(0, DOWN))[None, :])
    across = tl.abs(x[:, None] - (left + tl.arange(0, ACROSS))[None, :])
    down, across = tl.maximum(1 - down, 0.0), tl.maximum(1 - across, 0.0)
    weight = (down[None, :, :, None] * across[:, None, None, :]).to(tl.float16)
    weight = tl.reshape(weight, (ROWS * COLUMNS, DOWN * ACROSS))
    return tl.dot(weight, value.to(tl.float16), total)


@triton.jit
def halves(low, high):
    """Two values as float16 in one word."""
    low = low.to(tl.float16).to(tl.int16, bitcast=True)
    high = high.to(tl.float16).to(tl.int16, bitcast=True)
    return (low.to(tl.int32) & 0xFFFF) | (high.to(tl.int32) << 16)


@triton.jit
def low_half(word):
    """The first value of a word."""
    return (word & 0xFFFF).to(tl.int16).to(tl.float16, bitcast=True).to(tl.float32)


@triton.jit
def high_half(word):
    """The second value of a word."""
    return (word >> 16).to(tl.int16).to(tl.float16, bitcast=True).to(tl.float32)


@triton.jit
def _near(words, row, column, by):
    """A pixel's rough value, and its root of luma over that of the key colour's."""
    word = tl.load(words + row[None, :] + column[:, None])
    rough = (word & 0xFFFF).to(tl.int16).to(tl.float16, bitcast=True)
    return rough, bounded(high_half(word), by)


@triton.jit
def bounded(root, by):
    """The root of a ratio, which the root of 6 bounds, as float16."""
    return tl.minimum(root * by, 2.4494897).to(tl.float16)


@triton.jit
def beside(
    a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p,  # noqa: E741
    COUNT: tl.constexpr,
):  # fmt: skip
    """Sixteen features of pixels as the columns of a matrix, (COUNT, 16)."""
    # Joined so, what belongs to a pixel stays in its thread.
    even = tl.join(tl.join(tl.join(a, i), tl.join(e, m)), tl.join(tl.join(c, k), tl.join(g, o)))
    odd = tl.join(tl.join(tl.join(b, j), tl.join(f, n)), tl.join(tl.join(d, l), tl.join(h, p)))
    return tl.reshape(tl.join(even, odd), (COUNT, 16))


@triton.jit
def perceptron(near, light, total, pixel, second, rest, COUNT: tl.constexpr):
    """Alpha, (COUNT,) in [0, 1]: of single pixels' features, and the first layer without them."""
    at = tl.arange(0, 16)[:, None] * 32 + tl.arange(0, 32)[None, :]
    total = tl.dot(near, tl.load(pixel + at), total)
    total = tl.dot(light, tl.load(pixel + 512 + at), total)
    hidden = tl.maximum(total.to(tl.float16), tl.zeros((COUNT, 32), tl.float16))
    column = tl.arange(0, 32)
    square = column[:, None] * 32 + column[None, :]
    total = tl.maximum(tl.dot(hidden, tl.load(second + square)), 0.0)
    found = tl.sum(total * tl.load(rest + column)[None, :], 1) + tl.load(rest + 32)
    return tl.minimum(tl.maximum(found, 0.0), 1.0)


@triton.jit
def alpha_of(
    words, row_a, row_b, row_c, column_a, column_b, column_c, red, green, blue, key,
    table, y, x, top, left, high, wide,
    table_small, y_small, x_small, top_small, left_small, high_small, wide_small,
    pixel, second, rest, ROWS: tl.constexpr, COLUMNS: tl.constexpr,
    DOWN: tl.constexpr, ACROSS: tl.constexpr,
    DOWN_SMALL: tl.constexpr, ACROSS_SMALL: tl.constexpr,
):  # fmt: skip
    """Alpha of a tile's pixels: (COLUMNS, ROWS), in [0, 1].

    ``words`` hold of each pixel the rough value and the root of luma; three rows and three columns
    say where those of the nine around each lie. ``red``, ``green`` and ``blue`` are roots, ``key``
    is the screen's channel. ``top`` and ``left`` are the first nodes under the tile.
    """
    count: tl.constexpr = ROWS * COLUMNS
    size: tl.constexpr = (COLUMNS, ROWS)
    middle = tl.zeros((32,), tl.float32)
    if DOWN > 0:
        middle += _middle(table, top, left, high, wide, DOWN, ACROSS)
    if DOWN_SMALL > 0:
        middle_small = _middle(
            table_small, top_small, left_small, high_small, wide_small, DOWN_SMALL, ACROSS_SMALL
        )
        middle += middle_small
    total = tl.broadcast_to(middle[None, :], (count, 32))
    if DOWN > 0:
        about = middle
        if DOWN_SMALL > 0:
            about = middle - middle_small
        total = _interpolated(
            table, about, y, x, top, left, high, wide, total, DOWN, ACROSS, ROWS, COLUMNS
        )
    else:
        total += _sampled(table, y, x, high, wide, ROWS, COLUMNS)
    if DOWN_SMALL > 0:
        total = _interpolated(
            table_small, middle_small, y_small, x_small, top_small, left_small, high_small,
            wide_small, total,
            DOWN_SMALL, ACROSS_SMALL, ROWS, COLUMNS,
        )  # fmt: skip
    else:
        total += _sampled(table_small, y_small, x_small, high_small, wide_small, ROWS, COLUMNS)
    by = tl.rsqrt(key)
    a, i = _near(words, row_a, column_a, by)
    b, j = _near(words, row_a, column_b, by)
    c, k = _near(words, row_a, column_c, by)
    d, l = _near(words, row_b, column_a, by)  # noqa: E741
    e, m = _near(words, row_b, column_b, by)
    f, n = _near(words, row_b, column_c, by)
    g, o = _near(words, row_c, column_a, by)
    h, p = _near(words, row_c, column_b, by)
    q, r = _near(words, row_c, column_c, by)
    zero = tl.zeros(size, tl.float16)
    root = tl.sqrt(tl.minimum(key, 2.0)).to(tl.float16)
    near = beside(
        a, b, c, d, e, f, g, h, q, bounded(red, by), bounded(blue, by), zero, root, zero, zero,
        zero, count,
    )  # fmt: skip
    light = beside(
        i, j, k, l, m, n, o, p, r, bounded(green, by), zero, zero, zero, zero, zero, zero, count
    )
    return tl.reshape(perceptron(near, light, total, pixel, second, rest, count), size)
