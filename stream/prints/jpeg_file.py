"""A JPEG with its profile, resolution, Exif and XMP.

Source: ITU-T T.81 (JPEG); libjpeg's names of how finely colour is kept.
"""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from stream.errors import UserError

SUBSAMPLING = {"4:4:4": 0, "4:2:2": 1, "4:2:0": 2}
# ITU-T T.81: a marker segment has a 16-bit length; what Pillow writes before the packet is off it.
LARGEST_XMP = 65_000
LARGEST_SIDE = 65_000


def without_facts(data: bytes) -> bytes:
    """A JPEG file without what is written beside its pixels: Exif, XMP, comments, profile.

    Names, places and times in there belong to that file alone. JFIF's own segment stays, and
    Adobe's, which says how the colours are coded (T.81, B.1.1.4; T.872, 6.5.3).

    Args:
        data: the file; of a damaged one the rest stays as it is.
    """
    out, at = [data[:2]], 2
    while at + 1 < len(data) and data[at] == 0xFF:
        code = data[at + 1]
        if code == 0xFF:
            at += 1
            continue
        if code == 0xDA:
            break
        if code == 0x01 or 0xD0 <= code <= 0xD8:
            at += 2
            continue
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4])
        if not (0xE1 <= code <= 0xED or code in (0xEF, 0xFE)):
            out.append(data[at:end])
        at = end
    return b"".join(out) + data[at:]


def picture(
    pixels: NDArray[np.uint8],
    *,
    quality: int,
    chroma: str,
    profile: bytes | None = None,
    ppi: float | None = None,
    exif: Image.Exif | None = None,
    xmp: bytes = b"",
) -> bytes:
    """A whole file.

    Args:
        pixels: (H, W, 3) of colours or (H, W, 4) of inks.
        quality: 1 to 100.
        chroma: a key of `SUBSAMPLING`. Inks are all kept at full size.
        profile: ICC profile.
        ppi: pixels an inch.
        exif: the block.
        xmp: the packet.

    Raises:
        UserError: more than the form can hold.
    """
    image = Image.fromarray(pixels, "CMYK") if pixels.shape[2] == 4 else Image.fromarray(pixels)
    if len(xmp) > LARGEST_XMP:
        raise UserError(
            f"the names of the people in this picture take {len(xmp)} bytes and a JPEG holds "
            f"{LARGEST_XMP}; write it without names, or as TIFF or PNG"
        )
    if max(image.size) > LARGEST_SIDE:
        raise UserError(
            f"the picture is {image.width} x {image.height} pixels and a JPEG holds at most "
            f"{LARGEST_SIDE} a side; choose tiff"
        )
    more: dict[str, object] = {"exif": exif} if exif is not None else {}
    if ppi is not None:
        more["dpi"] = (ppi, ppi)
    if xmp:
        more["xmp"] = xmp
    out = io.BytesIO()
    image.save(
        out,
        "JPEG",
        quality=quality,
        subsampling=SUBSAMPLING[chroma],
        optimize=False,
        icc_profile=profile,
        **more,
    )
    return out.getvalue()
