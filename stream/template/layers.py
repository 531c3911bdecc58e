"""Layers of a template: what a designer made, still packed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from torch import Tensor

from models.composite import Mode
from stream.template.png import read_png


@dataclass(frozen=True)
class Layer:
    """One painted layer, still packed.

    Attributes:
        name: as the designer called it.
        file: where it came from, for messages.
        data: the PNG or SVG file.
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
    """What a designer made: a canvas and its layers, lowest first.

    Attributes:
        size: (H, W) of the canvas in pixels.
        layers: lowest first.
        ppi: pixels per inch as the document says, or None.
    """

    size: tuple[int, int]
    layers: tuple[Layer | LayerGroup, ...]
    ppi: float | None = None


def walk(layers: tuple[Layer | LayerGroup, ...]) -> Iterator[Layer | LayerGroup]:
    """Every layer and group, groups before what is in them."""
    for layer in layers:
        yield layer
        if isinstance(layer, LayerGroup):
            yield from walk(layer.children)
