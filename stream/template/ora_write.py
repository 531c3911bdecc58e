"""Write an OpenRaster file: named layers, and a merged picture of them for other programs.

Source: the OpenRaster specification (openraster.org), file layout and layer stack, baseline.
"""

from __future__ import annotations

import io
import os
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import torch
from PIL import Image
from torch import Tensor

from models.composite import Mode
from models.flatten import Group, Node, Raster, flatten, to_codes

MIMETYPE = b"image/openraster"
THUMBNAIL_PX = 256


@dataclass(frozen=True)
class OraLayer:
    """A layer to write.

    Attributes:
        name: as it will be shown, and as template.toml refers to it.
        image: any Pillow picture; sRGB, straight alpha.
        x: canvas pixel of its left edge.
        y: canvas pixel of its top edge.
        mode: how it meets what lies below.
        opacity: in [0, 1].
        visible: False keeps it in the file but out of the picture.
    """

    name: str
    image: Image.Image
    x: int = 0
    y: int = 0
    mode: Mode = Mode.NORMAL
    opacity: float = 1.0
    visible: bool = True


@dataclass(frozen=True)
class OraGroup:
    """Layers to write as one group, lowest first."""

    name: str
    children: tuple[OraLayer | OraGroup, ...]
    mode: Mode = Mode.NORMAL
    opacity: float = 1.0
    visible: bool = True
    isolated: bool = True


def composite_op(mode: Mode) -> str:
    """The name that OpenRaster has for a mode."""
    return "svg:src-over" if mode is Mode.NORMAL else f"svg:{mode.value}"


def _planes(image: Image.Image) -> Tensor:
    pixels = np.asarray(image.convert("RGBA"))
    return torch.from_numpy(np.array(pixels.transpose(2, 0, 1), order="C"))


def _node(layer: OraLayer | OraGroup) -> list[Node]:
    if not layer.visible:
        return []
    if isinstance(layer, OraGroup):
        children = tuple(n for c in layer.children for n in _node(c))
        if layer.isolated or layer.opacity != 1 or layer.mode is not Mode.NORMAL:
            return [Group(children, layer.mode, layer.opacity)]
        return list(children)
    image = layer.image
    return [Raster(lambda: _planes(image), layer.x, layer.y, layer.mode, layer.opacity)]


def _merged(nodes: Sequence[Node], size: tuple[int, int]) -> Image.Image:
    codes = to_codes(flatten(nodes, size, size))
    return Image.fromarray(codes.permute(1, 2, 0).contiguous().numpy(), "RGBA")


def _png(image: Image.Image, pack: int) -> bytes:
    if image.mode not in ("RGB", "RGBA", "L", "LA", "P", "I;16"):
        image = image.convert("RGBA")
    out = io.BytesIO()
    image.save(out, "PNG", compress_level=pack)
    return out.getvalue()


def _add(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    # A fixed date keeps equal documents equal byte for byte.
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    packed = name.endswith(".xml")
    info.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
    archive.writestr(info, data)


def write_ora(
    path: Path,
    size: tuple[int, int],
    layers: Sequence[OraLayer | OraGroup],
    ppi: int = 300,
    merged: Image.Image | None = None,
    pack: int = 6,
) -> None:
    """Write a document; an existing file is replaced only when the new one is whole.

    Args:
        path: the ``.ora`` file.
        size: (H, W) of the canvas in pixels.
        layers: lowest first, as numbered files lie.
        ppi: pixels per inch of the print.
        merged: what other programs show of it; the layers flattened where none is given.
        pack: how well the pictures are packed, 0 to 9; 1 is several times as fast as 6.
    """
    root = ET.Element(
        "image",
        {
            "version": "0.0.5",
            "w": str(size[1]),
            "h": str(size[0]),
            "xres": str(ppi),
            "yres": str(ppi),
        },
    )
    pictures: list[tuple[str, bytes]] = []

    def describe(parent: ET.Element, layer: OraLayer | OraGroup) -> None:
        common = {
            "name": layer.name,
            "opacity": f"{layer.opacity:g}",
            "visibility": "visible" if layer.visible else "hidden",
            "composite-op": composite_op(layer.mode),
        }
        if isinstance(layer, OraGroup):
            common["isolation"] = "isolate" if layer.isolated else "auto"
            stack = ET.SubElement(parent, "stack", common)
            for child in reversed(layer.children):
                describe(stack, child)
            return
        src = f"data/layer{len(pictures):03d}.png"
        pictures.append((src, _png(layer.image, pack)))
        ET.SubElement(parent, "layer", {**common, "src": src, "x": str(layer.x), "y": str(layer.y)})

    stack = ET.SubElement(root, "stack")
    for layer in reversed(layers):
        describe(stack, layer)
    xml = ET.tostring(root, encoding="UTF-8", xml_declaration=True)
    if merged is None:
        merged = _merged([n for layer in layers for n in _node(layer)], size)
    thumbnail = merged.copy()
    thumbnail.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX))
    partial = path.with_name(f".{path.name}.partial")
    try:
        with zipfile.ZipFile(partial, "w") as archive:
            _add(archive, "mimetype", MIMETYPE)
            _add(archive, "stack.xml", xml)
            for name, data in pictures:
                _add(archive, name, data)
            _add(archive, "Thumbnails/thumbnail.png", _png(thumbnail, pack))
            _add(archive, "mergedimage.png", _png(merged, pack))
        with partial.open("rb+") as f:
            os.fsync(f.fileno())
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
