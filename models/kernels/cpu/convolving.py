"""The convolution of the live network on a CPU; as `models.estimator.Estimator.shapes`.

Six rows that lie a dilation apart are made at once from eight sums of the eight rows that they
look at, which leaves four of nine products; see `models.kernels.cpu.vectors`. Rows are padded to
whole vectors.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import torch
from torch import Tensor, nn

from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.vectors import BLOCK, LANES, ROWS, SUMS, TAPS, products, rows_of, sums_of

Array = Any


@kernel()
def line(base: int, y: int, h: int, row: int, otherwise: int) -> int:
    """Where a row of a channel lies whose first is the ``base``-th; ``otherwise`` past its ends."""
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
        weights: (8, blocks, 3 have, `BLOCK`), from `_packed`.
        bias: one for each channel that is made.
        taken, made: memory for the eight sums and their products.
        out: as ``src``; what follows the channels is scratch.
    """
    want, blocks, pad = bias.shape[0], weights.shape[1], -(-far // LANES) * LANES
    wide = row + 2 * pad
    offsets = np.empty(3 * have, np.int64)
    for c in range(have):
        for i in range(3):
            offsets[3 * c + i] = c * wide + pad + (i - 1) * far
    taken[: SUMS * have * wide] = 0
    nothing, dump = have * h * row, want * h * row
    for first in range(h):
        if first // far % ROWS:
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
            for x in range(0, row, LANES):
                sums_of(src, rows, x, taken, c * wide + pad + x, have * wide)
        for k in range(SUMS):
            for n in range(blocks):
                to = (k * blocks + n) * BLOCK * row
                for x in range(0, row, LANES):
                    at = k * have * wide + x
                    products(taken, at, offsets, weights[k, n], made, to + x, row)
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
            for x in range(0, row, LANES):
                step = blocks * BLOCK * row
                rows_of(made, c * row + x, step, bias[c], out, into, x)
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
        weights: (blocks, have, `BLOCK`).
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
            for x in range(0, row, LANES):
                to = n * BLOCK * row + x
                products(src, y * row + x, offsets, weights[n], made, to, row)
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
    """(O, terms) as (blocks, terms, `BLOCK`), float32, zeros in place of what is missing."""
    blocks = -(-weights.shape[0] // BLOCK)
    out = np.zeros((blocks * BLOCK, weights.shape[1]), np.float32)
    out[: weights.shape[0]] = weights
    return np.ascontiguousarray(out.reshape(blocks, BLOCK, -1).transpose(0, 2, 1))


def _aligned(count: int) -> Array:
    """Memory for values, whole vectors of which never lie across two lines of the cache."""
    whole = np.empty(count + LANES, np.float32)
    start = -whole.ctypes.data // whole.itemsize % LANES
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
            sums = np.einsum("kr,ocrx->kocx", np.array(TAPS), taps)
            weights = np.stack([_blocked(x.reshape(len(x), -1)) for x in sums])
            self.layers.append((layer.dilation[0], weights, _values(layer.bias)))
        self.last = _blocked(last.weight.detach()[:, :, 0, 0].double().numpy()), _values(last.bias)
        self._size: tuple[int, int] | None = None
        self._room: tuple[Array, ...] = ()

    def room(self, size: tuple[int, int]) -> tuple[Array, ...]:
        """Memory for two layouts of fields, the sums of their rows, and the products of those."""
        if size != self._size:
            row = -(-size[1] // LANES) * LANES
            have = max(w.shape[2] // 3 for _, w, _ in self.layers)
            want = max(w.shape[1] for w in [x for _, x, _ in self.layers] + [self.last[0][None]])
            most = max(len(b) for _, _, b in self.layers)
            pad = max(-(-d // LANES) * LANES for d, _, _ in self.layers)
            fields = (max(have, most) * size[0] + 1) * row
            sizes = fields, fields, SUMS * have * (row + 2 * pad), SUMS * want * BLOCK * row
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
    row = -(-w // LANES) * LANES
    src, other, taken, made = packed.room((h, w))
    spaced(overview[0].contiguous().numpy(), row, src)
    for far, weights, bias in packed.layers:
        convolve(src, have, h, w, row, far, weights, bias, taken, made, other)
        src, other, have = other, src, len(bias)
    weights, bias = packed.last
    out = torch.empty(1, len(bias), h, w)
    combine(src, have, row, weights, bias, made, out[0].numpy())
    return out
