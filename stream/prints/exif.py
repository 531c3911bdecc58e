"""The Exif block of a picture.

Source: CIPA DC-008 Exif 2.32 (Orientation, DateTimeOriginal, OffsetTimeOriginal, ImageUniqueID,
ColorSpace: 1 is sRGB, 65535 uncalibrated).
"""

from __future__ import annotations

from typing import Any

from PIL import Image
from PIL.TiffImagePlugin import ImageFileDirectory_v2

from stream.prints.about import About, software

EXIF_IFD = 0x8769
UNIQUE = 0xA420
ORIENTATION, SOFTWARE = 0x0112, 0x0131
_VERSION, _COLOR_SPACE, _WIDTH, _HEIGHT = 0x9000, 0xA001, 0xA002, 0xA003
_TAKEN, _TAKEN_OFFSET = 0x9003, 0x9011
_LITTLE_ENDIAN = b"II*\0\0\0\0\0"


def _facts(about: About, size: tuple[int, int], srgb: bool) -> dict[int, Any]:
    """Tags of the Exif IFD; ``size`` is (H, W)."""
    facts: dict[int, Any] = {
        _VERSION: b"0232",
        _TAKEN: about.taken.strftime("%Y:%m:%d %H:%M:%S"),
    }
    offset = about.taken.strftime("%z")
    if offset:
        facts[_TAKEN_OFFSET] = f"{offset[:3]}:{offset[3:5]}"
    if about.unique:
        facts[UNIQUE] = about.unique
    facts[_COLOR_SPACE] = 1 if srgb else 0xFFFF
    facts[_WIDTH], facts[_HEIGHT] = size[1], size[0]
    return facts


def block(about: About, size: tuple[int, int], *, srgb: bool) -> Image.Exif:
    """The block as JPEG and PNG carry it.

    Args:
        about: the facts.
        size: (H, W) pixels of the file.
        srgb: whether its colours are sRGB.
    """
    exif = Image.Exif()
    exif[ORIENTATION] = 1
    exif[SOFTWARE] = software()
    exif.get_ifd(EXIF_IFD).update(_facts(about, size, srgb))
    return exif


def directory(about: About, size: tuple[int, int], *, srgb: bool, at: int) -> bytes:
    """The Exif IFD alone, for a little-endian TIFF file in which it lies at offset ``at``."""
    ifd = ImageFileDirectory_v2(_LITTLE_ENDIAN)
    for tag, value in _facts(about, size, srgb).items():
        ifd[tag] = value
    if at % 2:
        raise ValueError("TIFF 6.0: an IFD begins on a word boundary")
    return bytes(ifd.tobytes(at))
