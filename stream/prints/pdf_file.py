"""PDF pages at exact sizes, with pictures and crop marks on them.

Sources: ISO 32000-2 (7.4.4 FlateDecode and its PNG predictors; 8.3.4 the unit square of an image;
8.6.5.5 ICCBased; 14.11.2 page boundaries). Marks a little outside the bleed, a quarter of a point
thin: *common practice*.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pikepdf
from numpy.typing import NDArray
from pikepdf import Array, Dictionary, Name

from stream.prints import png_file
from stream.prints.about import software
from stream.prints.xmp import wrapped

POINTS_IN = 72.0
MM = POINTS_IN / 25.4
"""Points a millimetre."""
MARK = 5 * MM
LINE = 0.25
Line = tuple[float, float, float, float]
"""x, y to x, y in points from the lower left corner."""


@dataclass(frozen=True)
class Rect:
    """A rectangle in points from the lower left corner of the page."""

    x: float
    y: float
    w: float
    h: float

    def grown(self, by: float) -> Rect:
        """With so much more on every side."""
        return Rect(self.x - by, self.y - by, self.w + 2 * by, self.h + 2 * by)

    @property
    def corners(self) -> list[float]:
        """Left, bottom, right, top, as PDF writes a box."""
        return [round(v, 5) for v in (self.x, self.y, self.x + self.w, self.y + self.h)]


def crop_marks(trim: Rect, away: float, length: float = MARK) -> list[Line]:
    """Two short lines at every corner, in line with the trimmed edges.

    Args:
        trim: what is left after cutting.
        away: points between the trimmed edge and the marks.
        length: of a mark, points.
    """
    left, low, right, high = trim.x, trim.y, trim.x + trim.w, trim.y + trim.h
    near, far = away, away + length
    lines: list[Line] = []
    for x in (left, right):
        lines += [(x, low - far, x, low - near), (x, high + near, x, high + far)]
    for y in (low, high):
        lines += [(left - far, y, left - near, y), (right + near, y, right + far, y)]
    return lines


def _number(value: float) -> str:
    return f"{value:.5f}".rstrip("0").rstrip(".")


def _numbers(*values: float) -> str:
    return " ".join(_number(v) for v in values)


class Book:
    """A PDF in the making. The same pages give the same bytes."""

    def __init__(self) -> None:
        self._pdf = pikepdf.new()
        self._profiles: dict[bytes, pikepdf.Object] = {}

    def _space(self, profile: bytes, channels: int) -> Array:
        if profile not in self._profiles:
            stream = pikepdf.Stream(self._pdf, profile)
            stream.N = channels
            stream.Alternate = Name.DeviceCMYK if channels == 4 else Name.DeviceRGB
            self._profiles[profile] = self._pdf.make_indirect(stream)
        return Array([Name.ICCBased, self._profiles[profile]])

    def image(self, pixels: NDArray[np.uint8], profile: bytes) -> pikepdf.Object:
        """A picture that pages can show, as often as they like; kept without loss.

        Args:
            pixels: (H, W, 3) of colours or (H, W, 4) of inks.
            profile: their ICC profile.
        """
        height, width, channels = pixels.shape
        if channels == 4:
            data = zlib.compress(pixels.tobytes(), png_file.LEVEL)
            return self._shown(data, Name.FlateDecode, (height, width), channels, profile)
        # A PNG's own data is what this filter takes, with the rows already predicted.
        data = b"".join(d for k, d in png_file.chunks(png_file.bare(pixels)) if k == b"IDAT")
        rows = Dictionary(Predictor=15, Colors=channels, BitsPerComponent=8, Columns=width)
        shown = self._shown(data, Name.FlateDecode, (height, width), channels, profile)
        shown.DecodeParms = rows
        return shown

    def jpeg(
        self, data: bytes, size: tuple[int, int], channels: int, profile: bytes
    ) -> pikepdf.Object:
        """A picture that stays the JPEG that it is.

        Args:
            data: the file.
            size: its (H, W).
            channels: 3 colours, or 4 inks as Pillow writes them.
            profile: ICC profile.
        """
        shown = self._shown(data, Name.DCTDecode, size, channels, profile)
        if channels == 4:
            # Inks stand turned round in JPEG files (common practice).
            shown.Decode = Array([1, 0] * 4)
        return shown

    def _shown(
        self, data: bytes, kind: Name, size: tuple[int, int], channels: int, profile: bytes
    ) -> pikepdf.Object:
        stream = pikepdf.Stream(
            self._pdf,
            data,
            {
                "/Type": Name.XObject,
                "/Subtype": Name.Image,
                "/Width": size[1],
                "/Height": size[0],
                "/BitsPerComponent": 8,
                "/ColorSpace": self._space(profile, channels),
                "/Filter": kind,
            },
        )
        return self._pdf.make_indirect(stream)

    def page(
        self,
        size: tuple[float, float],
        images: Sequence[tuple[pikepdf.Object, Rect, bool]],
        lines: Sequence[Line] = (),
        *,
        trim: Rect | None = None,
        bleed: Rect | None = None,
    ) -> None:
        """Add a page.

        Args:
            size: (width, height) in points.
            images: what is shown, where, and whether it is turned, its top to the left.
            lines: cut or crop marks; the images lie over them.
            trim: what is left after cutting; None for the page.
            bleed: what is printed of the picture; None for ``trim``.
        """
        whole = Rect(0, 0, *size)
        trim = trim or whole
        text = []
        if lines:
            text.append(f"q 0 G {_number(LINE)} w")
            text += [f"{_numbers(a, b)} m {_numbers(c, d)} l S" for a, b, c, d in lines]
            text.append("Q")
        named = Dictionary()
        for n, (image, at, turned) in enumerate(images):
            unit = (0, at.h, -at.w, 0, at.x + at.w, at.y) if turned else (
                at.w, 0, 0, at.h, at.x, at.y
            )  # fmt: skip
            named[f"/P{n}"] = image
            text.append(f"q {_numbers(*unit)} cm /P{n} Do Q")
        page = Dictionary(
            Type=Name.Page,
            MediaBox=Array(whole.corners),
            BleedBox=Array((bleed or trim).corners),
            TrimBox=Array(trim.corners),
            Resources=Dictionary(XObject=named),
            Contents=self._pdf.make_stream("\n".join(text).encode()),
        )
        self._pdf.pages.append(pikepdf.Page(self._pdf.make_indirect(page)))

    def finish(self, *, made: datetime | None = None, xmp: bytes = b"") -> bytes:
        """The file.

        Args:
            made: when the picture was taken, for the document's date.
            xmp: the packet.
        """
        if xmp:
            stream = pikepdf.Stream(self._pdf, wrapped(xmp))
            stream.Type, stream.Subtype = Name.Metadata, Name.XML
            self._pdf.Root.Metadata = self._pdf.make_indirect(stream)
        self._pdf.docinfo["/Producer"] = software()
        if made is not None:
            zone = made.strftime("%z")
            ending = f"{zone[:3]}'{zone[3:5]}'" if zone else ""
            self._pdf.docinfo["/CreationDate"] = f"D:{made:%Y%m%d%H%M%S}{ending}"
        out = io.BytesIO()
        self._pdf.save(
            out,
            deterministic_id=True,
            compress_streams=True,
            object_stream_mode=pikepdf.ObjectStreamMode.disable,
        )
        return out.getvalue()
