"""Keyer.composite: windows, scales, turns and mirrors of one cut, laid into a picture."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT, turn
from models.composite import Overlay, Scene
from models.keyer import Cut, Grade, Keyer
from models.resample import Placement, resize
from models.transfer import Transfer, encode
from tests.models.keying import GRADES, backdrop, cut, scene
from tests.models.rendered import (
    HEIGHT,
    VIDEO_8,
    WIDTH,
    Shown,
    mean_error,
    rgb_planes,
    video_planes,
)


def by_hand(found: Cut, below: Tensor, dx: int, dy: int, mirror: bool) -> tuple[Tensor, Tensor]:
    """The cut laid over a backdrop at scale 1, pixel by pixel: codes and alpha."""
    alpha, fg = found.alpha, found.fg
    if mirror:
        alpha, fg = alpha.flip(-1), fg.flip(-1)
    out, coverage = below.clone(), torch.zeros_like(below[:, :1])
    height, width = below.shape[-2:]
    top, left = max(dy, 0), max(dx, 0)
    bottom, right = min(dy + alpha.shape[-2], height), min(dx + alpha.shape[-1], width)
    there = (Ellipsis, slice(top, bottom), slice(left, right))
    here = (Ellipsis, slice(top - dy, bottom - dy), slice(left - dx, right - dx))
    out[there] = fg[here] * alpha[here] + (1 - alpha[here]) * below[there]
    coverage[there] = alpha[here]
    return encode(out, Transfer.SRGB)[0].permute(1, 2, 0) * 255, coverage


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize(("dx", "dy"), [(0, 0), (-60, -31), (15, 9), (-100, 20)])
def test_a_window_at_scale_one_is_that_of_the_whole_cut(
    dx: int, dy: int, mirror: bool, grade: Grade
) -> None:
    planes = rgb_planes(scene().picture)
    there = backdrop(97, 131)
    got = Keyer(grade).composite(planes, SRGB_8BIT, 0, there, Placement(1.0, dx, dy, mirror))
    want, alpha = by_hand(cut(planes, grade=grade), there.below, dx, dy, mirror)
    assert got.picture.shape == (97, 131, 3)
    assert got.picture.dtype is torch.uint8
    # At the picture's edge a pixel's neighbours are not in the window: measured .12 there.
    inner = (Ellipsis, slice(1, -1), slice(1, -1))
    torch.testing.assert_close(got.alpha[inner], alpha[inner], atol=1e-5, rtol=0)
    assert float((got.picture - want)[1:-1, 1:-1].abs().max()) <= 0.51
    assert float((got.alpha - alpha).abs().max()) < 0.25


@pytest.mark.parametrize("mirror", [False, True])
def test_a_window_of_420_planes_is_that_of_the_whole_cut(mirror: bool) -> None:
    planes = video_planes(scene().picture)
    there = backdrop(90, 121)
    for dx, dy in ((-33, -17), (-60, -51)):
        got = Keyer().composite(planes, VIDEO_8, 0, there, Placement(1.0, dx, dy, mirror))
        _, alpha = by_hand(Keyer().cut(planes, VIDEO_8), there.below, dx, dy, mirror)
        inner = (Ellipsis, slice(1, -1), slice(1, -1))
        torch.testing.assert_close(got.alpha[inner], alpha[inner], atol=1e-5, rtol=0)


@pytest.mark.parametrize("turns", range(4))
def test_a_turned_frame_in_a_picture(turns: int) -> None:
    truth = scene()
    lying = rgb_planes(turn(truth.picture, -turns % 4))
    there = backdrop(140, 200)
    placement = Placement(1.0, -21, -8, True)
    want = Keyer().composite(rgb_planes(truth.picture), SRGB_8BIT, 0, there, placement)
    got = Keyer().composite(lying, SRGB_8BIT, turns, there, placement)
    torch.testing.assert_close(got.alpha, want.alpha, atol=1e-4, rtol=0)
    assert int((got.picture.int() - want.picture.int()).abs().max()) <= 1


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("scale", [0.25, 0.5, 0.625, 1.5, 2.0])
def test_scaled_alpha_lies_on_the_truth(scale: float, mirror: bool, grade: Grade) -> None:
    truth = scene()
    size = (round(HEIGHT * scale), round(WIDTH * scale))
    got = Keyer(grade).composite(
        rgb_planes(truth.picture), SRGB_8BIT, 0, backdrop(*size), Placement(scale, 0, 0, mirror)
    )
    want = resize(truth.alpha, size)
    error = mean_error(got.alpha, want.flip(-1) if mirror else want)
    # measured .0011 enlarged to .0046 at a quarter, where a fourth of the pixels is edge
    assert error < (0.002 if scale > 1 else 0.0018 / scale)
    # The other way round it is another picture.
    assert mean_error(got.alpha, want if mirror else want.flip(-1)) > 0.05


def middle(alpha: Tensor) -> tuple[float, float]:
    """Where a subject stands: the middle of its coverage, x and y in pixels."""
    across = torch.arange(alpha.shape[-1]) + 0.5
    down = torch.arange(alpha.shape[-2]).view(-1, 1) + 0.5
    plain = alpha[0, 0]
    return float((plain * across).sum() / plain.sum()), float((plain * down).sum() / plain.sum())


@pytest.mark.parametrize("scale", [0.25, 0.5, 0.625, 0.75, 1.5, 2.0])
def test_a_subject_that_moves_does_not_jump(scale: float) -> None:
    """Where it lands may not hang on what else of the frame is worked on: it would jitter."""
    size = (round(HEIGHT * scale), round(WIDTH * scale))
    keyer, there = Keyer(Grade.LIVE), backdrop(*size)
    for shift in (0.0, 3.0, 7.0, 10.0, 13.0):
        truth = scene(shift)
        got = keyer.composite(
            rgb_planes(truth.picture), SRGB_8BIT, 0, there, Placement(scale, 0, 0)
        )
        want = middle(resize(truth.alpha, size))
        for has, wants in zip(middle(got.alpha), want, strict=True):
            # measured .07 of a pixel at a quarter to .16 at twice, the same for every shift
            assert abs(has - wants) < 0.08 + 0.05 * scale, (shift, has - wants)


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("scale", [0.5, 0.75, 1.5])
@pytest.mark.parametrize("mirror", [False, True])
def test_a_scaled_window_is_that_of_the_whole(scale: float, mirror: bool, grade: Grade) -> None:
    """The frame half outside the picture shows what the whole would, to a pixel's rounding."""
    planes = rgb_planes(scene().picture)
    size = (round(HEIGHT * scale), round(WIDTH * scale))
    keyer = Keyer(grade)
    whole = keyer.composite(
        planes, SRGB_8BIT, 0, backdrop(*size), Placement(scale, 0, 0, mirror)
    ).alpha
    dx, dy = -(size[1] // 4), -(size[0] // 5)
    part = keyer.composite(
        planes, SRGB_8BIT, 0, backdrop(size[0] // 2, size[1] // 2), Placement(scale, dx, dy, mirror)
    ).alpha
    want = whole[..., -dy : -dy + size[0] // 2, -dx : -dx + size[1] // 2]
    # A window may lie half a pixel aside: its edges are rounded by themselves. measured .0065
    assert mean_error(part, want) < 0.008


def test_nothing_of_the_frame_shows() -> None:
    there = backdrop(40, 50)
    for scale in (0.5, 1.0, 2.0):
        got = Keyer().composite(
            rgb_planes(scene().picture), SRGB_8BIT, 0, there, Placement(scale, 900, 0)
        )
        assert float(got.alpha.max()) == 0
        want = encode(there.below, Transfer.SRGB)[0].permute(1, 2, 0) * 255
        assert float((got.picture - want).abs().max()) <= 0.51


def test_overlays_lie_above_the_subject() -> None:
    planes = rgb_planes(scene().picture)
    ones = torch.ones(1, 3, 60, 80)
    cover = torch.zeros(1, 1, 60, 80)
    cover[..., 30:, :] = 1
    red = Overlay(rgb_enc=ones * torch.tensor([1.0, 0, 0]).view(1, 3, 1, 1), alpha=cover)
    plain = backdrop(60, 80)
    placement = Placement(0.4, 0, 0)
    got = Keyer().composite(planes, SRGB_8BIT, 0, Scene(plain.below, (red,)), placement)
    without = Keyer().composite(planes, SRGB_8BIT, 0, plain, placement)
    assert torch.equal(got.picture[:30], without.picture[:30])
    assert bool((got.picture[30:] == torch.tensor([255, 0, 0])).all())
    assert torch.equal(got.alpha, without.alpha)


def test_a_grey_half_mix_is_mixed_in_linear_light() -> None:
    """IEC 61966-2-1: half of white over black is code 188, where encoded mixing gives 128."""
    alpha = torch.full((1, 1, 8, 8), 0.5)
    truth = Shown(alpha, alpha.expand(1, 3, 8, 8), torch.zeros(1, 3, 8, 8))
    planes = rgb_planes(truth.picture)
    assert int(planes[0][0, 0]) == 188
    got = Keyer().composite(planes, SRGB_8BIT, 0, backdrop(8, 8), Placement(1.0, 0, 0))
    assert not got.screen_found
    assert set(got.picture.flatten().tolist()) == {188}


def test_16_bits_are_the_same_picture_with_finer_steps() -> None:
    planes = rgb_planes(scene().picture)
    there, keyer = backdrop(97, 131), Keyer()
    placement = Placement(1.0, 15, 9)
    shallow = keyer.composite(planes, SRGB_8BIT, 0, there, placement).picture
    placed = keyer.place(planes, SRGB_8BIT, 0, placement, there.size)
    deep = keyer.lay(placed, there, depth=16).picture
    assert (shallow.dtype, deep.dtype) == (torch.uint8, torch.int32)
    # 65535 / 255 = 257 codes of 16 bits are one of 8: rounding is off by half of that.
    assert int((deep - shallow.to(torch.int32) * 257).abs().max()) <= 129
    assert (deep % 257 != 0).float().mean() > 0.5
    # And back: the template without anybody is kept a depth.
    again = keyer.composite(planes, SRGB_8BIT, 0, there, placement).picture
    assert torch.equal(again, shallow)
