"""From a frame to a picture and back, and from one picture to another."""

from __future__ import annotations

import pytest
import torch

from models.color import SRGB_8BIT
from models.errors import ShapeError
from models.mapping import back_to_frame, frame_in_picture, laid_out, moved_along
from models.resample import Placement
from models.upright import Upright


def blob(size: tuple[int, int], x: float, y: float, wide: float) -> torch.Tensor:
    """A soft round spot; x, y and its width in pixels, edges not centres."""
    across = torch.arange(size[1]) + 0.5 - x
    down = torch.arange(size[0])[:, None] + 0.5 - y
    return torch.exp(-(across**2 + down**2) / (2 * wide**2))[None, None]


def middle(image: torch.Tensor) -> tuple[float, float]:
    """x and y of the centre of gravity."""
    whole = image.sum()
    across = torch.arange(image.shape[-1]) + 0.5
    down = torch.arange(image.shape[-2])[:, None] + 0.5
    return float((image[0, 0] * across).sum() / whole), float((image[0, 0] * down).sum() / whole)


PLACES = [
    Placement(1.0, 0, 0),
    Placement(0.5, 10, 4),
    Placement(1.6, -60, -30),
    Placement(0.75, 13, 7, mirror=True),
]


@pytest.mark.parametrize("placement", PLACES)
def test_what_is_painted_comes_back_to_the_spot_that_it_was_painted_over(
    placement: Placement,
) -> None:
    frame = blob((120, 160), 90, 60, 6)
    picture = laid_out(frame, placement, (140, 150))
    fx = 160 - 90 if placement.mirror else 90
    at = middle(picture)
    assert at == pytest.approx(
        (placement.dx + placement.scale * fx, placement.dy + placement.scale * 60), abs=0.6
    )
    back = back_to_frame(picture, placement, (120, 160))
    assert middle(back) == pytest.approx((90, 60), abs=0.3)
    assert float((back - frame).abs().mean()) < 0.004


@pytest.mark.parametrize("was", PLACES)
@pytest.mark.parametrize("now", PLACES)
def test_paint_moves_along_with_the_subject(was: Placement, now: Placement) -> None:
    frame = blob((120, 160), 90, 60, 6)
    before, wanted = laid_out(frame, was, (140, 150)), laid_out(frame, now, (140, 150))
    along = laid_out(before, moved_along(was, now, 150, 160), (140, 150))
    assert middle(along) == pytest.approx(middle(wanted), abs=1.0)


def test_nothing_comes_back_from_beside_the_frame() -> None:
    painted = torch.ones(1, 1, 50, 50)
    assert back_to_frame(painted, Placement(1.0, 200, 0), (40, 40)).abs().max() == 0
    back = back_to_frame(painted, Placement(1.0, 30, 0), (40, 40))
    assert float(back[..., :20].min()) == 1
    assert float(back[..., 21:].max()) == 0


def test_the_untouched_frame_lies_where_it_was_keyed() -> None:
    planes = [torch.full((40, 60), v, dtype=torch.uint8) for v in (10, 20, 30)]
    planes[0][10:20, 30:40] = 250
    frame = Upright((planes[0], planes[1], planes[2]), SRGB_8BIT, 0)
    found = frame_in_picture(frame, Placement(2.0, 5, 7), (100, 150))
    spot = (found[:, 0:1] - found[0, 0, 30, 30]).clamp_min(0)
    assert middle(spot) == pytest.approx((5 + 2 * 35, 7 + 2 * 15), abs=0.5)
    assert float(found[0, 3, :6].max()) == 0
    assert float(found[0, 3, 10:80, 10:120].min()) == 1


def test_a_placement_without_a_scale_is_refused() -> None:
    with pytest.raises(ShapeError, match="more than zero"):
        moved_along(Placement(0, 0, 0), Placement(1, 0, 0), 10, 10)
