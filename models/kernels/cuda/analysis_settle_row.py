"""The row's middle part: what is screen, what lies outside it, and what is held out."""

from __future__ import annotations

from models.kernels.cuda import analysis_outside as outside
from models.kernels.cuda import analysis_subject as subject
from models.kernels.cuda.analysis_buffers import Buffers, Launch, power, up
from models.kernels.cuda.fields import Fields


class SettleRow(Buffers):
    """See the module."""

    def _settle(self, out: Fields, plate: bool) -> list[Launch]:
        """Folds, what is outside, and what is held out."""
        h, w, n = self._h, self._w, self._h * self._w
        size, tiles = max(h, w), self._tile_programs
        pixels = self._flat_programs(n)
        cells = self._hc, self._wc
        reach = max(1, size // 8 // 4)
        near = up(self._h4 * self._w4, self._flat // 8)
        rows = self._strip_rows
        return [
            Launch(
                outside.bound_second,
                1 + (pixels if plate else 3 * rows // 16),
                (
                    self.bounds,
                    self.state,
                    self.grown,
                    self.wider_change,
                    self.cells,
                    self.opened,
                    self.reach,
                    self.ends,
                    h,
                    w,
                    *cells,
                ),
                {
                    "plate": plate,
                    "radius": self._growth,
                    "rows": rows,
                    "flat": self._flat,
                }
                | self._warps,
            ),
            Launch(
                outside.find_foreign,
                tiles + (pixels if plate else 3),
                (
                    self.off,
                    self.shade,
                    self.foreign,
                    self.bounds,
                    self.state,
                    self.wider_change,
                    self.eroded,
                    self.strips,
                    self.ends,
                    self.held,
                    h,
                    w,
                    *cells,
                ),
                {
                    "plate": plate,
                    "gap": self._gap,
                    "programs": tiles,
                    "tiles": self._tiles,
                    "rows": rows,
                    "flat": self._flat,
                },
            ),
            Launch(
                outside.grow_foreign,
                near + (pixels if plate else 3),
                (
                    self.foreign,
                    self.near,
                    self.eroded,
                    self.proposed,
                    self.below,
                    self.closed,
                    self.reach,
                    self.cells,
                    self.opened,
                    self.ends,
                    self.strips,
                    self.held,
                    self._h4,
                    self._w4,
                    h,
                    w,
                    *cells,
                ),
                {
                    "plate": plate,
                    "radius": reach,
                    "gap": self._gap,
                    "programs": near,
                    "rows": rows,
                    "block": self._flat // 8,
                    "flat": self._flat,
                },
            ),
            Launch(
                subject.settle,
                tiles,
                (
                    self.small,
                    self.sampled,
                    self.color,
                    self.weight,
                    self.off,
                    self.shade,
                    self.near,
                    self.proposed,
                    self.below,
                    self.marks,
                    self.closed,
                    self.strips,
                    self.reach,
                    self.state,
                    out.fields,
                    self.kept,
                    self.rough0,
                    self.lit,
                    self.strange,
                    self.noises,
                    h,
                    w,
                    self._h4,
                    self._w4,
                    *cells,
                ),
                {"plate": plate, "tiles": self._tiles},
            ),
            Launch(
                subject.soften_rough,
                pixels,
                (
                    self.rough0,
                    self.rough,
                    self.noises,
                    self.reach,
                    self.state,
                    out.told,
                    h,
                    w,
                    self._factor,
                    *self.size,
                ),
                {
                    "plate": plate,
                    "n8_block": max(16, power(self._squares)),
                    "block": self._flat,
                },
            ),
        ]
