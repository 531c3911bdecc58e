"""Between a frame and the picture that it was placed in: there, back, and into another picture.

What is painted over a picture belongs to the subject under it: it goes back to the frame, or moves
along when the subject is placed otherwise.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor

from models.composite import Overlay
from models.errors import ShapeError
from models.resample import Placement, resize, scaled_part, visible
from models.tiles import unit
from models.transfer import Transfer, encode
from models.upright import Upright


def laid_out(image: Tensor, placement: Placement, size: tuple[int, int]) -> Tensor:
    """An image at its place in a picture, empty where it does not reach.

    Args:
        image: (1, C, h, w) float, linear light, premultiplied where it has an alpha.
        placement: where it lies.
        size: (H, W) of the picture.

    Returns:
        (1, C, H, W) float.
    """
    seen = visible((image.shape[-2], image.shape[-1]), placement, size)
    if seen is None:
        return image.new_zeros(1, image.shape[1], *size)
    rows, columns, part = seen
    return _into(image[..., rows, columns], part, size)


def _into(image: Tensor, part: Placement, size: tuple[int, int]) -> Tensor:
    """What `visible` cut out, at its place in an empty picture."""
    out = image.new_zeros(1, image.shape[1], *size)
    found = scaled_part(image, part, size)
    if found is not None:
        out[..., found[1], found[2]] = found[0]
    return out


def frame_in_picture(frame: Upright, placement: Placement, size: tuple[int, int]) -> Tensor:
    """The untouched frame at its place in a picture.

    Returns:
        (1, 4, H, W) float32, linear Rec.709, premultiplied, and its coverage.
    """
    seen = visible(frame.size, placement, size)
    if seen is None:
        return torch.zeros(1, 4, *size)
    rows, columns, part = seen
    rgb = frame.linear(rows, columns)
    whole = torch.cat([rgb, torch.ones_like(rgb[:, :1])], 1)
    return _into(whole, part, size).clamp_(0, 1)


def back_to_frame(painted: Tensor, placement: Placement, frame_size: tuple[int, int]) -> Tensor:
    """What was painted over a picture, over the frame that lies in it.

    Args:
        painted: (1, C, H, W) float, over the picture; C values that may be mixed.
        placement: where the upright frame lies in the picture.
        frame_size: (h, w) of the upright frame.

    Returns:
        (1, C, h, w) float; zero where the picture does not show the frame.
    """
    size = (painted.shape[-2], painted.shape[-1])
    out = painted.new_zeros(1, painted.shape[1], *frame_size)
    seen = visible(frame_size, placement, size)
    if seen is None:
        return out
    rows, columns, part = seen
    high, wide = rows.stop - rows.start, columns.stop - columns.start
    # The same pixels of the picture that `scaled_part` fills.
    scaled = (max(1, round(high * part.scale)), max(1, round(wide * part.scale)))
    top, left = round(part.dy), round(part.dx)
    there = painted.new_zeros(1, painted.shape[1], *scaled)
    y0, y1 = max(top, 0), min(top + scaled[0], size[0])
    x0, x1 = max(left, 0), min(left + scaled[1], size[1])
    if y1 <= y0 or x1 <= x0:
        return out
    there[..., y0 - top : y1 - top, x0 - left : x1 - left] = painted[..., y0:y1, x0:x1]
    back = resize(there, (high, wide), smooth=False)
    out[..., rows, columns] = back.flip(-1) if placement.mirror else back
    return out


def moved_along(was: Placement, now: Placement, width: int, frame_width: int) -> Placement:
    """Where a picture of one placement lies in one of another, so that their subjects meet.

    Args:
        was: the frame in the picture that was painted over.
        now: the frame in the picture that it is to lie in.
        width: of the picture that was painted over, in pixels.
        frame_width: of the upright frame, in pixels.

    Raises:
        ShapeError: a scale is not a positive number.
    """
    if not (was.scale > 0 and now.scale > 0):
        raise ShapeError(f"move: got scales {was.scale} and {now.scale}; need more than zero")
    ratio = now.scale / was.scale
    dy = now.dy - was.dy * ratio
    if was.mirror == now.mirror:
        return Placement(ratio, now.dx - was.dx * ratio, dy)
    # Turned round within the frame's box, not within the picture.
    return Placement(
        ratio, now.dx + frame_width * now.scale + (was.dx - width) * ratio, dy, mirror=True
    )


def as_layers(subject_pm: Tensor, frame_pm: Tensor) -> tuple[Tensor, Tensor]:
    """A placed subject as two layers of a document: its colour everywhere, and its matte.

    Where the matte is empty the colour is the frame's own, so that paint in the matte shows it.

    Args:
        subject_pm: (1, 4, H, W) float, linear Rec.709, premultiplied, and its alpha.
        frame_pm: (1, 4, H, W) float, the untouched frame, likewise.

    Returns:
        Colour (4, H, W) uint8, sRGB-encoded, straight; matte (H, W) uint8.
    """
    alpha = subject_pm[:, 3:4].clamp(0, 1)
    matte = alpha.mul(255).round()
    # What the matte of 8 bit cannot hold is not the subject's.
    own = subject_pm[:, :3].clamp_min(0) / alpha.clamp_min(1 / 255)
    colour = torch.where(matte > 0, own, frame_pm[:, :3]).clamp(0, 1)
    there = torch.maximum(frame_pm[:, 3:4], (matte > 0).to(frame_pm.dtype)).clamp(0, 1)
    return _layer(colour, there), matte[0, 0].to(torch.uint8)


def straight_codes(rgb_pm: Tensor) -> Tensor:
    """Linear premultiplied colour as a layer: (4, H, W) uint8, sRGB-encoded, straight."""
    alpha = rgb_pm[:, 3:4].clamp(0, 1)
    colour = (rgb_pm[:, :3] / alpha.clamp_min(1 / 255)).clamp(0, 1)
    return _layer(colour, alpha)


def _layer(colour: Tensor, alpha: Tensor) -> Tensor:
    codes = torch.cat([encode(colour, Transfer.SRGB), alpha], 1).mul(255).round()
    return codes[0].to(torch.uint8)


def painted_over(
    codes: Tensor, was: Placement, now: Placement, size: tuple[int, int], frame_width: int
) -> Overlay:
    """A retouch painted over one picture as a step above the subject in another.

    Args:
        codes: (4, h, w) uint8 or int32, straight, sRGB-encoded, over the picture it was made in.
        was: where the frame lay there.
        now: where it lies in the picture at hand.
        size: (H, W) of the picture at hand.
        frame_width: of the upright frame, in pixels.
    """
    shown = unit(codes)[None]
    rgb_enc, alpha = shown[:, :3], shown[:, 3:]
    same = was == now and size == (codes.shape[-2], codes.shape[-1])
    if not same:
        # In the encoded values that it was painted and is laid in.
        along = moved_along(was, now, codes.shape[-1], frame_width)
        moved = laid_out(torch.cat([rgb_enc * alpha, alpha], 1), along, size).clamp(0, 1)
        alpha = moved[:, 3:]
        rgb_enc = (moved[:, :3] / alpha.clamp_min(1e-6)).clamp(0, 1)
    return Overlay(rgb_enc=rgb_enc, alpha=alpha)


def rows_painted_over(
    codes: Tensor, was: Placement, now: Placement, size: tuple[int, int], frame_width: int
) -> Callable[[slice], Overlay]:
    """What `painted_over` gives, row by row of the picture at hand.

    Paint that stays where it was made is read as it is kept; moved, it is held whole.

    Args:
        codes, was, now, size, frame_width: as in `painted_over`.
    """
    if was != now or size != (codes.shape[-2], codes.shape[-1]):
        moved = painted_over(codes, was, now, size, frame_width)
        return lambda rows: moved.window(rows, slice(0, size[1]))

    def part(rows: slice) -> Overlay:
        shown = unit(codes[:, rows])[None]
        return Overlay(rgb_enc=shown[:, :3], alpha=shown[:, 3:])

    return part


def layer_matte(codes: Tensor, opacity: float = 1.0) -> Tensor:
    """The matte that a painted layer stands for: its alpha, and dark paint takes away, too.

    Args:
        codes: (4, H, W) uint8 or int32, straight.
        opacity: the layer's.

    Returns:
        (H, W) float32 in [0, 1].
    """
    shown = unit(codes)
    return shown[3] * shown[:3].amax(0) * opacity


def changed(before: Tensor, after: Tensor) -> Tensor:
    """Where a matte was painted: (H, W) float32, 1 where it differs by more than 8 bit can.

    Args:
        before: (H, W) float, as it was.
        after: (H, W) float, as it is.
    """
    return ((after - before).abs() > 1.5 / 255).float()


def alike(before: Tensor | None, after: Tensor | None) -> bool:
    """Whether two layers show the same, to what 8 bit and a premultiplying editor can keep.

    Args:
        before, after: (4, H, W) uint8 or int32, straight; None for an empty one.
    """
    if before is None or after is None:
        return all(t is None or not bool(t[3].any()) for t in (before, after))
    shown = []
    for codes in (before, after):
        layer = unit(codes)
        shown.append(torch.cat([layer[:3] * layer[3:], layer[3:]]))
    return bool(((shown[0] - shown[1]).abs() <= 1.5 / 255).all())
