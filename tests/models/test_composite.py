"""Layers on backdrops, and the steps above a subject."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.composite import (
    AFFINE,
    Mode,
    Overlay,
    Scene,
    affine_pm,
    apply_overlays,
    blend_layer,
    composite_pm,
)
from models.errors import ShapeError


def layer(seed: int, h: int = 6, w: int = 7) -> tuple[Tensor, Tensor]:
    g = torch.Generator().manual_seed(seed)
    rgb, alpha = torch.rand(1, 3, h, w, generator=g), torch.rand(1, 1, h, w, generator=g)
    alpha[..., 0] = 0.0
    alpha[..., 1] = 1.0
    return rgb, alpha


@pytest.mark.parametrize("mode", list(Mode))
def test_straight_and_premultiplied_say_the_same(mode: Mode) -> None:
    """Also against the recommendation written out: Fa as cs' + Fb ab cb."""
    (cb, ab), (cs, a) = layer(1), layer(2)
    co, ao = blend_layer(cb, ab, cs, a, mode)
    pm, ao_pm = composite_pm(cb * ab, ab, cs, a, mode)
    torch.testing.assert_close(co * ao, pm, atol=1e-5, rtol=0)
    torch.testing.assert_close(ao, ao_pm)
    assert co.min() >= -1e-5
    assert co.max() <= 1 + 1e-5


@pytest.mark.parametrize("mode", list(Mode))
def test_opaque_backdrop_given_as_one_number(mode: Mode) -> None:
    (cb, _), (cs, a) = layer(3), layer(4)
    fast, fast_a = composite_pm(cb, 1.0, cs, a, mode)
    full, full_a = composite_pm(cb, torch.ones_like(a), cs, a, mode)
    torch.testing.assert_close(fast, full, atol=1e-6, rtol=0)
    torch.testing.assert_close(fast_a, full_a)


def test_src_atop_on_an_opaque_backdrop_is_normal() -> None:
    (cb, _), (cs, a) = layer(5), layer(6)
    one = torch.ones_like(a)
    atop, atop_a = blend_layer(cb, one, cs, a, Mode.SRC_ATOP)
    normal, normal_a = blend_layer(cb, one, cs, a, Mode.NORMAL)
    torch.testing.assert_close(atop, normal)
    torch.testing.assert_close(atop_a, normal_a)


@pytest.mark.parametrize("mode", [m for m in Mode if m in AFFINE])
@pytest.mark.parametrize("opaque", [True, False])
def test_affine_modes_equal_blending(mode: Mode, opaque: bool) -> None:
    (cb, ab), (cs, a) = layer(7), layer(8)
    if opaque:
        ab = torch.ones_like(ab)
    gain, offset = affine_pm(1.0 if opaque else ab, cs, a, mode)
    co, ao = blend_layer(cb, ab, cs, a, mode)
    torch.testing.assert_close(gain * cb * ab + offset, co * ao, atol=2e-6, rtol=0)


def test_a_curve_does_not_fold() -> None:
    (cs, a) = layer(9)
    with pytest.raises(ValueError, match="not affine"):
        affine_pm(1.0, cs, a, Mode.SOFT_LIGHT)


def test_overlays_leave_the_picture_alone() -> None:
    x, (cs, a) = torch.rand(2, 3, 6, 7), layer(10)
    before = x.clone()
    gain, offset = affine_pm(1.0, cs, a, Mode.SCREEN)
    steps = (
        Overlay(gain=gain, offset=offset),
        Overlay(rgb_enc=cs, alpha=a, mode=Mode.SOFT_LIGHT),
    )
    out = apply_overlays(x, steps)
    assert torch.equal(x, before)
    first = torch.lerp(x, x + cs - x * cs, a)
    expect, _ = blend_layer(first, torch.ones_like(a), cs, a, Mode.SOFT_LIGHT)
    torch.testing.assert_close(out, expect, atol=1e-6, rtol=0)
    assert apply_overlays(x, ()) is x


def test_an_overlay_of_another_size_is_refused() -> None:
    cs, a = layer(11)
    with pytest.raises(ShapeError, match=r"picture of \(3, 3\) and an overlay of \(6, 7\)"):
        apply_overlays(torch.rand(1, 3, 3, 3), (Overlay(rgb_enc=cs, alpha=a),))


def test_an_overlay_has_one_form() -> None:
    cs, a = layer(12)
    with pytest.raises(ShapeError, match="not both"):
        Overlay()
    with pytest.raises(ShapeError, match="not both"):
        Overlay(gain=cs, offset=cs, rgb_enc=cs, alpha=a)


def test_a_scene_moves_whole() -> None:
    cs, a = layer(13)
    grey = a.expand(1, 3, 6, 7)
    scene = Scene(cs, (Overlay(gain=grey, offset=cs), Overlay(rgb_enc=cs, alpha=a, coverage=a)))
    assert scene.size == (6, 7)
    assert scene.to("cpu") is scene
    moved = scene.to("meta")
    assert moved.below.device.type == "meta"
    gain = moved.overlays[0].gain
    assert gain is not None
    assert gain.shape == (1, 3, 6, 7)
    assert gain.stride(1) == 0
    assert moved.overlays[1].coverage is not None
    assert moved.overlays[1].coverage.device.type == "meta"
