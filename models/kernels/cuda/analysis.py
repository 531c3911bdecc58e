# mypy: disable-error-code="no-untyped-call"
"""The live analysis of a frame on a card: a fixed row of kernels, without any wait for the host.

The same as `models.analysis.Analysis` in the live grade for a clip; that stays the reference. What
depends on the frame, whether there is a screen, whether a plate fits, is told by flags on the
card, so that the row can be captured in a CUDA graph and replayed on the same planes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import torch
import triton
from torch import Tensor

from models.analysis import Analysis, Grade
from models.color import LUMA_WEIGHTS, Encoding, Matrix, Planes, Siting, levels
from models.errors import ShapeError
from models.estimator import Estimator
from models.features import _OVERVIEW, radius
from models.kernels.cuda import analysis_context as context
from models.kernels.cuda import analysis_fit as fit
from models.kernels.cuda import analysis_frame as frame
from models.kernels.cuda import analysis_outside as outside
from models.kernels.cuda import analysis_screen as screen
from models.kernels.cuda import analysis_subject as subject
from models.kernels.cuda.fields import Fields, reduction
from models.outside import _LEAST, _cell, _of_plate
from models.plate import require_same_size
from models.pyramid import grow, pool, shrink
from models.screen import Hue
from models.settings import KeySettings
from models.transfer import Transfer
from models.upright import Upright

_CURVES = {Transfer.LINEAR: frame.LINEAR, Transfer.SRGB: frame.SRGB, Transfer.BT709: frame.BT709}
_ROUNDS = 6
"""As `models.analysis` follows spill in the live grade."""
_QUANTILE = 0.95


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


def _power(n: int) -> int:
    return int(triton.next_power_of_2(n))


def _up(n: int, by: int) -> int:
    return -(-n // by)


def _levels(h: int, w: int) -> int:
    """How often a field can be halved before it is one value."""
    count = 0
    while max(h, w) > 1:
        h, w, count = _up(h, 2), _up(w, 2), count + 1
    return count


def _values(h: int, w: int) -> int:
    """How many values the levels of a pyramid have, and two levels more."""
    count = 0
    for _ in range(_levels(h, w) + 3):
        count += h * w
        h, w = _up(h, 2), _up(w, 2)
    return count


class LiveAnalysis:
    """Analyses frames of one source on a card, into buffers that stay where they are.

    What a clip showed of its screen is remembered on the card from launch to launch.

    Args:
        size: (H, W) of the first plane.
        chroma: (h, w) of the second and third.
        encoding: how the planes are read.
        quarter_turns: clockwise turns that make a frame upright.
        settings: what a person set; ``shadow`` is left to the reference.
        network: the live network, on the device where the frames are.
        early: bring each kernel in before the one before it has ended; needs compute
            capability 9.
    """

    def __init__(
        self,
        size: tuple[int, int],
        chroma: tuple[int, int],
        encoding: Encoding,
        quarter_turns: int,
        settings: KeySettings,
        network: Estimator,
        early: bool = False,
    ) -> None:
        self._planes_size, self._chroma = size, chroma
        self._encoding, self._turns = encoding, quarter_turns % 4
        self.size = (size[1], size[0]) if self._turns % 2 else size
        self._settings = settings
        self._device = network.first.weight.device
        self._early = early
        self._factor = reduction(self.size)
        self._h, self._w = (_up(s, self._factor) for s in self.size)
        self._check()
        on_cpu = self._device.type == "cpu"  # Triton's interpreter: few large programs
        self._flat = min(_power(self._h * self._w), 1 << 14) if on_cpu else 128
        self._tiles = 64 if on_cpu else 2
        self._rows = 256 if on_cpu else 4
        self._block = 1024
        self._warps: dict[str, Any] = {} if on_cpu else {"num_warps": 8}
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
        self._h8, self._w8 = _up(h, 8), _up(w, 8)
        self._h2, self._w2 = _up(h, 2), _up(w, 2)
        self._h4, self._w4 = _up(h, 4), _up(w, 4)
        self._squares = self._h8 * self._w8
        like = torch.empty(1, 1, h, w)
        self._cell = _cell(like)
        self._hc, self._wc = _up(h, self._cell), _up(w, self._cell)
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
        self.levels = self._zeros(256 * 128, kind=torch.int32)
        self.bounds = self._zeros(64 * 128 + 128, kind=torch.int32)
        self.squares8, self.partial = self._zeros(7, n8), self._zeros(4, n8)
        self._cells8 = _values(self._h8, self._w8)
        self.scales, self.scales_filled = (self._zeros(c, self._cells8) for c in (4, 3))
        self.wide = self._zeros(3, n8)
        self.changed, self.grown, self.wider_change = (self._zeros(h, w) for _ in range(3))
        self.closed = self._zeros(h, w)
        self.cells, self.shrunk, self.opened = (
            self._zeros(self._hc, self._wc) for _ in range(3)
        )
        self.strips = self._zeros(24)
        self._strip_rows = max(16, _power(max(self._hc, self._wc)))
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
        self._spill_tiles = _up(self._h2, 16) * _up(self._w2, 16)
        self.scratch = self._zeros(self._spill_tiles, 3072)
        self._cells2, self._cells4 = _values(self._h2, self._w2), _values(self._h4, self._w4)
        self.shares, self.shares_filled = (self._zeros(c, self._cells2) for c in (2, 1))
        self.colors, self.colors_filled = (self._zeros(c, self._cells2) for c in (4, 3))
        self.deep, self.deep_filled = (self._zeros(c, self._cells4) for c in (4, 3))
        self.front = self._zeros(3, self._h2, self._w2)
        self.pooled, self.soft = self._zeros(6, h, w), self._zeros(6, h, w)
        self.overview = self._zeros(h, w, 16)
        self._small = max(1, round(max(h, w) / _OVERVIEW))
        self._ho, self._wo = _up(h, self._small), _up(w, self._small)
        # The plate: the screen's colour and what depends on the plate alone.
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
            self._convolutions.append((weights, bias, int(layer.dilation[0])))
        last = layers[-1]
        assert last.bias is not None
        out, channels = last.weight.shape[:2]
        self._last_weights, self._last_bias = self._zeros(16, 16), self._zeros(16)
        self._last_weights[:channels, :out] = last.weight.detach()[:, :, 0, 0].T
        self._last_bias[:out] = last.bias.detach()
        self._layers = self._zeros(2, self._ho * self._wo, 16)

    def set_plate(self, plate: Upright) -> None:
        """Take over a clean plate: what depends on it alone is made once, by the reference.

        Args:
            plate: on the device of the frames.

        Raises:
            ShapeError: it is of another size than the frames.
        """
        require_same_size(plate.size, self.size)
        made = Analysis(Grade.LIVE, self._settings, clip=True).read_plate(plate)
        proposed, below, marks = _of_plate(made)
        then = torch.log2(made.shown + _LEAST)
        for buffer, value in (
            (self.plate_color, made.color),
            (self.plate8, pool(made.color, 8)),
            (self.then, then),
            (self.then_low, shrink(then, 2)),
            (self.then_high, grow(then, 2)),
            (self.proposed, proposed),
            (self.below, below),
            (self.marks, marks),
        ):
            buffer.copy_(value.reshape(buffer.shape))

    def forget(self) -> None:
        """Begin anew, as with another camera: nothing of the screen is remembered."""
        self.state[24:].zero_()

    def __call__(self, planes: Planes, out: Fields, plate: bool) -> None:
        """Analyse a frame: start all kernels on torch's current stream; nothing is waited for.

        Args:
            planes: three (H, W) integer tensors on the device, of any strides.
            out: what is filled.
            plate: from the plate that was set; where it turns out not to fit (told in ``out``),
                the frame has to be analysed again without it.
        """
        for launch in self.launches(planes, out, plate):
            launch()

    def launches(self, planes: Planes, out: Fields, plate: bool) -> list[Launch]:
        """The kernels of one frame, in order; arguments as in a call."""
        made = [
            *self._find(planes, plate),
            *self._fit(plate),
            *self._settle(out, plate),
            *self._subject(out),
            *self._shapes(out),
        ]
        if self._early:
            for one in made:
                one.constants["launch_pdl"] = True
        return made

    def _flat_programs(self, n: int) -> int:
        return _up(n, self._flat)

    @property
    def _tile_programs(self) -> int:
        return _up(self._squares, self._tiles)

    def _find(self, planes: Planes, plate: bool) -> list[Launch]:
        """Reduce the frame, find its screen, and hold that against what is known of it."""
        height, width = self._planes_size
        f, (chroma_h, chroma_w) = self._factor, self._chroma
        pooled = _up(height, f), _up(width, f)
        down, across = max(1, f * chroma_h // height), max(1, f * chroma_w // width)
        way = frame.SAME
        if f == 1 and (chroma_h, chroma_w) != (height, width):
            way = frame.SITED
        elif (_up(chroma_h, down), _up(chroma_w, across)) != pooled:
            way = frame.SCALED
        siting, matrix = self._encoding.siting, self._encoding.matrix
        y0, y_span, c0, c_span = levels(self._encoding)
        kr, kb = LUMA_WEIGHTS.get(matrix, (0.0, 0.0))
        kg = 1 - kr - kb
        factors = (
            2 * (1 - kr),
            -2 * (1 - kb) * kb / kg,
            -2 * (1 - kr) * kr / kg,
            2 * (1 - kb),
        )
        n = self._squares
        position = float(torch.tensor(_QUANTILE, dtype=torch.float32) * (n - 1))
        low, weight = int(position), position - int(position)
        block, rows = max(16, _power(n)), self._rows
        bare8 = self.plate8 if plate else self.kept8
        wanted = 0 if self._settings.screen == "auto" else Hue[self._settings.screen.upper()].value
        early = self._early
        return [
            Launch(
                frame.reduce_frame,
                self._tile_programs if self._device.type == "cpu" else self._squares,
                (
                    *planes,
                    *(s for p in planes for s in p.stride()),
                    *(self.small, self.sampled, self.small8, self.reach),
                    *(height, width, chroma_h, chroma_w, self._h, self._w, *pooled),
                    *(y0, 1 / y_span, c0, 1 / c_span, *factors),
                ),
                {
                    "factor": f,
                    "wide": _power(f),
                    "down": down,
                    "across": across,
                    "chroma_wide": _power(across),
                    "way": way.value,
                    "centred_y": siting is not Siting.TOP_LEFT,
                    "centred_x": siting is Siting.CENTER,
                    "turns": self._turns,
                    "transfer": _CURVES[self._encoding.transfer].value,
                    "components": matrix is Matrix.RGB,
                    "tiles": self._tiles if self._device.type == "cpu" else 1,
                    "early": early,
                },
            ),
            Launch(
                screen.rank_strength,
                _up(n, rows),
                (self.small8, self.state, n, low, min(low + (weight > 0), n - 1)),
                {"block": block, "rows": rows, "early": early, **self._warps},
            ),
            Launch(
                screen.rank_colours,
                _up(n, rows),
                (self.small8, bare8, self.state, n, self._w8, weight),
                {"wanted": wanted, "block": block, "rows": rows, "early": early, **self._warps},
            ),
            Launch(
                screen.rank_deviation,
                _up(n, rows),
                (self.small8, bare8, self.state, n, weight),
                {"block": block, "rows": rows, "early": early, **self._warps},
            ),
        ]

    def _fit(self, plate: bool) -> list[Launch]:
        """The screen's colour in two rounds; the second one's spread is left to `_settle`."""
        h, w, n, early = self._h, self._w, self._h * self._w, self._early
        guess = self.plate_color if plate else self.kept_color
        flat = {"block": self._flat, "early": early}
        tiles = {"tiles": self._tiles, "early": early}
        last = _levels(self._h8, self._w8)
        spread = (self.squares8, self.scales, self.scales_filled, self.wide, self.state)
        made = [
            Launch(
                fit.start_fit,
                self._flat_programs(n),
                (self.small, guess, self.seen, self.color, self.level, self.levels, self.state)
                + (h, w),
                {"plate": plate, **flat},
            ),
            Launch(fit.middle_level, 1, (self.levels, self.state), {"early": early, **self._warps}),
        ]
        for turn, counters in ((0, self.levels), (1, self.bounds)):
            made += [
                Launch(
                    fit.find_inner,
                    self._flat_programs(n),
                    (self.level, self.off, self.shade, self.inner, counters, self.state, h, w),
                    {"turn": turn, "size": counters.numel(), **flat},
                ),
                Launch(
                    fit.weigh,
                    self._tile_programs,
                    (self.small, self.seen, self.then, self.color, self.inner, self.weight)
                    + (self.squares8, self.partial, self.state, h, w),
                    {"turn": turn, "plate": plate, **tiles},
                ),
            ]
            if turn == 0:
                made.append(
                    Launch(
                        outside.spread_first,
                        3,
                        (*spread, self._h8, self._w8, self._cells8),
                        {"last": last, "block": self._block, "early": early}
                        | self._warps,
                    )
                )
            else:
                cells = n if plate else self._hc * self._wc
                made.append(
                    Launch(
                        outside.spread_second,
                        3 + self._flat_programs(cells),
                        (*spread, self.seen, self.weight, self.partial, self.then_low)
                        + (self.then_high, self.changed, self.cells, self.shrunk, h, w, self._cells8),
                        {
                            "plate": plate,
                            "cell": self._cell,
                            "n8_block": max(16, _power(self._squares)),
                            "last": last,
                            "block": self._block,
                            "flat": self._flat,
                            "early": early,
                            **self._warps,
                        },
                    )
                )
            arguments = (self.seen, self.wide, self.color, self.weight, self.off, self.shade)
            arguments += (self.bounds, self.kept_color, self.kept8, self.state)
            programs = self._tile_programs
            if turn == 0:
                constants = {"plate": plate, **tiles}
                made.append(Launch(outside.scale_first, programs, (*arguments, h, w), constants))
                constants = {"early": early, **self._warps}
                made.append(Launch(outside.bound_first, 1, (self.bounds, self.state), constants))
            else:
                more = 0 if plate else self._flat_programs(self._hc * self._wc)
                arguments += (self.cells, self.shrunk, self.opened, self.reach, h, w, self._hc, self._wc)
                constants = {"plate": plate, "programs": programs, "flat": self._flat, **tiles}
                made.append(Launch(outside.scale_second, programs + more, arguments, constants))
        return made

    def _settle(self, out: Fields, plate: bool) -> list[Launch]:
        """Folds, what is outside, and what is held out."""
        h, w, n, early = self._h, self._w, self._h * self._w, self._early
        size, tiles = max(h, w), self._tile_programs
        pixels = self._flat_programs(n)
        gap = max(2, size // 60)
        grown = 1 + max(1, size // 120) + gap
        cells = self._hc, self._wc
        reach = max(1, size // 8 // 4)
        near = _up(self._h4 * self._w4, self._flat // 8)
        rows = self._strip_rows
        return [
            Launch(
                outside.bound_second,
                1 + (pixels if plate else 3 * rows // 16),
                (self.bounds, self.state, self.changed, self.grown, self.cells, self.opened)
                + (self.reach, self.ends, h, w, *cells),
                {
                    "plate": plate,
                    "radius": grown,
                    "rows": rows,
                    "flat": self._flat,
                    "early": early,
                }
                | self._warps,
            ),
            Launch(
                outside.find_foreign,
                tiles + (pixels if plate else 3),
                (self.off, self.shade, self.foreign, self.bounds, self.state, self.grown)
                + (self.wider_change, self.strips, self.ends, self.held, h, w, *cells),
                {
                    "plate": plate,
                    "radius": grown,
                    "programs": tiles,
                    "tiles": self._tiles,
                    "rows": rows,
                    "flat": self._flat,
                    "early": early,
                },
            ),
            Launch(
                outside.grow_foreign,
                near + (pixels if plate else 3),
                (self.foreign, self.near, self.wider_change, self.proposed, self.below)
                + (self.closed, self.reach, self.cells, self.opened, self.ends, self.strips)
                + (self.held, self._h4, self._w4, h, w, *cells),
                {
                    "plate": plate,
                    "radius": reach,
                    "gap": gap,
                    "programs": near,
                    "rows": rows,
                    "block": self._flat // 8,
                    "flat": self._flat,
                    "early": early,
                },
            ),
            Launch(
                subject.settle,
                tiles,
                (self.small, self.sampled, self.color, self.weight, self.off, self.shade)
                + (self.near, self.proposed, self.below, self.marks, self.closed, self.strips)
                + (self.reach, self.state, out.fields, self.kept, self.rough0, self.lit)
                + (self.strange, self.noises, h, w, self._h4, self._w4, *cells),
                {"plate": plate, "tiles": self._tiles, "early": early},
            ),
            Launch(
                subject.soften_rough,
                pixels,
                (self.rough0, self.rough, self.noises, self.reach, self.state, out.told, h, w)
                + (self._factor, *self.size),
                {
                    "plate": plate,
                    "n8_block": max(16, _power(self._squares)),
                    "block": self._flat,
                    "early": early,
                },
            ),
        ]

    def _subject(self, out: Fields) -> list[Launch]:
        """The subject's core and colours, and what the network is told."""
        h, w, n, early = self._h, self._w, self._h * self._w, self._early
        h2, w2, h4, w4 = self._h2, self._w2, self._h4, self._w4
        h8, w8, size = self._h8, self._w8, (h, w)
        halves, tiles = self._flat_programs(h2 * w2), self._tile_programs
        pixels = self._flat_programs(n)
        flat = {"block": self._flat, "early": early}
        pooled = [max(1, radius(size, p) // 2) for p in (4, 12, 40)]
        means = dict(zip(("one", "two", "three"), pooled, strict=True))
        small = [_up(h, p) * _up(w, p) for p in pooled if p > 1]
        wide = self._flat_programs(max(small)) if small else 0
        near = radius(size, 3)
        spread = {
            "last": _levels(h8, w8),
            "block": self._block,
            "flat": self._flat,
            "early": early,
            **self._warps,
        }
        return [
            Launch(
                subject.halve,
                halves,
                (self.rough, self.half, self.flat, self.sure, h, w, h2, w2),
                flat,
            ),
            Launch(
                subject.follow_spill,
                self._spill_tiles,
                (self.half, self.flat, self.sure, self.wider, self.shares, self.scratch)
                + (h2, w2, self._cells2),
                {"rounds": _ROUNDS, "early": early, **self._warps},
            ),
            Launch(
                subject.spread_share,
                1 + pixels,
                (self.shares, self.shares_filled, out.fields, self.rough, self.lit, self.strange)
                + (out.told, h, w, h2, w2, h8, w8, self._cells2),
                {
                    "near_r": radius(size, 4),
                    "low_r": near,
                    "lower_r": near + radius(size, 7),
                    **means,
                    **spread,
                },
            ),
            Launch(
                subject.keep_sharp,
                halves,
                (self.shares, self.shares_filled, self.sure, self.wider, self.solid, h2, w2)
                + (self._cells2,),
                flat,
            ),
            Launch(
                subject.find_core,
                tiles,
                (self.rough, self.solid, self.kept, self.core, self.colors, h, w, h2, w2)
                + (self._cells2,),
                {"tiles": self._tiles, "early": early},
            ),
            Launch(
                subject.spread_colour,
                3 + tiles + wide,
                (self.colors, self.colors_filled, self.core, self.kept, self.rough, self.deep)
                + (self.pooled, h, w, h2, w2, h4, w4, h8, w8, self._cells2, self._cells4),
                {
                    "radius": max(1, max(size) // 100),
                    "programs": tiles,
                    "tiles": self._tiles,
                    **means,
                    **spread,
                },
            ),
            Launch(
                subject.spread_deep,
                3 + 3 * halves + pixels + wide,
                (self.deep, self.deep_filled, self.colors, self.colors_filled, self.front)
                + (out.fields, self.core, self.pooled, self.soft, h, w, h2, w2, h4, w4, h8, w8)
                + (self._cells2, self._cells4),
                {"halves": halves, "pixels": pixels, **means, **spread},
            ),
            Launch(
                context.describe,
                pixels,
                (out.fields, self.kept, self.rough, self.core, self.front, self.deep)
                + (self.deep_filled, self.soft, self.overview, self.state, h, w, h2, w2, h4, w4)
                + (self._cells4,),
                {**means, **flat},
            ),
        ]

    def _shapes(self, out: Fields) -> list[Launch]:
        """The network's convolution."""
        block = 1024 if self._device.type == "cpu" else 64
        made = []
        for i, (weights, bias, dilation) in enumerate(self._convolutions):
            last = i == len(self._convolutions) - 1
            made.append(
                Launch(
                    context.convolve,
                    _up(self._ho * self._wo, block),
                    (self.overview if i == 0 else self._layers[(i + 1) % 2], weights, bias)
                    + (self._last_weights, self._last_bias)
                    + (out.shapes if last else self._layers[i % 2],)
                    + (self._h, self._w, self._ho, self._wo),
                    {
                        "dilation": dilation,
                        "factor": self._small if i == 0 else 1,
                        "last": last,
                        "block": block,
                        "early": self._early,
                    },
                )
            )
        return made
