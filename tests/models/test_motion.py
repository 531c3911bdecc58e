"""Motion between two frames: as far as the subject went, and nothing for a light that flickers."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.errors import ShapeError
from models.motion import motion

HEIGHT, WIDTH = 90, 160


def subject(x: float, gain: float = 1.0) -> tuple[Tensor, Tensor]:
    """A soft, waved disc at a place, and its matte."""
    rows, columns = torch.meshgrid(
        torch.arange(HEIGHT) * 1.0, torch.arange(WIDTH) * 1.0, indexing="ij"
    )
    alpha = ((30 - torch.hypot(rows - 45, columns - x)) / 6 + 0.5).clamp(0, 1)
    pattern = 0.35 + 0.15 * torch.sin((columns - x) * 0.35) * torch.cos((rows - 45) * 0.3)
    shown = alpha * pattern + (1 - alpha) * 0.1
    return gain * shown.expand(1, 3, HEIGHT, WIDTH), alpha[None, None]


@pytest.mark.parametrize("far", [0.25, 0.5, 1.0, 1.5])
def test_it_is_as_far_as_the_subject_went(far: float) -> None:
    (first, cover), (second, other) = subject(80.0), subject(80.0 + far)
    # What moves along a line is seen where the gradient points along it: cos, in the mean square.
    found = motion(first, second, cover, other)
    assert 0.5 * far < found < 1.1 * far


def test_it_grows_with_the_movement_and_stays_large() -> None:
    (first, cover) = subject(60.0)
    found = [
        motion(first, shown, cover, alpha) for shown, alpha in map(subject, (60.5, 62, 66, 76))
    ]
    assert found[0] < found[1] < found[2]
    assert found[3] > 1.5


def test_standing_still_is_none_whatever_the_light_does() -> None:
    first, cover = subject(80.0)
    assert motion(first, first, cover, cover) == 0
    flicker, _ = subject(80.0, gain=0.8)
    moved, other = subject(81.0)
    assert motion(first, flicker, cover, cover) < 0.15 * motion(first, moved, cover, other)


def test_noise_on_a_plain_subject_is_little() -> None:
    made = torch.Generator().manual_seed(0)
    plain = torch.full((1, 3, HEIGHT, WIDTH), 0.3)
    grain = [plain + 0.002 * torch.randn(plain.shape, generator=made) for _ in range(2)]
    cover = torch.ones(1, 1, HEIGHT, WIDTH)
    assert motion(grain[0], grain[1], cover, cover) < 0.5


def test_nobody_does_not_move() -> None:
    first, cover = subject(80.0)
    assert motion(first, first, cover * 0, cover * 0) == 0


def test_frames_of_two_sizes_are_refused() -> None:
    first, cover = subject(80.0)
    with pytest.raises(ShapeError, match="need one size"):
        motion(first, first[..., :-1], cover, cover[..., :-1])
