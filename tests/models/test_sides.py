"""What a film shows beside a design."""

from __future__ import annotations

import pytest
import torch

from models.composite import apply_overlays
from models.sides import around, blurred, paper, plain, shaded
from models.transfer import Transfer, encode


def test_an_even_background_gives_even_darker_sides() -> None:
    made = blurred(torch.full((1, 3, 50, 40), 0.5), (90, 160))
    assert made.shape == (1, 3, 90, 160)
    assert float(made.max() - made.min()) < 1e-4
    assert 0.05 < float(made.mean()) < 0.25


def test_nothing_is_told_apart_any_more() -> None:
    """Stripes of a fiftieth of the film leave a thousandth of their contrast."""
    stripes = (torch.arange(540) // 21 % 2).float().view(1, 1, 1, -1).expand(1, 3, 400, 540)
    made = blurred(stripes, (1080, 1920))
    middle = made[..., 300:800, 400:1500]
    assert float(middle.max() - middle.min()) < 0.03
    assert float(middle.mean()) == pytest.approx(
        float(blurred(stripes * 0 + 0.5, (1080, 1920)).mean()), rel=0.1
    )


def test_the_shadow_falls_off_from_what_lies_there() -> None:
    flat = torch.full((1, 3, 108, 192), 0.2)
    made = shaded(flat, (0, 60, 108, 130))
    row = made[0, 0, 50]
    assert torch.all(row[:59].diff() <= 0)
    assert float(row[0]) == pytest.approx(0.2, rel=0.02)
    assert float(row[59]) < 0.12
    assert float((row[:60] - row[130:190].flip(0)).abs().max()) < 1e-6
    assert float(flat.min()) == float(flat.max())


def test_the_step_around_leaves_the_inside() -> None:
    sides = torch.rand(1, 3, 20, 30)
    picture = torch.rand(1, 3, 20, 30)
    got = apply_overlays(picture, around(sides, (2, 5, 18, 25)).overlays)
    want = encode(sides, Transfer.SRGB)
    want[..., 2:18, 5:25] = picture[..., 2:18, 5:25]
    assert torch.equal(got, want)


def test_paper_is_white_under_the_canvas_alone() -> None:
    sides = plain((0.2, 0.4, 0.6), (10, 12))
    got = paper((10, 12), (-3, 4, 7, 20), sides)
    assert float(got[..., :7, 4:].min()) == 1
    torch.testing.assert_close(got[0, :, 9, 11], torch.tensor([0.2, 0.4, 0.6]), atol=1e-5, rtol=0)
    torch.testing.assert_close(got[0, :, 2, 3], torch.tensor([0.2, 0.4, 0.6]), atol=1e-5, rtol=0)
    assert float(paper((4, 4), (0, 0, 4, 4), None).min()) == 1
