"""Light wrap: nothing at 0; only inside the edge; never beyond the background's own light."""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT
from models.composite import Overlay, Scene
from models.keyer import Grade, Keyer, KeySettings
from models.resample import Placement
from models.wrap import glow, light_wrap
from tests.models.keying import GRADES, backdrop, scene
from tests.models.rendered import rgb_planes

SIZE = (200, 1600)


def edge(size: tuple[int, int] = SIZE) -> Tensor:
    """The right half is subject, with an edge two pixels wide."""
    x = torch.arange(size[1]) + 0.5
    return ((x - size[1] / 2) / 2 + 0.5).clamp(0, 1).view(1, 1, 1, -1).expand(1, 1, *size).clone()


def wrapped(
    front: float, back: float | Tensor, amount: float, size: tuple[int, int] = SIZE
) -> tuple[Tensor, Tensor, Tensor]:
    """Premultiplied foreground before and after, and coverage."""
    cover = edge(size)
    front_pm = (cover * front).expand(1, 3, *size).contiguous()
    below = torch.full((1, 3, *size), back) if isinstance(back, float) else back
    rows, columns = slice(0, size[0]), slice(0, size[1])
    return front_pm, light_wrap(front_pm, cover, glow(below), rows, columns, size, amount), cover


@pytest.mark.parametrize("amount", [0.2, 0.7, 1.0])
def test_a_straight_edge_borrows_half_of_the_light_that_is_missing(amount: float) -> None:
    """Half of what surrounds a straight edge is background, so half of it reaches the edge."""
    before, after, cover = wrapped(0.1, 0.9, amount)
    straight = (after / cover.clamp_min(1e-6))[0, 0, 100]
    middle = SIZE[1] // 2
    want = 0.1 + amount * 0.5 * (0.9 - 0.1)
    assert float(straight[middle]) == pytest.approx(want, abs=0.04)
    inward = straight[middle + 2 :]
    assert bool((inward[1:] <= inward[:-1] + 1e-6).all())
    assert torch.equal(after[..., middle + 80 :], before[..., middle + 80 :])
    assert torch.equal(after[..., : middle - 2], before[..., : middle - 2])


@pytest.mark.parametrize("front", [0.0, 0.3, 1.0])
def test_light_is_only_added_and_never_more_than_there_is(front: float) -> None:
    below = torch.rand(1, 3, *SIZE, generator=torch.Generator().manual_seed(2))
    before, after, cover = wrapped(front, below, 1.0)
    assert bool((after >= before).all())
    most = torch.maximum(before, cover * float(glow(below).max()))
    assert bool((after <= most + 1e-6).all())
    assert float(after.max()) <= 1


def test_a_dark_background_adds_nothing() -> None:
    before, after, _ = wrapped(0.4, 0.1, 1.0)
    assert torch.equal(after, before)


def test_its_width_follows_the_picture() -> None:
    """The same design at twice the size has the same wrap, twice as wide."""

    def reach(size: tuple[int, int]) -> float:
        before, after, _ = wrapped(0.0, 1.0, 1.0, size)
        line = (after - before)[0, 0, size[0] // 2, size[1] // 2 :]
        return float(line.sum())

    assert reach((200, 3200)) / reach((100, 1600)) == pytest.approx(2, rel=0.1)


def test_the_glow_lies_where_the_background_is() -> None:
    """A lamp low on the right lights the edge there, also in a window cut out of the picture."""
    below = torch.zeros(1, 3, *SIZE)
    below[..., 140:160, 790:810] = 1
    _, after, cover = wrapped(0.0, below, 1.0)
    assert float(after[0, 0, 150].sum()) > 20 * float(after[0, 0, 60].sum())
    rows, columns = slice(101, 197), slice(731, 860)
    part = light_wrap(
        torch.zeros(1, 3, 96, 129),
        cover[..., rows, columns],
        glow(below),
        rows,
        columns,
        SIZE,
        1.0,
    )
    assert float((part - after[..., rows, columns]).abs().max()) < 0.03


# --- in a picture ---------------------------------------------------------------------------


def pictures(settings: KeySettings, grade: Grade, scale: float) -> Tensor:
    there = backdrop(round(160 * scale), round(240 * scale))
    cover = torch.zeros(1, 1, *there.size)
    cover[..., -20:, :] = 1
    red = torch.tensor([1.0, 0, 0]).view(1, 3, 1, 1).expand(1, 3, *there.size)
    over = Scene(there.below, (Overlay(rgb_enc=red, alpha=cover),))
    keyer = Keyer(grade, settings)
    planes = rgb_planes(scene().picture)
    return keyer.composite(planes, SRGB_8BIT, 0, over, Placement(scale, 0, 0)).picture


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("scale", [0.5, 1.0, 1.5])
def test_no_light_wrap_is_bit_for_bit_none(scale: float, grade: Grade) -> None:
    plain = pictures(KeySettings(), grade, scale)
    assert torch.equal(pictures(replace(KeySettings(), light_wrap=0), grade, scale), plain)
    least = pictures(replace(KeySettings(), light_wrap=1e-9), grade, scale)
    assert torch.equal(least, plain)


@pytest.mark.parametrize("grade", GRADES)
def test_light_wrap_touches_the_edge_alone(grade: Grade) -> None:
    plain = pictures(KeySettings(), grade, 1.0).int()
    lit = pictures(replace(KeySettings(), light_wrap=1.0), grade, 1.0).int()
    added = lit - plain
    assert int(added.min()) >= 0
    assert int(added[:-20].max()) > 10
    assert int(added[-20:].abs().max()) == 0
    keyer = Keyer(grade)
    alpha = keyer.composite(
        rgb_planes(scene().picture), SRGB_8BIT, 0, backdrop(160, 240), Placement(1.0, 0, 0)
    ).alpha[0, 0]
    assert int(added[alpha == 0].max()) == 0
