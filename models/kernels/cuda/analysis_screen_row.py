"""The first half of the live analysis: the frame reduced, its screen found, fitted and settled."""

from __future__ import annotations

from typing import Any

import torch

from models.color import Matrix, Planes, Siting
from models.kernels.cuda import analysis_fit as fit
from models.kernels.cuda import analysis_frame as frame
from models.kernels.cuda import analysis_outside as outside
from models.kernels.cuda import analysis_screen as screen
from models.kernels.cuda.analysis_buffers import Launch, halvings, power, up
from models.kernels.cuda.analysis_settle_row import SettleRow
from models.kernels.cuda.decoding import CURVES, matrix_of
from models.screen import Hue

_QUANTILE = 0.95


class ScreenRow(SettleRow):
    """The kernels up to the screen's colour and what is held out; for `LiveAnalysis`."""

    def _find(self, planes: Planes, plate: bool) -> list[Launch]:
        """Reduce the frame, find its screen, and hold that against what is known of it."""
        height, width = self._planes_size
        f, (chroma_h, chroma_w) = self._factor, self._chroma
        pooled = up(height, f), up(width, f)
        down, across = max(1, f * chroma_h // height), max(1, f * chroma_w // width)
        way = frame.SAME
        if f == 1 and (chroma_h, chroma_w) != (height, width):
            way = frame.SITED
        elif (up(chroma_h, down), up(chroma_w, across)) != pooled:
            way = frame.SCALED
        siting, matrix = self._encoding.siting, self._encoding.matrix
        n = self._squares
        position = float(torch.tensor(_QUANTILE, dtype=torch.float32) * (n - 1))
        low, weight = int(position), position - int(position)
        block, rows = max(16, power(n)), self._rows
        bare8 = self.plate8 if plate else self.kept8
        wanted = 0 if self._settings.screen == "auto" else Hue[self._settings.screen.upper()].value
        return [
            Launch(
                frame.reduce_frame,
                self._tile_programs if self._device.type == "cpu" else self._squares,
                (
                    *planes,
                    *(s for p in planes for s in p.stride()),
                    *(self.small, self.sampled, self.small8, self.reach),
                    *(height, width, chroma_h, chroma_w, self._h, self._w, *pooled),
                    *matrix_of(self._encoding),
                ),
                {
                    "factor": f,
                    "wide": power(f),
                    "down": down,
                    "across": across,
                    "chroma_wide": power(across),
                    "way": way.value,
                    "centred_y": siting is not Siting.TOP_LEFT,
                    "centred_x": siting is Siting.CENTER,
                    "turns": self._turns,
                    "transfer": CURVES[self._encoding.transfer],
                    "components": matrix is Matrix.RGB,
                    "tiles": self._tiles if self._device.type == "cpu" else 1,
                },
            ),
            Launch(
                screen.rank_strength,
                2 * up(n, rows) + self._flat_programs(self._h * self._w),
                (
                    self.small8,
                    self.small,
                    self.seen,
                    self.state,
                    n,
                    low,
                    min(low + (weight > 0), n - 1),
                    self._h,
                    self._w,
                ),
                {
                    "programs": 2 * up(n, rows),
                    "block": block,
                    "rows": rows,
                    "flat": self._flat,
                    **self._warps,
                },
            ),
            Launch(
                screen.rank_colours,
                5 * up(n, 2 * rows),
                (self.small8, bare8, self.state, n, self._w8, weight),
                {"wanted": wanted, "block": block, "rows": 2 * rows, **self._warps},
            ),
        ]

    def _deviation(self, plate: bool) -> tuple[int, tuple[Any, ...], dict[str, Any]]:
        """What the middle deviation of the guess is found with: programs, arguments, constants."""
        n = self._squares
        position = float(torch.tensor(_QUANTILE, dtype=torch.float32) * (n - 1))
        bare8 = self.plate8 if plate else self.kept8
        constants = {"block": max(16, power(n)), "rows": self._rows, **self._warps}
        arguments = self.small8, bare8, n, position - int(position)
        return up(n, self._rows), arguments, constants

    def _fit(self, plate: bool) -> list[Launch]:
        """The screen's colour in two rounds; the second one's spread is left to `_settle`."""
        h, w, n = self._h, self._w, self._h * self._w
        guess = self.plate_color if plate else self.kept_color
        flat = {"block": self._flat}
        tiles = {"tiles": self._tiles}
        last = halvings(self._h8, self._w8)
        arguments: tuple[Any, ...]
        programs, (small8, bare8, n8, weight), constants = self._deviation(plate)
        spread = (self.squares8, self.scales, self.scales_filled, self.wide, self.state)
        made = []
        if not plate:
            arguments = small8, bare8, self.state, n8, weight
            made.append(Launch(screen.rank_deviation, programs, arguments, constants))
        made += [
            Launch(
                fit.start_fit,
                self._flat_programs(n),
                (
                    guess,
                    self.seen,
                    self.color,
                    self.level,
                    self.levels,
                    self.state,
                    h,
                    w,
                ),
                {"plate": plate, **flat},
            ),
            Launch(
                fit.middle_level,
                # A plate's deviation is only told; what is remembered is left for it.
                1 + (programs if plate else 0),
                (self.levels, self.state, small8, bare8, n8, weight),
                constants | {"ranked": plate},
            ),
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
                    up(self._squares, self._lone["tiles"]),
                    (
                        self.small,
                        self.seen,
                        self.then,
                        self.color,
                        self.inner,
                        self.weight,
                        self.squares8,
                        self.partial,
                        self.state,
                        h,
                        w,
                    ),
                    {"turn": turn, "plate": plate, **self._lone},
                ),
            ]
            if turn == 0:
                made.append(
                    Launch(
                        outside.spread_first,
                        3,
                        (*spread, self._h8, self._w8, self._cells8),
                        {"last": last, "block": self._block} | self._warps,
                    )
                )
            else:
                cells = n if plate else self._hc * self._wc
                made.append(
                    Launch(
                        outside.spread_second,
                        3 + self._flat_programs(cells),
                        (
                            *spread,
                            self.seen,
                            self.weight,
                            self.partial,
                            self.then_low,
                            self.then_high,
                            self.changed,
                            self.cells,
                            self.shrunk,
                            h,
                            w,
                            self._cells8,
                        ),
                        {
                            "plate": plate,
                            "cell": self._cell,
                            "n8_block": max(16, power(self._squares)),
                            "last": last,
                            "block": self._block,
                            "flat": self._flat,
                            **self._warps,
                        },
                    )
                )
            arguments = (
                self.seen,
                self.wide,
                self.color,
                self.weight,
                self.off,
                self.shade,
            )
            arguments += (self.bounds, self.kept_color, self.kept8, self.state)
            programs = self._tile_programs
            if turn == 0:
                constants = {"plate": plate, **tiles}
                made.append(Launch(outside.scale_first, programs, (*arguments, h, w), constants))
                constants = {**self._warps}
                made.append(Launch(outside.bound_first, 1, (self.bounds, self.state), constants))
            else:
                more = self._flat_programs(n if plate else self._hc * self._wc)
                arguments += (
                    self.changed,
                    self.grown,
                    self.cells,
                    self.shrunk,
                    self.opened,
                    self.reach,
                    h,
                    w,
                    self._hc,
                    self._wc,
                )
                constants = {"plate": plate, "programs": programs, "flat": self._flat, **tiles}
                constants["radius"] = self._growth
                made.append(Launch(outside.scale_second, programs + more, arguments, constants))
        return made
