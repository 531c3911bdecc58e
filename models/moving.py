"""Layers that move: placed and scaled to a part of a pixel, antialiased, in linear light.

Source of the filter: Keys, *Cubic Convolution Interpolation for Digital Image Processing*, IEEE
Transactions on Acoustics, Speech and Signal Processing, 1981 (a = -1/2), widened by the reduction
where a layer gets smaller. What lies beyond a layer is nothing, so that its edges are soft, too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models.curve_table import decoded, encoded
from models.flatten import Flat
from models.resample import resize

Rect = tuple[float, float, float, float]
"""Top, left, bottom, right in picture pixels, edges not centres."""
Window = tuple[int, int, int, int]
"""The same in whole pixels."""

_NO_COVERAGE = 1e-6
# chosen: a 250th of a pixel is seen by nobody, and whole pixels are placed without a filter.
_WHOLE = 0.004


@dataclass(frozen=True)
class Piece:
    """A layer at the size of the picture.

    Attributes:
        rgb_enc: (1, 3, h, w) float32, sRGB-encoded, straight.
        alpha: (1, 1, h, w) float32 coverage, or None where it is opaque throughout.
        y: picture pixel of its top edge; may lie outside.
        x: picture pixel of its left edge.
    """

    rgb_enc: Tensor
    alpha: Tensor | None
    y: int
    x: int

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) in pixels."""
        return self.rgb_enc.shape[-2], self.rgb_enc.shape[-1]

    @property
    def rect(self) -> Rect:
        """Where it lies."""
        high, wide = self.size
        return float(self.y), float(self.x), float(self.y + high), float(self.x + wide)

    def within(self, window: Window) -> Piece | None:
        """What of it lies in a window; a view, None where that is nothing."""
        high, wide = self.size
        top, left = max(self.y, window[0]), max(self.x, window[1])
        bottom, right = min(self.y + high, window[2]), min(self.x + wide, window[3])
        if bottom <= top or right <= left:
            return None
        rows, columns = slice(top - self.y, bottom - self.y), slice(left - self.x, right - self.x)
        alpha = None if self.alpha is None else self.alpha[..., rows, columns]
        return Piece(self.rgb_enc[..., rows, columns], alpha, top, left)

    def shifted(self, down: int, right: int) -> Piece:
        """The same elsewhere."""
        return Piece(self.rgb_enc, self.alpha, self.y + down, self.x + right)

    def to(self, device: torch.device | str) -> Piece:
        """The same on another device."""
        alpha = None if self.alpha is None else self.alpha.to(device)
        return Piece(self.rgb_enc.to(device), alpha, self.y, self.x)


def piece_of(flat: Flat) -> Piece | None:
    """Flattened layers as a piece without the empty rim around them; None where they are empty."""
    seen = flat.alpha[0, 0] > 0
    rows, columns = seen.any(1).nonzero().flatten(), seen.any(0).nonzero().flatten()
    if not len(rows):
        return None
    top, left = int(rows[0]), int(columns[0])
    down, across = slice(top, int(rows[-1]) + 1), slice(left, int(columns[-1]) + 1)
    alpha = flat.alpha[..., down, across].contiguous()
    covered = alpha > _NO_COVERAGE
    straight = flat.rgb_pm[..., down, across] / torch.where(covered, alpha, torch.ones_like(alpha))
    whole = bool((alpha >= 1).all())
    return Piece(straight.mul_(covered).clamp_(0, 1), None if whole else alpha, top, left)


def _cubic(t: Tensor) -> Tensor:
    t = t.abs()
    near = ((1.5 * t - 2.5) * t) * t + 1
    far = ((-0.5 * t + 2.5) * t - 4) * t + 2
    return torch.where(t <= 1, near, torch.where(t < 2, far, torch.zeros_like(t)))


def _along(image: Tensor, axis: int, start: float, stop: float, first: int, last: int) -> Tensor:
    """One axis resampled: pixels ``first`` to ``last`` of a layer that lies start to stop."""
    have = image.shape[axis]
    grown = (stop - start) / have
    wide = max(1.0, 1 / grown)
    centres = (torch.arange(first, last, dtype=torch.float64) + 0.5 - start) / grown - 0.5
    begins = torch.floor(centres - 2 * wide).to(torch.int64) + 1
    count = math.ceil(4 * wide) + 1
    taps = begins[:, None] + torch.arange(count)
    weights = _cubic((taps - centres[:, None]) / wide)
    weights /= weights.sum(1, keepdim=True)
    # Empty pixels around it, so that every tap has one.
    before, after = max(0, -int(taps.min())), max(0, int(taps.max()) + 1 - have)
    pads = [0, 0, 0, 0]
    pads[0 if axis == -1 else 2], pads[1 if axis == -1 else 3] = before, after
    padded = functional.pad(image, pads)
    taps += before
    shape = (-1, 1) if axis == -2 else (1, -1)
    even = abs(grown - 1) < 1e-9
    out: Tensor | None = None
    for k in range(count):
        weight = weights[:, k]
        if not bool(weight.any()):
            continue
        if even:
            part = padded.narrow(axis, int(taps[0, k]), last - first)
            term = part * float(weight[0])
        else:
            part = padded.index_select(axis, taps[:, k].to(image.device))
            term = part.mul_(weight.to(image).view(shape))
        out = term if out is None else out.add_(term)
    return padded.narrow(axis, 0, last - first) * 0 if out is None else out


def _resampled(image: Tensor, rect: Rect, at: Window) -> Tensor:
    """The window ``at`` of an image that lies in ``rect``."""
    top, left, bottom, right = rect
    whole = [round(v) for v in rect]
    size = (whole[2] - whole[0], whole[3] - whole[1])
    if all(abs(v - w) < _WHOLE for v, w in zip(rect, whole, strict=True)) and min(size) > 1:
        done = resize(image, size)
        rows = slice(at[0] - whole[0], at[2] - whole[0])
        return done[..., rows, at[1] - whole[1] : at[3] - whole[1]]
    if (right - left) * image.shape[-2] < image.shape[-1] * (bottom - top):
        image = _along(image, -1, left, right, at[1], at[3])
        return _along(image, -2, top, bottom, at[0], at[2])
    image = _along(image, -2, top, bottom, at[0], at[2])
    return _along(image, -1, left, right, at[1], at[3])


def place(rgb_enc: Tensor, alpha: Tensor | None, rect: Rect, window: Window) -> Piece | None:
    """Lay a layer into a rectangle of the picture.

    Args:
        rgb_enc: (1, 3, h, w) float32, sRGB-encoded, straight.
        alpha: (1, 1, h, w) float32, or None where it is opaque.
        rect: where it is to lie, to a part of a pixel.
        window: of the picture; what lies beyond is not made.

    Returns:
        None where nothing of it lies in the window.
    """
    high, wide = rgb_enc.shape[-2], rgb_enc.shape[-1]
    y, x = round(rect[0]), round(rect[1])
    here = (y, x, y + high, x + wide)
    if all(abs(a - b) < _WHOLE for a, b in zip(rect, here, strict=True)):
        return Piece(rgb_enc, alpha, y, x).within(window)
    top, left = max(math.floor(rect[0]), window[0]), max(math.floor(rect[1]), window[1])
    bottom, right = min(math.ceil(rect[2]), window[2]), min(math.ceil(rect[3]), window[3])
    if bottom <= top or right <= left or rect[2] - rect[0] < 1e-3 or rect[3] - rect[1] < 1e-3:
        return None
    at = (top, left, bottom, right)
    whole = all(abs(v - round(v)) < _WHOLE for v in rect)
    if alpha is None and whole:
        # Opaque up to its edges, which are those of pixels.
        return Piece(encoded(_resampled(decoded(rgb_enc), rect, at)), None, top, left)
    cover = torch.ones_like(rgb_enc[:, :1]) if alpha is None else alpha
    linear_pm = torch.cat([decoded(rgb_enc).mul_(cover), cover], 1)
    done = _resampled(linear_pm, rect, at)
    # By the coverage as the filter gives it, which overshoots at edges just as the colours do.
    spread = done[:, 3:]
    covered = spread > _NO_COVERAGE
    straight = done[:, :3] / torch.where(covered, spread, torch.ones_like(spread))
    # The filters' weights sum to one within rounding; what was whole stays whole.
    cover = torch.where(spread > 1 - 1e-5, torch.ones_like(spread), spread.clamp_min(0))
    return Piece(encoded(straight).mul_(covered), cover, top, left)


def piece_codes(piece: Piece) -> Tensor:
    """A piece as `models.flatten.Raster` wants it: (4, h, w) int32, 16 bit, straight."""
    cover = torch.ones_like(piece.rgb_enc[:, :1]) if piece.alpha is None else piece.alpha
    return torch.cat([piece.rgb_enc, cover], 1)[0].mul(65535).round_().to(torch.int32)


def pixels_enc(codes: Tensor) -> tuple[Tensor, Tensor | None]:
    """A picture file's pixels as colour and coverage.

    Args:
        codes: (4, h, w) uint8, or int32 for 16 bit; straight sRGB-encoded R, G, B, alpha.

    Returns:
        (1, 3, h, w) float32 and (1, 1, h, w) float32, or None where it is opaque.
    """
    unit = codes.to(torch.float32).div_(255.0 if codes.dtype == torch.uint8 else 65535.0)[None]
    alpha = unit[:, 3:]
    return unit[:, :3].contiguous(), None if bool((alpha >= 1).all()) else alpha.contiguous()
