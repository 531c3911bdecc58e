"""The live network in Triton: products in float16, sums in float32.

The first layer is linear, so what it makes of the looked-up channels is made once for a frame, at
the fields' own size; linear interpolation of that is the same. Within a tile of pixels the
interpolation is a product of matrices too: weights of the few nodes under the tile, times what
stands at each. The tile's mean is taken out before, so that float16 rounds only what varies.

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
        pixel: (2, 32, 32) float16, for a green and for a blue screen. Rows of the first half of a
            word: nine rough values, red, blue, one unused, key, three zeros; of the second: nine of
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
def looked_up(
    around, shapes, told, weights, bias, out_around, out_shapes, n, m, floats, block,
    AROUND: tl.constexpr, SHAPES: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    """What the first layer makes of the looked-up channels, at their own size, channels last."""
    column = tl.arange(0, 32)
    first = tl.cdiv(n, BLOCK)
    if block < first:
        at = block * BLOCK + tl.arange(0, BLOCK)
        # The noise of a scaled frame is less by its scale.
        noise = tl.load(told) * tl.load(floats + 12)
        row = tl.load(bias + column) + noise * tl.load(weights + (AROUND + SHAPES) * 32 + column)
        total = tl.zeros((BLOCK, 32), tl.float32) + row[None, :]
        for k in tl.static_range(AROUND):
            x = tl.load(around + k * n + at, at < n, 0.0)
            total += x[:, None] * tl.load(weights + k * 32 + column)[None, :]
        place = out_around + at[:, None] * 32 + column[None, :]
        tl.store(place, total, (at < n)[:, None])
    else:
        at = (block - first) * BLOCK + tl.arange(0, BLOCK)
        total = tl.zeros((BLOCK, 32), tl.float32)
        for k in tl.static_range(SHAPES):
            x = tl.load(shapes + k * m + at, at < m, 0.0)
            total += x[:, None] * tl.load(weights + (AROUND + k) * 32 + column)[None, :]
        place = out_shapes + at[:, None] * 32 + column[None, :]
        tl.store(place, total, (at < m)[:, None])


@triton.jit
def _sampled(table, y, x, high, wide, SIDE: tl.constexpr):
    """Each pixel between four nodes: (SIDE * SIDE, 32); for tiles with many nodes under them."""
    count: tl.constexpr = SIDE * SIDE
    y0, x0 = tl.floor(y).to(tl.int32), tl.floor(x).to(tl.int32)
    y1, x1 = tl.minimum(y0 + 1, high - 1), tl.minimum(x0 + 1, wide - 1)
    fy = tl.reshape(tl.broadcast_to((y - y0)[:, None], (SIDE, SIDE)), (count,))[:, None]
    fx = tl.reshape(tl.broadcast_to((x - x0)[None, :], (SIDE, SIDE)), (count,))[:, None]
    column = tl.arange(0, 32)[None, :]
    a = tl.reshape(y0[:, None] * wide + x0[None, :], (count,))[:, None] * 32 + column
    b = tl.reshape(y0[:, None] * wide + x1[None, :], (count,))[:, None] * 32 + column
    c = tl.reshape(y1[:, None] * wide + x0[None, :], (count,))[:, None] * 32 + column
    d = tl.reshape(y1[:, None] * wide + x1[None, :], (count,))[:, None] * 32 + column
    upper = tl.load(table + a) * (1 - fx) + tl.load(table + b) * fx
    lower = tl.load(table + c) * (1 - fx) + tl.load(table + d) * fx
    return upper * (1 - fy) + lower * fy


@triton.jit
def _interpolated(
    table, y, x, high, wide, ACROSS: tl.constexpr, NODES: tl.constexpr, SIDE: tl.constexpr
):
    """A product of interpolation weights and nodes less their mean, (SIDE * SIDE, 32); the mean.

    ``y`` and ``x`` are (SIDE,) places of the tile's rows and columns among the nodes.
    """
    node = tl.arange(0, NODES)
    ny = tl.floor(tl.min(y, 0)).to(tl.int32) + node // ACROSS
    nx = tl.floor(tl.min(x, 0)).to(tl.int32) + node % ACROSS
    used = (node < ACROSS * ACROSS) & (ny < high) & (nx < wide)
    at = (ny * wide + nx)[:, None] * 32 + tl.arange(0, 32)[None, :]
    value = tl.load(table + at, used[:, None], 0.0)
    mean = tl.sum(value, 0) / tl.maximum(tl.sum(used.to(tl.float32), 0), 1.0)
    value = tl.where(used[:, None], value - mean[None, :], 0.0)
    down = tl.maximum(1 - tl.abs(y[:, None] - ny[None, :]), 0.0)
    across = tl.maximum(1 - tl.abs(x[:, None] - nx[None, :]), 0.0)
    across = tl.where((node < ACROSS * ACROSS)[None, :], across, 0.0)
    weight = tl.reshape(down[:, None, :] * across[None, :, :], (SIDE * SIDE, NODES))
    return tl.dot(weight.to(tl.float16), value.to(tl.float16)), mean


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
def alpha_of(
    words, key, table, y, x, high, wide, table_small, y_small, x_small, high_small, wide_small,
    pixel, second, rest,
    SIDE: tl.constexpr, ACROSS: tl.constexpr, NODES: tl.constexpr,
    ACROSS_SMALL: tl.constexpr, NODES_SMALL: tl.constexpr,
):  # fmt: skip
    """Alpha of a tile's pixels: (SIDE, SIDE), in [0, 1].

    ``words`` (SIDE * SIDE, 16) holds of each pixel: of the nine around it, row by row, the rough
    value and the root of luma; the roots of red and green; of blue. ``key`` is (SIDE, SIDE).
    """
    count: tl.constexpr = SIDE * SIDE
    n = tl.arange(0, 16)
    key = tl.reshape(key, (count,))[:, None]
    by = tl.rsqrt(key)
    # The root of 6 bounds a ratio's root.
    near = low_half(words)
    near = tl.where((n < 9)[None, :], near, tl.minimum(near * by, 2.4494897))
    near = tl.where((n == 12)[None, :], tl.sqrt(tl.minimum(key, 2.0)), near)
    near = tl.where((n > 12)[None, :], 1.0, near)
    light = tl.minimum(high_half(words) * by, 2.4494897)
    if NODES == 0:
        total = _sampled(table, y, x, high, wide, SIDE)
        mean = tl.zeros((32,), tl.float32)
    else:
        total, mean = _interpolated(table, y, x, high, wide, ACROSS, NODES, SIDE)
    if NODES_SMALL == 0:
        total += _sampled(table_small, y_small, x_small, high_small, wide_small, SIDE)
    else:
        more, other = _interpolated(
            table_small, y_small, x_small, high_small, wide_small, ACROSS_SMALL, NODES_SMALL, SIDE
        )
        total += more
        mean += other
    # Two columns of ones bring the means in, in two parts.
    coarse = mean.to(tl.float16)
    fine = (mean - coarse.to(tl.float32)).to(tl.float16)
    k = n[:, None] * 32 + tl.arange(0, 32)[None, :]
    weights = tl.where((n == 13)[:, None], coarse[None, :], tl.load(pixel + k))
    weights = tl.where((n == 14)[:, None], fine[None, :], weights)
    total = tl.dot(near.to(tl.float16), weights, total)
    total = tl.dot(light.to(tl.float16), tl.load(pixel + 512 + k), total)
    hidden = tl.maximum(total, 0.0).to(tl.float16)
    column = tl.arange(0, 32)
    square = column[:, None] * 32 + column[None, :]
    total = tl.maximum(tl.dot(hidden, tl.load(second + square)), 0.0)
    found = tl.sum(total * tl.load(rest + column)[None, :], 1) + tl.load(rest + 32)
    found = tl.minimum(tl.maximum(found, 0.0), 1.0)
    return tl.reshape(found, (SIDE, SIDE))
