"""A subject of one colour, laid as a keyed one is."""

from __future__ import annotations

import pytest
import torch

from models.composite import Scene
from models.flat_subject import flat_subject
from models.laying import Laying

COLOR = (0.5, 0.75, 1.0)


def code(color: float, share: float) -> int:
    """A code of sRGB, mixed with black in linear light; its curve by IEC 61966-2-1."""
    light: float = share * ((color + 0.055) / 1.055) ** 2.4
    mixed: float = 1.055 * light ** (1 / 2.4) - 0.055
    return round(255 * mixed)


@pytest.mark.parametrize(("gain", "shares"), [(1.0, (0.25, 1.0)), (0.5, (0.125, 0.5))])
def test_it_mixes_in_linear_light(gain: float, shares: tuple[float, float]) -> None:
    alpha = torch.tensor([0.0, 0.25, 1.0]).view(1, 1, 1, 3)
    before = alpha.clone()
    placed = flat_subject(alpha, COLOR, gain)
    picture = Laying()(placed, Scene(torch.zeros(1, 3, 1, 3), ())).picture
    mixed = [[code(c, share) for c in COLOR] for share in shares]
    assert picture[0].tolist() == [[0, 0, 0], *mixed]
    assert torch.equal(alpha, before)
