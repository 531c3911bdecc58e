"""The shapes that a greeting is made in."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Shape:
    """One of them.

    Attributes:
        name: as template.toml, event.toml and records call it.
        size: (H, W) in pixels.
    """

    name: str
    size: tuple[int, int]


WIDE = Shape("wide", (1080, 1920))
TALL = Shape("tall", (1920, 1080))
SHAPES = {shape.name: shape for shape in (WIDE, TALL)}
