"""Layer trees flattened and folded, held to blending one layer after the other."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.composite import KEEPS_COVERAGE, Mode, apply_overlays, blend_layer
from models.errors import ShapeError
from models.flatten import (
    Flat,
    Folded,
    Group,
    Ink,
    Node,
    Raster,
    bare_share,
    bare_sides,
    finish,
    flatten,
    fold,
    join,
    on_paper,
    to_codes,
)
from models.transfer import Transfer, encode

SIZE = (6, 7)


def raster(
    seed: int, mode: Mode = Mode.NORMAL, opacity: float = 1.0, size: tuple[int, int] = SIZE
) -> Raster:
    g = torch.Generator().manual_seed(seed)
    pixels = torch.randint(0, 256, (4, *size), generator=g, dtype=torch.uint8)
    return Raster(lambda: pixels, 0, 0, mode, opacity)


def straight(node: Raster) -> tuple[Tensor, Tensor]:
    rgba = node.pixels().float()[None] / 255
    return rgba[:, :3], rgba[:, 3:] * node.opacity


def one_by_one(nodes: list[Raster], rgb: Tensor, alpha: Tensor) -> tuple[Tensor, Tensor]:
    for node in nodes:
        rgb, alpha = blend_layer(rgb, alpha, *straight(node), node.mode)
    return rgb, alpha


def test_flattening_is_blending_in_order() -> None:
    nodes = [raster(i, m, 0.7) for i, m in enumerate(Mode)]
    flat = flatten(nodes, SIZE, SIZE)
    rgb, alpha = one_by_one(nodes, torch.zeros(1, 3, *SIZE), torch.zeros(1, 1, *SIZE))
    torch.testing.assert_close(flat.alpha, alpha, atol=1e-5, rtol=0)
    torch.testing.assert_close(flat.rgb_pm, rgb * alpha, atol=1e-4, rtol=0)


def test_flattening_goes_on_from_a_start_and_leaves_it() -> None:
    nodes = [raster(1), raster(2, Mode.MULTIPLY), raster(3, Mode.SCREEN)]
    start = flatten(nodes[:1], SIZE, SIZE)
    before = start.rgb_pm.clone()
    on = flatten(nodes[1:], SIZE, SIZE, start)
    torch.testing.assert_close(on.rgb_pm, flatten(nodes, SIZE, SIZE).rgb_pm)
    assert torch.equal(start.rgb_pm, before)


@pytest.mark.parametrize("mode", list(Mode))
def test_a_step_over_an_opaque_picture_is_blending(mode: Mode) -> None:
    """Every mode of the baseline, and what it uncovers lies on white paper."""
    picture, node = torch.rand(1, 3, *SIZE), raster(5, mode, 0.8)
    got = apply_overlays(picture, finish(fold([node], SIZE, SIZE)))
    rgb, alpha = blend_layer(picture, torch.ones(1, 1, *SIZE), *straight(node), mode)
    torch.testing.assert_close(got, rgb * alpha + 1 - alpha, atol=1e-5, rtol=0)


def test_a_run_of_affine_layers_is_one_step() -> None:
    modes = [Mode.NORMAL, Mode.MULTIPLY, Mode.SCREEN, Mode.MULTIPLY, Mode.NORMAL, Mode.SCREEN]
    nodes = [raster(20 + i, m, 0.9) for i, m in enumerate(modes)]
    steps = finish(fold(nodes, SIZE, SIZE))
    assert len(steps) == 1
    assert steps[0].gain is not None
    assert steps[0].gain.shape == (1, 3, *SIZE)
    picture = torch.rand(1, 3, *SIZE)
    rgb, _ = one_by_one(nodes, picture, torch.ones(1, 1, *SIZE))
    torch.testing.assert_close(apply_overlays(picture, steps), rgb, atol=2e-6, rtol=0)


def test_normal_layers_share_one_gain_for_all_channels() -> None:
    (step,) = finish(fold([raster(1), raster(2, opacity=0.5)], SIZE, SIZE))
    assert step.gain is not None
    assert step.gain.stride(1) == 0


def test_all_modes_in_one_stack_above_a_picture() -> None:
    """Coverage that some layers take away is carried to those above."""
    modes = [m for m in Mode for _ in range(2)]
    order = torch.randperm(len(modes), generator=torch.Generator().manual_seed(4)).tolist()
    nodes = [raster(40 + i, modes[j], 0.8) for i, j in enumerate(order)]
    picture = torch.rand(1, 3, *SIZE)
    got = apply_overlays(picture, finish(fold(nodes, SIZE, SIZE)))
    rgb, alpha = one_by_one(nodes, picture, torch.ones(1, 1, *SIZE))
    torch.testing.assert_close(got, rgb * alpha + 1 - alpha, atol=1e-4, rtol=0)


def test_folding_in_parts_and_joining() -> None:
    keep = sorted(KEEPS_COVERAGE, key=lambda m: m.value)
    nodes: list[Node] = [raster(60 + i, m, 0.6) for i, m in enumerate(keep)]
    picture = torch.rand(1, 3, *SIZE)
    expect = apply_overlays(picture, finish(fold(nodes, SIZE, SIZE)))
    for cut in range(len(nodes) + 1):
        first = fold(nodes[:cut], SIZE, SIZE)
        before = [None if o.offset is None else o.offset.clone() for o in first.overlays]
        joined = join(first, fold(nodes[cut:], SIZE, SIZE))
        torch.testing.assert_close(apply_overlays(picture, joined.overlays), expect)
        started = fold(nodes[cut:], SIZE, SIZE, start=first)
        torch.testing.assert_close(apply_overlays(picture, started.overlays), expect)
        for overlay, old in zip(first.overlays, before, strict=True):
            if old is not None:
                assert overlay.offset is not None
                assert torch.equal(overlay.offset, old)


def test_joining_over_holes_is_refused() -> None:
    holes = fold([raster(1, Mode.DST_OUT)], SIZE, SIZE)
    with pytest.raises(ShapeError, match="leave holes"):
        join(holes, Folded())


def test_an_isolated_group_blends_with_itself_first() -> None:
    # Multiply .5 onto nothing inside the group is plain .5; the group then covers the white.
    def plain(value: int, mode: Mode = Mode.NORMAL) -> Raster:
        pixels = torch.full((4, 1, 1), 255, dtype=torch.uint8)
        pixels[:3] = value
        return Raster(lambda: pixels, mode=mode)

    base, dark = plain(128), plain(128, Mode.MULTIPLY)
    isolated = flatten([base, Group((dark,))], (1, 1), (1, 1))
    assert isolated.rgb_pm[0, 0].item() == pytest.approx(128 / 255)
    passed = flatten([base, dark], (1, 1), (1, 1))
    assert passed.rgb_pm[0, 0].item() == pytest.approx((128 / 255) ** 2)
    # And as a whole by its own mode and opacity.
    grouped = flatten([base, Group((dark,), Mode.MULTIPLY, 0.5)], (1, 1), (1, 1))
    c = 128 / 255
    assert grouped.rgb_pm[0, 0].item() == pytest.approx(0.5 * c + 0.5 * c * c)


def test_a_group_masked_from_within() -> None:
    """Destination-in clears where its layer has nothing, inside the group alone."""
    mask = torch.zeros(4, 2, 2, dtype=torch.uint8)
    mask[3] = 255
    group = Group((raster(1, size=(4, 4)), Raster(lambda: mask, 1, 1, Mode.DST_IN)))
    flat = flatten([group], (4, 4), (4, 4))
    outside = torch.ones(4, 4, dtype=torch.bool)
    outside[1:3, 1:3] = False
    assert (flat.alpha[0, 0][outside] == 0).all()
    expect = straight(raster(1, size=(4, 4)))[1][0, 0, 1:3, 1:3]
    torch.testing.assert_close(flat.alpha[0, 0, 1:3, 1:3], expect)


def test_ink_is_one_colour_through_a_mask() -> None:
    mask = torch.tensor([[0, 128, 255]], dtype=torch.uint8)
    flat = flatten([Ink(mask, (1.0, 0.5, 0.0), 2, 1, 0.5)], SIZE, SIZE)
    expect = torch.tensor([0.0, 128 / 255 / 2, 0.5])
    torch.testing.assert_close(flat.alpha[0, 0, 1, 2:5], expect)
    torch.testing.assert_close(flat.rgb_pm[0, 1, 1, 2:5], expect * 0.5)
    assert flat.alpha.sum().item() == pytest.approx(expect.sum().item())


def test_paper_shows_through_holes() -> None:
    rgb, alpha = torch.rand(1, 3, *SIZE), torch.rand(1, 1, *SIZE)
    flat = Flat(rgb * alpha, alpha)
    out = on_paper(flat)
    torch.testing.assert_close(encode(out, Transfer.SRGB), rgb * alpha + 1 - alpha)
    assert on_paper(flat, out=flat.rgb_pm) is flat.rgb_pm
    torch.testing.assert_close(flat.rgb_pm, out)


def test_codes_of_one_layer_come_back() -> None:
    node = raster(9)
    codes = to_codes(flatten([node], SIZE, SIZE))
    seen = node.pixels()[3] > 0
    assert torch.equal(codes[3], node.pixels()[3])
    assert torch.equal(codes[:3, seen], node.pixels()[:3, seen])


def test_scaled_trees_have_the_wanted_size() -> None:
    nodes: list[Node] = [raster(1), Group((raster(2), raster(3, Mode.MULTIPLY)), Mode.OVERLAY, 0.5)]
    for size in ((3, 4), (12, 14), (1, 1), (13, 15)):
        flat = flatten(nodes, SIZE, size)
        assert flat.alpha.shape == (1, 1, *size)
        assert torch.isfinite(flat.rgb_pm).all()
        (step,) = finish(fold([raster(1)], SIZE, size))
        assert step.offset is not None
        assert step.offset.shape == (1, 3, *size)


def test_pixels_of_another_kind_are_refused() -> None:
    with pytest.raises(ShapeError, match="need \\(4, h, w\\) uint8 or int32"):
        flatten([Raster(lambda: torch.zeros(3, 2, 2))], (2, 2), (2, 2))


def test_bare_sides() -> None:
    alpha = torch.ones(1, 1, 12, 10)
    assert bare_sides(alpha, 2) == ()
    alpha[..., 11, 4] = 0
    alpha[..., :, 0] = 0.2
    assert bare_sides(alpha, 2) == ("bottom", "left")
    assert bare_sides(torch.zeros(1, 1, 12, 10), 2) == (), "a design that lets paper show anyway"
    assert bare_sides(alpha, 0) == bare_sides(alpha, 5) == ()


def test_bare_share_of_a_part() -> None:
    alpha = torch.ones(1, 1, 4, 10)
    alpha[..., :, 8:] = 0
    alpha[..., :, :2] = 0.5
    flat = Flat(torch.zeros(1, 3, 4, 10), alpha)
    assert bare_share(flat, (0, 0, 4, 10)) == pytest.approx(0.3)
    assert bare_share(flat, (1, 2, 3, 8)) == 0
    # A window that reaches beyond the layers, and one that lies beside them.
    assert bare_share(flat, (-5, 8, 20, 30)) == 1
    assert bare_share(flat, (9, 0, 12, 10)) == 0
