"""A TIFF with its profile, resolution, Exif and XMP, of 8 or 16 bits a channel.

Sources: TIFF 6.0 (Adobe 1992: ResolutionUnit 2 is the inch, separated images hold inks);
ISO 15076-1 annex B (tag 34675, the profile); XMP part 3 (tag 700).
"""

from __future__ import annotations

import io
import struct

import tifffile

from stream.color_profile import Pixels
from stream.prints import exif
from stream.prints.about import About, software

_XMP, _ORIENTATION = 700, 274
# tifffile writes no Exif directory: a tag without a meaning, which sorts to the same place, becomes
# the one that points to it.
_PLACE = exif.EXIF_IFD - 1


def picture(pixels: Pixels, about: About, *, profile: bytes, srgb: bool, xmp: bytes) -> bytes:
    """A whole file. Not compressed: every program that prints takes that (*common practice*).

    Args:
        pixels: (H, W, 3) of colours or (H, W, 4) of inks, uint8 or uint16.
        about: the facts.
        profile: ICC profile.
        srgb: whether it is sRGB.
        xmp: the packet.
    """
    out = io.BytesIO()
    tifffile.imwrite(
        out,
        pixels,
        byteorder="<",
        photometric="separated" if pixels.shape[2] == 4 else "rgb",
        resolution=(about.ppi, about.ppi),
        resolutionunit="INCH",
        iccprofile=profile,
        software=software(),
        datetime=about.taken.strftime("%Y:%m:%d %H:%M:%S"),
        metadata=None,
        extratags=[
            (_ORIENTATION, "H", 1, 1, True),
            (_XMP, "B", len(xmp), xmp, True),
            (_PLACE, "I", 1, 0, True),
        ],
    )
    end = out.seek(0, io.SEEK_END)
    out.write(b"\0" * (end % 2))
    at = out.tell()
    out.write(exif.directory(about, pixels.shape[:2], srgb=srgb, at=at))
    out.seek(0)
    with tifffile.TiffFile(out) as file:
        place = file.pages.first.tags[_PLACE].offset
    # TIFF 6.0, section 2: code, type, count, value.
    struct.pack_into("<HHII", out.getbuffer(), place, exif.EXIF_IFD, 4, 1, at)
    return out.getvalue()
