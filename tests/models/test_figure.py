"""The figure in a matte: drawn silhouettes whose lines are known."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.errors import ShapeError
from models.figure import Figure, find_figure, usual_figure

H, W = 480, 360


def grid() -> tuple[Tensor, Tensor]:
    y, x = torch.meshgrid(torch.arange(H) + 0.5, torch.arange(W) + 0.5, indexing="ij")
    return y, x


def ellipse(cy: float, cx: float, ry: float, rx: float) -> Tensor:
    y, x = grid()
    return torch.hypot((y - cy) / ry, (x - cx) / rx) <= 1


def bar(y0: float, x0: float, y1: float, x1: float, thick: float) -> Tensor:
    """A rounded bar from point to point."""
    y, x = grid()
    length = ((y1 - y0) ** 2 + (x1 - x0) ** 2) ** 0.5
    t = (((y - y0) * (y1 - y0) + (x - x0) * (x1 - x0)) / length**2).clamp(0, 1)
    return torch.hypot(y - y0 - t * (y1 - y0), x - x0 - t * (x1 - x0)) <= thick / 2


def person(cx: float = 180.0, top: float = 100.0, unit: float = 40.0) -> Tensor:
    """Somebody seven and a half heads high (*common practice* in figure drawing).

    Crown at ``top``, chin a head (``unit``) lower, soles 7.5 heads lower.
    """
    head = ellipse(top + unit / 2, cx, unit / 2, 0.38 * unit)
    neck = bar(top + unit, cx, top + 1.5 * unit, cx, 0.4 * unit)
    trunk = ellipse(top + 2.6 * unit, cx, 1.4 * unit, 0.9 * unit)
    arms = bar(top + 1.7 * unit, cx - 0.8 * unit, top + 4 * unit, cx - 1.1 * unit, 0.35 * unit)
    arms |= bar(top + 1.7 * unit, cx + 0.8 * unit, top + 4 * unit, cx + 1.1 * unit, 0.35 * unit)
    legs = bar(top + 3.5 * unit, cx - 0.4 * unit, top + 7.2 * unit, cx - 0.5 * unit, 0.6 * unit)
    legs |= bar(top + 3.5 * unit, cx + 0.4 * unit, top + 7.2 * unit, cx + 0.5 * unit, 0.6 * unit)
    return head | neck | trunk | arms | legs


def arm_up(cx: float = 180.0, top: float = 100.0, unit: float = 40.0) -> Tensor:
    """An arm raised beside the head, its fist nearly two heads above the crown."""
    upper = bar(top + 1.7 * unit, cx + 0.8 * unit, top, cx + 1.6 * unit, 0.35 * unit)
    lower = bar(top, cx + 1.6 * unit, top - 1.5 * unit, cx + 1.4 * unit, 0.25 * unit)
    return upper | lower | ellipse(top - 1.6 * unit, cx + 1.4 * unit, 0.25 * unit, 0.2 * unit)


def found(mask: Tensor) -> Figure:
    figure = find_figure(mask.float()[None, None])
    assert figure is not None
    return figure


def near(value: float | None, pixels: float, side: int, within: float = 2.0) -> bool:
    return value is not None and abs(value * side - pixels) <= within


def test_a_standing_person() -> None:
    f = found(person())
    assert near(f.head, 100, H)
    assert near(f.top, 100, H)
    assert f.head_height is not None
    # The neck is cut by the head's ellipse a little above the chin.
    assert near(f.head_height, 38, H, 4)
    assert near(f.feet, 100 + 7.5 * 40, H)
    assert near(f.bottom, 400, H)
    assert near(f.centre, 180, W)
    assert near(f.left, 180 - 1.275 * 40, W)
    assert near(f.right, 180 + 1.275 * 40, W)


@pytest.mark.parametrize("unit", [20.0, 30.0, 45.0])
def test_heads_of_every_size(unit: float) -> None:
    f = found(person(top=60, unit=unit))
    assert near(f.head, 60, H)
    assert near(f.head_height, unit, H, 0.1 * unit + 1)


def test_a_raised_arm_is_no_head() -> None:
    f = found(person() | arm_up())
    assert near(f.top, 100 - 1.85 * 40, H)
    assert near(f.head, 100, H)
    assert near(f.head_height, 38, H, 4)
    both = found(person() | arm_up() | (person() | arm_up()).flip(1))
    assert near(both.head, 100, H)


def test_a_head_without_a_neck_is_still_above_an_arm_that_is_lower() -> None:
    """Long hair hides the neck: no height, but the top stays, and no raised arm takes its place."""
    hair = ellipse(150, 180, 52, 30)
    f = found(person() | hair | arm_up())
    assert f.head_height is None
    assert near(f.head, 98, H, 3)
    assert near(f.top, 26, H)


def test_hair_on_end_is_not_counted_to_the_head() -> None:
    hair = bar(100, 180, 84, 184, 2.0) | bar(102, 176, 88, 172, 2.0)
    f = found(person() | hair)
    assert near(f.head, 100, H, 4)
    assert near(f.head_height, 38, H, 5)


def test_two_people() -> None:
    """Apart or arm in arm: all of them count, the highest head is the head line."""
    adult, child = person(110, 80, 40), person(250, 180, 28)
    for both in (adult | child, adult | child | bar(200, 110, 260, 250, 10.0)):
        f = found(both)
        assert near(f.head, 80, H)
        assert near(f.left, 110 - 51, W)
        assert near(f.right, 250 + 1.275 * 28, W)
        assert near(f.feet, 180 + 7.5 * 28, H)
        assert near(f.head_height, (38 + 26.6) / 2, H, 4)


def test_specks_do_not_count() -> None:
    plain = found(person())
    dust = torch.zeros(H, W, dtype=torch.bool)
    generator = torch.Generator().manual_seed(3)
    for i in torch.randint(0, H * W, (40,), generator=generator).tolist():
        y, x = divmod(i, W)
        dust[y : y + 2, x : x + 2] = True
    dust &= ~(ellipse(250, 180, 190, 80))
    assert found(person() | dust) == plain
    # Larger, and far from everybody: a scrap of something at the frame's corner.
    assert found(person() | ellipse(8, 350, 5, 5)) == plain


def test_a_balloon_near_counts_and_lends_no_feet() -> None:
    balloon = ellipse(60, 250, 24, 18)
    f = found(person() | balloon)
    assert near(f.top, 36, H)
    assert near(f.right, 268, W)
    assert near(f.head, 100, H)
    ball = ellipse(430, 120, 14, 14)
    f = found(person() | ball)
    assert near(f.bottom, 444, H)
    assert near(f.feet, 400, H)


def test_what_the_frame_cuts_off_has_no_line() -> None:
    half = found(person(top=250))
    assert half.feet is None
    assert half.bottom == 1
    assert near(half.head, 250, H)
    beheaded = found(person(top=-15))
    assert beheaded.head is None
    assert beheaded.head_height is None
    assert beheaded.top == 0
    assert near(beheaded.feet, 285, H)
    # A hand that reaches out of the frame hides no head.
    hand = found(person(top=60) | arm_up(top=60))
    assert hand.top == 0
    assert near(hand.head, 60, H)


def test_nobody() -> None:
    assert find_figure(torch.zeros(1, 1, H, W)) is None
    assert find_figure(torch.full((1, 1, H, W), 0.4)) is None
    assert find_figure(ellipse(100, 100, 6, 6).float()[None, None]) is None


def test_an_odd_size_and_a_full_frame() -> None:
    f = find_figure(torch.ones(1, 1, 67, 501))
    assert f == Figure(0, 1, 0, 1, 0.5, None, None, None)


def test_it_is_the_same_every_time_and_leaves_its_input() -> None:
    matte = (person() | arm_up()).float()[None, None]
    before = matte.clone()
    assert find_figure(matte) == find_figure(matte)
    assert torch.equal(matte, before)


def test_other_shapes_are_refused() -> None:
    with pytest.raises(ShapeError, match=r"got a matte of \(3, 4, 5\); need \(1, 1, h, w\)"):
        find_figure(torch.zeros(3, 4, 5))


# --- one for a whole clip -------------------------------------------------------------------


def lines(left: float = 0.3, head: float | None = 0.1, feet: float | None = None) -> Figure:
    tall = None if head is None else 0.2
    return Figure(left, 0.7, 0.1, 1.0, 0.5, head, tall, feet)


def test_a_clip_s_figure_is_where_most_of_its_frames_have_it() -> None:
    swaying = [lines(0.30), lines(0.32), lines(0.31), lines(0.05), lines(0.33)]
    assert usual_figure(swaying) == lines(0.31)
    assert usual_figure([None, lines(0.3), None, lines(0.3), None]) == lines(0.3)
    assert usual_figure([None, None]) is None
    assert usual_figure([]) is None


def test_a_head_is_told_where_half_of_the_frames_tell_it() -> None:
    cut_off = lines(head=None)
    assert usual_figure([lines(), cut_off]) == lines()
    mostly = usual_figure([lines(), cut_off, cut_off])
    assert mostly == cut_off
    assert usual_figure([lines(feet=0.9), lines(), lines()]) == lines()
