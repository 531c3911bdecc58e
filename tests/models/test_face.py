"""From a detector's numbers to faces: anchors, joining, and where they lie in the picture."""

from __future__ import annotations

import math

import pytest
import torch
from torch import Tensor

from models.errors import ShapeError
from models.face import SIDE, faces_in
from models.region import Region

COUNT = 16 * 16 * 2 + 8 * 8 * 6


def given(*faces: tuple[int, float, float, float, float, float]) -> tuple[Tensor, Tensor]:
    """What a detector gives: anchor, logit, and x, y, side, tilt in its own pixels."""
    scores, places = torch.full((COUNT,), -50.0), torch.zeros(COUNT, 16)
    for anchor, logit, x, y, side, tilt in faces:
        if anchor < 512:
            row, column = divmod(anchor // 2, 16)
            ax, ay = (column + 0.5) * 16, (row + 0.5) * 16
        else:
            row, column = divmod((anchor - 512) // 6, 8)
            ax, ay = (column + 0.5) * 32, (row + 0.5) * 32
        dx, dy = side / 4 * math.cos(tilt), side / 4 * math.sin(tilt)
        scores[anchor] = logit
        places[anchor, :8] = torch.tensor(
            [x - ax, y - ay, side, side, x - dx - ax, y - dy - ay, x + dx - ax, y + dy - ay]
        )
    return scores, places


@pytest.mark.parametrize("anchor", [0, 37, 511, 512, 700, 895])
def test_a_place_is_counted_from_its_anchor(anchor: int) -> None:
    window = Region(300.0, 200.0, 512.0)
    (face,) = faces_in(*given((anchor, 4.0, 100.0, 60.0, 40.0, 0.2)), window)
    # Twice as many pixels in the picture as in the network's own, counted from the window's corner.
    assert (face.x, face.y) == pytest.approx((44 + 200, -56 + 120))
    assert face.side == pytest.approx(80)
    assert face.tilt == pytest.approx(0.2, abs=1e-5)
    assert face.score == pytest.approx(1 / (1 + math.exp(-4)))
    assert face.region.side == pytest.approx(120)


def test_places_of_one_face_are_averaged_by_their_scores() -> None:
    window = Region(SIDE / 2, SIDE / 2, SIDE)
    found = faces_in(
        *given((100, 3.0, 100.0, 90.0, 40.0, 0.0), (102, 0.1, 104.0, 90.0, 44.0, 0.0),
               (600, 2.0, 200.0, 60.0, 30.0, 0.0), (5, -0.5, 20.0, 20.0, 30.0, 0.0)),
        window,
    )  # fmt: skip
    assert len(found) == 2, "one that is more unlikely than likely is none"
    first, second = 1 / (1 + math.exp(-3.0)), 1 / (1 + math.exp(-0.1))
    share = second / (first + second)
    assert found[0].x == pytest.approx(100 + 4 * share)
    assert found[0].side == pytest.approx(40 + 4 * share)
    assert found[1].x == pytest.approx(200)
    assert found[0].score > found[1].score


def test_huge_scores_and_turned_boxes_are_no_trouble() -> None:
    scores, places = given((0, 900.0, 50.0, 50.0, 20.0, 0.0), (300, 900.0, 90.0, 90.0, -5.0, 0.0))
    (face,) = faces_in(scores, places, Region(128.0, 128.0, 256.0))
    assert face.score == pytest.approx(1.0)


def test_none_is_none_and_other_networks_are_refused() -> None:
    window = Region(128.0, 128.0, 256.0)
    assert faces_in(*given(), window) == []
    with pytest.raises(ShapeError, match="896 anchors"):
        faces_in(torch.zeros(10), torch.zeros(10, 16), window)
