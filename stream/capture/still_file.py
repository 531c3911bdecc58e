"""Stills from files: JPEG, PNG and TIFF, 8 or 16 bit, made upright-able, sRGB, with their date.

Sources: Exif 2.32 (Orientation 0x0112, DateTimeOriginal 0x9003, OffsetTimeOriginal 0x9011); the
PNG specification (bit depth in IHDR); TIFF 6.0 (BitsPerSample 258, PhotometricInterpretation 262).

A still with an embedded profile other than sRGB is converted to sRGB by littleCMS, which Pillow
offers at 8 bit only: a 16-bit file with such a profile is read at 8 bit, right colours before fine
steps, with a remark.
"""

from __future__ import annotations

import io
import re
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image, ImageCms, UnidentifiedImageError

from models.color import SRGB_8BIT, Planes
from stream.capture.container import Say
from stream.capture.errors import SourceError
from stream.capture.frame import Frame
from stream.capture.media import Clock, log
from stream.capture.orientation import EXIF, mirrored
from stream.opencv import cv2

STILL_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff"})
RAW_SUFFIXES = frozenset(
    {".cr2", ".cr3", ".crw", ".nef", ".nrw", ".arw", ".srf", ".sr2", ".raf", ".orf", ".rw2"}
    | {".pef", ".dng", ".3fr", ".fff", ".iiq", ".x3f", ".srw", ".raw", ".heic", ".heif", ".hif"}
)
OWN_ENDINGS = (
    *(".matte.png", ".fg.png", ".cutout.png", ".shadow.png"),
    *(".check.jpg", ".frame.png", ".preview.jpg"),
)
"""What the program's own commands write, in small letters: never a still from the camera."""
# chosen: above the largest single-shot camera back (151 MP); 200 MP as RGB takes 600 MB.
MOST_PIXELS = 200_000_000

_TIFF_GREY_OR_RGB = (1, 2)
_EXIF_IFD = 0x8769


def _open(path: Path) -> Image.Image:
    if not path.exists():
        raise SourceError(f"{path}: there is no such file; check the name")
    if path.is_dir():
        raise SourceError(f"{path}: is a folder; need a JPEG, PNG or TIFF file")
    if path.stat().st_size == 0:
        raise SourceError(f"{path}: the file is empty; copy it from the camera again")
    if path.suffix.lower() in RAW_SUFFIXES:
        raise SourceError(f"{path}: is a raw or HEIF file; need JPEG, PNG or TIFF; {RAW_ADVICE}")
    try:
        image = Image.open(path, formats=("JPEG", "PNG", "TIFF"))
    except UnidentifiedImageError as e:
        raise SourceError(
            f"{path}: is not a picture that can be read; "
            "need a JPEG, or a PNG or TIFF of 8 or 16 bit"
        ) from e
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as e:
        raise SourceError(_too_large(path, "far too many")) from e
    except (OSError, SyntaxError, ValueError) as e:
        raise SourceError(f"{path}: cannot be read ({e}); copy it from the camera again") from e
    if image.width * image.height > MOST_PIXELS:
        image.close()
        raise SourceError(_too_large(path, f"{image.width}x{image.height}"))
    return image


RAW_ADVICE = "set the camera or the tethering program to write JPEG as well"

# Pillow's own limit (89 MP) is below today's cameras; ours is checked above, before any decoding.
Image.MAX_IMAGE_PIXELS = MOST_PIXELS


def _too_large(path: Path, got: str) -> str:
    most = MOST_PIXELS // 1_000_000
    return f"{path}: has {got} pixels; need at most {most} million; make it smaller"


def _is_deep(image: Image.Image, path: Path) -> bool:
    """16 bit a channel, of a kind that OpenCV reads exactly: Pillow cuts RGB to 8 bit unsaid."""
    if image.format == "PNG":
        with path.open("rb") as file:
            return file.read(25)[24] == 16
    if image.format == "TIFF":
        tags = image.tag_v2  # type: ignore[attr-defined]
        bits = tags.get(258, (1,))
        if max(bits) > 16 or tags.get(339, (1,))[0] not in (1,):
            raise SourceError(
                f"{path}: has {max(bits)}-bit or floating-point samples; need 8 or 16 "
                "bit whole numbers; export it again as 16-bit TIFF"
            )
        return set(bits) == {16} and tags.get(262) in _TIFF_GREY_OR_RGB
    return False


def _foreign_profile(image: Image.Image, path: Path) -> ImageCms.ImageCmsProfile | None:
    """The embedded profile unless it is sRGB already."""
    data = image.info.get("icc_profile")
    if not data:
        return None
    try:
        profile = ImageCms.getOpenProfile(io.BytesIO(data))
        name = ImageCms.getProfileDescription(profile)
    except (ImageCms.PyCMSError, OSError) as e:
        log.warning("%s: its colour profile is damaged (%s); read as sRGB", path.name, e)
        return None
    return None if name.strip().lower().startswith("srgb") else profile


def _to_srgb(
    image: Image.Image, path: Path, profile: ImageCms.ImageCmsProfile | None, say: Say
) -> Image.Image:
    """8-bit RGB, sRGB; alpha dropped without compositing."""
    if "A" in image.getbands() or "a" in image.getbands() or "transparency" in image.info:
        say(f"{path.name}: its transparency is ignored")
        image = image.convert("RGBA").convert("RGB")
    elif image.mode.startswith("I"):  # 16-bit grey: Pillow's own conversion clips
        image = Image.fromarray((np.asarray(image) >> 8).astype(np.uint8))
    elif image.mode in ("1", "P", "YCbCr"):
        image = image.convert("L" if image.mode == "1" else "RGB")
    elif image.mode not in ("L", "RGB", "RGBX", "CMYK"):
        raise SourceError(
            f"{path}: is a {image.mode} picture; need RGB, grey or CMYK; export it as RGB"
        )
    if profile is not None:
        try:
            converted = ImageCms.profileToProfile(
                image,
                profile,
                ImageCms.createProfile("sRGB"),
                ImageCms.Intent.RELATIVE_COLORIMETRIC,
                outputMode="RGB",
                flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
            )
        except ImageCms.PyCMSError as e:
            log.warning("%s: its colour profile does not fit (%s); read as sRGB", path.name, e)
        else:
            if converted is not None:
                return converted
    if image.mode == "CMYK":
        say(f"{path.name}: is CMYK; its colours are approximate, export it as RGB")
    return image.convert("RGB")


def _planes(array: NDArray[Any], order: tuple[int, int, int]) -> Planes:
    def plane(i: int) -> torch.Tensor:
        channel = array if array.ndim == 2 else array[..., i]
        if channel.dtype == np.uint16:
            return torch.from_numpy(channel.astype(np.int32))
        return torch.from_numpy(np.array(channel, order="C"))

    return plane(order[0]), plane(order[1]), plane(order[2])


def _deep_planes(path: Path, say: Say) -> Planes:
    data = np.frombuffer(path.read_bytes(), np.uint8)
    array = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
    if array is None or array.dtype != np.uint16:
        raise SourceError(f"{path}: only part of the file is there; copy it from the camera again")
    if array.ndim == 3 and array.shape[2] == 4:
        say(f"{path.name}: its transparency is ignored")
    return _planes(array, (2, 1, 0))


def _taken(image: Image.Image, path: Path) -> datetime:
    """The camera's date; its time zone where it wrote one, else the computer's. Or the file's."""
    exif = image.getexif().get_ifd(_EXIF_IFD)
    text, offset = str(exif.get(0x9003, "")), str(exif.get(0x9011, "")).strip("\0 ")
    try:
        date = datetime.strptime(text.strip("\0 "), "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007 - zone below
    except ValueError:
        return datetime.fromtimestamp(path.stat().st_mtime, UTC).astimezone()
    if re.fullmatch(r"[+-]\d\d:\d\d", offset):
        return datetime.fromisoformat(f"{date.isoformat()}{offset}")
    return date.astimezone()


def read_still(
    path: Path,
    *,
    quarter_turns: int | None = None,
    index: int = 0,
    say: Say = log.warning,
    clock: Clock = time.monotonic,
) -> Frame:
    """Read a JPEG, PNG or TIFF.

    Args:
        path: the file.
        quarter_turns: clockwise turns that make it upright; None takes them from its Exif.
        index: running number for the frame.
        say: takes a sentence for the user.
        clock: monotonic, seconds.

    Returns:
        R', G', B' planes, sRGB, full range, 8 or 16 bit; mirrored Exif orientations are undone in
        the planes, turns are left to ``quarter_turns``.

    Raises:
        SourceError: not a picture, damaged, or too large.
    """
    path = Path(path)
    with _open(path) as image:
        try:
            profile = _foreign_profile(image, path)
            taken = _taken(image, path)
            deep = _is_deep(image, path)
            if deep and profile is not None:
                say(f"{path.name}: its colour profile is converted to sRGB at 8 bit, not 16")
                deep = False
            if deep:
                planes, depth = _deep_planes(path, say), 16
                # OpenCV turns a TIFF upright itself, and leaves a PNG as it is.
                orientation = 1 if image.format == "TIFF" else image.getexif().get(0x0112, 1)
            else:
                image.load()
                # After the load: Pillow turns a TIFF upright itself and then drops the tag.
                orientation = image.getexif().get(0x0112, 1)
                planes, depth = (
                    _planes(np.asarray(_to_srgb(image, path, profile, say)), (0, 1, 2)),
                    8,
                )
        except (OSError, SyntaxError, ValueError, EOFError) as e:
            raise SourceError(
                f"{path}: only part of the file can be read ({e}); copy it from the camera again"
            ) from e
    mirror, turns = EXIF.get(orientation, (False, 0))
    return Frame(
        mirrored(planes) if mirror else planes,
        replace(SRGB_8BIT, depth=depth),
        turns if quarter_turns is None else quarter_turns,
        None,
        None,
        clock(),
        taken,
        path.name,
        index,
    )
