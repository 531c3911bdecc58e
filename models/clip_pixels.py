"""A frame of a designed clip as a layer: colours as the document has them, and coverage.

A designer's clip shows the same colours as the designer's stills: programs write what the screen
showed, sRGB, into video tagged BT.709 without going through another curve (common practice), and
the film is written likewise. So the curve of such a clip is not undone; only one that is tagged as
linear light is encoded. Premultiplied colours are taken as multiplied in the clip's own encoding.
"""

from __future__ import annotations

from dataclasses import replace

import torch
from torch import Tensor

from models.color import Encoding, Planes, planes_to_rgb, turn
from models.errors import ShapeError
from models.transfer import Transfer, encode

# chosen: compression and rounding; a straight layer is brighter than its coverage by far more.
_BRIGHTER = 12 / 255
_SHARE = 0.01


def clip_pixels(
    planes: Planes,
    encoding: Encoding,
    alpha: Tensor | None = None,
    depth: int = 8,
    premultiplied: bool = False,
    quarter_turns: int = 0,
    mirror: bool = False,
) -> tuple[Tensor, Tensor | None]:
    """A clip's planes as colour and coverage.

    Args:
        planes: three (H, W) integer tensors, as in `models.color.planes_to_rgb`.
        encoding: how to read them.
        alpha: (H, W) integer coverage, full range; None: opaque.
        depth: bits of ``alpha``.
        premultiplied: whether the colours are multiplied by it, encoded as they are.
        quarter_turns: clockwise, that make it upright.
        mirror: exchange left and right first.

    Returns:
        (1, 3, H, W) float32, sRGB-encoded, straight, in [0, 1]; and (1, 1, H, W) float32 or None.

    Raises:
        ShapeError: alpha has another size.
    """
    rgb = planes_to_rgb(planes, encoding)
    if encoding.transfer is Transfer.LINEAR:
        rgb = encode(rgb, Transfer.SRGB)
    cover = None
    if alpha is not None:
        if alpha.shape != planes[0].shape:
            raise ShapeError(
                f"clip: got alpha {tuple(alpha.shape)} for {tuple(planes[0].shape)}; need one size"
            )
        cover = alpha.to(torch.float32)[None, None] / ((1 << depth) - 1)
        if premultiplied:
            rgb = (rgb / cover.clamp_min(1 / 1024)).clamp_(0, 1)
    shown = None if cover is None else _upright(cover, quarter_turns, mirror)
    return _upright(rgb, quarter_turns, mirror), shown


def _upright(image: Tensor, quarter_turns: int, mirror: bool) -> Tensor:
    return turn(image.flip(-1) if mirror else image, quarter_turns)


def looks_straight(planes: Planes, encoding: Encoding, alpha: Tensor, depth: int) -> bool:
    """Whether colours that are said to be premultiplied cannot be: they outshine their coverage.

    Args:
        planes, encoding, alpha, depth: as in `clip_pixels`.
    """
    plain = replace(encoding, transfer=Transfer.SRGB)
    rgb = planes_to_rgb(planes, plain)
    cover = alpha.to(torch.float32)[None, None] / ((1 << depth) - 1)
    brighter = rgb.amax(1, keepdim=True) > cover + _BRIGHTER
    return bool(brighter.float().mean() > _SHARE)
