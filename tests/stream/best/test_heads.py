"""Small views show heads: of all who are there, in every frame the same part, never beyond it."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from models.settings import KeySettings
from stream.best import contact_strip, rank
from stream.best.faces import SeenFace
from stream.best.heads import Extent, extent_of, together
from stream.shot.frames import view_jpeg
from tests.stream.best.bursts import Array, Pose, Shot, taken

SIZES = [(720, 1280), (1280, 720), (40, 40), (3, 200), (200, 3), (1, 1)]
FACE = SeenFace(0.5, 0.25, 0.1, 1, 1, 0, 0)


def test_heads_with_their_hair_lie_within_their_extent() -> None:
    found = extent_of([FACE, replace(FACE, x=0.7, y=0.3)], (720, 1280))
    assert found is not None
    assert found.left < 0.5 - 0.1
    assert found.right > 0.7 + 0.1
    assert found.top * 720 < (0.25 - 0.1) * 1280
    assert found.bottom * 720 > (0.3 + 0.1) * 1280
    assert extent_of([], (720, 1280)) is None


def test_heads_at_the_edge_end_there() -> None:
    found = extent_of([replace(FACE, x=0.02, y=0.02)], (720, 1280))
    assert found is not None
    assert (found.left, found.top) == (0, 0)


def test_several_frames_show_the_same_part() -> None:
    one, other = Extent(0.3, 0.2, 0.5, 0.4), Extent(0.4, 0.1, 0.7, 0.3)
    assert together([one, None, other]) == Extent(0.3, 0.1, 0.7, 0.4)
    assert together([None]) is None


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    "extent",
    [
        Extent(0, 0, 1, 1),
        Extent(0.1, 0.3, 0.9, 0.4),
        Extent(0.45, 0.3, 0.5, 0.35),
        Extent(0.9, 0.95, 1, 1),
        Extent(0, 0.1, 0.01, 0.9),
    ],
)
def test_a_part_holds_all_heads_and_lies_in_its_frame(
    size: tuple[int, int], extent: Extent
) -> None:
    rows, columns = extent.part(size)
    assert 0 <= rows.start < rows.stop <= size[0]
    assert 0 <= columns.start < columns.stop <= size[1]
    assert columns.start <= extent.left * size[1] + 1
    assert columns.stop >= extent.right * size[1] - 1
    assert rows.start <= extent.top * size[0] + 1
    assert rows.stop >= extent.bottom * size[0] - 1


def test_a_view_has_the_shape_that_the_desk_shows() -> None:
    rows, columns = Extent(0.4, 0.3, 0.6, 0.45).part((720, 1280))
    assert rows.stop - rows.start == pytest.approx(0.8 * (columns.stop - columns.start), abs=1)


def screen_share(jpeg: bytes) -> float:
    with Image.open(io.BytesIO(jpeg)) as image:
        rgb: Array = np.asarray(image.convert("RGB")).astype(int)
    green = (rgb[..., 1] > rgb[..., 0] + 25) & (rgb[..., 1] > rgb[..., 2] + 25)
    return float(green.mean())


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_views_of_a_ranked_burst_show_the_head_large(turns: int) -> None:
    rng = np.random.default_rng(1)
    shown = [
        taken(Shot((Pose("b", x=0.4, scale=0.3),)), rng, quarter_turns=turns, index=n)
        for n in range(2)
    ]
    ranking = rank(shown, KeySettings(), None)
    frame, part = shown[0], ranking.part
    assert part is not None
    size = frame.planes[0].shape
    upright = (size[1], size[0]) if turns % 2 else (size[0], size[1])
    rows, columns = part(upright)
    # The person stands at .4 of the width, the head at the lower edge.
    assert columns.start < 0.4 * upright[1] < columns.stop
    assert rows.stop > 0.85 * upright[0]
    all_of_it, heads = (
        view_jpeg(frame.planes, frame.encoding, frame.quarter_turns, p) for p in (None, part)
    )
    assert screen_share(heads) < screen_share(all_of_it) - 0.15
    strips = (contact_strip(shown, r, 0) for r in (replace(ranking, extent=None), ranking))
    wide, close = (screen_share(s) for s in strips)
    assert close < wide - 0.05
