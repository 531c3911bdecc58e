"""Every mode of OpenRaster's baseline against an independent renderer (Skia, through skia-python).

Skia draws with 32 bit floats here, so that what is compared is the formula and not its rounding.
"""

from __future__ import annotations

import numpy as np
import pytest
import skia
import torch
from numpy.typing import NDArray

from models.composite import Mode
from models.flatten import Group, Node, Raster, flatten
from tests.reference.test_openraster import BASELINE

SIDE = 48

SKIA = {
    Mode.NORMAL: skia.BlendMode.kSrcOver,
    Mode.MULTIPLY: skia.BlendMode.kMultiply,
    Mode.SCREEN: skia.BlendMode.kScreen,
    Mode.OVERLAY: skia.BlendMode.kOverlay,
    Mode.DARKEN: skia.BlendMode.kDarken,
    Mode.LIGHTEN: skia.BlendMode.kLighten,
    Mode.COLOR_DODGE: skia.BlendMode.kColorDodge,
    Mode.COLOR_BURN: skia.BlendMode.kColorBurn,
    Mode.HARD_LIGHT: skia.BlendMode.kHardLight,
    Mode.SOFT_LIGHT: skia.BlendMode.kSoftLight,
    Mode.DIFFERENCE: skia.BlendMode.kDifference,
    Mode.EXCLUSION: skia.BlendMode.kExclusion,
    Mode.HUE: skia.BlendMode.kHue,
    Mode.SATURATION: skia.BlendMode.kSaturation,
    Mode.COLOR: skia.BlendMode.kColor,
    Mode.LUMINOSITY: skia.BlendMode.kLuminosity,
    Mode.PLUS: skia.BlendMode.kPlus,
    Mode.DST_IN: skia.BlendMode.kDstIn,
    Mode.DST_OUT: skia.BlendMode.kDstOut,
    Mode.SRC_ATOP: skia.BlendMode.kSrcATop,
    Mode.DST_ATOP: skia.BlendMode.kDstATop,
}

Pixels = NDArray[np.float32]


def codes(seed: int, opaque: bool) -> NDArray[np.uint8]:
    """(H, W, 4) straight codes with all sorts of colours; the ends of the range among them."""
    rng = np.random.default_rng(seed)
    out = rng.integers(0, 256, (SIDE, SIDE, 4))
    out[rng.random((SIDE, SIDE, 4)) < 0.1] = 0
    out[rng.random((SIDE, SIDE, 4)) < 0.1] = 255
    if opaque:
        out[..., 3] = 255
    return out.astype(np.uint8)


def picture(pixels: NDArray[np.uint8]) -> skia.Image:
    straight = pixels.astype(np.float32) / 255
    straight[..., :3] *= straight[..., 3:]
    # It copies; an image made of skia.Data does not keep its data.
    return skia.Image.fromarray(straight, skia.kRGBA_F32_ColorType, skia.kPremul_AlphaType)


def surface() -> skia.Surface:
    info = skia.ImageInfo.Make(SIDE, SIDE, skia.kRGBA_F32_ColorType, skia.kPremul_AlphaType)
    return skia.Surface.MakeRaster(info)


def seen(made: skia.Surface) -> Pixels:
    """(H, W, 4) premultiplied."""
    info = skia.ImageInfo.Make(SIDE, SIDE, skia.kRGBA_F32_ColorType, skia.kPremul_AlphaType)
    out = np.zeros((SIDE, SIDE, 4), np.float32)
    assert made.readPixels(info, out, SIDE * 16, 0, 0)
    return out


def paint(mode: Mode, opacity: float = 1.0) -> skia.Paint:
    # Skia keeps a paint's opacity as a float.
    return skia.Paint(BlendMode=SKIA[mode], Alphaf=opacity)


def ours(nodes: tuple[Node, ...]) -> Pixels:
    flat = flatten(nodes, (SIDE, SIDE), (SIDE, SIDE))
    return torch.cat([flat.rgb_pm, flat.alpha], 1)[0].permute(1, 2, 0).numpy()


def raster(pixels: NDArray[np.uint8], mode: Mode = Mode.NORMAL, opacity: float = 1.0) -> Raster:
    planes = torch.from_numpy(np.ascontiguousarray(pixels.transpose(2, 0, 1)))
    return Raster(lambda: planes, mode=mode, opacity=opacity)


def test_every_mode_is_here() -> None:
    assert set(SKIA) == set(Mode)
    assert set(BASELINE.values()) <= set(SKIA)


@pytest.mark.parametrize("opaque", [True, False])
@pytest.mark.parametrize("mode", list(SKIA), ids=lambda m: m.value)
def test_a_layer_over_a_layer(mode: Mode, opaque: bool) -> None:
    below, above = codes(1, opaque), codes(2, False)
    made = surface()
    with made as canvas:
        canvas.drawImage(picture(below), 0, 0, skia.SamplingOptions(), paint(Mode.NORMAL))
        canvas.drawImage(picture(above), 0, 0, skia.SamplingOptions(), paint(mode, 0.7))
    found = ours((raster(below), raster(above, mode, 0.7)))
    assert np.abs(found - seen(made)).max() <= 1 / 255


@pytest.mark.parametrize("mode", list(SKIA), ids=lambda m: m.value)
def test_an_isolated_group_over_a_layer(mode: Mode) -> None:
    below, one, two = codes(1, False), codes(2, False), codes(3, False)
    made = surface()
    with made as canvas:
        canvas.drawImage(picture(below), 0, 0, skia.SamplingOptions(), paint(Mode.NORMAL))
        canvas.saveLayer(None, paint(mode, 0.6))
        canvas.drawImage(picture(one), 0, 0, skia.SamplingOptions(), paint(Mode.NORMAL))
        canvas.drawImage(picture(two), 0, 0, skia.SamplingOptions(), paint(Mode.SCREEN, 0.5))
        canvas.restore()
    inner = (raster(one), raster(two, Mode.SCREEN, 0.5))
    found, theirs = ours((raster(below), Group(inner, mode, 0.6))), seen(made)
    # Floats are not clamped there: a group's white that rounds to a hair above its alpha makes
    # dodge divide by next to nothing, and give millions, in a few pixels.
    sane = ((theirs > -0.01) & (theirs < 1.01)).all(-1)
    assert sane.mean() > (0.99 if mode is Mode.COLOR_DODGE else 0.999999)
    assert np.abs(found - theirs)[sane].max() <= 1 / 255
