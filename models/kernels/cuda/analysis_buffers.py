# mypy: disable-error-code="no-untyped-call"
"""What the kernels of the live analysis work on: buffers that stay where they are on the card."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import torch
import triton
from torch import Tensor

from models.color import Encoding
from models.errors import ShapeError
from models.estimator import Estimator
from models.features import OVERVIEW
from models.kernels.cuda.fields import reduction
from models.outside import cell_side
from models.settings import KeySettings
from models.upright import Upright


@dataclass(frozen=True)
class Launch:
    """One kernel with all that it is started with."""

    kernel: Any
    programs: int
    arguments: tuple[Any, ...]
    constants: dict[str, Any] = field(default_factory=dict)

    def __call__(self) -> None:
        """Start it on torch's current stream."""
        self.kernel[(self.programs,)](*self.arguments, **self.constants)


def power(n: int) -> int:
    return int(triton.next_power_of_2(n))


def up(n: int, by: int) -> int:
    return -(-n // by)


def halvings(h: int, w: int) -> int:
    """How often a field can be halved before it is one value."""
    count = 0
    while max(h, w) > 1:
        h, w, count = up(h, 2), up(w, 2), count + 1
    return count


def values(h: int, w: int) -> int:
    """How many values the levels of a pyramid have, and two levels more."""
    count = 0
    for _ in range(halvings(h, w) + 3):
        count += h * w
        h, w = up(h, 2), up(w, 2)
    return count


def _halves(x: Tensor) -> Tensor:
    """Values as sums of two in float16, one after the other."""
    coarse = x.half()
    return torch.stack([coarse, (x - coarse.float()).half()])


class Buffers:
    """Where the kernels of one source's frames leave what they find; for `LiveAnalysis`."""

    def __init__(
        self,
        size: tuple[int, int],
        chroma: tuple[int, int],
        encoding: Encoding,
        quarter_turns: int,
        settings: KeySettings,
        network: Estimator,
    ) -> None:
        self._planes_size, self._chroma = size, chroma
        self._encoding, self._turns = encoding, quarter_turns % 4
        self.size = (size[1], size[0]) if self._turns % 2 else size
        self._settings = settings
        self._device = network.first.weight.device
        self._factor = reduction(self.size)
        self._h, self._w = (up(s, self._factor) for s in self.size)
        self._check()
        on_cpu = self._device.type == "cpu"  # Triton's interpreter: few large programs
        self._flat = min(max(128, power(self._h * self._w)), 1 << 14) if on_cpu else 128
        self._tiles = 64 if on_cpu else 2
        # Where a program makes many sums of squares, one warp need not wait for others.
        self._lone: dict[str, Any] = {"tiles": 64} if on_cpu else {"tiles": 1, "num_warps": 1}
        self._rows = 256 if on_cpu else 4
        self._block = 1024
        # chosen: the five layers take 22.6 us on an H200, 29.8 in float32 before. With 64 pixels
        # and 4 warps a program, what Triton 3.6 makes faults there; why is open.
        self._products: dict[str, Any] = (
            {"block": 1024} if on_cpu else {"block": 32, "num_warps": 2}
        )
        # Kernels that rank make a value twice, for its own rank and among the others: with products
        # and sums fused as each place allows, the two differ in the last bit and no rank fits.
        self._warps: dict[str, Any] = {} if on_cpu else {"num_warps": 8, "enable_fp_fusion": False}
        self._make_buffers()
        self._read_weights(network)

    def _check(self) -> None:
        if max(self._h, self._w) > 480:
            raise ShapeError(f"analysis: got a field of {(self._h, self._w)}; need 480 at most")
        for axis, name in enumerate(("height", "width")):
            have, full = self._chroma[axis], self._planes_size[axis]
            if have not in (full, (full + 1) // 2):
                raise ShapeError(
                    f"chroma: got {self._chroma} for luma {self._planes_size}, another {name}; "
                    "need chroma of full or half size (4:4:4, 4:2:2 or 4:2:0)"
                )

    def _zeros(self, *shape: int, kind: torch.dtype = torch.float32) -> Tensor:
        return torch.zeros(*shape, device=self._device, dtype=kind)

    def _make_buffers(self) -> None:
        h, w = self._h, self._w
        self._h8, self._w8 = up(h, 8), up(w, 8)
        self._h2, self._w2 = up(h, 2), up(w, 2)
        self._h4, self._w4 = up(h, 4), up(w, 4)
        self._squares = self._h8 * self._w8
        like = torch.empty(1, 1, h, w)
        self._cell = cell_side(like)
        self._hc, self._wc = up(h, self._cell), up(w, self._cell)
        n8 = self._squares
        self.state = self._zeros(32)
        """What the kernels tell each other, as `analysis_screen` names it."""
        self.reach = self._zeros(8, kind=torch.int32)
        self.small, self.sampled = self._zeros(3, h, w), self._zeros(3, h, w)
        self.small8 = self._zeros(3, n8)
        self.kept_color, self.kept8 = self._zeros(3, h, w), self._zeros(3, n8)
        self.seen, self.color = self._zeros(3, h, w), self._zeros(3, h, w)
        self.level, self.inner = self._zeros(h, w), self._zeros(h, w)
        self.weight, self.off, self.shade = (self._zeros(h, w) for _ in range(3))
        self.levels = self._zeros(64 * 128, kind=torch.int32)
        self.bounds = self._zeros(64 * 128 + 128, kind=torch.int32)
        self.squares8, self.partial = self._zeros(7, n8), self._zeros(4, n8)
        self._cells8 = values(self._h8, self._w8)
        self.scales, self.scales_filled = (self._zeros(c, self._cells8) for c in (4, 3))
        self.wide = self._zeros(3, n8)
        self._gap = max(2, max(h, w) // 60)
        self._growth = 1 + max(1, max(h, w) // 120) + self._gap
        self.changed, self.grown, self.wider_change = (self._zeros(h, w) for _ in range(3))
        self.eroded, self.closed = (self._zeros(h, w) for _ in range(2))
        self.cells, self.shrunk, self.opened = (self._zeros(self._hc, self._wc) for _ in range(3))
        self.strips = self._zeros(24)
        self._strip_rows = max(16, power(max(self._hc, self._wc)))
        self.ends, self.held = (self._zeros(3, self._strip_rows) for _ in range(2))
        self.foreign, self.near = (self._zeros(self._h4, self._w4) for _ in range(2))
        self.noises = self._zeros(2, n8)
        self.kept, self.rough0, self.rough = (
            self._zeros(3, h, w),
            self._zeros(h, w),
            self._zeros(h, w),
        )
        self.lit, self.strange, self.core = (self._zeros(h, w) for _ in range(3))
        self.half, self.flat, self.sure = (self._zeros(self._h2, self._w2) for _ in range(3))
        self.wider, self.solid = (self._zeros(self._h2, self._w2) for _ in range(2))
        self._spill_tiles = up(self._h2, 16) * up(self._w2, 16)
        self.scratch = self._zeros(self._spill_tiles, 3072)
        self._cells2, self._cells4 = values(self._h2, self._w2), values(self._h4, self._w4)
        self.shares, self.shares_filled = (self._zeros(c, self._cells2) for c in (2, 1))
        self.colors, self.colors_filled = (self._zeros(c, self._cells2) for c in (4, 3))
        self.deep, self.deep_filled = (self._zeros(c, self._cells4) for c in (4, 3))
        self.front = self._zeros(3, self._h2, self._w2)
        self.own_key = self._zeros(self._h4, self._w4)
        self.pooled, self.soft = self._zeros(6, h, w), self._zeros(6, h, w)
        self._small = max(1, round(max(h, w) / OVERVIEW))
        self._ho, self._wo = up(h, self._small), up(w, self._small)
        # In two halves of float16 each, as the weights.
        self.overview = self._zeros(2, self._ho * self._wo, 16, kind=torch.float16)
        self.plate: Upright | None = None
        """Which one the following hold: the screen's colour and what depends on it alone."""
        self.plate_color, self.plate8 = self._zeros(3, h, w), self._zeros(3, n8)
        self.then, self.then_low, self.then_high = (self._zeros(3, h, w) for _ in range(3))
        self.proposed, self.below, self.marks = (self._zeros(h, w) for _ in range(3))

    def _read_weights(self, network: Estimator) -> None:
        self._convolutions: list[tuple[Tensor, Tensor, int]] = []
        layers = [m for m in network.shapes if isinstance(m, torch.nn.Conv2d)]
        for layer in layers[:-1]:
            out, channels = layer.weight.shape[:2]
            if max(out, channels) > 16:
                raise ShapeError(f"network: its convolution has {out} channels; need 16 at most")
            weights, bias = self._zeros(9, 16, 16), self._zeros(16)
            kept = layer.weight.detach().permute(2, 3, 1, 0).reshape(9, channels, out)
            weights[:, :channels, :out] = kept
            assert layer.bias is not None
            bias[:out] = layer.bias.detach()
            self._convolutions.append((_halves(weights), bias, int(layer.dilation[0])))
        last = layers[-1]
        assert last.bias is not None
        out, channels = last.weight.shape[:2]
        weights, self._last_bias = self._zeros(16, 16), self._zeros(16)
        weights[:channels, :out] = last.weight.detach()[:, :, 0, 0].T
        self._last_weights = _halves(weights)
        self._last_bias[:out] = last.bias.detach()
        self._layers = self._zeros(2, 2, self._ho * self._wo, 16, kind=torch.float16)

    def _flat_programs(self, n: int) -> int:
        return up(n, self._flat)

    @property
    def _tile_programs(self) -> int:
        return up(self._squares, self._tiles)
