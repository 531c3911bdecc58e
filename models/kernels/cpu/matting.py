"""The live matte of a window in one pass: asked, estimated, unmixed, despilled, premultiplied.

The same arithmetic as `models.matte.ask`, `models.estimator`, `models.despill` and the live part of
`models.solver`. Two things are done in another order: what the first layer of the perceptron makes
of the frame's smooth fields is linear, so that it is worked out once a value of a field and then
interpolated, not once a pixel; and pixels are gathered in blocks, value by value, so that loops
over a block are vector code.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.analysis import Known
from models.estimator import AROUND, PIXELS, Estimator
from models.kernels.cpu.banding import Bands, lerped
from models.kernels.cpu.blocks import despill, estimate, put
from models.kernels.cpu.compiled import i8, kernel
from models.kernels.cpu.convolving import Packed
from models.kernels.cpu.convolving import shapes as shapes_of
from models.kernels.cpu.fields import across, pack, vertical
from models.kernels.cpu.light import Light, plane_row
from models.kernels.cpu.looking import look, reach_of
from models.kernels.cpu.vectors import QUICK
from models.pyramid import extent

Floats = NDArray[np.float32]
Ints = NDArray[np.int32]

HIDDEN = 24
"""Width of the live perceptron; for another the reference is used."""
_TOLD = PIXELS - 1
"""Values of a pixel itself: the noise is the same for all and goes into the bias."""
_PLAIN, _WIDE = 8, 32
"""Values of a field: what each pixel near the subject is looked up (screen, near, solid, held out,
own key), and what only pixels asked about are (hidden values, the foreground, one unused)."""
_NO_RGB = np.zeros((0, 0, 0), np.float32)
_NO_LIGHT = (*[np.zeros(0, np.uint8)] * 3, np.zeros(0, np.int64), *[np.zeros(0, np.float32)] * 2)
_HALF = np.float32(0.5)


@kernel()
def _of_row(lights: Floats, n: int) -> Any:
    """The light of ``n`` pixels of a row, channel by channel, in memory for more."""
    return lights[: 3 * n].reshape((3, n))


@kernel(
    "void(f4[:,:,::1], u1[::1], u1[::1], u1[::1], i8[::1], f4[::1], f4[::1], i8, i8,"
    "f4[:,:,::1], f4[:,:,::1], f4[:,:,::1], i4[:,::1], f4[:,::1], i4[:,::1],"
    "f4[:,::1], f4[:,::1], f4[:,::1], f4[::1], f4[::1], i8, f4[:,::1], f4[:,:,::1], i8, i8)"
)
def _cut(
    rgb: Floats, p0: Any, p1: Any, p2: Any, place_of: Any, tone: Floats, curve: Floats, top: int,
    left: int, plain: Floats, wide: Floats, shapes: Floats, rows_at: Ints, rows_by: Floats,
    columns_at: Ints, columns_by: Floats, first: Floats, second: Floats, last: Floats,
    levels: Floats, key: int, near: Floats, out: Floats, begin: int, end: int,
) -> None:  # fmt: skip
    """Rows of a window; of the planes of a frame where ``rgb`` is empty."""
    height, width = out.shape[0], out.shape[1]
    lights, start = np.empty((3, 3 * width), np.float32), np.zeros(3, np.int64)
    span = np.zeros(3, np.int64)
    small, twice = np.empty((2, width + 4), np.float32), np.empty((2, width + 4), np.float32)
    row_at, row_by, column_at, column_by = rows_at[0], rows_by[0], columns_at[0], columns_by[0]
    line = np.empty((plain.shape[1] + 1, 8), np.float32)
    hidden_line = np.empty((plain.shape[1] + 1, 32), np.float32)
    shapes_line = np.empty((shapes.shape[1] + 1, 24), np.float32)
    known = np.empty((3, width, 8), np.float32)
    rough = np.empty((3, width), np.float32)
    luma = np.empty((3, width), np.float32)
    told = np.zeros((22, 64), np.float32)
    hidden = np.zeros((24, 64), np.float32)
    keys, alpha, own_key = (
        np.ones(64, np.float32),
        np.ones(64, np.float32),
        np.zeros(64, np.float32),
    )
    own, back = np.zeros((3, 64), np.float32), np.zeros((3, 64), np.float32)
    front = np.zeros((3, 64), np.float32)
    place = np.zeros((2, 64), np.int32)
    s_alpha, s_key = np.ones(64, np.float32), np.zeros(64, np.float32)
    s_own, s_back = np.zeros((3, 64), np.float32), np.zeros((3, 64), np.float32)
    s_place = np.zeros((2, 64), np.int32)
    shown, work = np.empty(32, np.float32), np.empty((4, 64), np.float32)
    none, full = i8(0), i8(64)
    asked, solids = none, none
    reach = np.zeros((height + 2, 2), np.int64)
    for r in range(max(begin - 2, 0), min(end + 2, height)):
        lo, hi = reach_of(row_at[r], near, column_at, width)
        reach[r + 1, 0], reach[r + 1, 1] = lo, hi
    made = max(begin - 1, 0)
    for r in range(begin, end):
        while made <= min(r + 1, height - 1):
            # What a neighbour in the next row or column asks about is looked up, too.
            lo, hi = width, none
            for d in range(3):
                if reach[made + d, 1] > reach[made + d, 0]:
                    lo = min(lo, max(reach[made + d, 0] - 1, 0))
                    hi = max(hi, min(reach[made + d, 1] + 1, width))
            if hi > lo:
                m = made % 3
                shown_m = _of_row(lights[m], hi - lo)
                start[m], span[m] = lo, hi - lo
                if rgb.size:
                    for c in range(3):
                        for x in range(hi - lo):
                            shown_m[c, x] = rgb[c, made, lo + x]
                else:
                    plane_row(p0, p1, p2, place_of, tone, curve, top + made, left + lo, shown_m,
                              small, twice)  # fmt: skip
                look(made, lo, hi, shown_m, plain, row_at, row_by, column_at, column_by, key, line,
                      known[m], rough[m], luma[m])  # fmt: skip
            made += 1
        for x in range(width):
            for c in range(4):
                out[r, x, c] = np.float32(0)
        lo, hi = reach[r + 1, 0], reach[r + 1, 1]
        if hi <= lo:
            continue
        here, ready = r % 3, False
        above, beneath = max(r - 1, 0) % 3, min(r + 1, height - 1) % 3
        known_r, rough_r, luma_r = known[here], rough[here], luma[here]
        rough_a, rough_b, luma_a, luma_b = rough[above], rough[beneath], luma[above], luma[beneath]
        light, ahead = _of_row(lights[here], span[here]), start[here]
        red, green, blue = light[0], light[1], light[2]
        keyed, other = light[key], light[3 - key]
        for column in range(lo, hi):
            # Unsigned: a signed place is looked at whether it counts from the end.
            j, own_j = np.uint64(column), np.uint64(column - ahead)
            if not known_r[j, 3] > 0:
                continue
            if known_r[j, 4] > np.float32(0.99) and rough_r[j] > _HALF:
                i = np.uint64(solids)
                s_place[0, i], s_place[1, i] = r, column
                s_key[i] = known_r[j, 6]
                s_own[0, i], s_own[1, i], s_own[2, i] = red[own_j], green[own_j], blue[own_j]
                s_back[0, i] = known_r[j, 0]
                s_back[1, i] = known_r[j, 1]
                s_back[2, i] = known_r[j, 2]
                solids += 1
                if solids == 64:
                    despill(s_alpha, s_own, s_back, s_key, key, levels, work)
                    put(full, s_place, s_alpha, s_own, out)
                    solids = none
                continue
            if not ready:
                ready = True
                vertical(wide, row_at[r], row_by[r], column_at[lo], column_at[hi - 1] + 2,
                          hidden_line)  # fmt: skip
                vertical(shapes, rows_at[1, r], rows_by[1, r], columns_at[1, lo],
                          columns_at[1, hi - 1] + 2, shapes_line)  # fmt: skip
            i = np.uint64(asked)
            place[0, i], place[1, i] = r, column
            own_key[i] = known_r[j, 6]
            own[0, i], own[1, i], own[2, i] = red[own_j], green[own_j], blue[own_j]
            back[0, i], back[1, i], back[2, i] = known_r[j, 0], known_r[j, 1], known_r[j, 2]
            keys[i] = known_r[j, key]
            told[0, i], told[1, i], told[2, i] = keyed[own_j], red[own_j], other[own_j]
            a, b = np.uint64(max(column - 1, 0)), np.uint64(min(column + 1, width - 1))
            told[4, i] = rough_r[j]
            told[5, i], told[6, i], told[7, i] = rough_a[a], rough_a[j], rough_a[b]
            told[8, i], told[9, i] = rough_r[a], rough_r[b]
            told[10, i], told[11, i], told[12, i] = rough_b[a], rough_b[j], rough_b[b]
            told[13, i] = luma_r[j]
            told[14, i], told[15, i], told[16, i] = luma_a[a], luma_a[j], luma_a[b]
            told[17, i], told[18, i] = luma_r[a], luma_r[b]
            told[19, i], told[20, i], told[21, i] = luma_b[a], luma_b[j], luma_b[b]
            across(hidden_line, column_at[j], column_by[j], shapes_line, columns_at[1, j],
                   columns_by[1, j], shown)  # fmt: skip
            for c in range(24):
                hidden[c, i] = shown[c]
            front[0, i], front[1, i], front[2, i] = shown[24], shown[25], shown[26]
            asked += 1
            if asked == 64:
                estimate(full, told, keys, hidden, alpha, own, back, front, own_key, key, levels,
                          first, second, last, place, out, work)  # fmt: skip
                asked = none
    if solids:
        despill(s_alpha, s_own, s_back, s_key, key, levels, work)
        put(solids, s_place, s_alpha, s_own, out)
    if asked:
        estimate(asked, told, keys, hidden, alpha, own, back, front, own_key, key, levels,
                  first, second, last, place, out, work)  # fmt: skip


class Matting:
    """Cuts windows of live frames.

    Args:
        network: the live estimator, on a CPU.
        bands: splits the work.
    """

    def __init__(self, network: Estimator, bands: Bands) -> None:
        self._bands = bands
        packed = Packed(network.shapes)
        self._convolve: Callable[[Tensor], Tensor] = network.shapes
        if QUICK:
            self._convolve = lambda overview: shapes_of(overview, packed)
        self._memory: tuple[Floats, Floats] | None = None
        weight = network.first.weight.detach().numpy()
        own = [k for k in range(PIXELS) if k != 4]
        self._first = np.ascontiguousarray(weight[:, own])
        self._noise = weight[:, 4]
        self._bias = network.first.bias.detach().numpy()
        self._around = np.ascontiguousarray(weight[:, PIXELS : PIXELS + AROUND].T)
        self._shapes = network.first.weight.detach()[:, PIXELS + AROUND :].T.contiguous()
        self._second, last = (
            np.concatenate([x.weight.detach().numpy(), x.bias.detach().numpy()[:, None]], 1)
            for x in (network.second, network.last)
        )
        self._last = np.ascontiguousarray(last[0])

    def _kept(self, have: tuple[int, ...]) -> tuple[Floats, Floats]:
        """Memory for fields of a size: fresh memory costs more than filling it."""
        if self._memory is None or self._memory[0].shape[:2] != have:
            plain, wide = (np.zeros((*have, n), np.float32) for n in (_PLAIN, _WIDE))
            self._memory = plain, wide
        return self._memory

    @staticmethod
    def covers(network: Estimator) -> bool:
        """Whether a network has the shape that the kernels are written for."""
        return network.second.weight.shape == (HIDDEN, HIDDEN)

    def cut(
        self,
        shown: Tensor | Light,
        known: Known,
        noise: float,
        size: tuple[int, int],
        rows: slice,
        columns: slice,
        levels: tuple[float, float, float, float],
    ) -> Tensor:
        """Alpha and despilled foreground of a window.

        Args:
            shown: (1, 3, rows, columns) float, contiguous, the window; linear Rec.709. Or the
                light of the whole frame, of upright planes of 8 bits, where it is not scaled.
            known: of the whole frame; it shows a screen.
            noise: of the matte over the bare screen at the window's scale.
            size: (H, W) of the whole at the window's scale.
            rows: of the window in the whole; start and stop given.
            columns: likewise.
            levels: black point, white point, and both amounts of `models.despill.despill`.

        Returns:
            (1, 4, rows, columns) float, linear Rec.709, premultiplied, and alpha; its channels lie
            beside each other in memory.
        """
        bare, subject = known.bare, known.subject
        if bare is None or subject is None:
            raise ValueError("cut: need a frame that shows a screen")
        near = subject.near[0, 0].contiguous().numpy()
        have = near.shape
        with torch.inference_mode():
            seen = self._convolve(subject.told.overview)[0].permute(1, 2, 0)
            shapes = (seen @ self._shapes).contiguous().numpy()
        whole = extent((have[0], have[1]), size)
        places = [
            [lerped(p.stop - p.start, p.start, f.shape[i], whole[i]) for f in (near, shapes)]
            for i, p in enumerate((rows, columns))
        ]
        (rows_at, rows_by), (columns_at, columns_by) = (
            [np.stack(x) for x in zip(*two, strict=True)] for two in places
        )
        plain, wide = self._kept(have)
        weights = np.vstack([self._around, self._bias + noise * self._noise]).astype(np.float32)
        top, left = int(rows_at[0, 0]), int(columns_at[0, 0])
        bottom = min(int(rows_at[0, -1]) + 2, have[0])
        right = min(int(columns_at[0, -1]) + 2, have[1])
        pack(
            _of(bare.color), _of(subject.near), _of(subject.solid), _of(bare.hold_out),
            _of(subject.color), _of(subject.told.around), weights, plain, wide,
            top, bottom, left, right,
        )  # fmt: skip
        black, white, despill, luminance = levels
        tone = np.array([black, 1 / (white - black), despill, 0.9 * luminance], np.float32)
        high, across_ = rows.stop - rows.start, columns.stop - columns.start
        out = torch.empty(high, across_, 4)
        light = _NO_LIGHT if isinstance(shown, Tensor) else shown.read
        arguments: tuple[Any, ...] = (
            shown[0].numpy() if isinstance(shown, Tensor) else _NO_RGB, *light, rows.start,
            columns.start, plain, wide, shapes, rows_at, rows_by, columns_at, columns_by,
            self._first, self._second, self._last, tone, bare.hue.value, near, out.numpy(),
        )  # fmt: skip
        self._bands(high, lambda *part: _cut(*arguments, *part))
        return out.permute(2, 0, 1)[None]


def _of(x: Tensor) -> Floats:
    """The values of a (1, C, h, w) field: (C, h, w), of one channel (h, w)."""
    array: Floats = (
        x[0].squeeze(0).contiguous().numpy() if x.shape[1] == 1 else x[0].contiguous().numpy()
    )
    return array
