"""Screens as they stand in rooms: folded, seamed, unevenly lit, marked, with stands beside them."""

from __future__ import annotations

import torch
from torch import Tensor

from models.color import SRGB_8BIT, Encoding, Planes, rgb_to_planes
from models.keyer import Cut, Grade, Keyer
from models.pyramid import grow, shrink
from models.screen import Hue, find, normalised_difference
from models.transfer import encode
from tests.models.rendered import (
    GREEN,
    HEIGHT,
    WIDTH,
    Shown,
    colour,
    ellipse,
    grid,
    pooled,
    rgb_planes,
    soft,
)

Colour = tuple[float, float, float]
WALL: Colour = (0.34, 0.31, 0.27)
STAND: Colour = (0.02, 0.02, 0.02)


def stops(light: Tensor) -> Tensor:
    """Light given in stops, as a factor."""
    return torch.exp2(light)


def places() -> tuple[Tensor, Tensor]:
    """y and x of pixels, from 0 to 1 over the frame: (H, 1) and (1, W)."""
    y = (torch.arange(HEIGHT) + 0.5) / HEIGHT
    x = (torch.arange(WIDTH) + 0.5) / WIDTH
    return y.view(-1, 1), x.view(1, -1)


def folds(depth: float = 0.35) -> Tensor:
    """Shading of a cloth that hangs in sharp folds every nine pixels, slanting: (1, 1, H, W)."""
    y, x = grid()
    phase = (x + 0.35 * y) / 9.0
    ridge = (2 * (phase - phase.floor()) - 1).abs().pow(3)
    return pooled(1 - depth * ridge)


def seam(column: float = 60.0) -> Tensor:
    """A dark seam two pixels wide from top to bottom."""
    _, x = grid()
    return pooled(1 - 0.6 * soft(1.0 - (x - column).abs()))


def fall_off(range_stops: float = 1.5) -> Tensor:
    """Lit from the upper left: so many stops from corner to corner."""
    y, x = places()
    return stops(range_stops * (0.5 - (x + y) / 2)).view(1, 1, HEIGHT, WIDTH)


def hot_spot(more_stops: float = 1.0) -> Tensor:
    y, x = places()
    far = ((x - 0.2) * WIDTH / HEIGHT).square() + (y - 0.3).square()
    return stops(more_stops * torch.exp(-far / (2 * 0.12**2))).view(1, 1, HEIGHT, WIDTH)


def floor_shadow() -> Tensor:
    """The subject's shadow beside its foot."""
    return 1 - 0.6 * pooled(ellipse(150, 205, 14, 34, 8.0))


def marks(back: Tensor, mark: Colour) -> Tensor:
    """Crosses of tape on a screen."""
    out = back
    y, x = grid()
    for cy, cx in ((24, 28), (24, 212), (78, 30), (78, 210)):
        across = soft(torch.minimum(6 - (x - cx).abs(), 1.5 - (y - cy).abs()))
        upright = soft(torch.minimum(6 - (y - cy).abs(), 1.5 - (x - cx).abs()))
        cover = pooled(torch.maximum(across, upright))
        out = (1 - cover) * out + cover * colour(mark)
    return out


def room(
    screen: Tensor, left: float = 30.0, right: float = 215.0, floor: float | None = None
) -> Tensor:
    """A screen between two columns, a stand at its left edge, a wall beside, maybe a floor."""
    y, x = grid()
    wall = colour(WALL) * (1 + 0.1 * torch.sin(torch.arange(WIDTH) / 5.0).view(1, 1, 1, -1))
    cover = soft(torch.minimum(x - left, right - x))
    if floor is not None:
        cover = torch.minimum(cover, soft(floor - y))
    shown = pooled(cover) * screen + (1 - pooled(cover)) * wall
    pole = pooled(soft(2.5 - (x - (left - 8)).abs()))
    return (1 - pole) * shown + pole * colour(STAND)


def plain(base: Colour = GREEN) -> Tensor:
    return colour(base).expand(1, 3, HEIGHT, WIDTH)


def noisy_planes(linear: Tensor, codes: float, seed: int = 3) -> Planes:
    made = torch.Generator().manual_seed(seed)
    grain = torch.randn(linear.shape, generator=made) * codes / 255
    return rgb_to_planes(encode(linear, SRGB_8BIT.transfer) + grain, SRGB_8BIT)


def keyed(
    picture: Tensor,
    plate: Tensor | None = None,
    grade: Grade = Grade.FINAL,
    encoding: Encoding = SRGB_8BIT,
) -> Cut:
    keyer = Keyer(grade)
    if plate is not None:
        keyer.set_plate(rgb_planes(plate, encoding), encoding)
    return keyer.cut(rgb_planes(picture, encoding), encoding)


def naive(picture: Tensor, hue: Hue = Hue.GREEN) -> Tensor:
    """The normalised colour difference from one middle colour: what each scene defeats."""
    found = find(picture, hue)
    assert found is not None
    return normalised_difference(picture, found[1].expand_as(picture), hue).clamp(0, 1)


def bare_error(alpha: Tensor, truth: Shown) -> Tensor:
    """Alpha where nothing but screen is, two pixels and more from the subject."""
    return alpha[grow(truth.alpha, 2) < 0.001]


def solid(alpha: Tensor, truth: Shown) -> Tensor:
    """Alpha where nothing but subject is."""
    return alpha[shrink(truth.alpha, 2) > 0.999]
