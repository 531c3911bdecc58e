"""Layers and groups against Skia, a general-purpose 2D renderer, drawn with 32 bit floats.

Skia's blend modes are written by the same recommendation (W3C, *Compositing and Blending Level 1*),
its ``saveLayer`` is an isolated group. OpenRaster's layer stack specification isolates a group that
says so, or whose opacity is below 1, or whose composite-op is not svg:src-over; any other passes
through, so there its layers are drawn as if the group were not there.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
import skia
import torch
from PIL import Image
from torch import Tensor

from models.composite import KEEPS_COVERAGE, Mode, apply_overlays
from models.flatten import Flat, Raster, flatten
from models.transfer import Transfer, encode
from stream.template.arrange import arrange
from stream.template.kept import Kept
from stream.template.layers import Layer, LayerGroup
from stream.template.scene import make_scene
from stream.template.slots import Slot
from tests.stream.template.building import png

# The recommendation's names for what Skia calls otherwise.
_NAMES = {
    Mode.NORMAL: "kSrcOver",
    Mode.SRC_ATOP: "kSrcATop",
    Mode.DST_ATOP: "kDstATop",
}
SIZE = (24, 20)
BOUND = 1 / 255


def skia_mode(mode: Mode) -> object:
    named = "k" + "".join(word.capitalize() for word in mode.value.split("-"))
    return getattr(skia.BlendMode, _NAMES.get(mode, named))


def paint(mode: Mode, opacity: float) -> object:
    return skia.Paint(BlendMode=skia_mode(mode), Alphaf=opacity)


class Drawing:
    """A transparent picture of 32 bit floats."""

    def __init__(self, size: tuple[int, int] = SIZE) -> None:
        self.info = skia.ImageInfo.Make(
            size[1], size[0], skia.ColorType.kRGBA_F32_ColorType, skia.AlphaType.kPremul_AlphaType
        )
        self.surface = skia.Surface.MakeRaster(self.info)
        self.canvas = self.surface.getCanvas()

    def layer(self, codes: np.ndarray, x: int, y: int, mode: Mode, opacity: float) -> None:
        image = skia.Image.fromarray(codes, colorType=skia.ColorType.kRGBA_8888_ColorType)
        # A layer is as large as the canvas and empty beyond its pixels, which counts for dst-in
        # and dst-atop; Skia's drawImage ends where the image does.
        self.canvas.saveLayer(None, paint(mode, opacity))
        self.canvas.drawImage(image, x, y)
        self.canvas.restore()

    def read(self) -> Tensor:
        """(4, H, W), premultiplied."""
        out = np.zeros((self.info.height(), self.info.width(), 4), np.float32)
        assert self.surface.readPixels(self.info, out, out.strides[0], 0, 0)
        return torch.from_numpy(out).permute(2, 0, 1)


def codes(rng: random.Random, size: tuple[int, int] = SIZE) -> np.ndarray:
    """Straight random RGBA; a third of it opaque, some of it empty, black and white among it."""
    made = np.random.default_rng(rng.getrandbits(32))
    out = made.integers(0, 256, (*size, 4), dtype=np.uint8)
    chance = made.random(size)
    out[chance < 0.35, 3] = 255
    out[chance > 0.93, 3] = 0
    out[(chance > 0.4) & (chance < 0.45), :3] = 0
    out[(chance > 0.45) & (chance < 0.5), :3] = 255
    return np.ascontiguousarray(out)


def raster(codes: np.ndarray, x: int, y: int, mode: Mode, opacity: float) -> Raster:
    return Raster(lambda: torch.from_numpy(codes).permute(2, 0, 1).clone(), x, y, mode, opacity)


def premultiplied(flat: Flat) -> Tensor:
    return torch.cat([flat.rgb_pm, flat.alpha], 1)[0]


@pytest.mark.parametrize("opacity", [1.0, 0.6])
@pytest.mark.parametrize("mode", list(Mode))
def test_every_mode(mode: Mode, opacity: float) -> None:
    rng = random.Random(f"{mode.value} {opacity}")
    back, front = codes(rng, (64, 64)), codes(rng, (64, 64))
    drawing = Drawing((64, 64))
    drawing.layer(back, 0, 0, Mode.NORMAL, 1.0)
    drawing.layer(front, 5, -3, mode, opacity)
    ours = flatten(
        (raster(back, 0, 0, Mode.NORMAL, 1.0), raster(front, 5, -3, mode, opacity)),
        (64, 64),
        (64, 64),
    )
    off = (premultiplied(ours) - drawing.read()).abs().amax(0)
    assert float(off.max()) <= BOUND


Made = Layer | LayerGroup


class Document:
    """A random document, drawn by Skia as it is made, and given to us as layers."""

    def __init__(self, seed: int, modes: list[Mode]) -> None:
        self.rng = random.Random(seed)
        self.modes = modes
        self.count = 0
        self.pixels: dict[str, np.ndarray] = {}

    def _name(self) -> str:
        self.count += 1
        return f"n{self.count}"

    def _opacity(self) -> float:
        return self.rng.choice([1.0, 1.0, 0.75, 0.4])

    def layer(self, modes: list[Mode]) -> Layer:
        rng = self.rng
        size = rng.choice([SIZE, (rng.randint(8, 22), rng.randint(8, 18))])
        x, y = (0, 0) if size == SIZE else (rng.randint(-4, 8), rng.randint(-4, 8))
        name = self._name()
        self.pixels[name] = codes(rng, size)
        data = png(Image.fromarray(self.pixels[name], "RGBA"))
        return Layer(
            name, name, data, size, x, y, rng.choice(modes), self._opacity(), rng.random() > 0.1
        )

    def group(self, depth: int, modes: list[Mode]) -> LayerGroup:
        """``modes`` are those that may meet what lies below the group."""
        rng = self.rng
        isolated = rng.random() < 0.4
        opacity = self._opacity()
        mode = rng.choice([Mode.NORMAL, Mode.NORMAL, rng.choice(modes)])
        alone = isolated or opacity < 1 or mode is not Mode.NORMAL
        inner = self.modes if alone else modes
        children: list[Made] = [self.layer(inner)]
        for _ in range(rng.randint(1, 3)):
            nested = depth < 3 and rng.random() < 0.4
            children.append(self.group(depth + 1, inner) if nested else self.layer(inner))
        return LayerGroup(
            self._name(), tuple(children), mode, opacity, rng.random() > 0.1, isolated
        )

    def draw(self, drawing: Drawing, node: Made) -> None:
        if not node.visible:
            return
        if isinstance(node, Layer):
            drawing.layer(self.pixels[node.name], node.x, node.y, node.mode, node.opacity)
            return
        isolated = node.isolated or node.opacity < 1 or node.mode is not Mode.NORMAL
        if isolated:
            drawing.canvas.saveLayer(None, paint(node.mode, node.opacity))
        for child in node.children:
            self.draw(drawing, child)
        if isolated:
            drawing.canvas.restore()


_JUMP = {Mode.COLOR_DODGE, Mode.COLOR_BURN, Mode.SATURATION, Mode.HUE}
SMOOTH = [m for m in Mode if m not in _JUMP]


@pytest.mark.parametrize(
    ("seed", "modes"), [*((i, SMOOTH) for i in range(40)), *((i, list(Mode)) for i in range(20))]
)
def test_nested_groups(seed: int, modes: list[Mode]) -> None:
    """Isolated and passing groups, faded, in every mode, nested, around a slot at any place.

    On the ground only modes that leave it whole: where a layer takes the picture away, ours is
    printed on white paper, which Skia does not know.

    Dodge jumps where the backdrop is black, burn where it is white, saturation and hue where a
    colour is grey (the recommendation's 10.1.8, 10.1.9, 10.2). After several layers Skia's black is
    1e-8, its white .99999994 and its grey a colour by as much, so that single pixels come out at
    the other side; and where a colour exceeds its coverage by rounding, its dodge leaves the range
    altogether. With these modes two pixels of a document may differ, without them none.
    """
    keep = [m for m in modes if m in KEEPS_COVERAGE]
    made = Document(seed, modes)
    ground = np.ascontiguousarray(codes(made.rng))
    ground[..., 3] = 255
    made.pixels["ground"] = ground
    lowest = Layer("ground", "ground", png(Image.fromarray(ground, "RGBA")), SIZE)
    nodes: list[Made] = [lowest]
    nodes += [made.group(1, keep) if made.rng.random() < 0.7 else made.layer(keep) for _ in "1234"]
    drawing = Drawing()
    for node in nodes:
        made.draw(drawing, node)
    want = drawing.read()
    torch.testing.assert_close(want[3], torch.ones(SIZE), atol=1e-5, rtol=0)
    slot = Slot(made.rng.choice(nodes).name)
    problems: list[str] = []
    arrangement = arrange(tuple(nodes), [slot], [], problems)
    assert problems == []
    assert arrangement is not None
    scene = make_scene(arrangement, SIZE, SIZE, lambda _: (), Kept(1 << 28))
    got = apply_overlays(encode(scene.below, Transfer.SRGB), scene.overlays)[0]
    apart = (got - want[:3]).abs().amax(0) > BOUND
    assert int(apart.sum()) <= (0 if modes is SMOOTH else 2)


def test_a_group_is_isolated_or_not_to_the_eye() -> None:
    """The two kinds differ where a layer inside blends with what lies below the group."""
    made = Document(1, [Mode.MULTIPLY])
    ground, first, second = (made.layer([m]) for m in (Mode.NORMAL, Mode.NORMAL, Mode.MULTIPLY))
    pictures = []
    for isolated in (False, True):
        drawing = Drawing()
        made.draw(drawing, ground)
        made.draw(drawing, LayerGroup("g", (first, second), isolated=isolated))
        pictures.append(drawing.read())
    assert float((pictures[0] - pictures[1]).abs().max()) > 0.05
