"""What is wrong with a matte: edges, holes and thin parts of drawn ones."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.wholeness import wholeness

HEIGHT, WIDTH = 180, 320


def box(rows: slice, columns: slice, value: float = 1.0) -> Tensor:
    out = torch.zeros(1, 1, HEIGHT, WIDTH)
    out[..., rows, columns] = value
    return out


def test_edges_are_shares_of_the_frame_s_own() -> None:
    found = wholeness(box(slice(90, 180), slice(240, 320)))
    assert (found.left, found.top) == (0, 0)
    assert found.right == pytest.approx(0.5)
    assert found.bottom == pytest.approx(0.25)
    assert found.coverage == pytest.approx(0.125)
    assert found.somebody


def test_a_hole_is_a_share_of_the_subject_and_a_wide_gap_is_none() -> None:
    body = box(slice(40, 140), slice(100, 200))
    body[..., 80:85, 120:126] = 0
    found = wholeness(body)
    assert found.holes == pytest.approx(30 / 9970, rel=0.01)
    wide = box(slice(40, 140), slice(100, 200))
    wide[..., 60:120, 120:180] = 0
    assert wholeness(wide).holes < 0.01


def test_a_whole_subject_has_no_holes_at_the_border_either() -> None:
    assert wholeness(box(slice(40, 180), slice(0, 200))).holes == 0


def test_thin_is_what_is_between() -> None:
    body = box(slice(40, 140), slice(100, 200))
    assert wholeness(body).thin == 0
    veil = body + box(slice(40, 140), slice(200, 250), 0.5)
    assert wholeness(veil).thin == pytest.approx(0.5, rel=0.01)


def test_nobody_is_nobody() -> None:
    assert not wholeness(torch.zeros(1, 1, HEIGHT, WIDTH)).somebody
    assert not wholeness(box(slice(0, 5), slice(0, 5))).somebody
