"""The live analysis of a frame on a card: a fixed row of kernels, without any wait for the host.

The same as `models.analysis.Analysis` in the live grade for a clip; that stays the reference. What
depends on the frame, whether there is a screen, whether a plate fits, is told by flags on the
card, so that the row can be captured in a CUDA graph and replayed on the same planes.
"""

from __future__ import annotations

import torch

from models.analysis import FOLLOW, Analysis, Grade
from models.color import Encoding, Planes
from models.estimator import Estimator
from models.features import radius
from models.kernels.cuda import analysis_colour as colour
from models.kernels.cuda import analysis_context as context
from models.kernels.cuda import analysis_subject as subject
from models.kernels.cuda.analysis_buffers import Launch, halvings, power, up
from models.kernels.cuda.analysis_screen_row import ScreenRow
from models.kernels.cuda.correcting import Correcting
from models.kernels.cuda.fields import Fields
from models.outside import LEAST, outside_of_plate
from models.plate import require_same_size
from models.pyramid import grow, pool, shrink
from models.refine import Refiner
from models.settings import KeySettings
from models.upright import Upright


class LiveAnalysis(ScreenRow):
    """Analyses frames of one source on a card, into buffers that stay where they are.

    What a clip showed of its screen is remembered on the card from launch to launch.

    Args:
        size: (H, W) of the first plane.
        chroma: (h, w) of the second and third.
        encoding: how the planes are read.
        quarter_turns: clockwise turns that make a frame upright.
        settings: what a person set; ``shadow`` is left to the reference.
        network: the live network, on the device where the frames are.
        refiner: the edge network, there too; None: nothing is corrected.
    """

    def __init__(
        self,
        size: tuple[int, int],
        chroma: tuple[int, int],
        encoding: Encoding,
        quarter_turns: int,
        settings: KeySettings,
        network: Estimator,
        refiner: Refiner | None = None,
    ) -> None:
        super().__init__(size, chroma, encoding, quarter_turns, settings, network)
        self.correct = None
        if refiner is not None:
            self.correct = Correcting(network, refiner, self.small, self._factor)

    def set_plate(self, plate: Upright) -> None:
        """Take over a clean plate: what depends on it alone is made once, by the reference.

        Args:
            plate: on the device of the frames.

        Raises:
            ShapeError: it is of another size than the frames.
        """
        require_same_size(plate.size, self.size)
        self.plate = None
        made = Analysis(Grade.LIVE, self._settings, clip=True).read_plate(plate)
        proposed, below, marks = outside_of_plate(made)
        then = torch.log2(made.shown + LEAST)
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
        self.plate = plate

    def forget_plate(self) -> None:
        """Hold no plate any more; frames are then analysed without."""
        self.plate = None

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
        if self.correct is not None:
            self.correct(out)

    def launches(self, planes: Planes, out: Fields, plate: bool) -> list[Launch]:
        """The kernels of one frame, in order, but for its correction; arguments as in a call."""
        return [
            *self._find(planes, plate),
            *self._fit(plate),
            *self._settle(out, plate),
            *self._subject(out),
            *self._shapes(out),
        ]

    def _subject(self, out: Fields) -> list[Launch]:
        """The subject's core and colours, and what the network is told."""
        h, w, n = self._h, self._w, self._h * self._w
        h2, w2, h4, w4 = self._h2, self._w2, self._h4, self._w4
        h8, w8, size = self._h8, self._w8, (h, w)
        halves, tiles = self._flat_programs(h2 * w2), self._tile_programs
        pixels = self._flat_programs(n)
        flat = {"block": self._flat}
        pooled = [max(1, radius(size, p) // 2) for p in (4, 12, 40)]
        means = dict(zip(("one", "two", "three"), pooled, strict=True))
        small = [up(h, p) * up(w, p) for p in pooled if p > 1]
        wide = self._flat_programs(max(small)) if small else 0
        direct = pixels if pooled[0] == 1 else 0
        near = radius(size, 3)
        spread = {
            "last": halvings(h8, w8),
            "block": self._block,
            "flat": self._flat,
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
                (
                    self.half,
                    self.flat,
                    self.sure,
                    self.wider,
                    self.shares,
                    self.scratch,
                    h2,
                    w2,
                    self._cells2,
                ),
                {"rounds": FOLLOW[Grade.LIVE], **self._warps},
            ),
            Launch(
                subject.spread_share,
                1 + pixels,
                (
                    self.shares,
                    self.shares_filled,
                    out.fields,
                    self.rough,
                    self.lit,
                    self.strange,
                    out.told,
                    h,
                    w,
                    h2,
                    w2,
                    h8,
                    w8,
                    self._cells2,
                ),
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
                (
                    self.shares,
                    self.shares_filled,
                    self.sure,
                    self.wider,
                    self.solid,
                    h2,
                    w2,
                    self._cells2,
                ),
                flat,
            ),
            Launch(
                colour.find_core,
                tiles,
                (
                    self.rough,
                    self.solid,
                    self.kept,
                    self.core,
                    self.colors,
                    h,
                    w,
                    h2,
                    w2,
                    self._cells2,
                ),
                {"tiles": self._tiles},
            ),
            Launch(
                colour.keep_colour,
                tiles + wide,
                (
                    self.core,
                    self.kept,
                    self.rough,
                    self.deep,
                    self.pooled,
                    h,
                    w,
                    h4,
                    w4,
                    self._cells4,
                ),
                {
                    "radius": max(1, max(size) // 100),
                    "programs": tiles,
                    "tiles": self._tiles,
                    "flat": self._flat,
                    **means,
                },
            ),
            Launch(
                colour.spread_colour,
                6 + direct + wide,
                (
                    self.colors,
                    self.colors_filled,
                    self.deep,
                    self.deep_filled,
                    out.fields,
                    self.core,
                    self.pooled,
                    self.soft,
                    h,
                    w,
                    h2,
                    w2,
                    h4,
                    w4,
                    h8,
                    w8,
                    self._cells2,
                    self._cells4,
                ),
                {"pixels": direct, **means, **spread},
            ),
            Launch(
                context.take_colour,
                3 * halves + self._flat_programs(h4 * w4),
                (
                    self.colors,
                    self.colors_filled,
                    self.front,
                    self.deep,
                    self.deep_filled,
                    self.own_key,
                    self.state,
                    h2,
                    w2,
                    h4,
                    w4,
                    self._cells2,
                    self._cells4,
                ),
                {"halves": halves, **flat},
            ),
            Launch(
                context.describe,
                up(self._ho * self._wo, self._flat // power(self._small) ** 2),
                (
                    out.fields,
                    self.kept,
                    self.rough,
                    self.core,
                    self.front,
                    self.own_key,
                    self.soft,
                    self.overview,
                    self.state,
                    h,
                    w,
                    h2,
                    w2,
                    h4,
                    w4,
                ),
                {**means, **flat, "factor": self._small, "side": power(self._small)},
            ),
        ]

    def _shapes(self, out: Fields) -> list[Launch]:
        """The network's convolution."""
        made = []
        for i, (weights, bias, dilation) in enumerate(self._convolutions):
            last = i == len(self._convolutions) - 1
            made.append(
                Launch(
                    context.convolve,
                    up(self._ho * self._wo, self._products["block"]),
                    (
                        self.overview if i == 0 else self._layers[(i + 1) % 2],
                        weights,
                        bias,
                        self._last_weights,
                        self._last_bias,
                        out.shapes if last else self._layers[i % 2],
                        self._ho,
                        self._wo,
                    ),
                    {"dilation": dilation, "last": last, **self._products},
                )
            )
        return made
