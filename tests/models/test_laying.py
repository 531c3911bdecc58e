"""Several subjects between designed layers; 16 bits; a template of one slot as ever."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
import torch
from torch import Tensor

from models import window
from models.blend import Mode, blend
from models.composite import Overlay, Scene, apply_overlays, over
from models.cut import Placed, Shade
from models.errors import ShapeError
from models.laying import Laying
from models.resample import Placement
from models.transfer import Transfer, decode, encode
from models.wrap import glow, light_wrap

H, W = 40, 56
HERE = Placement(1.0, 0, 0)
ALL = (slice(0, H), slice(0, W))


def noise(channels: int, seed: int, height: int = H, width: int = W) -> Tensor:
    generator = torch.Generator().manual_seed(seed)
    return torch.rand(1, channels, height, width, generator=generator)


def subject(
    seed: int, top: int = 0, left: int = 0, high: int = H, wide: int = W, shade: bool = False
) -> Placed:
    """Somebody of random colours and coverage in a window."""
    alpha = noise(1, seed, high, wide)
    pm = torch.cat([noise(3, seed + 100, high, wide) * alpha, alpha], 1)
    rows, columns = slice(top, top + high), slice(left, left + wide)
    dark = None
    if shade:
        there = slice(max(top - 3, 0), rows.stop), slice(left, min(columns.stop + 4, W))
        left_over = noise(1, seed + 200, there[0].stop - there[0].start, there[1].stop - left)
        dark = Shade(left_over, *there)
    return Placed(pm, rows, columns, True, None, HERE, shade=dark)


def layer(seed: int, mode: Mode = Mode.NORMAL) -> Overlay:
    return Overlay(rgb_enc=noise(3, seed), alpha=noise(1, seed + 50), mode=mode)


def whole(x: Tensor, placed: Placed) -> Tensor:
    """A subject's window in a picture of nothing."""
    out = torch.zeros(1, x.shape[1], H, W)
    out[..., placed.rows, placed.columns] = x
    return out


def by_hand(below: Tensor, runs: Sequence[tuple[Placed | None, Sequence[Overlay]]]) -> Tensor:
    """Subjects in linear light and layers encoded, in turn, over the whole picture."""
    picture = below
    for placed, steps in runs:
        if placed is not None:
            if placed.shade is not None:
                left = torch.ones(1, 1, H, W)
                left[..., placed.shade.rows, placed.shade.columns] = placed.shade.left
                picture = picture * left
            if placed.subject_pm is not None:
                pm = whole(placed.subject_pm, placed)
                picture = over(pm[:, :3], pm[:, 3:], picture)
        encoded = encode(picture, Transfer.SRGB)
        for step in steps:
            assert step.rgb_enc is not None
            assert step.alpha is not None
            blended = blend(step.mode, encoded, step.rgb_enc)
            encoded = (1 - step.alpha) * encoded + step.alpha * blended
        picture = decode(encoded, Transfer.SRGB)
    return encode(picture, Transfer.SRGB)[0].permute(1, 2, 0)


@pytest.mark.parametrize("shade", [False, True])
def test_a_single_slot_is_what_it_was_to_the_bit(shade: bool) -> None:
    """The rule of one subject, written out: shadow, over, encode, overlays; code for code."""
    below, steps = noise(3, 1), (layer(2), layer(3, Mode.SOFT_LIGHT))
    placed = subject(4, 5, 7, 20, 30, shade=shade)
    got = Laying()(placed, Scene(below, steps))
    ground = below.clone()
    if placed.shade is not None:
        ground[..., placed.shade.rows, placed.shade.columns] *= placed.shade.left
    assert placed.subject_pm is not None
    window = (Ellipsis, placed.rows, placed.columns)
    cover = placed.subject_pm[:, 3:]
    laid = ground.clone()
    laid[window] = over(placed.subject_pm[:, :3], cover, ground[window])
    want = apply_overlays(encode(laid, Transfer.SRGB), steps)
    codes = (want[0] * 255).add_(0.5).clamp_(0, 255).to(torch.uint8).permute(1, 2, 0)
    assert torch.equal(got.picture, codes)
    assert torch.equal(got.alpha[window], cover)
    assert float(got.alpha.sum()) == pytest.approx(float(cover.sum()))


@pytest.mark.parametrize("shade", [False, True])
def test_two_subjects_with_layers_between(shade: bool) -> None:
    below = noise(3, 1)
    between = (layer(2, Mode.MULTIPLY), layer(3, Mode.OVERLAY))
    above = (layer(4, Mode.SCREEN),)
    first = subject(5, 2, 3, 25, 30, shade=shade)
    second = subject(6, 10, 20, 28, 30, shade=shade)
    scene = Scene(below, above, (between,), (0, 1))
    got = Laying()([first, second], scene, depth=16)
    want = by_hand(below, [(first, between), (second, above)])
    assert float((got.picture / 65535 - want).abs().max()) < 2e-5
    one, two = whole(first.subject_pm[:, 3:], first), whole(second.subject_pm[:, 3:], second)  # type: ignore[index]
    torch.testing.assert_close(got.alpha, one + two - one * two)


def test_slots_stand_in_the_order_of_the_layers() -> None:
    below, between, above = noise(3, 1), (layer(2),), (layer(3),)
    first, second = subject(5), subject(6)
    swapped = Laying()([first, second], Scene(below, above, (between,), (1, 0)), depth=16)
    want = by_hand(below, [(second, between), (first, above)])
    assert float((swapped.picture / 65535 - want).abs().max()) < 2e-5
    straight = Laying()([first, second], Scene(below, above, (between,), (0, 1)))
    assert not torch.equal(
        straight.picture, Laying()([second, first], Scene(below, above, (between,), (0, 1))).picture
    )


def test_empty_slots() -> None:
    below, between, above = noise(3, 1), (layer(2),), (layer(3, Mode.LUMINOSITY),)
    scene = Scene(below, above, (between,), (0, 1))
    laying, somebody = Laying(), subject(5, 4, 4, 20, 20, shade=True)
    nobody = Placed(None, slice(0, 0), slice(0, 0), False, None, HERE)
    for subjects, runs in (
        ([], [(None, between), (None, above)]),
        ([None, somebody], [(None, between), (somebody, above)]),
        ([somebody, None], [(somebody, between), (None, above)]),
        ([somebody, nobody], [(somebody, between), (None, above)]),
        (somebody, [(somebody, between), (None, above)]),
    ):
        got = laying(subjects, scene, depth=16)
        assert float((got.picture / 65535 - by_hand(below, runs)).abs().max()) < 2e-5
    assert not laying([somebody, nobody], scene).screen_found
    assert laying([somebody, None], scene).screen_found


def test_what_stays_between_frames_does_not_leak() -> None:
    """The pictures without anybody are kept; a subject of the last frame may not stay in them."""
    below, between, above = noise(3, 1), (layer(2),), (layer(3),)
    scene = Scene(below, above, (between,), (0, 1))
    laying = Laying(wrap=0.5)
    pair = [subject(5, 2, 3, 20, 22, shade=True), subject(6, 9, 9, 20, 22, shade=True)]
    bare = laying([], scene).picture
    first = laying(pair, scene).picture
    assert not torch.equal(first, bare)
    assert torch.equal(laying([], scene).picture, bare)
    assert torch.equal(laying(pair, scene).picture, first)
    assert torch.equal(Laying(wrap=0.5)(pair, scene).picture, first)
    assert torch.equal(below, noise(3, 1))


def test_shadow_and_wrap_of_a_later_subject_act_on_the_picture_so_far() -> None:
    """A white subject stands first: the second borrows its light, and shades it."""
    below = torch.full((1, 3, H, W), 0.02)
    white = Placed(torch.ones(1, 4, H, W), *ALL, True, None, HERE)
    alpha = torch.zeros(1, 1, H, W)
    alpha[..., 10:30, 10:40] = 1
    black = torch.cat([torch.zeros(1, 3, H, W), alpha], 1)
    shade = Shade(torch.full((1, 1, H, W), 0.5), *ALL)
    second = Placed(black, *ALL, True, None, HERE, shade=shade)
    got = Laying(wrap=1.0)([white, second], Scene(below, (), ((),), (0, 1)), depth=16)
    so_far = torch.full((1, 3, H, W), 0.5)
    front = light_wrap(black[:, :3], alpha, glow(so_far), *ALL, (H, W), 1.0)
    want = encode(over(front, alpha, so_far), Transfer.SRGB)[0].permute(1, 2, 0)
    assert float((got.picture / 65535 - want).abs().max()) < 2e-5
    assert float(got.picture[10, 10, 0]) / 65535 > 0.2  # its edge has caught light


def test_sixteen_bits_have_no_step_of_eight_bits_in_them() -> None:
    """A ramp finer than 8 bit codes keeps its levels: IEC 61966-2-1 at 65535 codes."""
    ramp = torch.linspace(0.2, 0.21, 256 * 8).view(1, 1, 8, 256).expand(1, 3, 8, 256)
    alpha = torch.ones(1, 1, 8, 256)
    placed = Placed(torch.cat([ramp, alpha], 1), slice(0, 8), slice(0, 256), True, None, HERE)
    for scene in (
        Scene(torch.zeros(1, 3, 8, 256)),
        Scene(torch.zeros(1, 3, 8, 256), (), ((),), (0, 1)),
    ):
        got = Laying()(placed, scene, depth=16).picture
        assert got.shape == (8, 256, 3)
        assert got.dtype is torch.int32
        want = encode(ramp, Transfer.SRGB)[0].permute(1, 2, 0) * 65535
        assert float((got - want).abs().max()) <= 0.6
        assert len(set(got[..., 0].flatten().tolist())) > 600
        eight = Laying()(placed, scene).picture
        assert eight.dtype is torch.uint8
        assert float((eight * 257.0 - got).abs().max()) <= 130


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ShapeError, match="got 2 subjects for 1 slots"):
        Laying()([None, None], Scene(noise(3, 1)))
    with pytest.raises(ShapeError, match="got a depth of 12 bits; need 8 or 16"):
        Laying()([], Scene(noise(3, 1)), depth=12)
    with pytest.raises(ShapeError, match="need every slot once"):
        Scene(noise(3, 1), (), ((),), (0, 0))
    with pytest.raises(ShapeError, match="need every slot once"):
        Scene(noise(3, 1), (), ((),))


@pytest.mark.parametrize("wrap", [0.0, 0.5])
@pytest.mark.parametrize("depth", [8, 16])
def test_bands_make_no_difference(monkeypatch: pytest.MonkeyPatch, wrap: float, depth: int) -> None:
    between, above = (layer(2, Mode.MULTIPLY), layer(3, Mode.SOFT_LIGHT)), (layer(4),)
    scene = Scene(noise(3, 1), above, (between,), (0, 1))
    people = [subject(5, 2, 3, 25, 30, shade=True), subject(6, 10, 20, 28, 30)]
    want = Laying(wrap)(people, scene, depth)
    monkeypatch.setattr(window, "BAND_PIXELS", 70)
    got = Laying(wrap)(people, scene, depth)
    # The curves' last bit hangs on where in memory a pixel lies.
    assert int((got.picture.int() - want.picture.int()).abs().max()) <= (depth == 16)
    assert torch.equal(got.alpha, want.alpha)


@pytest.mark.parametrize("gain", [0.0, 0.25, 0.7, 1.0])
def test_a_subject_and_its_shadow_fade_together(gain: float) -> None:
    below, placed = noise(3, 5), subject(6, shade=True)
    pictures = [
        decode(laid.picture.permute(2, 0, 1)[None].float() / 65535, Transfer.SRGB)
        for laid in (
            Laying()(p, Scene(below), 16) for p in (placed.faded(0), placed, placed.faded(gain))
        )
    ]
    bare, full, faded = pictures
    if gain in (0, 1):
        torch.testing.assert_close(faded, full if gain else bare, atol=0, rtol=0)
    torch.testing.assert_close(bare, below, atol=2e-4, rtol=0)
    assert float((faded - bare).abs().sum()) <= float((full - bare).abs().sum()) + 1e-3


def test_a_faded_subject_without_a_shadow_is_that_share_of_the_way() -> None:
    below, placed = noise(3, 5), subject(6)
    bare, full, faded = (
        decode(Laying()(p, Scene(below), 16).picture.permute(2, 0, 1)[None] / 65535, Transfer.SRGB)
        for p in (placed.faded(0), placed, placed.faded(0.3))
    )
    torch.testing.assert_close(faded, torch.lerp(bare, full, 0.3), atol=2e-4, rtol=0)
