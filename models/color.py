"""Y'CbCr planes to R'G'B' and back: matrix, range, bit depth and chroma siting, each by name.

Sources: ITU-R BT.601-7, BT.709-6 and BT.2020-2 (luma weights Kr, Kb and narrow-range levels);
ITU-T H.273 (code points of matrix and range); ISO/IEC 14496-10 (chroma sample location types).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Any

import torch
from torch import Tensor

from models.errors import EncodingError, ShapeError
from models.transfer import Transfer

Planes = tuple[Tensor, Tensor, Tensor]


class Matrix(Enum):
    """Luma weights of the planes; ``RGB`` means that the planes are R', G', B' themselves."""

    RGB = "rgb"
    BT601 = "bt601"
    BT709 = "bt709"
    BT2020 = "bt2020"


class Range(Enum):
    """Which code values stand for black and white."""

    NARROW = "narrow"
    FULL = "full"


class Siting(Enum):
    """Where a subsampled chroma sample sits among the luma samples that it covers."""

    LEFT = "left"
    CENTER = "center"
    TOP_LEFT = "top-left"


LUMA_WEIGHTS: dict[Matrix, tuple[float, float]] = {
    Matrix.BT601: (0.299, 0.114),
    Matrix.BT709: (0.2126, 0.0722),
    Matrix.BT2020: (0.2627, 0.0593),
}


def luminance(rgb: Tensor) -> Tensor:
    """The luminance of linear light.

    Args:
        rgb: (B, 3, ...) float, linear Rec.709.

    Returns:
        (B, 1, ...) float, the weights of ITU-R BT.709-6.
    """
    kr, kb = LUMA_WEIGHTS[Matrix.BT709]
    return kr * rgb[:, 0:1] + (1 - kr - kb) * rgb[:, 1:2] + kb * rgb[:, 2:3]


@dataclass(frozen=True)
class Encoding:
    """How the code values of three planes are to be read; nothing is left unspecified."""

    matrix: Matrix = Matrix.BT709
    range: Range = Range.NARROW
    transfer: Transfer = Transfer.BT709
    siting: Siting = Siting.LEFT
    depth: int = 8

    def to_json(self) -> dict[str, Any]:
        """Plain values, readable in a file."""
        return {
            "matrix": self.matrix.value,
            "range": self.range.value,
            "transfer": self.transfer.value,
            "siting": self.siting.value,
            "depth": self.depth,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Encoding:
        """The reverse of `to_json`.

        Raises:
            EncodingError: a tag is missing or names nothing known.
        """
        try:
            return cls(
                Matrix(data["matrix"]),
                Range(data["range"]),
                Transfer(data["transfer"]),
                Siting(data["siting"]),
                int(data["depth"]),
            )
        except (KeyError, ValueError, TypeError) as e:
            raise EncodingError(f"colour tags: got {data!r}; need the five known tags ({e})") from e


SRGB_8BIT = Encoding(Matrix.RGB, Range.FULL, Transfer.SRGB, Siting.CENTER, 8)


def levels(encoding: Encoding) -> tuple[float, float, float, float]:
    """Luma offset and span, chroma offset and span, in code values."""
    unit = float(1 << (encoding.depth - 8))
    if encoding.range is Range.NARROW:
        return 16 * unit, 219 * unit, 128 * unit, 224 * unit
    top = float((1 << encoding.depth) - 1)
    return 0.0, top, 128 * unit, top


def _double(c: Tensor, axis: int, co_sited: bool) -> Tensor:
    """Twice as many samples along ``axis`` (-1 or -2), linear between them, the edge repeated."""
    n = c.shape[axis]
    after = torch.cat([c.narrow(axis, 1, n - 1), c.narrow(axis, n - 1, 1)], axis)
    if co_sited:
        even, odd = c, (c + after) * 0.5
    else:
        before = torch.cat([c.narrow(axis, 0, 1), c.narrow(axis, 0, n - 1)], axis)
        even, odd = torch.lerp(c, before, 0.25), torch.lerp(c, after, 0.25)
    return torch.stack([even, odd], axis).flatten(axis - 1, axis)


def upsample_chroma(chroma: Tensor, size: tuple[int, int], siting: Siting) -> Tensor:
    """Bring chroma to luma resolution, linearly, by its siting.

    Args:
        chroma: (B, C, h, w) float; h and w are those of luma, or half of them rounded up.
        size: luma's (H, W).
        siting: where a chroma sample sits.

    Returns:
        (B, C, H, W) float.

    Raises:
        ShapeError: the planes are neither full nor half size.
    """
    out = chroma
    for axis, want, co_sited in (
        (-1, size[1], siting is not Siting.CENTER),
        (-2, size[0], siting is Siting.TOP_LEFT),
    ):
        have = out.shape[axis]
        if have == want:
            continue
        if have != (want + 1) // 2:
            raise ShapeError(
                f"chroma: got {tuple(chroma.shape[-2:])} for luma {size}; "
                "need chroma of full or half size (4:4:4, 4:2:2 or 4:2:0)"
            )
        out = _double(out, axis, co_sited).narrow(axis, 0, want)
    return out


def _check(planes: Planes, encoding: Encoding) -> None:
    first = planes[0]
    if first.ndim != 2 or 0 in first.shape or any(p.ndim != 2 for p in planes):
        raise ShapeError(
            f"planes: got {[tuple(p.shape) for p in planes]}; need three planes (H, W) of pixels"
        )
    if encoding.matrix is Matrix.RGB and any(p.shape != first.shape for p in planes):
        raise ShapeError("planes: R, G and B differ in size; need three of one size")


def normalised(planes: Planes, encoding: Encoding) -> tuple[Tensor, Tensor]:
    """Code values to unit luma and signed chroma, each at its own resolution.

    Returns:
        luma (1, 1, H, W) in about [0, 1]; chroma (1, 2, h, w), Cb and Cr, in about [-.5, .5].
    """
    y0, y_span, c0, c_span = levels(encoding)
    luma = (planes[0].to(torch.float32)[None, None] - y0).mul_(1 / y_span)
    chroma = torch.stack([planes[1], planes[2]])[None].to(torch.float32)
    return luma, chroma.sub_(c0).mul_(1 / c_span)


def planes_to_rgb(planes: Planes, encoding: Encoding) -> Tensor:
    """Planes to encoded R'G'B'.

    Args:
        planes: three (H, W) integer tensors, Y', Cb, Cr (chroma full or half size) or R', G', B'.
        encoding: how to read them.

    Returns:
        (1, 3, H, W) float32, transfer-encoded, clamped to [0, 1]. A new tensor.

    Raises:
        ShapeError: planes that do not belong together.
    """
    _check(planes, encoding)
    if encoding.matrix is Matrix.RGB:
        y0, y_span, _, _ = levels(encoding)
        rgb = torch.stack(planes)[None].to(torch.float32)
        return rgb.sub_(y0).mul_(1 / y_span).clamp_(0, 1)
    luma, chroma = normalised(planes, encoding)
    kr, kb = LUMA_WEIGHTS[encoding.matrix]
    kg = 1 - kr - kb
    full = upsample_chroma(chroma, (luma.shape[-2], luma.shape[-1]), encoding.siting)
    cb, cr = full[:, 0:1], full[:, 1:2]
    out = torch.empty((1, 3, *luma.shape[-2:]), dtype=torch.float32, device=luma.device)
    torch.add(luma, cr, alpha=2 * (1 - kr), out=out[:, 0:1])
    torch.add(luma, cb, alpha=2 * (1 - kb), out=out[:, 2:3])
    green = torch.add(luma, cb, alpha=-2 * (1 - kb) * kb / kg, out=out[:, 1:2])
    green.add_(cr, alpha=-2 * (1 - kr) * kr / kg)
    return out.clamp_(0, 1)


def _halve(c: Tensor, axis: int, co_sited: bool) -> Tensor:
    n = c.shape[axis]
    if n % 2:
        c = torch.cat([c, c.narrow(axis, n - 1, 1)], axis)
    step = (
        (Ellipsis, slice(0, None, 2)) if axis == -1 else (Ellipsis, slice(0, None, 2), slice(None))
    )
    shifted = (
        (Ellipsis, slice(1, None, 2)) if axis == -1 else (Ellipsis, slice(1, None, 2), slice(None))
    )
    here, right = c[step], c[shifted]
    if not co_sited:
        return (here + right) * 0.5
    # Left of the first sample the edge is repeated.
    left = torch.cat([here.narrow(axis, 0, 1), right.narrow(axis, 0, right.shape[axis] - 1)], axis)
    return here * 0.5 + (left + right) * 0.25


def rgb_to_planes(rgb_enc: Tensor, encoding: Encoding, chroma: str = "420") -> Planes:
    """Encoded R'G'B' to integer planes, chroma filtered by its siting.

    Args:
        rgb_enc: (1, 3, H, W) float, transfer-encoded, in [0, 1].
        encoding: how the planes are to be coded.
        chroma: "420", "422" or "444"; ignored for ``Matrix.RGB``.

    Returns:
        Three (H, W) tensors, uint8 at 8 bit, int32 deeper.
    """
    if rgb_enc.ndim != 4 or rgb_enc.shape[:2] != (1, 3):
        raise ShapeError(f"rgb_to_planes: got {tuple(rgb_enc.shape)}; need (1, 3, H, W)")
    y0, y_span, c0, c_span = levels(encoding)
    top = (1 << encoding.depth) - 1
    kind = torch.uint8 if encoding.depth == 8 else torch.int32

    def quantise(x: Tensor, offset: float, span: float) -> Tensor:
        # Full-range pure red and blue compute chroma 256 in 8 bit: clamp, or they wrap to 0.
        return (x * span + offset).round_().clamp_(0, top).to(kind)

    if encoding.matrix is Matrix.RGB:
        red, green, blue = (quantise(c, y0, y_span) for c in rgb_enc[0])
        return red, green, blue
    kr, kb = LUMA_WEIGHTS[encoding.matrix]
    r, g, b = rgb_enc[0]
    y = kr * r + (1 - kr - kb) * g + kb * b
    pair = torch.stack([(b - y) / (2 * (1 - kb)), (r - y) / (2 * (1 - kr))])
    if chroma in ("420", "422"):
        pair = _halve(pair, -1, encoding.siting is not Siting.CENTER)
    if chroma == "420":
        pair = _halve(pair, -2, encoding.siting is Siting.TOP_LEFT)
    return quantise(y, y0, y_span), quantise(pair[0], c0, c_span), quantise(pair[1], c0, c_span)


def to_codes(x: Tensor, depth: int) -> Tensor:
    """A picture as code values, pixel by pixel, for a file.

    Args:
        x: (1, C, H, W) float in [0, 1], encoded as the file wants it.
        depth: bits a sample; 8 or 16.

    Returns:
        (H, W, C), uint8 at 8 bit, int32 at 16.
    """
    top = (1 << depth) - 1
    codes = (x[0] * top).add_(0.5).clamp_(0, top).to(torch.uint8 if depth == 8 else torch.int32)
    return codes.permute(1, 2, 0).contiguous()


def turn(image: Tensor, quarter_turns: int) -> Tensor:
    """Turn a picture clockwise by quarter turns; a view where torch can give one.

    Args:
        image: (..., H, W).
        quarter_turns: 0 to 3, clockwise.
    """
    return torch.rot90(image, -quarter_turns, (-2, -1)) if quarter_turns % 4 else image
