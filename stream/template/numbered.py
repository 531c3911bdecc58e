"""The plainest form of a design: numbered PNG and SVG files.

``10-sky.png 20-hills.svg``: the lowest number lies lowest, the rest of the name is the layer's.
Every PNG is as large as the canvas; an SVG is drawn to fill it.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from stream.errors import UserError
from stream.template.description import LayerNote
from stream.template.layers import Document, Layer
from stream.template.png import png_header, png_ppi
from stream.template.svg import Fonts, SvgLayer, read_svg, svg_layer

NUMBERED = re.compile(r"(\d+)[-_ ]+(.+)\.(?:png|svg)", re.IGNORECASE)
# chosen: shapes that differ by less than this are told apart by nobody on paper.
SAME_SHAPE = 0.01


def numbered_files(folder: Path) -> list[Path]:
    """The numbered PNG and SVG files of a folder, lowest first."""
    found = [p for p in folder.iterdir() if p.is_file() and NUMBERED.fullmatch(p.name)]
    return sorted(found, key=lambda p: (_number(p), p.name))


def _number(path: Path) -> int:
    match = NUMBERED.fullmatch(path.name)
    return int(match[1]) if match else 0


def _name(path: Path) -> str:
    match = NUMBERED.fullmatch(path.name)
    return match[2] if match else path.stem


def _layer(path: Path, data: bytes, fonts: Fonts) -> Layer:
    plain = Layer(_name(path), path.name, data, (0, 0))
    if path.suffix.lower() == ".svg":
        drawing = read_svg(data, plain.what)
        return svg_layer(plain, drawing, fonts)
    height, width, *_ = png_header(data, plain.what)
    return replace(plain, size=(height, width))


def _same_shape(size: tuple[int, int], canvas: tuple[int, int]) -> bool:
    # A drawing in millimetres misses the canvas' shape by its rounding.
    return abs(size[1] * canvas[0] - size[0] * canvas[1]) <= SAME_SHAPE * size[0] * canvas[1]


def read_numbered(
    files: list[tuple[Path, bytes]],
    notes: tuple[LayerNote, ...],
    problems: list[str],
    fonts: Fonts = tuple,
) -> Document | None:
    """Numbered PNG and SVG files as a document.

    Args:
        files: path and content, lowest first.
        notes: modes and opacities from template.toml.
        problems: what is wrong is added here.
        fonts: gives the font files for the words of SVG files.

    Returns:
        The document, or None where no file could be read.
    """
    layers: list[Layer] = []
    seen: dict[int, Path] = {}
    for path, data in files:
        other = seen.setdefault(_number(path), path)
        if other is not path:
            problems.append(
                f"{other.name} and {path.name} have the same number, so their order is not known; "
                "give each its own"
            )
        try:
            layers.append(_layer(path, data, fonts))
        except UserError as e:
            problems.append(str(e))
    if not layers:
        return None
    first = next((at for at in layers if not isinstance(at, SvgLayer)), layers[0])
    size = first.size
    for i, layer in enumerate(layers):
        if isinstance(layer, SvgLayer) and _same_shape(layer.size, size):
            layers[i] = replace(layer, size=size)
        elif layer.size != size:
            needed = "have the shape of" if isinstance(layer, SvgLayer) else "be as large as"
            problems.append(
                f"{layer.what} is {layer.size[1]} x {layer.size[0]} pixels but {first.file} is "
                f"{size[1]} x {size[0]}; all must {needed} the canvas"
            )
    for note in notes:
        at = [i for i, layer in enumerate(layers) if layer.name == note.name]
        if not at:
            problems.append(
                f'a [[layer]] entry names "{note.name}", but no numbered file has that name'
            )
        for i in at:
            layers[i] = replace(layers[i], mode=note.mode, opacity=note.opacity)
    ppi = None if isinstance(first, SvgLayer) else png_ppi(first.data)
    return Document(size, tuple(layers), ppi)
