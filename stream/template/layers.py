"""Layers of a template as they lie on disk, and the plainest form of them: numbered PNG files.

``10-sky.png 20-hills.png``: the lowest number lies lowest, the rest of the name is the layer's.
Every file is as large as the canvas.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from torch import Tensor

from models.composite import Mode
from stream.errors import UserError
from stream.template.description import LayerNote
from stream.template.png import png_header, read_png

NUMBERED = re.compile(r"(\d+)[-_ ]+(.+)\.png", re.IGNORECASE)


@dataclass(frozen=True)
class Layer:
    """One painted layer, still packed.

    Attributes:
        name: as the designer called it.
        file: where it came from, for messages.
        data: the PNG file.
        size: (H, W) in pixels.
        x: canvas pixel of its left edge; may be negative.
        y: canvas pixel of its top edge; may be negative.
        mode: how it meets what lies below.
        opacity: in [0, 1].
        visible: False: it only marks a place.
    """

    name: str
    file: str
    data: bytes
    size: tuple[int, int]
    x: int = 0
    y: int = 0
    mode: Mode = Mode.NORMAL
    opacity: float = 1.0
    visible: bool = True

    @property
    def what(self) -> str:
        """The layer and its file, to begin a sentence with."""
        return f'layer "{self.name}" ({self.file})'

    def pixels(self) -> Tensor:
        """(4, H, W) straight sRGB-encoded, uint8 or int32; unpacked anew at each call."""
        return read_png(self.data, self.what)


@dataclass(frozen=True)
class LayerGroup:
    """Layers under one name, lowest first."""

    name: str
    children: tuple[Layer | LayerGroup, ...]
    mode: Mode = Mode.NORMAL
    opacity: float = 1.0
    visible: bool = True
    isolated: bool = False


@dataclass(frozen=True)
class Document:
    """What a designer made: a canvas and its layers, lowest first."""

    size: tuple[int, int]
    layers: tuple[Layer | LayerGroup, ...]


def walk(layers: tuple[Layer | LayerGroup, ...]) -> Iterator[Layer | LayerGroup]:
    """Every layer and group, groups before what is in them."""
    for layer in layers:
        yield layer
        if isinstance(layer, LayerGroup):
            yield from walk(layer.children)


def numbered_files(folder: Path) -> list[Path]:
    """The numbered PNG files of a folder, lowest first."""
    found = [p for p in folder.iterdir() if p.is_file() and NUMBERED.fullmatch(p.name)]
    return sorted(found, key=lambda p: (_number(p), p.name))


def _number(path: Path) -> int:
    match = NUMBERED.fullmatch(path.name)
    return int(match[1]) if match else 0


def _name(path: Path) -> str:
    match = NUMBERED.fullmatch(path.name)
    return match[2] if match else path.stem


def read_numbered(
    files: list[tuple[Path, bytes]], notes: tuple[LayerNote, ...], problems: list[str]
) -> Document | None:
    """Numbered PNG files as a document.

    Args:
        files: path and content, lowest first.
        notes: modes and opacities from template.toml.
        problems: what is wrong is added here.

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
        layer = Layer(_name(path), path.name, data, (0, 0))
        try:
            height, width, *_ = png_header(data, layer.what)
        except UserError as e:
            problems.append(str(e))
            continue
        layers.append(replace(layer, size=(height, width)))
    if not layers:
        return None
    size = layers[0].size
    for layer in layers[1:]:
        if layer.size != size:
            problems.append(
                f"{layer.what} is {layer.size[1]} x {layer.size[0]} pixels but {layers[0].file} is "
                f"{size[1]} x {size[0]}; all must be as large as the canvas"
            )
    for note in notes:
        at = [i for i, layer in enumerate(layers) if layer.name == note.name]
        if not at:
            problems.append(
                f'a [[layer]] entry names "{note.name}", but no numbered file has that name'
            )
        for i in at:
            layers[i] = replace(layers[i], mode=note.mode, opacity=note.opacity)
    return Document(size, tuple(layers))
