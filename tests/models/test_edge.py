"""Choke: an edge moves by what was asked, keeps its softness, and brings no screen along."""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT
from models.edge import choke
from models.keyer import Keyer, KeySettings
from tests.models.keying import scene
from tests.models.rendered import SKIN, colour, rgb_planes


def ramp(shift: float) -> Tensor:
    """A straight edge four pixels wide, at 30 + shift."""
    x = torch.arange(64) + 0.5
    return ((x - 30 - shift) / 4 + 0.5).clamp(0, 1).view(1, 1, 1, 64).expand(1, 1, 32, 64)


@pytest.mark.parametrize("pixels", [1, 2, 1.5, 0.25, -1, -2.5, -0.4])
def test_an_edge_moves_by_so_many_pixels(pixels: float) -> None:
    got, _ = choke(ramp(0), torch.zeros(1, 3, 32, 64), pixels)
    want = ramp(pixels)
    # Between whole pixels two edges are mixed: at most an eighth of a slope of a fourth off.
    assert float((got - want)[..., 4:-4].abs().max()) < 0.07
    assert float((got - want)[..., 4:-4].mean().abs()) < 0.002
    if pixels == int(pixels):
        torch.testing.assert_close(got[..., 4:-4], want[..., 4:-4])


def test_nothing_moves_by_nothing_and_inputs_stay() -> None:
    alpha, fg = ramp(0).clone(), torch.rand(1, 3, 32, 64)
    before = alpha.clone(), fg.clone()
    got, colours = choke(alpha, fg, 0)
    assert torch.equal(got, alpha)
    assert torch.equal(colours, fg)
    choke(alpha, fg, -2)
    assert torch.equal(alpha, before[0])
    assert torch.equal(fg, before[1])


@pytest.mark.parametrize("pixels", [-3, 3])
def test_a_subject_keeps_its_colour_when_its_edge_moves(pixels: float) -> None:
    planes = rgb_planes(scene().picture)
    usual = Keyer().cut(planes, SRGB_8BIT)
    got = Keyer(settings=replace(KeySettings(), choke=pixels)).cut(planes, SRGB_8BIT)
    edge = 2 * (80 + 80 + 62)
    moved = float(usual.alpha.sum() - got.alpha.sum())
    # About the outline's length times three.
    assert 0.5 * edge * abs(pixels) < abs(moved) < 2 * edge * abs(pixels)
    assert (moved > 0) == (pixels > 0)
    off = (got.fg - colour(SKIN)).abs()
    # measured .02 and .06; the bare screen without its green lies .2 off
    assert float(off.amax(1, keepdim=True)[got.alpha > 0.05].quantile(0.99)) < 0.08
