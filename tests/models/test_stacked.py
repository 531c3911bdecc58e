"""Layers of which some move, held to the W3C's formulas layer by layer (`models.composite`)."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.blend import Mode
from models.composite import KEEPS_COVERAGE, Overlay, apply_overlays, blend_layer
from models.flatten import Flat, Folded, Ink, Node, Raster, fold
from models.moving import Piece
from models.stacked import Laid, Run, faded, grounded, laid_on, on_size
from models.transfer import Transfer, decode

SIZE = (12, 16)
MODES = sorted(KEEPS_COVERAGE, key=lambda m: m.value)


def codes(seed: int, size: tuple[int, int] = SIZE) -> Tensor:
    gen = torch.Generator().manual_seed(seed)
    return torch.randint(0, 256, (4, *size), generator=gen, dtype=torch.uint8)


def raster(seed: int, mode: Mode = Mode.NORMAL, opacity: float = 1.0) -> Raster:
    return Raster(lambda: codes(seed), mode=mode, opacity=opacity)


def folded(*nodes: Node) -> Folded:
    return fold(nodes, SIZE, SIZE)


def laid(seed: int, y: int, x: int, mode: Mode = Mode.NORMAL, opacity: float = 1.0) -> Laid:
    unit = codes(seed, (5, 6)).float()[None] / 255
    return Laid(Piece(unit[:, :3], unit[:, 3:], y, x), mode, opacity)


def picture(seed: int = 90) -> Tensor:
    return codes(seed).float()[None, :3] / 255


def over(below: Tensor, seed: int, mode: Mode = Mode.NORMAL, opacity: float = 1.0) -> Tensor:
    """A layer as large as the picture, by the W3C's formula."""
    unit = codes(seed).float()[None] / 255
    return blend_layer(
        below, torch.ones_like(below[:, :1]), unit[:, :3], unit[:, 3:] * opacity, mode
    )[0]


def over_piece(below: Tensor, one: Laid) -> Tensor:
    top, left, bottom, right = one.window
    out = below.clone()
    at = (..., slice(top, bottom), slice(left, right))
    ab = torch.ones_like(below[at][:, :1])
    cover = one.piece.alpha
    assert cover is not None
    out[at] = blend_layer(below[at], ab, one.piece.rgb_enc, cover * one.opacity, one.mode)[0]
    return out


@pytest.mark.parametrize("mode", MODES, ids=lambda m: m.value)
@pytest.mark.parametrize("under", [Mode.NORMAL, Mode.MULTIPLY, Mode.OVERLAY], ids=lambda m: m.value)
def test_a_moving_layer_between_others(mode: Mode, under: Mode) -> None:
    run = Run([folded(raster(1, under)), None, folded(raster(2, Mode.SCREEN))], SIZE)
    one = laid(3, 4, 7, mode, 0.7)
    steps, _ = run.steps((1.0, 1.0, 1.0), [[], [one], []])
    below = picture()
    kept = below.clone()
    want = over(over_piece(over(below, 1, under), one), 2, Mode.SCREEN)
    torch.testing.assert_close(apply_overlays(below, steps), want, atol=3e-6, rtol=0)
    assert torch.equal(below, kept)


def test_only_the_window_of_what_moves_changes() -> None:
    run = Run([folded(raster(1)), None, folded(raster(2, Mode.MULTIPLY))], SIZE)
    rest = run.rest((1.0, 1.0, 1.0)).overlays
    kept = [step.offset.clone() for step in rest if step.offset is not None]
    steps, window = run.steps((1.0, 1.0, 1.0), [[], [laid(3, 2, 3)], []])
    assert window == (2, 3, 7, 9)
    moved = apply_overlays(picture(), steps) - apply_overlays(picture(), rest)
    assert float(moved[..., 2:7, 3:9].abs().max()) > 0.05
    moved[..., 2:7, 3:9] = 0
    assert float(moved.abs().max()) == 0
    # What is kept for the next picture is left as it was.
    assert all(
        torch.equal(s.offset, k) for s, k in zip(rest, kept, strict=True) if s.offset is not None
    )


def test_two_moving_layers_lie_on_each_other() -> None:
    run = Run([folded(raster(1)), None, None], SIZE)
    first, second = laid(3, 1, 1, Mode.SCREEN, 0.9), laid(4, 3, 4, Mode.MULTIPLY)
    steps, window = run.steps((1.0, 1.0, 1.0), [[], [first], [second]])
    assert window == (1, 1, 8, 10)
    want = over_piece(over_piece(over(picture(), 1), first), second)
    torch.testing.assert_close(apply_overlays(picture(), steps), want, atol=2e-6, rtol=0)


def test_an_opaque_piece_hides_what_is_below() -> None:
    run = Run([folded(raster(1)), None, folded(raster(2, Mode.SCREEN))], SIZE)
    rgb = codes(3, (5, 6)).float()[None, :3] / 255
    hiding = Laid(Piece(rgb, None, 2, 4))
    full = Laid(Piece(rgb, torch.ones(1, 1, 5, 6), 2, 4))
    assert hiding.hides
    assert not full.hides
    got, want = (
        apply_overlays(picture(), run.steps((1.0, 1.0, 1.0), [[], [one], []])[0])
        for one in (hiding, full)
    )
    torch.testing.assert_close(got, want, atol=1e-6, rtol=0)


def test_without_anything_moving_it_is_what_stands_still() -> None:
    run = Run([folded(raster(1)), None], SIZE)
    steps, window = run.steps((1.0, 1.0), [[], [laid(3, 0, 0, opacity=0.0)]])
    assert window is None
    assert steps is run.rest((1.0, 1.0)).overlays


@pytest.mark.parametrize("share", [0.0, 0.25, 0.6, 1.0])
def test_steps_fade_as_the_picture_with_them_dissolves(share: float) -> None:
    """Half there is half way between the picture without the layers and the one with all."""
    both = folded(raster(1, Mode.MULTIPLY), raster(2, Mode.NORMAL, 0.5))
    with_them = apply_overlays(picture(), both.overlays)
    got = apply_overlays(picture(), faded(both, share).overlays)
    torch.testing.assert_close(got, torch.lerp(picture(), with_them, share), atol=2e-6, rtol=0)


@pytest.mark.parametrize("mode", [Mode.OVERLAY, Mode.SOFT_LIGHT, Mode.DIFFERENCE, Mode.HUE])
def test_a_single_step_of_a_curve_fades_by_its_opacity(mode: Mode) -> None:
    got = apply_overlays(picture(), faded(folded(raster(1, mode)), 0.4).overlays)
    want = over(picture(), 1, mode, 0.4)
    torch.testing.assert_close(got, want, atol=2e-6, rtol=0)


@pytest.mark.parametrize(("top", "left"), [(0, 0), (3, 4), (-5, -2), (-20, 0)])
def test_steps_at_their_place_in_a_larger_picture(top: int, left: int) -> None:
    mask = torch.full(SIZE, 128, dtype=torch.uint8)
    steps = folded(
        raster(1, Mode.MULTIPLY), raster(2, Mode.OVERLAY), Ink(mask, (1.0, 0.0, 0.0), 0, 0)
    )
    large = torch.rand(1, 3, 20, 24)
    got = apply_overlays(large, on_size(steps, top, left, (20, 24)).overlays)
    want = large.clone()
    y0, x0 = max(top, 0), max(left, 0)
    y1, x1 = min(top + SIZE[0], 20), min(left + SIZE[1], 24)
    if y1 > y0 and x1 > x0:
        part = torch.rand(1, 3, *SIZE)
        part[..., y0 - top : y1 - top, x0 - left : x1 - left] = large[..., y0:y1, x0:x1]
        done = apply_overlays(part, steps.overlays)
        want[..., y0:y1, x0:x1] = done[..., y0 - top : y1 - top, x0 - left : x1 - left]
    torch.testing.assert_close(got, want, atol=1e-6, rtol=0)


def test_the_ground_is_decoded_where_it_changed() -> None:
    paper = torch.ones(1, 3, *SIZE)
    run = Run([folded(raster(1)), None], SIZE)
    rest = grounded(run.rest((1.0, 1.0)).overlays, paper, None, None)
    one = laid(3, 2, 3)
    steps, window = run.steps((1.0, 1.0), [[], [one]])
    got = grounded(steps, paper, rest, window)
    want = decode(over_piece(over(paper, 1), one), Transfer.SRGB)
    assert float((got - want).abs().max()) < 0.0006
    outside = (got - rest).abs()
    outside[..., 2:7, 3:9] = 0
    assert float(outside.max()) == 0
    assert grounded((), paper, rest, None) is rest


def test_flattened_layers_lie_on_paper() -> None:
    alpha = torch.zeros(1, 1, 4, 4)
    alpha[..., :2, :] = 1
    flat = Flat(torch.full((1, 3, 4, 4), 0.5) * alpha, alpha)
    got = laid_on(torch.ones(1, 3, 6, 6), flat, 1, 1)
    half = float(decode(torch.tensor(0.5), Transfer.SRGB))
    assert float((got[..., 1:3, 1:5] - half).abs().max()) < 1e-4
    got[..., 1:3, 1:5] = 1
    assert float((got - 1).abs().max()) < 1e-5


def test_an_overlay_of_one_channel_stays_one() -> None:
    run = Run([folded(raster(1)), None], SIZE)
    steps, _ = run.steps((1.0, 1.0), [[], [laid(3, 0, 0)]])
    step: Overlay = steps[0]
    assert step.gain is not None
    assert step.gain.stride(1) == 0
