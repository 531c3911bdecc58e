"""The print-ready file: JPEG with its colour profile, resolution and date.

Sources: ITU-T T.81 (JPEG), ISO 15076-1 (ICC; the profile's date stands in header bytes 24 to 35),
CIPA DC-008 Exif 2.32 (Orientation, DateTimeOriginal, OffsetTimeOriginal, ImageUniqueID,
ColorSpace), IPTC Photo Metadata (DigitalSourceType).
"""

from __future__ import annotations

import io
import struct
from datetime import datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import numpy as np
from PIL import Image, ImageCms, UnidentifiedImageError
from torch import Tensor

QUALITY = 95
# *Common practice*: below this a photograph in the hand looks soft.
SOFT_BELOW_PPI = 150
_EXIF_IFD = 0x8769
_ORIENTATION, _SOFTWARE = 0x0112, 0x0131
_VERSION, _COLOR_SPACE, _WIDTH, _HEIGHT = 0x9000, 0xA001, 0xA002, 0xA003
_TAKEN, _TAKEN_OFFSET, _UNIQUE = 0x9003, 0x9011, 0xA420
# Says openly that the picture is put together from several; it names nobody.
_XMP = b"""<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF \
xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" \
xmlns:Iptc4xmpExt="http://iptc.org/std/Iptc4xmpExt/2008-02-29/" \
Iptc4xmpExt:DigitalSourceType="http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture"\
/></rdf:RDF></x:xmpmeta>"""


@cache
def srgb_profile() -> bytes:
    """The sRGB profile, dated so that the same picture is always the same file."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    data[24:36] = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)
    return bytes(data)


@cache
def software() -> str:
    """This program and its version, for people."""
    try:
        return f"Posewall {version('posewall')}"
    except PackageNotFoundError:
        return "Posewall"


def picture_bytes(pixels: Tensor, *, ppi: float, taken: datetime, unique: str) -> bytes:
    """A finished picture as a JPEG file.

    Args:
        pixels: (H, W, 3) uint8, sRGB, upright.
        ppi: pixels an inch in print.
        taken: when; its own time zone is kept.
        unique: 32 hex digits.

    Returns:
        The file's bytes; the same for the same arguments. No name of a person is in it.
    """
    image = Image.fromarray(np.ascontiguousarray(pixels.cpu().numpy()))
    exif = Image.Exif()
    exif[_ORIENTATION] = 1
    exif[_SOFTWARE] = software()
    ifd = exif.get_ifd(_EXIF_IFD)
    ifd[_VERSION] = b"0232"
    ifd[_TAKEN] = taken.strftime("%Y:%m:%d %H:%M:%S")
    offset = taken.strftime("%z")
    if offset:
        ifd[_TAKEN_OFFSET] = f"{offset[:3]}:{offset[3:5]}"
    ifd[_UNIQUE] = unique
    ifd[_COLOR_SPACE] = 1
    ifd[_WIDTH], ifd[_HEIGHT] = image.size
    out = io.BytesIO()
    image.save(
        out,
        "JPEG",
        quality=QUALITY,
        subsampling=0,
        optimize=False,
        icc_profile=srgb_profile(),
        dpi=(ppi, ppi),
        exif=exif,
        xmp=_XMP,
    )
    return out.getvalue()


def picture_owner(path: Path) -> str | None:
    """The ImageUniqueID of a picture file; None where there is no picture or it has none."""
    try:
        with Image.open(path) as image:
            unique = image.getexif().get_ifd(_EXIF_IFD).get(_UNIQUE)
    except (OSError, UnidentifiedImageError, SyntaxError, ValueError):
        return None
    return unique.strip("\0 ") if isinstance(unique, str) else None


def effective_ppi(ppi: float, scale: float) -> float:
    """Frame pixels an inch of print.

    Args:
        ppi: picture pixels an inch.
        scale: picture pixels a frame pixel, as `Placement.scale`.
    """
    return ppi / scale


def enlargement_note(ppi: float, scale: float) -> str | None:
    """A sentence when the print enlarges the frame, else None."""
    # A hair over 1 comes of rounding sizes and is nothing to look at.
    if scale < 1.02:
        return None
    real = effective_ppi(ppi, scale)
    if real < SOFT_BELOW_PPI:
        return (
            f"the print enlarges this frame {scale:.1f} times to {real:.0f} real pixels an inch, "
            f"below the usual {SOFT_BELOW_PPI}: it will look soft; use a tethered still, a larger "
            "video format or a smaller print"
        )
    return (
        f"the print enlarges this frame {scale:.1f} times, to {real:.0f} real pixels an inch "
        f"instead of {ppi:.0f}"
    )
