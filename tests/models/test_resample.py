"""Placing and scaling: positions by formula, light kept, thin pictures, windows."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.errors import ShapeError
from models.resample import Placement, resize, visible
from tests.models.placing import place


def ramp(height: int, width: int) -> Tensor:
    """Two channels: x and y of the pixels' centres, edges counted from 0."""
    y = (torch.arange(height) + 0.5).view(-1, 1).expand(height, width)
    x = (torch.arange(width) + 0.5).view(1, -1).expand(height, width)
    return torch.stack([x, y])[None]


@pytest.mark.parametrize("size", [(20, 30), (10, 15), (13, 17), (1, 1), (40, 3), (80, 120)])
def test_the_mean_is_kept(size: tuple[int, int]) -> None:
    x = torch.rand(1, 4, 40, 60, generator=torch.Generator().manual_seed(2))
    got = resize(x, size)
    assert got.shape == (1, 4, *size)
    # chosen: an antialiased triangle weighs the outermost pixels a little less; measured .012
    # at most over these sizes but for one pixel alone.
    assert float((got.mean((-2, -1)) - x.mean((-2, -1))).abs().max()) < 0.02


@pytest.mark.parametrize("factor", [2, 4, 5])
def test_a_dot_keeps_its_light_in_a_reduction(factor: int) -> None:
    for at in range(23, 28):
        x = torch.zeros(1, 1, 60, 60)
        x[..., at, at + 3] = 1
        light = float(resize(x, (60 // factor, 60 // factor)).sum()) * factor**2
        assert light == pytest.approx(1, abs=2e-3)


def test_fine_stripes_become_grey_not_a_pattern() -> None:
    stripes = (torch.arange(120) % 2).float().view(1, 1, 1, 120).expand(1, 1, 40, 120)
    got = resize(stripes, (13, 37))
    assert float((got[..., 1:-1] - 0.5).abs().max()) < 0.06


@pytest.mark.parametrize("size", [(30, 90), (10, 15), (7, 33), (41, 61)])
def test_a_ramp_stays_a_ramp(size: tuple[int, int]) -> None:
    x = ramp(20, 30)
    got = resize(x, size)
    want = ramp(*size) * torch.tensor([30 / size[1], 20 / size[0]]).view(1, 2, 1, 1)
    inner = (Ellipsis, slice(4, -4), slice(4, -4))
    if min(size) > 9:
        # torch's bicubic kernel (a = -.75) is not exact on a ramp: .05 of a step of one.
        torch.testing.assert_close(got[inner], want[inner], atol=0.06, rtol=0)
    middle = (Ellipsis, size[0] // 2, size[1] // 2)
    torch.testing.assert_close(got[middle], want[middle], atol=0.05, rtol=0)


@pytest.mark.parametrize("size", [(5, 1), (4, 1), (20, 1), (5, 3), (1, 1), (30, 4)])
def test_a_picture_one_pixel_wide(size: tuple[int, int]) -> None:
    x = torch.linspace(0, 1, 10).view(1, 1, 10, 1)
    got = resize(x, size)
    assert got.shape == (1, 1, *size)
    # More of the same column cannot change what the column becomes.
    twice = resize(x.expand(1, 1, 10, 8), (size[0], 8))[..., 3:4]
    torch.testing.assert_close(got, twice.expand_as(got), atol=1e-5, rtol=0)


@pytest.mark.parametrize("have", [(20, 30), (20, 2), (5, 9), (1, 7)])
def test_a_picture_that_becomes_one_pixel_wide(have: tuple[int, int]) -> None:
    """torch 2.13's antialiased filter repeats the first row where the result is one pixel wide."""
    x = ramp(*have)
    got = resize(x, (max(1, have[0] // 2), 1))
    assert float((got[:, 0] - have[1] / 2).abs().max()) < 0.01 * have[1]
    want = resize(x, (max(1, have[0] // 2), 4))[:, 1, :, 1:2]
    torch.testing.assert_close(got[:, 1], want, atol=1e-4, rtol=0)


def test_nothing_can_be_made_of_nothing() -> None:
    with pytest.raises(ShapeError, match="need at least one pixel"):
        resize(torch.zeros(1, 3, 4, 4), (0, 3))
    x = torch.rand(1, 3, 4, 4)
    assert resize(x, (4, 4)) is x


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("dx", [-13, 0, 4])
@pytest.mark.parametrize("dy", [-5, 0, 7])
def test_scale_one_copies_pixels(mirror: bool, dx: int, dy: int) -> None:
    x = torch.rand(1, 3, 24, 32, generator=torch.Generator().manual_seed(8))
    got = place(x, Placement(1.0, dx, dy, mirror), (20, 26))
    shown = x.flip(-1) if mirror else x
    want = torch.zeros(1, 3, 20, 26)
    for row in range(20):
        for column in range(26):
            if 0 <= row - dy < 24 and 0 <= column - dx < 32:
                want[..., row, column] = shown[..., row - dy, column - dx]
    assert torch.equal(got, want)


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("scale", [0.37, 0.5, 1.0, 1.7, 3.0])
@pytest.mark.parametrize(("dx", "dy"), [(0.0, 0.0), (6.4, 3.3), (-11.2, -8.7)])
def test_every_point_lands_where_the_placement_says(
    scale: float, dx: float, dy: float, mirror: bool
) -> None:
    x = ramp(60, 80)
    size = (50, 70)
    got = place(x, Placement(scale, dx, dy, mirror), size)
    there = ramp(*size)
    back = torch.cat([(there[:, 0:1] - dx) / scale, (there[:, 1:2] - dy) / scale], 1)
    inside = (back[:, 0] > 3) & (back[:, 0] < 77) & (back[:, 1] > 3) & (back[:, 1] < 57)
    if mirror:
        back[:, 0] = 80 - back[:, 0]
    assert bool(inside.any())
    # Places and sizes are rounded to whole pixels of the picture: each half a pixel at the most.
    gap = ((got - back).abs() * inside[:, None]).amax()
    assert float(gap) <= 1.0 / scale + 0.05


def test_covers_and_contains() -> None:
    x = torch.ones(1, 1, 30, 40)
    covering = place(x, Placement(2.0, -10, -15), (30, 60))
    assert torch.equal(covering, torch.ones(1, 1, 30, 60))
    contained = place(x, Placement(0.5, 10, 2), (20, 40))
    assert float(contained.sum()) == pytest.approx(15 * 20, rel=1e-4)
    assert float(contained[..., 2:17, 10:30].min()) == pytest.approx(1, abs=1e-4)
    contained[..., 2:17, 10:30] = 0
    assert float(contained.abs().max()) == 0


@pytest.mark.parametrize("placement", [Placement(1, 500, 0), Placement(0.5, 0, -90)])
def test_nothing_shows_of_a_frame_outside(placement: Placement) -> None:
    x = torch.ones(1, 2, 30, 40)
    assert visible((30, 40), placement, (20, 20)) is None
    assert torch.equal(place(x, placement, (20, 20)), torch.zeros(1, 2, 20, 20))


@pytest.mark.parametrize("scale", [0.0, -1.0, float("nan")])
def test_a_scale_that_is_none(scale: float) -> None:
    with pytest.raises(ShapeError, match="need more than zero"):
        place(torch.ones(1, 1, 4, 4), Placement(scale, 0, 0), (4, 4))


@pytest.mark.parametrize("mirror", [False, True])
def test_the_part_that_shows_is_small(mirror: bool) -> None:
    seen = visible((3000, 4000), Placement(1.0, -100, -200, mirror), (50, 60))
    assert seen is not None
    rows, columns, _ = seen
    assert (rows.start, rows.stop) == (200, 250)
    want = (4000 - 160, 4000 - 100) if mirror else (100, 160)
    assert (columns.start, columns.stop) == want


def test_a_tiny_frame_never_vanishes() -> None:
    got = place(torch.ones(1, 1, 3, 2), Placement(0.1, 2, 2), (8, 8))
    assert float(got.sum()) == pytest.approx(1, abs=1e-4)


def test_inputs_stay_as_they_were() -> None:
    x = torch.rand(1, 4, 12, 15)
    before = x.clone()
    for scale in (0.6, 1.0, 1.5):
        place(x, Placement(scale, 1, 1, True), (20, 20)).add_(1)
    assert torch.equal(x, before)
