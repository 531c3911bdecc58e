"""SVG layers: checked for what they refer to, then drawn by resvg at the size that is needed.

Nothing outside the file is ever loaded: no pictures, style sheets or fonts by a link, only fonts of
the template's folder and the program's own. A drawing is ended when it takes too long or too much
memory.

Source: SVG 1.1 (W3C 2011), 7 Coordinate systems; a length without a unit is a pixel of the canvas,
and an inch is 96 of them (CSS 2.1).
"""

from __future__ import annotations

import json
import logging
import math
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path
from xml.etree import ElementTree as ET

import torch
from torch import Tensor

from stream.errors import UserError
from stream.template.layers import Layer
from stream.template.markup import safe_xml
from stream.template.png import MOST_PIXELS, read_png
from stream.template.reading import Box

log = logging.getLogger("posewall.template")


@dataclass(frozen=True)
class FontFile:
    """A font as it was when the template was read: its file's name and its content."""

    name: str
    data: bytes


Fonts = Callable[[], tuple[FontFile, ...]]
"""Gives the font files that a drawing may use; asked only where something is written in it."""

DRAWING = Path(__file__).with_name("svg_drawing.py")
MOST_SVG = 32 << 20
MOST_DEPTH = 64
# chosen: 54 megapixels with a blur take 3 s; a drawing that takes longer was made to harm.
MOST_SECONDS = 30
MOST_MEMORY = 1 << 30
_LENGTH = re.compile(r"\s*\+?(\d{1,7}(?:\.\d*)?|\.\d+)(?:e\+?([0-3]))?\s*(px|in|mm|cm|pt|pc)?\s*")
_UNITS = {"px": 1.0, "in": 96.0, "mm": 96 / 25.4, "cm": 960 / 25.4, "pt": 96 / 72, "pc": 16.0}
_INSIDE = ("data:image/png;", "data:image/jpeg;", "data:image/jpg;", "data:image/gif;")
_URL = re.compile(r"url\(\s*['\"]?\s*([^'\")\s]*)", re.IGNORECASE)
# Links that a reader follows by a click and that draw nothing.
_LINKS = ("a",)


def _local(name: str) -> str:
    return name.rpartition(":")[2]


def _length(value: str | None) -> float | None:
    match = _LENGTH.fullmatch(value or "")
    if match is None:
        return None
    return float(match[1]) * 10.0 ** int(match[2] or 0) * _UNITS[match[3] or "px"]


def _view(root: ET.Element) -> tuple[float, float, float, float] | None:
    try:
        parts = [float(p) for p in re.split(r"[\s,]+", (root.get("viewBox") or "").strip())]
    except ValueError:
        return None
    if len(parts) != 4 or not all(map(math.isfinite, parts)) or parts[2] <= 0 or parts[3] <= 0:
        return None
    return parts[0], parts[1], parts[2], parts[3]


def _foreign(target: str) -> bool:
    target = target.strip()
    return bool(target) and not target.startswith("#") and not target.lower().startswith(_INSIDE)


def _foreign_url(words: str) -> str | None:
    for match in _URL.finditer(words):
        if _foreign(match[1]):
            return match[1]
    return None


def _outside(root: ET.Element) -> str | None:
    """The first thing outside the file that the drawing wants."""
    for element in root.iter():
        kind = _local(element.tag)
        for name, value in element.attrib.items():
            if _local(name) == "href" and kind not in _LINKS and _foreign(value):
                return value
            if found := _foreign_url(value):
                return found
        if kind == "style":
            words = "".join(element.itertext())
            if "@import" in words.lower():
                return "@import"
            if found := _foreign_url(words):
                return found
    return None


@dataclass(frozen=True)
class Drawing:
    """An SVG, checked.

    Attributes:
        size: (H, W) in canvas pixels as the file says, rounded.
        data: the SVG, ready to be drawn at any size.
        families: fonts that its words name.
        words: whether anything is written in it.
    """

    size: tuple[int, int]
    data: bytes
    families: tuple[str, ...]
    words: bool


def _families(root: ET.Element) -> tuple[str, ...]:
    said: list[str] = []
    for element in root.iter():
        said.append(element.get("font-family") or "")
        styled = element.get("style") or ""
        if _local(element.tag) == "style":
            styled += "".join(element.itertext())
        said += re.findall(r"font-family\s*:\s*([^;}\"]+)", styled)
    names = (part.split(",")[0].strip().strip("'\"") for part in said)
    return tuple(dict.fromkeys(n for n in names if n))


def read_svg(data: bytes, what: str) -> Drawing:
    """Check an SVG.

    Args:
        data: the file.
        what: names the layer and its file for the message.

    Raises:
        UserError: no SVG, damaged, without a size, or it refers to something outside itself.
    """
    if len(data) > MOST_SVG:
        raise UserError(f"{what} is larger than {MOST_SVG >> 20} MB; save it smaller")
    root = safe_xml(data, what, MOST_DEPTH, doctype=True)
    if _local(root.tag) != "svg":
        raise UserError(f"{what} is no SVG drawing; save it again as SVG")
    wanted = _outside(root)
    if wanted is not None:
        raise UserError(
            f'{what} refers to "{wanted[:80]}", which does not lie inside it and is never loaded; '
            "embed it in the drawing"
        )
    view = _view(root)
    width, height = _length(root.get("width")), _length(root.get("height"))
    if view is not None and (width is None or height is None):
        # A share of the page, or nothing: then the drawing's own coordinates are its size.
        width, height = view[2:]
    if not width or not height:
        raise UserError(f"{what} does not say how large it is; give it width and height in pixels")
    size = (max(1, round(height)), max(1, round(width)))
    if size[0] * size[1] > MOST_PIXELS:
        raise UserError(f"{what} is {size[1]} x {size[0]} pixels; make it smaller")
    if view is None:
        root.set("viewBox", f"0 0 {width:g} {height:g}")
    words = any(_local(e.tag) == "text" for e in root.iter())
    return Drawing(size, ET.tostring(root, "utf-8"), _families(root) if words else (), words)


def _windowed(root: ET.Element, box: Box) -> ET.Element:
    """A drawing stretched over a box of a larger one."""
    outer = ET.Element(root.tag, {k: v for k, v in root.attrib.items() if k.startswith("xmlns")})
    for name, value in zip(("x", "y", "width", "height"), box, strict=True):
        root.set(name, repr(value))
    root.set("preserveAspectRatio", "none")
    outer.append(root)
    return outer


@contextmanager
def _laid_down(fonts: tuple[FontFile, ...]) -> Iterator[list[Path]]:
    """Font files for the process that draws, which wants them by their place.

    Not the template's own: who changes a font there would change how an older version looks.
    """
    if not fonts:
        yield []
        return
    with tempfile.TemporaryDirectory(prefix="posewall-fonts-") as folder:
        paths = []
        for i, font in enumerate(fonts):
            path = Path(folder) / f"{i}{Path(font.name).suffix}"
            path.write_bytes(font.data)
            paths.append(path)
        yield paths


def draw_svg(
    drawing: Drawing,
    size: tuple[int, int],
    fonts: tuple[FontFile, ...],
    what: str,
    box: Box | None = None,
) -> Tensor:
    """Draw an SVG.

    Args:
        drawing: from `read_svg`.
        size: (H, W) wanted.
        fonts: what it may use; nothing else is.
        what: names the layer and its file for the message.
        box: x, y, width, height of the drawing in pixels of what is wanted, which it may leave or
            not fill; None: it is exactly as large.

    Returns:
        (4, H, W) uint8 R, G, B, alpha; sRGB-encoded, straight.

    Raises:
        UserError: it cannot be drawn, or not within the time and memory that a layer may take.
    """
    root = safe_xml(drawing.data, what, MOST_DEPTH)
    if box is not None and box != (0.0, 0.0, size[1], size[0]):
        root = _windowed(root, box)
    root.set("width", str(size[1]))
    root.set("height", str(size[0]))
    root.set("preserveAspectRatio", "none")
    wish: dict[str, object] = {
        "width": size[1],
        "height": size[0],
        "memory": MOST_MEMORY,
        "seconds": MOST_SECONDS,
    }
    try:
        with _laid_down(fonts) as paths:
            wish["fonts"] = [str(path) for path in paths]
            done = subprocess.run(
                [sys.executable, "-I", str(DRAWING)],
                input=json.dumps(wish).encode() + b"\n" + ET.tostring(root, "utf-8"),
                capture_output=True,
                timeout=2 * MOST_SECONDS,
                check=False,
            )
    except subprocess.TimeoutExpired as e:
        raise UserError(f"{what} takes too long to draw; simplify it or save it as PNG") from e
    except OSError as e:
        raise UserError(
            f"{what} cannot be drawn ({e.strerror}); make room for temporary files and do it again"
        ) from e
    if done.returncode == 1 and b"Error" not in done.stderr:
        said = done.stderr.decode("utf-8", "replace").strip()
        raise UserError(f"{what} cannot be drawn ({said}); save it again as plain SVG")
    if done.returncode != 0:
        raise UserError(
            f"{what} takes too much time or memory to draw; simplify it or save it as PNG"
        )
    planes = read_png(done.stdout, what)
    if planes.shape[1:] != size:
        raise UserError(f"{what} cannot be drawn at {size[1]} x {size[0]} pixels; save it as PNG")
    return planes


@dataclass(frozen=True)
class SvgLayer(Layer):
    """A layer of shapes: drawn anew whenever its pixels are asked for.

    Attributes:
        drawing: the shapes.
        fonts: what its words may use.
    """

    drawing: Drawing | None = None
    fonts: tuple[FontFile, ...] = field(default=(), repr=False)

    def pixels(self) -> Tensor:
        """(4, H, W) straight sRGB-encoded, uint8."""
        return draw_svg(self._drawing, self.size, self.fonts, self.what)

    @property
    def _drawing(self) -> Drawing:
        return self.drawing or read_svg(self.data, self.what)

    def sharp(
        self, canvas: tuple[int, int], size: tuple[int, int]
    ) -> tuple[Tensor, int, int] | None:
        """What a picture shows of it, drawn at the picture's own size.

        Args:
            canvas: (H, W) that the layer's place and size refer to.
            size: (H, W) of the picture.

        Returns:
            (4, h, w) as `pixels`, and x and y of its left and top edges in the picture; None where
            that would be too much to draw, so that its pixels have to be enlarged.
        """
        sy, sx = size[0] / canvas[0], size[1] / canvas[1]
        # Rounded, so that an edge that meets a pixel's does so exactly.
        left, top = round(self.x * sx, 6), round(self.y * sy, 6)
        wide, high = round(self.size[1] * sx, 6), round(self.size[0] * sy, 6)
        x0, y0 = max(0, math.floor(left)), max(0, math.floor(top))
        x1 = min(size[1], math.ceil(round(left + wide, 6)))
        y1 = min(size[0], math.ceil(round(top + high, 6)))
        if x0 >= x1 or y0 >= y1:
            return torch.zeros((4, 1, 1), dtype=torch.uint8), 0, 0
        if (y1 - y0) * (x1 - x0) > MOST_PIXELS:
            return None
        box = (left - x0, top - y0, wide, high)
        try:
            drawn = draw_svg(self._drawing, (y1 - y0, x1 - x0), self.fonts, self.what, box)
        except UserError as e:
            # It could be drawn at the canvas' size when the template was read.
            log.warning("%s; it is enlarged instead", e)
            return None
        return drawn, x0, y0


def svg_layer(layer: Layer, drawing: Drawing, fonts: Fonts) -> SvgLayer:
    """A layer that draws an SVG, with name, place and mode of another and the drawing's size."""
    said = {f.name: getattr(layer, f.name) for f in fields(Layer)}
    said["size"] = drawing.size
    return SvgLayer(**said, drawing=drawing, fonts=fonts() if drawing.words else ())
