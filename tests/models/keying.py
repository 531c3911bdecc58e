"""What the tests of the Keyer share: one scene, a backdrop, a cut."""

from __future__ import annotations

import torch

from models.color import SRGB_8BIT, Encoding, Planes
from models.composite import Scene
from models.keyer import Cut, Grade, Keyer
from tests.models.rendered import GREEN, SKIN, Shown, colour, person, shown, uneven

GRADES = list(Grade)


def scene(shift: float = 13.0) -> Shown:
    """Not symmetric, so that a turn or a mirror the wrong way shows."""
    return shown(person(shift), colour(SKIN), uneven(GREEN))


def backdrop(height: int, width: int) -> Scene:
    below = torch.rand(1, 3, height, width, generator=torch.Generator().manual_seed(11))
    return Scene(below)


def cut(planes: Planes, encoding: Encoding = SRGB_8BIT, grade: Grade = Grade.FINAL) -> Cut:
    return Keyer(grade).cut(planes, encoding)
