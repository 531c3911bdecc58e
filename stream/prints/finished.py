"""Read finished pictures back, in each form that Posewall writes, to put them on sheets."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pikepdf
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError

from stream.color_profile import ProfileError, converted, eight_bits, srgb_profile
from stream.errors import UserError
from stream.prints.exif import ORIENTATION
from stream.prints.pdf_file import POINTS_IN

READS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".pdf")
_LEAST_PPI = 10.0
# What the readers raise for a damaged file.
_DAMAGE = (
    *(OSError, UnidentifiedImageError, Image.DecompressionBombError, SyntaxError, ValueError),
    *(TypeError, KeyError, IndexError, ArithmeticError, AttributeError),
    *(pikepdf.PdfError, tifffile.TiffFileError),
)


@dataclass(frozen=True)
class Finished:
    """A picture file.

    Attributes:
        path: where it lies.
        size: (H, W) in pixels.
        ppi: pixels an inch.
        profile: its ICC profile; sRGB's where it has none.
        mode: Pillow's name of its channels.
        form: Pillow's name of its form.
        upright: it needs no turning by its Exif Orientation.
    """

    path: Path
    size: tuple[int, int]
    ppi: float
    profile: bytes
    mode: str
    form: str
    upright: bool = True

    @property
    def inches(self) -> tuple[float, float]:
        """(width, height) in print."""
        return self.size[1] / self.ppi, self.size[0] / self.ppi


def _wrong(path: Path, error: Exception) -> UserError:
    if isinstance(error, UnidentifiedImageError):
        # Its own words tell the whole path once more.
        return UserError(f"{path.name} is no picture; make it again")
    why = getattr(error, "strerror", None) or str(error).replace(str(path), "it")
    return UserError(f"{path.name} cannot be read as a picture ({why}); make it again")


def look(path: Path) -> Finished:
    """What a picture file says of itself.

    Raises:
        UserError: it is no picture, or does not say how large it is in print.
    """
    if not path.is_file():
        raise UserError(f"{path}: there is no such file; check the name")
    if path.suffix.lower() not in READS:
        raise UserError(
            f"{path.name} cannot be put on a sheet; give finished pictures as JPEG, PNG, TIFF or "
            "Posewall's own PDF"
        )
    try:
        found = _look_pdf(path) if path.suffix.lower() == ".pdf" else _look(path)
    except _DAMAGE as e:
        raise _wrong(path, e) from e
    if not found.ppi >= _LEAST_PPI:
        raise UserError(
            f"{path.name} does not say how large it is in print (pixels an inch); make it with "
            "Posewall, or save it with a resolution"
        )
    return found


def _look(path: Path) -> Finished:
    with Image.open(path) as image:
        ppi = float(image.info.get("dpi", (0, 0))[0])
        if image.format == "PNG":
            # Kept as whole dots a metre, which no usual resolution is.
            ppi = float(round(ppi)) if abs(ppi - round(ppi)) < 0.02 else ppi
        turn = image.getexif().get(ORIENTATION, 1)
        # CIPA DC-008: from 5 on rows are columns.
        across = turn in (5, 6, 7, 8)
        return Finished(
            path,
            (image.width, image.height) if across else (image.height, image.width),
            ppi,
            image.info.get("icc_profile") or srgb_profile(),
            image.mode,
            image.format or "",
            turn == 1,
        )


def _picture_of(pdf: pikepdf.Pdf) -> pikepdf.Object:
    """The one picture of a page as `picture.picture_bytes` makes it."""
    pictures = list(pdf.pages[0].obj["/Resources"]["/XObject"].as_dict().values())
    if len(pdf.pages) != 1 or len(pictures) != 1:
        raise ValueError("it is a PDF of another kind than one finished picture")
    return pictures[0]


def _look_pdf(path: Path) -> Finished:
    with pikepdf.open(path) as pdf:
        image = _picture_of(pdf)
        left, _, right, _ = (float(v) for v in pdf.pages[0].obj["/BleedBox"].as_list())
        profile = image["/ColorSpace"].as_list()[1]
        inks = int(profile["/N"]) == 4
        size = int(image["/Height"]), int(image["/Width"])
        ppi = size[1] / (right - left) * POINTS_IN
        data = profile.read_bytes()
    return Finished(path, size, round(ppi, 3), data, "CMYK" if inks else "RGB", "PDF")


def pixels(picture: Finished) -> NDArray[np.uint8]:
    """Its colours as they stand in the file: (H, W, 3), or (H, W, 4) of inks; uint8.

    Raises:
        UserError: it is damaged.
    """
    try:
        if picture.form == "PDF":
            return _pixels_pdf(picture)
        if picture.form == "TIFF":
            # Pillow cuts 16 bits of RGB to 8 without rounding.
            plain = tifffile.imread(picture.path)
            if (
                picture.upright
                and plain.ndim == 3
                and plain.shape[2] in (3, 4)
                and plain.dtype == np.uint16
            ):
                return eight_bits(plain)
        with Image.open(picture.path) as image:
            upright = image if picture.upright else ImageOps.exif_transpose(image)
            return np.asarray(upright if image.mode in ("RGB", "CMYK") else upright.convert("RGB"))
    except _DAMAGE as e:
        raise _wrong(picture.path, e) from e


def _pixels_pdf(picture: Finished) -> NDArray[np.uint8]:
    with pikepdf.open(picture.path) as pdf:
        image = _picture_of(pdf)
        if image["/Filter"] == pikepdf.Name.DCTDecode:
            with Image.open(io.BytesIO(image.read_raw_bytes())) as jpeg:
                return np.asarray(jpeg)
        channels = 4 if picture.mode == "CMYK" else 3
        plain = np.frombuffer(image.read_bytes(), np.uint8)
        return plain.reshape(*picture.size, channels)


def srgb_pixels(picture: Finished) -> NDArray[np.uint8]:
    """Its colours in sRGB, (H, W, 3) uint8.

    Raises:
        UserError: it or its profile is damaged.
    """
    plain = pixels(picture)
    if picture.profile == srgb_profile():
        return plain
    space = "cmyk" if plain.shape[2] == 4 else "rgb"
    try:
        done = converted(plain, (picture.profile, space), (srgb_profile(), "rgb"))
    except ProfileError as e:
        raise UserError(
            f"{picture.path.name} carries a colour profile that cannot be used ({e}); make it again"
        ) from e
    return done.astype(np.uint8, copy=False)
