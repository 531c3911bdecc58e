"""Where chroma samples sit: ITU-T H.273 (chroma sample location types 0, 1 and 2).

Type 0, left: beside the first of two luma columns, between two rows. Type 1, centre: between both.
Type 2, top-left: on the first luma sample. Truth is analytic: chroma that is a straight ramp has
known values at any place, and linear interpolation gives them back exactly away from the edges.
"""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.color import (
    Encoding,
    Matrix,
    Range,
    Siting,
    normalised,
    planes_to_rgb,
    rgb_to_planes,
    upsample_chroma,
)
from models.transfer import Transfer

# (rows, columns) of the first chroma sample, in luma samples from the centre of luma sample 0.
OFFSET = {Siting.LEFT: (0.5, 0.0), Siting.CENTER: (0.5, 0.5), Siting.TOP_LEFT: (0.0, 0.0)}
SIZE = (12, 16)


def plane(rows: Tensor, columns: Tensor) -> Tensor:
    """A ramp over both axes."""
    return (0.013 * rows.view(-1, 1) - 0.021 * columns.view(1, -1) + 0.05)[None, None]


def luma_grid() -> Tensor:
    return plane(torch.arange(SIZE[0]).float(), torch.arange(SIZE[1]).float())


def chroma_grid(siting: Siting, halved: tuple[bool, bool] = (True, True)) -> Tensor:
    sides = []
    for n, offset, half in zip(SIZE, OFFSET[siting], halved, strict=True):
        sides.append(torch.arange(n // 2) * 2 + offset if half else torch.arange(n).float())
    return plane(*sides)


@pytest.mark.parametrize("siting", list(Siting))
def test_a_ramp_comes_back_at_its_place(siting: Siting) -> None:
    got = upsample_chroma(chroma_grid(siting), SIZE, siting)
    inner = (Ellipsis, slice(1, -2), slice(1, -2))
    torch.testing.assert_close(got[inner], luma_grid()[inner], atol=1e-6, rtol=0)


@pytest.mark.parametrize("siting", list(Siting))
def test_a_ramp_read_by_another_siting_is_half_a_pixel_off(siting: Siting) -> None:
    for other in Siting:
        if other is siting:
            continue
        got = upsample_chroma(chroma_grid(siting), SIZE, other)
        off = (got - luma_grid())[..., 2:-3, 2:-3]
        rows, columns = (a - b for a, b in zip(OFFSET[siting], OFFSET[other], strict=True))
        want = 0.013 * rows - 0.021 * columns
        torch.testing.assert_close(off, torch.full_like(off, want), atol=1e-6, rtol=0)


@pytest.mark.parametrize("siting", list(Siting))
def test_422_halves_columns_alone(siting: Siting) -> None:
    got = upsample_chroma(chroma_grid(siting, (False, True)), SIZE, siting)
    inner = (Ellipsis, slice(None), slice(1, -2))
    torch.testing.assert_close(got[inner], luma_grid()[inner], atol=1e-6, rtol=0)


@pytest.mark.parametrize("siting", list(Siting))
def test_coding_samples_the_ramp_where_the_siting_says(siting: Siting) -> None:
    """Chroma of a ramp, coded at 16 bit, has the ramp's value at the sample's own place."""
    encoding = Encoding(Matrix.BT709, Range.FULL, Transfer.BT709, siting, 16)
    ramp = luma_grid() * 0.5
    # Y' = .5 throughout and Cb = the ramp, by BT.709's own weights.
    blue = 0.5 + 1.8556 * ramp
    green = 0.5 - 0.187324 * ramp
    rgb = torch.cat([torch.full_like(ramp, 0.5), green, blue], 1)
    planes = rgb_to_planes(rgb, encoding)
    _, chroma = normalised(planes, encoding)
    inner = (Ellipsis, slice(1, -1), slice(1, -1))
    want = chroma_grid(siting) * 0.5
    torch.testing.assert_close(chroma[:, 0:1][inner], want[inner], atol=3e-5, rtol=0)
    back = planes_to_rgb(planes, encoding)
    inner = (Ellipsis, slice(2, -3), slice(2, -3))
    torch.testing.assert_close(back[inner], rgb[inner], atol=1e-4, rtol=0)


def test_a_step_between_two_chroma_samples() -> None:
    """Samples 0, 0, 1, 1: co-sited ones stand on luma, centred ones a quarter sample away."""
    step = torch.tensor([0.0, 0.0, 1.0, 1.0]).view(1, 1, 1, 4)
    left = upsample_chroma(step, (1, 8), Siting.LEFT).flatten()
    centre = upsample_chroma(step, (1, 8), Siting.CENTER).flatten()
    assert left.tolist() == [0, 0, 0, 0.5, 1, 1, 1, 1]
    assert centre.tolist() == [0, 0, 0, 0.25, 0.75, 1, 1, 1]
    down = step.view(1, 1, 4, 1)
    assert upsample_chroma(down, (8, 1), Siting.TOP_LEFT).flatten().tolist() == left.tolist()
    assert upsample_chroma(down, (8, 1), Siting.LEFT).flatten().tolist() == centre.tolist()


def test_a_step_coded() -> None:
    """A co-sited sample weighs its neighbours 1:2:1, a centred one takes the mean of its pair."""
    grey = torch.full((1, 1, 1, 8), 0.5)
    cb = torch.tensor([0, 0, 0, 0.2, 0.2, 0.2, 0.2, 0.2]).view(1, 1, 1, 8)
    rgb = torch.cat([grey, grey - 0.187324 * cb, grey + 1.8556 * cb], 1)
    for siting, want in (
        (Siting.LEFT, [0, 0.05, 0.2, 0.2]),
        (Siting.CENTER, [0, 0.1, 0.2, 0.2]),
    ):
        encoding = Encoding(Matrix.BT709, Range.FULL, Transfer.BT709, siting, 16)
        planes = rgb_to_planes(rgb, encoding, "422")
        _, chroma = normalised(planes, encoding)
        torch.testing.assert_close(chroma[0, 0, 0], torch.tensor(want), atol=3e-5, rtol=0)
