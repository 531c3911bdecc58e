"""Masks painted by hand, as PNG files of the frame's size: white keeps, black cuts away.

Sources: the PNG specification (ISO/IEC 15948: grey or colour, alpha, transparency chunk); Exif
2.32, Orientation, where an editor wrote it into the PNG.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import torch
from PIL import Image, ImageOps, UnidentifiedImageError

from models.mask import Mask, from_matte, from_paint
from stream.errors import UserError

FORM = (
    "paint white what belongs to the subject and black what does not, on an empty layer over the "
    "frame, and export only that layer as PNG"
)
_COLOURED = 40
"""chosen: codes between the strongest and weakest channel from which paint is coloured; grey stays
far below through any editor's colour management."""
_MOST_COLOURED = 0.002
"""chosen: the share of the picture that may be so, such as a stray dab; it counts as unpainted."""


class MaskError(UserError):
    """A file is no mask that can be used."""


def read_mask(path: Path) -> Mask:
    """Read a mask.

    Args:
        path: a PNG; transparent or mid-grey parts are left to the keyer.

    Returns:
        Its strokes, upright as painted.

    Raises:
        MaskError: it is not there, no PNG, damaged, coloured, or nothing is painted in it.
    """
    try:
        with Image.open(path, formats=("PNG",)) as image:
            upright = ImageOps.exif_transpose(image)
            if upright.mode.startswith("I"):
                # 16-bit grey: Pillow's own conversion clips.
                plain = Image.fromarray((np.asarray(upright) >> 8).astype(np.uint8))
                pixels = np.asarray(plain.convert("RGBA"))
            else:
                pixels = np.asarray(upright.convert("RGBA"))
    except FileNotFoundError as e:
        raise MaskError(f"{path}: there is no such mask; check the name") from e
    except UnidentifiedImageError as e:
        raise MaskError(f"{path}: is no PNG file; {FORM}") from e
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as e:
        raise MaskError(f"{path}: this mask cannot be read ({e}); export it again") from e
    colour, cover = pixels[..., :3], pixels[..., 3]
    tinted = np.ptp(colour, axis=-1) > _COLOURED
    coloured = tinted & (cover > _COLOURED)
    # A dab of colour is no stroke, nor is the thin rim of one: as if it were not painted.
    grey, thick = (torch.from_numpy(np.where(tinted, 0, p)) for p in (colour[..., 1], cover))
    mask = from_paint(grey.float() / 255, thick.float() / 255)
    if coloured.mean() > _MOST_COLOURED or (mask.painted == 0 and coloured.any()):
        raise MaskError(f"{path}: has colours in it, so it is no mask; {FORM}")
    if mask.painted == 0:
        raise MaskError(f"{path}: nothing is painted in it; {FORM}")
    return mask


def write_matte(mask: Mask) -> bytes:
    """Strokes that came out of a painted matte as a PNG: grey is the matte, alpha where it counts.

    `read_mask` could not read it: half grey is half covered here, and not unpainted.
    """
    core, hold_out = mask.strokes[0]
    where = (core + hold_out).clamp(0, 1)
    grey = torch.where(where > 0, core / where.clamp_min(1e-6), torch.zeros_like(core))
    codes = torch.stack([grey, where], -1).mul(255).round().to(torch.uint8)
    out = io.BytesIO()
    Image.fromarray(codes.numpy(), "LA").save(out, "PNG", compress_level=1)
    return out.getvalue()


def read_matte(path: Path) -> Mask:
    """The reverse of `write_matte`.

    Raises:
        MaskError: it is not there or damaged.
    """
    try:
        with Image.open(path, formats=("PNG",)) as image:
            codes = torch.from_numpy(np.array(image.convert("LA"))).float() / 255
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as e:
        raise MaskError(
            f"{path}: the matte that was painted by hand cannot be read ({e}); put it back from a "
            "copy"
        ) from e
    return from_matte(codes[..., 0], codes[..., 1])
