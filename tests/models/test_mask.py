"""Strokes painted by hand: how paint is read, and that they decide."""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT, turn
from models.errors import ShapeError
from models.keyer import Grade, Keyer, KeySettings
from models.mask import Mask, from_matte, from_paint, override
from models.resample import Placement, resize
from tests.models.keying import GRADES, backdrop, scene
from tests.models.rendered import (
    GREEN,
    HEIGHT,
    SKIN,
    WIDTH,
    colour,
    ellipse,
    mean_error,
    person,
    pooled,
    rgb_planes,
    shown,
    uneven,
)


def painted(core: Tensor | None = None, hold_out: Tensor | None = None) -> Mask:
    nothing = torch.zeros(1, 1, HEIGHT, WIDTH)
    return Mask(
        torch.cat([nothing if x is None else x.expand_as(nothing) for x in (core, hold_out)], 1)
    )


def block(rows: slice, columns: slice, strength: float = 1.0) -> Tensor:
    out = torch.zeros(1, 1, HEIGHT, WIDTH)
    out[..., rows, columns] = strength
    return out


HAND = block(slice(10, 50), slice(12, 60))
"""Over bare screen, far from the subject."""
HEAD = block(slice(40, 80), slice(110, 150))
"""Inside the subject's head and on both sides of its edge."""


# --- paint ----------------------------------------------------------------------------------


def read(grey: float, cover: float = 1.0) -> tuple[float, float]:
    # A white dab elsewhere shows that the file's colours are straight.
    mask = from_paint(torch.tensor([[grey, 1.0]]), torch.tensor([[cover, 0.1]]))
    core, hold_out = mask.strokes[0, :, 0, 0].tolist()
    return core, hold_out


def test_white_keeps_black_cuts_and_grey_leaves() -> None:
    assert read(1.0) == (1, 0)
    assert read(0.0) == (0, 1)
    for code in (119, 127, 128):
        assert read(code / 255) == (0, 0)


def test_the_strength_of_a_stroke_is_that_of_its_brush() -> None:
    """Straight alpha (ISO/IEC 15948, clause 6.2): the paint is white, its cover a half."""
    assert read(1.0, 0.5) == pytest.approx((0.5, 0))
    assert read(0.0, 0.3) == pytest.approx((0, 0.3))
    assert read(0.3, 0.0) == (0, 0)


def test_a_soft_stroke_written_premultiplied_is_the_same() -> None:
    cover = torch.linspace(0, 1, 101)[None]
    straight = from_paint(torch.ones_like(cover), cover)
    held = from_paint(cover.clone(), cover)
    assert float((straight.strokes - held.strokes).abs().max()) < 0.012
    black = from_paint(torch.zeros_like(cover), cover)
    torch.testing.assert_close(black.strokes[:, 1:2], cover[None, None])


def test_a_whole_layer_mask_in_black_and_white_is_a_matte() -> None:
    grey = torch.tensor([[0.0, 0.0, 1.0, 1.0]])
    mask = from_paint(grey, torch.ones_like(grey))
    alpha, _ = override(
        torch.rand(1, 1, 1, 4), torch.rand(1, 3, 1, 4), torch.rand(1, 3, 1, 4), mask.strokes
    )
    assert alpha.flatten().tolist() == [0, 0, 1, 1]
    assert mask.painted == 1


def test_planes_that_do_not_belong_together() -> None:
    with pytest.raises(ShapeError, match="need two planes of one size"):
        from_paint(torch.rand(4, 5), torch.rand(4, 6))


# --- the arithmetic -------------------------------------------------------------------------


def test_override_by_hand() -> None:
    """(1 - c - h) a + c; the colour in the shares of both parts."""
    alpha = torch.tensor([0.5, 0.5, 0.5, 0.0, 0.4]).view(1, 1, 1, 5)
    strokes = torch.zeros(1, 2, 1, 5)
    strokes[0, :, 0, 1] = torch.tensor([0.0, 0.6])
    strokes[0, :, 0, 2] = torch.tensor([0.5, 0.0])
    strokes[0, :, 0, 3] = torch.tensor([0.25, 0.0])
    strokes[0, :, 0, 4] = torch.tensor([0.5, 0.5])
    fg, rgb = torch.full((1, 3, 1, 5), 0.2), torch.full((1, 3, 1, 5), 0.8)
    before = [t.clone() for t in (alpha, fg, rgb, strokes)]
    got, colours = override(alpha, fg, rgb, strokes)
    torch.testing.assert_close(got.flatten(), torch.tensor([0.5, 0.2, 0.75, 0.25, 0.5]))
    # (.25 * .2 + .5 * .8) / .75 = .6
    torch.testing.assert_close(colours[0, 0, 0], torch.tensor([0.2, 0.2, 0.6, 0.8, 0.8]))
    assert all(torch.equal(a, b) for a, b in zip(before, (alpha, fg, rgb, strokes), strict=True))


# --- in the keyer ---------------------------------------------------------------------------


@pytest.mark.parametrize("grade", GRADES)
def test_strokes_decide_and_the_rest_is_as_before(grade: Grade) -> None:
    planes = rgb_planes(scene().picture)
    keyer = Keyer(grade)
    before = keyer.cut(planes, SRGB_8BIT)
    keyer.set_mask(painted(core=HAND, hold_out=HEAD))
    got = keyer.cut(planes, SRGB_8BIT)
    assert float(got.alpha[HAND > 0].min()) == 1
    assert float(got.alpha[HEAD > 0].max()) == 0
    elsewhere = (HAND == 0) & (HEAD == 0)
    assert torch.equal(got.alpha[elsewhere], before.alpha[elsewhere])
    assert torch.equal(
        got.fg.movedim(1, -1)[elsewhere[:, 0]], before.fg.movedim(1, -1)[elsewhere[:, 0]]
    )
    keyer.set_mask(None)
    assert torch.equal(keyer.cut(planes, SRGB_8BIT).alpha, before.alpha)


def test_what_is_forced_inside_has_no_screen_colour_in_it() -> None:
    """Bare screen forced inside is grey; a subject that was keyed away gets its own colour back."""
    keyer = Keyer()
    keyer.set_mask(painted(core=HAND))
    fg = keyer.cut(rgb_planes(scene().picture), SRGB_8BIT).fg
    inside = fg.movedim(1, -1)[HAND[:, 0] > 0]
    assert float((inside[:, 1] - inside[:, [0, 2]].amax(1)).max()) < 0.01
    assert float(inside.mean()) > 0.05
    spot = ellipse(40, 40, 14, 14)
    lost = (0.06, 0.34, 0.10)
    truth = scene()
    skin = shown(spot, colour(lost), truth.picture)
    keyer.set_mask(painted(core=pooled(spot)))
    got = keyer.cut(rgb_planes(skin.picture), SRGB_8BIT)
    assert mean_error(got.alpha, torch.maximum(truth.alpha, skin.alpha)) < 0.003


def test_a_soft_stroke_gives_a_soft_edge() -> None:
    keyer = Keyer()
    ramp = torch.zeros(1, 1, HEIGHT, WIDTH)
    ramp[..., 10:30, 20:61] = torch.linspace(0, 1, 41)
    keyer.set_mask(painted(core=ramp))
    got = keyer.cut(rgb_planes(scene().picture), SRGB_8BIT)
    assert float((got.alpha - ramp)[..., 12:28, 20:61].abs().max()) < 0.01
    # The premultiplied colour is the pixel's, in the stroke's share: grey, and even along it.
    straight = got.fg[..., 12:28, 24:61]
    assert float(straight.std(-1).max()) < 0.02
    # A hold-out at half strength over the solid chest halves it.
    chest = block(slice(135, 150), slice(120, 140), 0.5)
    keyer.set_mask(painted(hold_out=chest))
    got = keyer.cut(rgb_planes(scene().picture), SRGB_8BIT)
    torch.testing.assert_close(got.alpha[chest > 0], torch.full_like(got.alpha[chest > 0], 0.5))


@pytest.mark.parametrize("turns", range(4))
def test_strokes_are_painted_over_the_upright_frame(turns: int) -> None:
    mask = painted(core=HAND, hold_out=HEAD)
    keyer = Keyer()
    keyer.set_mask(mask)
    want = keyer.cut(rgb_planes(scene().picture), SRGB_8BIT)
    lying = rgb_planes(turn(scene().picture, -turns % 4))
    got = keyer.cut(lying, SRGB_8BIT, turns)
    torch.testing.assert_close(got.alpha, want.alpha, atol=1e-4, rtol=0)
    # Painted before the frame was turned, they turn with it.
    keyer.set_mask(mask.turned(-turns % 4).turned(turns))
    assert torch.equal(keyer.cut(lying, SRGB_8BIT, turns).alpha, got.alpha)
    keyer.set_mask(mask.turned(1))
    upset = keyer.cut(rgb_planes(turn(scene().picture, 1)), SRGB_8BIT, 0)
    # The analysis and the network see rows as columns: measured .0006 in the mean.
    assert float((turn(upset.alpha, 3) - want.alpha).abs().mean()) < 0.001


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("scale", [0.4, 1.0, 1.6])
def test_strokes_lie_where_they_were_painted_in_a_picture(
    scale: float, mirror: bool, grade: Grade
) -> None:
    size = (round(HEIGHT * scale), round(WIDTH * scale))
    keyer = Keyer(grade)
    keyer.set_mask(painted(core=HAND, hold_out=HEAD))
    got = keyer.composite(
        rgb_planes(scene().picture), SRGB_8BIT, 0, backdrop(*size), Placement(scale, 0, 0, mirror)
    ).alpha
    got = got.flip(-1) if mirror else got
    forced, cut = (resize(x, size) > 0.999 for x in (HAND, HEAD))
    assert float(got[forced].min()) > 0.98
    assert float(got[cut].max()) < 0.02
    # Nothing is forced beside it.
    beside = resize(HAND, size).clamp(0, 1)
    beside[..., :, size[1] // 3 :] = got[..., :, size[1] // 3 :]
    assert mean_error(got, beside) < 0.01


def test_strokes_hold_where_no_screen_is_found() -> None:
    keyer = Keyer()
    keyer.set_mask(painted(hold_out=HEAD))
    got = keyer.cut(rgb_planes(torch.full((1, 3, HEIGHT, WIDTH), 0.3)), SRGB_8BIT)
    assert not got.screen_found
    torch.testing.assert_close(got.alpha, 1 - HEAD)


def test_a_mask_of_another_size_is_said() -> None:
    keyer = Keyer()
    keyer.set_mask(painted(core=HAND).turned(1))
    with pytest.raises(ShapeError, match="mask: it is 160x240 and the frame is 240x160"):
        keyer.cut(rgb_planes(scene().picture), SRGB_8BIT)


def test_strokes_come_after_choke() -> None:
    keyer = Keyer(settings=replace(KeySettings(), choke=4))
    keyer.set_mask(painted(core=HAND))
    assert float(keyer.cut(rgb_planes(scene().picture), SRGB_8BIT).alpha[HAND > 0].min()) == 1


def test_a_person_repaired_by_hand_is_the_truth() -> None:
    """A green emblem is keyed away; a stroke over it, a little larger, brings it back."""
    emblem = ellipse(140, 133, 9, 9)
    body = person(13.0)
    front = colour(SKIN) * (1 - emblem) + colour(GREEN) * emblem
    truth = shown(body, front, uneven(GREEN))
    alone = Keyer(Grade.LIVE).cut(rgb_planes(truth.picture), SRGB_8BIT)
    hole = (pooled(emblem) > 0.99) & (truth.alpha > 0.99)
    assert float(alone.alpha[hole].mean()) < 0.5
    keyer = Keyer(Grade.LIVE)
    keyer.set_mask(painted(core=pooled(ellipse(140, 133, 12, 12))))
    assert mean_error(keyer.cut(rgb_planes(truth.picture), SRGB_8BIT).alpha, truth.alpha) < 0.003


def test_a_painted_matte_holds_where_it_was_changed() -> None:
    alpha = torch.full((1, 1, 2, 3), 0.25)
    grey = torch.full((1, 3, 2, 3), 0.5)
    matte = torch.tensor([[1.0, 0.0, 0.6], [1.0, 0.0, 0.6]])
    where = torch.tensor([[1.0, 1.0, 1.0], [0.0, 0.5, 1.0]])
    found, _ = override(alpha, grey, grey, from_matte(matte, where).strokes)
    assert found[0, 0].tolist() == [
        pytest.approx([1.0, 0.0, 0.6]),
        pytest.approx([0.25, 0.125, 0.6]),
    ]
    with pytest.raises(ShapeError, match="one size"):
        from_matte(matte, where[:1])


def test_later_strokes_lie_over_earlier_ones() -> None:
    keep, drop = torch.ones(1, 3), torch.tensor([[1.0, 0.5, 0.0]])
    first = from_matte(keep, torch.ones(1, 3))
    both = first.then(from_matte(torch.zeros(1, 3), drop))
    assert both.strokes[0, 0].tolist() == [[0.0, 0.5, 1.0]]
    assert both.strokes[0, 1].tolist() == [[1.0, 0.5, 0.0]]
    with pytest.raises(ShapeError, match="one size"):
        first.then(from_matte(keep[:, :2], keep[:, :2]))
