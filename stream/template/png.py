"""Read one PNG layer: any bit depth, grey, palette or colour, with alpha or without.

Source: the PNG specification, third edition (W3C 2025): signature, IHDR, colour types.
"""

from __future__ import annotations

import io
import struct
import zlib

import cv2
import numpy as np
import torch
from PIL import Image, ImageCms
from torch import Tensor

from stream.errors import UserError

# chosen: a 20 x 30 inch print at 300 ppi is 54 megapixels; some room for bleed, and no more, as
# one picture of 80 megapixels takes 320 MB when it is unpacked.
MOST_PIXELS = 80_000_000
SIGNATURE = b"\x89PNG\r\n\x1a\n"


def png_header(data: bytes, what: str) -> tuple[int, int, int, int]:
    """Height, width, bit depth and colour type, without unpacking anything.

    Args:
        data: the whole file.
        what: names the layer and its file for the message.

    Raises:
        UserError: no PNG, or larger than can be handled.
    """
    if data[:8] != SIGNATURE or data[12:16] != b"IHDR" or len(data) < 33:
        raise UserError(f"{what} is not a PNG picture; save it as PNG")
    width, height, depth, kind = struct.unpack(">IIBB", data[16:26])
    if width < 1 or height < 1 or width * height > MOST_PIXELS:
        raise UserError(
            f"{what} is {width} x {height} pixels; at most {MOST_PIXELS // 1_000_000} megapixels "
            "can be used, so save it smaller"
        )
    return height, width, depth, kind


def _planar(pixels: np.ndarray, dtype: torch.dtype) -> Tensor:
    planes = np.array(np.moveaxis(pixels, 2, 0), order="C")
    if planes.dtype == np.uint16:
        planes = planes.astype(np.int32)
    return torch.from_numpy(planes).to(dtype)


def _deep(data: bytes, what: str) -> Tensor:
    """16 bits a channel, which Pillow would cut to 8."""
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None or pixels.dtype != np.uint16:
        raise UserError(f"{what} is damaged and cannot be read; save it again")
    if pixels.ndim == 2:
        pixels = pixels[:, :, None]
    channels = pixels.shape[2]
    # OpenCV gives B, G, R.
    color = pixels[:, :, :1].repeat(3, 2) if channels in (1, 2) else pixels[:, :, 2::-1]
    full = np.full_like(pixels[:, :, :1], 65535)
    alpha = pixels[:, :, -1:] if channels in (2, 4) else full
    return _planar(np.concatenate([color, alpha], 2), torch.int32)


def _to_srgb(image: Image.Image, profile: bytes) -> Image.Image:
    """Colours by the picture's own profile brought to sRGB; the alpha stays."""
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    grey = source.profile.xcolor_space.strip() == "GRAY"
    target = ImageCms.createProfile("sRGB")
    color = image.convert("L" if grey else "RGB")
    done = ImageCms.profileToProfile(color, source, target, outputMode="RGB")
    if done is None:
        return image
    done.putalpha(image.getchannel("A"))
    return done


def _rgba8(image: Image.Image) -> Image.Image:
    """8 bit with alpha; of 16 bit grey the upper half, which Pillow's own way would clip."""
    if image.mode in ("I;16", "I;16B", "I"):
        grey = np.asarray(image).astype(np.float32) / 257
        return Image.fromarray(grey.round().astype(np.uint8), "L").convert("RGBA")
    return image.convert("RGBA")


def _is_srgb(profile: bytes) -> bool:
    name = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile)))
    return "srgb" in name.lower()


def read_png(data: bytes, what: str) -> Tensor:
    """Unpack a PNG.

    Args:
        data: the whole file.
        what: names the layer and its file for the message.

    Returns:
        (4, H, W) R, G, B, alpha; sRGB-encoded, straight: uint8, or int32 in [0, 65535] for 16 bit.

    Raises:
        UserError: no PNG, too large, or damaged.
    """
    height, width, depth, _ = png_header(data, what)
    # One colour declared transparent: Pillow honours it, at 8 bit.
    has_trns = data.find(b"tRNS", 0, max(data.find(b"IDAT"), 0)) >= 0
    try:
        with Image.open(io.BytesIO(data), formats=["PNG"]) as image:
            profile: bytes = image.info.get("icc_profile") or b""
            foreign = bool(profile) and not _is_srgb(profile)
            if depth == 16 and not foreign and not has_trns:
                planes = _deep(data, what)
            else:
                rgba = _rgba8(image)
                if foreign:
                    rgba = _to_srgb(rgba, profile)
                planes = _planar(np.asarray(rgba), torch.uint8)
    except (OSError, SyntaxError, ValueError, zlib.error, struct.error, cv2.error) as e:
        raise UserError(f"{what} is damaged and cannot be read ({e}); save it again") from e
    except ImageCms.PyCMSError as e:
        raise UserError(
            f"{what} carries a colour profile that cannot be read ({e}); save it as sRGB"
        ) from e
    if planes.shape[1:] != (height, width):
        raise UserError(f"{what} is damaged and cannot be read; save it again")
    return planes
