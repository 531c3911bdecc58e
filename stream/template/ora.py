"""Read an OpenRaster document, trusting nothing in it.

Source: the OpenRaster specification (openraster.org), file layout and layer stack, baseline.
Isolation: a group is isolated when it says so, or when its opacity or its mode makes it so.
"""

from __future__ import annotations

import io
import math
import struct
import zipfile
import zlib
from dataclasses import dataclass, field, replace
from xml.etree import ElementTree as ET

from models.composite import Mode
from stream.errors import UserError
from stream.template.layers import Document, Layer, LayerGroup
from stream.template.markup import plain, safe_xml
from stream.template.ora_write import MIMETYPE, composite_op
from stream.template.png import MOST_PIXELS, png_header
from stream.template.reading import shown
from stream.template.svg import Fonts, read_svg, svg_layer

# chosen: far above any print template, far below what would fill a small computer's memory.
MOST_ENTRIES = 1000
MOST_LAYERS = 200
MOST_DEPTH = 16
MOST_NAME = 120
MOST_XML = 2 << 20
MOST_ENTRY = 256 << 20
MOST_TOTAL = 384 << 20
# chosen: 200 layers of 8 x 10 inches at 300 ppi; each costs time whenever a design is flattened.
MOST_LAYER_PIXELS = 1_600_000_000
# PNG data is packed already: above this size an entry that packs better than this is made to harm.
MOST_RATIO = 100
RATIO_FROM = 8 << 20

# Whatever zipfile makes of an archive whose tables lie, negative offsets (ValueError) among them.
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    OSError,
    EOFError,
    ValueError,
    IndexError,
    RuntimeError,
)

_MODES = {composite_op(mode): mode for mode in Mode}


class _Archive:
    """The zip, opened with bounds."""

    def __init__(self, data: bytes) -> None:
        try:
            self.zip = zipfile.ZipFile(io.BytesIO(data))
        except _DAMAGED as e:
            raise UserError(
                "it is not an OpenRaster file, or it is damaged; export it again as OpenRaster"
            ) from e
        entries = self.zip.infolist()
        if len(entries) > MOST_ENTRIES:
            raise UserError(f"it holds {len(entries)} entries; at most {MOST_ENTRIES} can be read")
        # One writer begins the names of entries with a slash.
        self.entries = {e.filename.removeprefix("/"): e for e in entries}
        self.left = MOST_TOTAL
        first = min(entries, key=lambda e: e.header_offset, default=None)
        if (
            first is None
            or first.filename != "mimetype"
            or first.compress_type != zipfile.ZIP_STORED
            or first.file_size != len(MIMETYPE)
            or self.read("mimetype", 64) != MIMETYPE
        ):
            raise UserError(
                "it does not begin with an unpacked entry mimetype that says image/openraster; "
                "export it again as OpenRaster"
            )

    def read(self, name: str, most: int = MOST_ENTRY) -> bytes:
        """One entry, unpacked.

        Raises:
            UserError: it is missing, packed in another way, too large, or damaged.
        """
        entry, said = self.entries.get(name), name[-80:]
        if entry is None:
            raise UserError(f'the entry "{said}" is missing from the file')
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise UserError(f'the entry "{said}" is packed in a way that OpenRaster does not allow')
        if entry.flag_bits & 1:
            raise UserError(f'the entry "{said}" is locked with a password')
        most = min(most, self.left)
        packed_well = entry.file_size > RATIO_FROM and (
            entry.file_size > MOST_RATIO * max(entry.compress_size, 1)
        )
        if entry.file_size > most or packed_well:
            raise UserError(
                f'the entry "{said}" unpacks to {entry.file_size / 1e6:.0f} MB, '
                "which is more than a layer can need"
            )
        try:
            with self.zip.open(entry) as f:
                data = f.read(most + 1)
        except _DAMAGED as e:
            raise UserError(f'the entry "{said}" is damaged ({str(e)[:80]})') from e
        if len(data) > most:
            raise UserError(f'the entry "{said}" is larger than it says')
        self.left -= len(data)
        return data


def _name(element: ET.Element) -> str:
    return plain(element.get("name", ""))[:MOST_NAME]


def _safe_name(src: str) -> bool:
    parts = src.split("/")
    if not src.isprintable():
        return False
    return not (src.startswith("/") or "\\" in src or ":" in src or ".." in parts or "" in parts)


@dataclass
class _Reading:
    archive: _Archive
    file: str
    problems: list[str]
    fonts: Fonts
    layers: int = 0
    pixels: int = 0
    seen: dict[str, bytes] = field(default_factory=dict)

    def wrong(self, element: ET.Element, what: str) -> None:
        self.problems.append(f"{self.label(element)}: {what}")

    def label(self, element: ET.Element) -> str:
        kind = "group" if element.tag == "stack" else "layer"
        return f'{kind} "{_name(element)}" in {self.file}'

    def whole(self, element: ET.Element, key: str) -> int:
        value = element.get(key, "0")
        try:
            number = float(value)
            if abs(number) > 1e6 or not number.is_integer():
                raise ValueError
        except ValueError:
            self.wrong(element, f"its {key} is {shown(value)}; need a whole number of pixels")
            return 0
        return int(number)

    def opacity(self, element: ET.Element) -> float:
        value = element.get("opacity", "1")
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not 0 <= number <= 1:
            self.wrong(element, f"its opacity is {shown(value)}; need a number from 0 to 1")
            return 1.0
        return number

    def mode(self, element: ET.Element) -> Mode:
        value = element.get("composite-op", "svg:src-over")
        mode = _MODES.get(value)
        if mode is None:
            self.wrong(
                element,
                f"its way of blending is {shown(value)}, which is none of OpenRaster's; choose "
                "another in the drawing program, or merge the layer down",
            )
            return Mode.NORMAL
        return mode

    def visible(self, element: ET.Element) -> bool:
        return element.get("visibility", "visible") != "hidden"

    def layer(self, element: ET.Element, dx: int, dy: int) -> Layer | None:
        self.layers += 1
        if self.layers > MOST_LAYERS:
            raise UserError(f"it holds more than {MOST_LAYERS} layers; merge some")
        src = element.get("src", "").removeprefix("/")
        name = _name(element)
        if not _safe_name(src):
            self.wrong(element, f"its picture {shown(src)} does not lie inside the file")
            return None
        if not src.lower().endswith((".png", ".svg")):
            self.wrong(element, f"its picture {shown(src)} is no PNG; turn the layer into pixels")
            return None
        try:
            if src not in self.seen:
                self.seen[src] = self.archive.read(src)
            layer = Layer(
                name,
                f"{self.file}, {src[-80:]}",
                self.seen[src],
                (0, 0),
                dx + self.whole(element, "x"),
                dy + self.whole(element, "y"),
                self.mode(element),
                self.opacity(element),
                self.visible(element),
            )
            layer = self.sized(layer, src)
        except UserError as e:
            self.wrong(element, str(e))
            return None
        self.pixels += layer.size[0] * layer.size[1]
        if self.pixels > MOST_LAYER_PIXELS:
            raise UserError(
                f"its layers hold more than {MOST_LAYER_PIXELS // 1_000_000} megapixels together; "
                "merge some or trim their empty parts"
            )
        return layer

    def sized(self, layer: Layer, src: str) -> Layer:
        what = f'its picture "{src[-80:]}"'
        if src.lower().endswith(".svg"):
            return svg_layer(layer, read_svg(layer.data, what), self.fonts)
        height, width, *_ = png_header(layer.data, what)
        return replace(layer, size=(height, width))

    def stack(self, element: ET.Element, dx: int, dy: int) -> tuple[Layer | LayerGroup, ...]:
        """The children, lowest first; the file lists the topmost first."""
        # Offsets of groups were dropped in 0.0.6 of the format; older files add them up.
        dx, dy = dx + self.whole(element, "x"), dy + self.whole(element, "y")
        out: list[Layer | LayerGroup] = []
        for child in reversed(element):
            if child.tag == "layer":
                layer = self.layer(child, dx, dy)
                if layer is not None:
                    out.append(layer)
            elif child.tag == "stack":
                out.append(
                    LayerGroup(
                        _name(child),
                        self.stack(child, dx, dy),
                        self.mode(child),
                        self.opacity(child),
                        self.visible(child),
                        child.get("isolation", "auto") == "isolate",
                    )
                )
            else:
                self.wrong(
                    child, f"it is a <{child.tag[:40]}>; turn it into a plain layer of pixels"
                )
        return tuple(out)


def read_ora(data: bytes, file: str, problems: list[str], fonts: Fonts = tuple) -> Document | None:
    """Read a document.

    Args:
        data: the file.
        file: its name, for messages.
        problems: what is wrong is added here, a sentence each.
        fonts: gives the font files for the words of SVG layers.

    Returns:
        The document, or None where there is no use in going on.
    """
    try:
        archive = _Archive(data)
        root = safe_xml(archive.read("stack.xml", MOST_XML), "its stack.xml", MOST_DEPTH + 4)
        reading = _Reading(archive, file, problems, fonts)
        width, height = (_side(root.get(key)) for key in ("w", "h"))
        stack = root.find("stack")
        if root.tag != "image" or stack is None or not 0 < width * height <= MOST_PIXELS:
            raise UserError(
                f"its stack.xml describes a canvas of {shown(root.get('w'))} x "
                f"{shown(root.get('h'))}; need an "
                f"image with layers, of at most {MOST_PIXELS // 1_000_000} megapixels"
            )
        return Document((height, width), reading.stack(stack, 0, 0), _ppi(root))
    except UserError as e:
        problems.append(f"{file}: {e}")
        return None


def _side(value: str | None) -> int:
    if value is None or len(value) > 6 or not (value.isascii() and value.isdigit()):
        return 0
    return int(value)


def _ppi(root: ET.Element) -> float | None:
    across, down = _side(root.get("xres")), _side(root.get("yres"))
    return float(across) if across == down > 0 else None
