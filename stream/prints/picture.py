"""A finished picture as a file, in each form that is handed on; and whose a file is."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import numpy as np
import pikepdf
import torch
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError
from torch import Tensor

from stream.color_profile import Pixels, eight_bits
from stream.errors import UserError
from stream.prints import exif, jpeg_file, pdf_file, png_file, tiff_file, xmp
from stream.prints.about import About
from stream.prints.icc import Profile
from stream.prints.output import Output
from stream.prints.pdf_file import MM, POINTS_IN, Book, Rect, crop_marks

# *Common practice*: marks stand off the bleed, or where there is none off the picture.
_OFF_BLEED, _OFF_PICTURE = 1 * MM, 3 * MM


def _codes(pixels: Tensor, depth: int) -> Pixels:
    """Pixels as the form wants them: 8 or 16 bits a channel."""
    if pixels.dim() != 3 or pixels.shape[2] != 3 or pixels.is_floating_point():
        raise UserError(
            f"picture: got {tuple(pixels.shape)} {pixels.dtype}; need (H, W, 3) codes of 8 or 16 "
            "bits"
        )
    deep = pixels.dtype != torch.uint8
    codes = np.ascontiguousarray(pixels.cpu().numpy())
    if deep and depth == 8:
        return eight_bits(codes)
    if codes.dtype == np.uint16:
        return codes
    if depth == 16:
        return codes.astype(np.uint16) * np.uint16(1 if deep else 257)
    return codes


def _trim_size(size: tuple[int, int], about: About, bleed: int) -> tuple[int, int]:
    """(H, W) in pixels of the trimmed print inside a picture of (H, W).

    A bleed of 1/8 inch at 300 ppi is 37.5 pixels: it begins after 37, and the right and the lower
    edge have the pixel more, or a 4 x 6 would come out as 1201 x 1801.
    """
    inner = size[0] - 2 * bleed, size[1] - 2 * bleed
    if not bleed or about.trim_in is None:
        return inner
    wanted = round(about.trim_in[1] * about.ppi), round(about.trim_in[0] * about.ppi)
    return (
        wanted[0] if inner[0] - wanted[0] == 1 else inner[0],
        wanted[1] if inner[1] - wanted[1] == 1 else inner[1],
    )


def _trimmed(pixels: Tensor, output: Output, about: About) -> tuple[Tensor, int]:
    """The pixels that the file gets, and how many a side of them are bleed."""
    bleed = about.bleed_px
    if bleed and output.bleed == "cut":
        high, wide = _trim_size((pixels.shape[0], pixels.shape[1]), about, bleed)
        return pixels[bleed : bleed + high, bleed : bleed + wide], 0
    return pixels, bleed


def picture_bytes(pixels: Tensor, output: Output, about: About) -> bytes:
    """A finished picture as a file.

    Args:
        pixels: (H, W, 3) sRGB-encoded, upright, with its bleed: uint8, or codes of 16 bits in
            int32 or uint16.
        output: the form.
        about: what is written beside the pixels.

    Returns:
        The file's bytes; the same for the same arguments. A person's name is in it only where
        ``output`` allows names.

    Raises:
        UserError: the profile cannot be used, or the form cannot hold so much.
    """
    profile = output.colors()
    shown, bleed = _trimmed(pixels, output, about)
    codes = profile.convert(_codes(shown, output.depth), output.intent, output.black_point)
    size = codes.shape[0], codes.shape[1]
    packet = xmp.packet(about, people=output.names, unique=output.form == "pdf")
    if output.form.startswith("tiff"):
        return tiff_file.picture(codes, about, profile=profile.data, srgb=profile.srgb, xmp=packet)
    block = exif.block(about, size, srgb=profile.srgb)
    if output.form.startswith("png"):
        return png_file.picture(
            codes,
            profile=profile.data,
            ppi=about.ppi,
            exif=block.tobytes().removeprefix(b"Exif\0\0"),
            xmp=packet,
        )
    plain = codes.astype(np.uint8, copy=False)
    if output.form == "pdf":
        return _pdf(plain, output, about, profile, bleed, packet)
    return jpeg_file.picture(
        plain,
        quality=output.quality,
        chroma=output.chroma,
        profile=profile.data,
        ppi=about.ppi,
        exif=block,
        xmp=packet,
    )


def _pdf(
    pixels: NDArray[np.uint8],
    output: Output,
    about: About,
    profile: Profile,
    bleed: int,
    packet: bytes,
) -> bytes:
    """One page of the print's exact size, with room around it where marks are wanted."""
    height, width = pixels.shape[:2]
    if about.trim_in is not None:
        trim_w, trim_h = about.trim_in[0] * POINTS_IN, about.trim_in[1] * POINTS_IN
    else:
        trim_w, trim_h = ((n - 2 * bleed) / about.ppi * POINTS_IN for n in (width, height))
    high, wide = _trim_size((height, width), about, bleed)
    across, down = trim_w / wide, trim_h / high
    room = 0.0
    away = max(across, down) * bleed + _OFF_BLEED if bleed else _OFF_PICTURE
    if output.marks:
        # Whole pixels of the picture, and whole points where both can be had (25 pixels are 6
        # points at 300 an inch): then nothing is moved by a part of a pixel when it is drawn.
        step = about.ppi / math.gcd(round(about.ppi), round(POINTS_IN))
        least = (away + pdf_file.MARK + _OFF_BLEED) / across - bleed
        step = step if step == round(step) and step <= least else 1
        room = math.ceil(least / step) * step * across
    at = Rect(room, room, width * across, height * down)
    trim = Rect(room + bleed * across, room + (height - bleed - high) * down, trim_w, trim_h)
    book = Book()
    if output.pdf == "jpeg":
        jpeg = jpeg_file.picture(pixels, quality=output.quality, chroma=output.chroma)
        image = book.jpeg(jpeg, (height, width), profile.channels, profile.data)
    else:
        image = book.image(pixels, profile.data)
    book.page(
        (at.w + 2 * room, at.h + 2 * room),
        [(image, at, False)],
        crop_marks(trim, away) if output.marks else (),
        trim=trim,
        bleed=at,
    )
    return book.finish(made=about.taken, xmp=packet)


def picture_owner(path: Path) -> str | None:
    """The ImageUniqueID of a picture file; None where there is no picture or it has none."""
    try:
        with path.open("rb") as file:
            is_pdf = file.read(5) == b"%PDF-"
        if is_pdf:
            with pikepdf.open(path) as pdf:
                packet = pdf.Root.get("/Metadata")
                if not isinstance(packet, pikepdf.Object):
                    return None
                return xmp.owner(packet.read_bytes())
        with warnings.catch_warnings():
            # A damaged file is nobody's, and nothing to tell a photographer of.
            warnings.simplefilter("ignore")
            with Image.open(path) as image:
                unique = image.getexif().get_ifd(exif.EXIF_IFD).get(exif.UNIQUE)
    except (
        OSError,
        UnidentifiedImageError,
        Image.DecompressionBombError,
        SyntaxError,
        ValueError,
        TypeError,
        pikepdf.PdfError,
    ):
        return None
    return unique.strip("\0 ") if isinstance(unique, str) else None
