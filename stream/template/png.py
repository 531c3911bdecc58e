"""Read one PNG layer: any bit depth, grey, palette or colour, interlaced or not, alpha or none.

Source: the PNG specification, third edition (W3C 2025): signature, chunks, colour types, tRNS.

Which colours: those of an embedded ICC profile (iCCP); without one sRGB. A gamma alone (gAMA, cHRM)
is not followed, since many programs write one beside colours that are sRGB. Code points (cICP) come
before a profile (section 4.3); a picture tagged by them as anything but sRGB is refused in words,
since it would come out wrong.
"""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Iterator

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor

from stream.color_profile import ProfileError
from stream.errors import UserError
from stream.opencv import cv2
from stream.template.icc import ToSrgb, to_srgb

# chosen: a 20 x 30 inch print at 300 ppi is 54 megapixels; some room for bleed, and no more, as
# one picture of 80 megapixels takes 640 MB while it is unpacked.
MOST_PIXELS = 80_000_000
# chosen: unpacking takes 24 bytes a pixel, and with everything else stays below 1 GB.
MOST_DEEP_PIXELS = 30_000_000
SIGNATURE = b"\x89PNG\r\n\x1a\n"
# ITU-T H.273 code points: BT.709 primaries, sRGB curve, R'G'B', full range.
_SRGB_POINTS = bytes([1, 13, 0, 1])
_STRIP_ROWS = 256
# More than the letters of the standard: where Pillow reads on, nothing may hide behind a chunk.
_NAME = re.compile(rb"\w{4}")


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
    most = MOST_DEEP_PIXELS if depth == 16 else MOST_PIXELS
    if width < 1 or height < 1 or width * height > most:
        deep = " of 16 bit" if depth == 16 else ""
        raise UserError(
            f"{what} is {width} x {height} pixels{deep}; at most {most // 1_000_000} megapixels "
            "can be used, so save it smaller"
        )
    return height, width, depth, kind


def _chunks(data: bytes, whole: bool = False) -> Iterator[tuple[bytes, bytes]]:
    """Name and content of each chunk before the pixels, or of the whole file."""
    at = 8
    while at + 8 <= len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        name = data[at + 4 : at + 8]
        if name == b"IEND" or not _NAME.fullmatch(name) or (name == b"IDAT" and not whole):
            return
        yield name, data[at + 8 : at + 8 + length]
        at += 12 + length


def png_ppi(data: bytes) -> float | None:
    """Pixels per inch as the file says (pHYs, per metre); None where it says nothing."""
    for name, content in _chunks(data):
        if name == b"pHYs" and len(content) == 9 and content[8] == 1:
            across, down = struct.unpack(">II", content[:8])
            return round(across * 0.0254, 1) if across == down > 0 else None
    return None


def _check_kind(data: bytes, what: str) -> bool:
    """Refuse what would come out wrong; True where code points say that it is sRGB."""
    points = [content[:4] for name, content in _chunks(data) if name == b"cICP"]
    if any(said != _SRGB_POINTS for said in points):
        raise UserError(f"{what} is in a colour space for video or HDR; save it as sRGB")
    if any(name == b"acTL" for name, _ in _chunks(data, whole=True)):
        raise UserError(f"{what} is an animation; save one picture of it as PNG")
    return bool(points)


def _one_color(data: bytes, channels: int) -> list[int] | None:
    """The 16 bit colour declared transparent, as long as one pixel."""
    content = next((c for name, c in _chunks(data) if name == b"tRNS"), b"")
    if len(content) < 2 * channels:
        return None
    return list(struct.unpack(f">{channels}H", content[: 2 * channels]))


def _deep(data: bytes, kind: int, way: ToSrgb | None, what: str) -> Tensor:
    """16 bits a channel, which Pillow would cut to 8."""
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None or pixels.dtype != np.uint16:
        raise UserError(f"{what} is damaged and cannot be read; save it again")
    # OpenCV gives B, G, R, and grey with alpha as B, G, R, alpha.
    pixels = pixels[:, :, None] if pixels.ndim == 2 else pixels
    height, width, channels = pixels.shape
    grey = kind in (0, 4)
    clear = _one_color(data, 1 if grey else 3) if kind in (0, 2) else None
    out = torch.empty((4, height, width), dtype=torch.int32)
    planes = out.numpy()
    for y in range(0, height, _STRIP_ROWS):
        part = pixels[y : y + _STRIP_ROWS]
        first = part[:, :, :1] if grey or channels < 3 else part[:, :, 2::-1]
        color: NDArray[np.uint16] = first.astype(np.uint16, copy=False)
        rows = planes[:, y : y + _STRIP_ROWS]
        rows[3] = part[:, :, -1] if kind in (4, 6) and channels in (2, 4) else 65535
        if clear is not None:
            rows[3][(color == np.array(clear, np.uint16)).all(2)] = 0
        if not (grey and (way is None or way.mode == "L")):
            color = np.broadcast_to(color, (*color.shape[:2], 3))
        if way is not None:
            color = way.sixteen(color[:, :, :1] if way.mode == "L" else color)
        rows[:3] = np.moveaxis(np.broadcast_to(color, (*color.shape[:2], 3)), 2, 0)
    return out


def _shallow(image: Image.Image, way: ToSrgb | None) -> Tensor:
    """8 bits a channel or fewer."""
    out = torch.empty((4, image.height, image.width), dtype=torch.uint8)
    planes = out.numpy()
    for y in range(0, image.height, _STRIP_ROWS):
        # Strip by strip: the whole picture in every form at once would be too much for memory.
        part = image.crop((0, y, image.width, min(y + _STRIP_ROWS, image.height)))
        part.info = image.info  # one colour declared transparent
        rgba = part.convert("RGBA")
        rows = planes[:, y : y + _STRIP_ROWS]
        rows[3] = np.asarray(rgba.getchannel("A"))
        color = rgba.convert("RGB") if way is None else way.eight(rgba.convert(way.mode))
        rows[:3] = np.moveaxis(np.asarray(color), 2, 0)
    return out


def read_png(data: bytes, what: str) -> Tensor:
    """Unpack a PNG.

    Args:
        data: the whole file.
        what: names the layer and its file for the message.

    Returns:
        (4, H, W) R, G, B, alpha; sRGB-encoded, straight: uint8, or int32 in [0, 65535] for 16 bit.

    Raises:
        UserError: no PNG, too large, damaged, or in colours that cannot be brought to sRGB.
    """
    height, width, depth, kind = png_header(data, what)
    tagged = _check_kind(data, what)
    try:
        with Image.open(io.BytesIO(data), formats=["PNG"]) as image:
            profile: bytes = b"" if tagged else image.info.get("icc_profile") or b""
            way = to_srgb(profile) if profile else None
            # PNG, 11.3.2.3: a grey profile is for grey pictures alone; colours would be lost by it.
            if way is not None and way.mode == "L" and kind not in (0, 4):
                raise ProfileError("it is for grey, and the picture is in colour")
            if way is not None and not way.changes:
                way = None
            if depth == 16:
                planes = _deep(data, kind, way, what)
            else:
                image.load()
                planes = _shallow(image, way)
    except (OSError, SyntaxError, ValueError, zlib.error, struct.error, cv2.error) as e:
        raise UserError(f"{what} is damaged and cannot be read ({e}); save it again") from e
    except ProfileError as e:
        raise UserError(
            f"{what} carries a colour profile that cannot be used: {e}; save it as sRGB"
        ) from e
    if planes.shape[1:] != (height, width):
        raise UserError(f"{what} is damaged and cannot be read; save it again")
    return planes


def png_bytes(codes: Tensor) -> bytes:
    """A layer as a PNG file.

    Args:
        codes: (4, H, W) uint8, or int32 in [0, 65535]; straight sRGB-encoded R, G, B, alpha.
    """
    deep = codes.dtype != torch.uint8
    pixels = codes.permute(1, 2, 0).numpy().astype(np.uint16 if deep else np.uint8)
    # OpenCV wants B, G, R.
    swapped = np.ascontiguousarray(pixels[..., [2, 1, 0, 3]])
    done, data = cv2.imencode(".png", swapped, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not done:
        raise UserError("a layer could not be packed as PNG; free some memory and do it again.")
    return data.tobytes()
