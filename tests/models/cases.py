"""The cases a keyer is judged by: scenes with exact truth, and what the camera gives of them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor

from models.color import SRGB_8BIT, Encoding, Matrix, Planes, rgb_to_planes
from models.transfer import encode
from tests.models.rendered import (
    BLUE,
    BLUE_GREY,
    BROWN,
    GREEN,
    GREY,
    PALE_YELLOW,
    SKIN,
    TEAL,
    VIDEO_8,
    Shown,
    colour,
    ellipse,
    grid,
    line,
    person,
    pooled,
    rgb_planes,
    shown,
    soft,
    uneven,
    video_planes,
)


@dataclass(frozen=True)
class Case:
    """A scene with its frame; the plate is the bare screen without the subject's shadow."""

    truth: Shown
    planes: Planes
    encoding: Encoding
    plate: Planes


def _case(
    truth: Shown,
    encoding: Encoding = SRGB_8BIT,
    plate: Tensor | None = None,
    noise_codes: float = 0.0,
) -> Case:
    code = rgb_planes if encoding.matrix is Matrix.RGB else video_planes
    planes = code(truth.picture, encoding)
    if noise_codes:
        made = torch.Generator().manual_seed(3)
        grain = torch.randn(truth.picture.shape, generator=made) * noise_codes / 255
        planes = rgb_to_planes(encode(truth.picture, encoding.transfer) + grain, encoding)
    return Case(truth, planes, encoding, code(truth.back if plate is None else plate, encoding))


def hair() -> Tensor:
    """A person with 24 strands, .3 to .9 pixels thin."""
    out = person()
    for i in range(24):
        angle = math.pi * (1.05 + 0.9 * i / 23)
        y, x = math.sin(angle), math.cos(angle)
        thickness = 0.3 + 0.6 * (i % 5) / 4
        strand = line(58 + 20 * y, 120 + 15 * x, 58 + 46 * y, 124 + 44 * x, thickness)
        out = torch.maximum(out, strand)
    return out


def veil() -> Tensor:
    """A person with a cloth of 40 % coverage beside, behind and before."""
    y, x = grid()
    cloth = soft(torch.minimum(torch.minimum(y - 60, 150 - y), torch.minimum(x - 150, 215 - x)))
    return torch.maximum(person(), 0.4 * cloth)


def blurred(pixels: int) -> Tensor:
    """A person who moves sideways while the shutter is open."""
    places = torch.linspace(-pixels / 2, pixels / 2, pixels + 1).tolist()
    return torch.stack([person(shift=p) for p in places]).mean(0)


def large() -> Tensor:
    """A subject that fills 80 % of the frame and reaches its lower edge."""
    y, x = grid()
    return soft(torch.minimum(torch.minimum(x - 12, 228 - x), y - 17))


def _plain(front: tuple[float, float, float]) -> Case:
    return _case(shown(person(), colour(front), uneven(GREEN)))


def _white_veil() -> Case:
    front = torch.where(person()[None, None] > 0.5, colour(SKIN), colour((0.7, 0.7, 0.7)))
    return _case(shown(veil(), front, uneven(GREEN)))


def _spill() -> Case:
    """A tenth of the screen's light everywhere on the subject, and .3 more towards its edge."""
    share = 0.1 + 0.3 * (1 - person(edge=8.0))
    return _case(shown(person(), colour(SKIN) + share[None, None] * colour(GREEN), uneven(GREEN)))


def _shadow() -> Case:
    shade = 1 - 0.55 * pooled(ellipse(150, 160, 60, 80, 30.0))
    lit = uneven(GREEN)
    return _case(shown(person(), colour(SKIN), lit * shade), plate=lit)


def _on(fine: Tensor, front: tuple[float, float, float], encoding: Encoding = SRGB_8BIT) -> Case:
    return _case(shown(fine, colour(front), uneven(GREEN)), encoding)


CASES: dict[str, Callable[[], Case]] = {
    "grey": lambda: _plain(GREY),
    "skin": lambda: _plain(SKIN),
    "teal": lambda: _plain(TEAL),
    "pale yellow": lambda: _plain(PALE_YELLOW),
    "dark brown": lambda: _plain(BROWN),
    "spill": _spill,
    "hair": lambda: _on(hair(), BROWN),
    "veil, grey": lambda: _on(veil(), GREY),
    "veil, white on skin": _white_veil,
    "blur 10, grey": lambda: _on(blurred(10), GREY),
    "blur 10, skin": lambda: _on(blurred(10), SKIN),
    "blur 30, grey": lambda: _on(blurred(30), GREY),
    "blur 30, skin": lambda: _on(blurred(30), SKIN),
    "shadow": _shadow,
    "noise": lambda: _case(shown(person(), colour(SKIN), uneven(GREEN)), noise_codes=3.0),
    "4:2:0": lambda: _on(person(), SKIN, VIDEO_8),
    "4:2:0 hair": lambda: _on(hair(), BROWN, VIDEO_8),
    "blue-grey on blue": lambda: _case(shown(person(), colour(BLUE_GREY), uneven(BLUE))),
    "80 % of the frame": lambda: _on(large(), SKIN),
}
