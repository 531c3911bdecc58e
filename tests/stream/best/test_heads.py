"""Small views show heads: of all who are there, in every frame the same part, never beyond it."""

from __future__ import annotations

import io

import numpy as np
import pytest
import torch
from PIL import Image

from models.settings import KeySettings
from stream.best import rank
from stream.best.heads import Extent, extent_of, together
from stream.shot.frames import view_jpeg
from tests.stream.best.bursts import Pose, Shot, taken

SIZES = [(720, 1280), (1280, 720), (40, 40), (3, 200), (200, 3), (1, 1)]


def test_how_far_people_reach() -> None:
    alpha = torch.zeros(1, 1, 20, 40)
    alpha[..., 5:, 10:14] = 1
    alpha[..., 8:, 30:32] = 0.9
    alpha[..., 0, 0] = 1  # a speck
    assert extent_of(alpha) == Extent(10 / 40, 5 / 20, 32 / 40)
    assert extent_of(torch.zeros(1, 1, 20, 40)) is None
    assert extent_of(torch.full((1, 1, 20, 40), 0.4)) is None


def test_several_frames_show_the_same_part() -> None:
    one, other = Extent(0.3, 0.2, 0.5), Extent(0.4, 0.1, 0.7)
    assert together([one, None, other]) == Extent(0.3, 0.1, 0.7)
    assert together([None]) is None


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    "extent", [Extent(0, 0, 1), Extent(0.45, 0.3, 0.5), Extent(0.9, 0.95, 1), Extent(0, 0.5, 0.01)]
)
def test_a_part_lies_in_its_frame_and_is_not_empty(size: tuple[int, int], extent: Extent) -> None:
    rows, columns = extent.part(size)
    assert 0 <= rows.start < rows.stop <= size[0]
    assert 0 <= columns.start < columns.stop <= size[1]


def test_heads_are_shown_with_air_in_the_shape_of_a_view() -> None:
    rows, columns = Extent(0.4, 0.3, 0.6).part((720, 1280))
    assert columns.start < 0.4 * 1280
    assert columns.stop > 0.6 * 1280
    assert 0.25 * 720 < rows.start < 0.3 * 720
    height, width = rows.stop - rows.start, columns.stop - columns.start
    assert height == pytest.approx(0.8 * width, abs=1)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_view_of_a_ranked_burst_shows_the_face_large(turns: int) -> None:
    rng = np.random.default_rng(1)
    shown = [
        taken(Shot((Pose("b", x=0.4, scale=0.3),)), rng, quarter_turns=turns, index=n)
        for n in range(2)
    ]
    ranking = rank(shown, KeySettings(), None)
    assert ranking.part is not None

    def green(part: object) -> float:
        frame = shown[0]
        data = view_jpeg(frame.planes, frame.encoding, frame.quarter_turns, part)  # type: ignore[arg-type]
        with Image.open(io.BytesIO(data)) as image:
            rgb = np.asarray(image.convert("RGB")).astype(int)
        return float(((rgb[..., 1] > rgb[..., 0] + 25) & (rgb[..., 1] > rgb[..., 2] + 25)).mean())

    assert green(ranking.part) < green(None) - 0.15
