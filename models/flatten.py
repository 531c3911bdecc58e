"""Flatten a tree of designed layers: into a backdrop, or folded into steps above a subject.

Layers blend in sRGB-encoded space, as in `models.composite`; where a layer has to be scaled, that
is done premultiplied and in linear light. Work goes tile by tile, so that a large print needs
little more memory than what it returns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import torch
from torch import Tensor

from models.blend import Mode
from models.composite import (
    AFFINE,
    KEEPS_COVERAGE,
    Overlay,
    affine_pm,
    composite_pm,
    coverage_of,
)
from models.errors import ShapeError
from models.tiles import (
    Size,
    Tile,
    everywhere,
    flat_tiles,
    mask_tiles,
    plain_tiles,
    scaled_tiles,
    steps,
    tile_at,
    trim,
    within,
)
from models.transfer import Transfer, decode

# Modes that change the picture where their layer has nothing.
_BEYOND = frozenset({Mode.DST_IN, Mode.DST_ATOP})


@dataclass(frozen=True)
class Raster:
    """A painted layer.

    Attributes:
        pixels: gives (4, h, w) uint8, or int32 for 16 bit; straight sRGB-encoded R, G, B, alpha.
            Called once a flattening, so that nothing large is held between.
        x: canvas pixel of its left edge; may lie outside.
        y: canvas pixel of its top edge.
        mode: how it meets what lies below.
        opacity: in [0, 1].
        sharp: for a layer of shapes: draws what a picture of (H, W) shows of it at that size, and
            says at which pixel of the picture its left and top edges lie; None where ``pixels``
            have to do.
    """

    pixels: Callable[[], Tensor]
    x: int = 0
    y: int = 0
    mode: Mode = Mode.NORMAL
    opacity: float = 1.0
    sharp: Callable[[Size], tuple[Tensor, int, int] | None] | None = None


@dataclass(frozen=True)
class Ink:
    """One colour through a mask, drawn at the size of the picture already.

    Attributes:
        mask: (h, w) uint8 coverage.
        color: sRGB-encoded, in [0, 1].
        x: picture pixel of the mask's left edge; may lie outside.
        y: picture pixel of its top edge.
        opacity: in [0, 1].
    """

    mask: Tensor
    color: tuple[float, float, float]
    x: int
    y: int
    opacity: float = 1.0


@dataclass(frozen=True)
class Group:
    """Layers that are flattened alone (isolated) and then meet what lies below as one."""

    children: tuple[Node, ...]
    mode: Mode = Mode.NORMAL
    opacity: float = 1.0


Node = Raster | Ink | Group


@dataclass(frozen=True)
class Flat:
    """Layers flattened: rgb_pm (1, 3, H, W) sRGB-encoded, premultiplied; alpha (1, 1, H, W)."""

    rgb_pm: Tensor
    alpha: Tensor

    @property
    def opaque(self) -> bool:
        """Whether the layers leave no hole."""
        return bool((self.alpha >= 1).all())


@dataclass(frozen=True)
class Folded:
    """Steps above a subject, and what they leave of its picture's coverage (None: all)."""

    overlays: tuple[Overlay, ...] = ()
    coverage: Tensor | None = None


def _check(pixels: Tensor) -> None:
    if pixels.dim() != 3 or pixels.shape[0] != 4 or pixels.dtype not in (torch.uint8, torch.int32):
        raise ShapeError(
            f"layer: got {tuple(pixels.shape)} {pixels.dtype}; need (4, h, w) uint8 or int32"
        )


def _raster_tiles(node: Raster, canvas: Size, size: Size, rows: slice) -> Iterator[Tile]:
    part = rows.stop - rows.start, size[1]
    drawn = node.sharp(size) if node.sharp is not None and canvas != size else None
    if drawn is not None:
        _check(drawn[0])
        pixels, x, y = trim(*drawn)
        return plain_tiles(pixels, x, y - rows.start, part)
    pixels = node.pixels()
    _check(pixels)
    pixels, x, y = trim(pixels, node.x, node.y)
    if canvas == size:
        return plain_tiles(pixels, x, y - rows.start, part)
    return within(scaled_tiles(pixels, x, y, canvas, size), rows)


def _tiles(node: Node, canvas: Size, size: Size, rows: slice) -> tuple[Mode, Iterator[Tile]]:
    """A node's mode, and its pieces in rows of the picture with its opacity applied."""
    part = rows.stop - rows.start, size[1]
    mode = Mode.NORMAL if isinstance(node, Ink) else node.mode
    if isinstance(node, Ink):
        tiles = mask_tiles(node.mask, node.color, node.x, node.y - rows.start, part)
    elif isinstance(node, Group):
        group = flatten(node.children, canvas, size, rows=rows)
        tiles = flat_tiles(group.rgb_pm, group.alpha)
    else:
        tiles = _raster_tiles(node, canvas, size, rows)
    if mode in _BEYOND:
        tiles = everywhere(tiles, part)
    if node.opacity != 1:
        tiles = (Tile(t.at, t.rgb_enc, t.alpha * node.opacity) for t in tiles)
    return mode, tiles


def flatten(
    nodes: Sequence[Node],
    canvas: Size,
    size: Size,
    start: Flat | None = None,
    rows: slice | None = None,
) -> Flat:
    """Flatten layers onto nothing, or onto what is flattened already.

    Args:
        nodes: the layers, lowest first.
        canvas: (H, W) that their positions refer to.
        size: (H, W) wanted.
        start: what lies below; left as it is.
        rows: those of the picture that are wanted, and all that ``start`` has; None for all.

    Returns:
        The layers as one, of new tensors.
    """
    rows = rows or slice(0, size[0])
    if start is None:
        part = rows.stop - rows.start, size[1]
        flat = Flat(torch.zeros(1, 3, *part), torch.zeros(1, 1, *part))
    else:
        flat = Flat(start.rgb_pm.clone(), start.alpha.clone())
    for node in nodes:
        mode, tiles = _tiles(node, canvas, size, rows)
        for t in tiles:
            rgb, alpha = composite_pm(flat.rgb_pm[t.at], flat.alpha[t.at], t.rgb_enc, t.alpha, mode)
            flat.rgb_pm[t.at] = rgb
            flat.alpha[t.at] = alpha
    return flat


def on_paper(flat: Flat, out: Tensor | None = None) -> Tensor:
    """The layers on white paper, in linear light.

    OpenRaster leaves the background of a document to the program; a print's is its paper.

    Args:
        flat: the layers.
        out: where to write, which may be ``flat.rgb_pm`` itself where it is not needed again.

    Returns:
        (1, 3, H, W) float32, linear Rec.709, opaque. A new tensor, or ``out``.
    """
    out = torch.empty_like(flat.rgb_pm) if out is None else out
    h, w = flat.alpha.shape[-2:]
    for y0, y1 in steps(0, h, w):
        encoded = (flat.rgb_pm[:, :, y0:y1] + (1 - flat.alpha[:, :, y0:y1])).clamp_(0, 1)
        out[:, :, y0:y1] = decode(encoded, Transfer.SRGB)
    return out


def to_codes(flat: Flat) -> Tensor:
    """The layers as straight 8 bit code values.

    Returns:
        (4, H, W) uint8, R, G, B, alpha; sRGB-encoded, straight.
    """
    h, w = flat.alpha.shape[-2:]
    out = torch.empty((4, h, w), dtype=torch.uint8)
    for t in flat_tiles(flat.rgb_pm, flat.alpha):
        part = torch.cat([t.rgb_enc, t.alpha], 1).mul(255).round_().to(torch.uint8)
        out[t.at[1:]] = part[0]
    return out


class _Fold:
    """A run of affine layers in the making."""

    def __init__(self, size: Size, start: Folded) -> None:
        self.size = size
        self.done = list(start.overlays)
        self.coverage = start.coverage
        self.gain: Tensor | None = None
        self.offset: Tensor | None = None
        last = self.done[-1] if self.done else None
        if last is not None and last.gain is not None and last.offset is not None:
            self.done.pop()
            one = last.gain.stride(1) == 0
            self.gain = (last.gain[:, :1] if one else last.gain).clone()
            self.offset = last.offset.clone()

    def pair(self) -> tuple[Tensor, Tensor]:
        if self.gain is None or self.offset is None:
            self.gain = torch.ones(1, 1, *self.size)
            self.offset = torch.zeros(1, 3, *self.size)
        return self.gain, self.offset

    def close(self) -> None:
        if self.gain is not None and self.offset is not None:
            gain = self.gain.expand(1, 3, *self.size)
            self.done.append(Overlay(gain=gain, offset=self.offset))
        self.gain = self.offset = None

    def step(self, t: Tile, mode: Mode) -> None:
        ab: Tensor | float = 1.0 if self.coverage is None else self.coverage[t.at]
        g, o = affine_pm(ab, t.rgb_enc, t.alpha, mode)
        gain, offset = self.pair()
        if g.shape[1] > gain.shape[1]:
            gain = self.gain = gain.expand(1, 3, *self.size).contiguous()
        gain[t.at] *= g
        offset[t.at] = torch.addcmul(o, g, offset[t.at])

    def cover(self, t: Tile, mode: Mode) -> None:
        """What this piece leaves of the picture's coverage."""
        if self.coverage is None:
            if mode in KEEPS_COVERAGE:
                return
            self.coverage = torch.ones(1, 1, *self.size)
        at = self.coverage[t.at]
        self.coverage[t.at] = coverage_of(at, t.alpha, mode)


def fold(
    nodes: Sequence[Node],
    canvas: Size,
    size: Size,
    start: Folded | None = None,
    rows: slice | None = None,
) -> Folded:
    """Turn layers above a subject into steps on its encoded picture.

    Args:
        nodes: the layers, lowest first.
        canvas: (H, W) that their positions refer to.
        size: (H, W) of the picture.
        start: steps that come before; left as they are.
        rows: those of the picture that are wanted, and all that ``start`` has; None for all.

    Returns:
        The steps, those before included, runs of affine layers folded into one each.
    """
    rows = rows or slice(0, size[0])
    part = rows.stop - rows.start, size[1]
    state = _Fold(part, start or Folded())
    if state.coverage is not None:
        state.coverage = state.coverage.clone()
    for node in nodes:
        mode, tiles = _tiles(node, canvas, size, rows)
        if mode in AFFINE:
            for t in tiles:
                state.step(t, mode)
                state.cover(t, mode)
            continue
        rgb, alpha = torch.zeros(1, 3, *part), torch.zeros(1, 1, *part)
        for t in tiles:
            rgb[t.at] = t.rgb_enc
            alpha[t.at] = t.alpha
        state.close()
        before = None if state.coverage is None else state.coverage.clone()
        state.done.append(Overlay(rgb_enc=rgb, alpha=alpha, mode=mode, coverage=before))
        for y0, y1 in steps(0, *part):
            at = tile_at(y0, y1, 0, size[1])
            state.cover(Tile(at, rgb[at], alpha[at]), mode)
    state.close()
    return Folded(tuple(state.done), state.coverage)


def join(first: Folded, then: Folded) -> Folded:
    """Steps after steps; a pair that meets a pair becomes one.

    Args:
        first: what comes first; it must leave the picture opaque.
        then: what comes after, folded for an opaque picture.

    Raises:
        ShapeError: ``first`` leaves holes, so that ``then`` does not hold.
    """
    if first.coverage is not None:
        raise ShapeError("join: the first steps leave holes; fold the layers in one go")
    if not first.overlays or not then.overlays:
        return Folded(first.overlays + then.overlays, then.coverage)
    a, b = first.overlays[-1], then.overlays[0]
    if a.gain is None or a.offset is None or b.gain is None or b.offset is None:
        return Folded(first.overlays + then.overlays, then.coverage)
    one = a.gain.stride(1) == 0 and b.gain.stride(1) == 0
    gain = (a.gain[:, :1] * b.gain[:, :1]).expand_as(a.gain) if one else a.gain * b.gain
    both = Overlay(gain=gain, offset=torch.addcmul(b.offset, b.gain, a.offset))
    return Folded((*first.overlays[:-1], both, *then.overlays[1:]), then.coverage)


def finish(folded: Folded) -> tuple[Overlay, ...]:
    """The steps with white paper under what they left uncovered, so that the picture is whole."""
    if folded.coverage is None:
        return folded.overlays
    paper = (1 - folded.coverage).expand(1, 3, *folded.coverage.shape[-2:]).contiguous()
    whole = torch.ones_like(folded.coverage).expand_as(paper)
    last = Folded((Overlay(gain=whole, offset=paper),))
    return join(Folded(folded.overlays), last).overlays


def bare_share(flat: Flat, window: tuple[int, int, int, int]) -> float:
    """The share of a part of flattened layers that they leave uncovered, in [0, 1].

    Args:
        flat: the layers.
        window: top, left, bottom, right of the part; what lies beyond the layers counts for
            nothing.
    """
    top, left, bottom, right = (max(0, side) for side in window)
    part = flat.alpha[..., top:bottom, left:right]
    return float((1 - part).mean()) if part.numel() else 0.0


def bare_sides(alpha: Tensor, rim: int) -> tuple[str, ...]:
    """The sides where layers end within a rim that they should cover, though they cover the inside.

    Args:
        alpha: (1, 1, H, W) float. What flattened layers cover, in [0, 1].
        rim: pixels from each edge.

    Returns:
        Of "top", "bottom", "left" and "right" those where somewhere the outermost pixel is barer
        than the first one inside the rim.
    """
    a = alpha[0, 0]
    h, w = a.shape
    if rim < 1 or 2 * rim >= min(h, w):
        return ()
    inner = a[rim : h - rim, rim : w - rim]
    pairs = {
        "top": (a[0, rim : w - rim], inner[0]),
        "bottom": (a[-1, rim : w - rim], inner[-1]),
        "left": (a[rim : h - rim, 0], inner[:, 0]),
        "right": (a[rim : h - rim, -1], inner[:, -1]),
    }
    # chosen: half of a coverage is no softened edge any more.
    return tuple(side for side, (out, ins) in pairs.items() if bool((ins - out > 0.5).any()))
