"""A picture enlarged row by row: the same rows in any strips, and torch's own cubic filter."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor
from torch.nn import functional

from models import window
from models.enlarged import Enlarged
from models.resample import Placement, scaled_part, spans_in


def enlarged(image: Tensor, place: Placement, size: tuple[int, int]) -> Enlarged:
    """All of a frame but an empty rim of two pixels, held without it."""
    high, wide = image.shape[-2:]
    within = slice(2, high - 2), slice(2, wide - 2)
    spans = spans_in((high, wide), place, size, within)
    assert spans is not None
    held = image[..., within[0], within[1]].contiguous()
    return Enlarged(held, within, (high, wide), spans[0], place, *spans[2])


def rimmed(high: int, wide: int) -> Tensor:
    image = torch.zeros(1, 4, high, wide)
    image[..., 2:-2, 2:-2] = torch.rand(1, 4, high - 4, wide - 4, generator=torch.Generator())
    return image


PLACES = [
    Placement(1.5, 0, 0),
    Placement(1.07, -3.4, 2.6),
    Placement(2.9, -40, -21, mirror=True),
    Placement(1.33, 6, 4, mirror=True),
]


@pytest.mark.parametrize("place", PLACES)
def test_it_is_the_librarys_cubic_filter(place: Placement) -> None:
    image, size = rimmed(31, 43), (60, 70)
    want = scaled_part(image, place, size, True, (slice(2, 29), slice(2, 41)))
    assert want is not None
    got = enlarged(image, place, size)
    assert (got.rows, got.columns) == want[1:]
    torch.testing.assert_close(got.whole(), want[0], rtol=0, atol=2e-5)


@pytest.mark.parametrize("place", PLACES)
def test_a_row_is_the_same_in_every_strip(
    place: Placement, monkeypatch: pytest.MonkeyPatch
) -> None:
    got = enlarged(rimmed(31, 43), place, (60, 70))
    whole = got.whole()
    for pixels in (1, 97, 333):
        monkeypatch.setattr(window, "BAND_PIXELS", pixels)
        assert torch.equal(torch.cat([part for _, part in got], -2), whole)
        for high in (1, 7):
            starts = range(got.rows.start, got.rows.stop, high)
            strips = [got.take(slice(y, min(y + high, got.rows.stop))) for y in starts]
            assert torch.equal(torch.cat(strips, -2), whole)


def test_far_down_a_large_picture_rows_stay_in_place() -> None:
    """As the library has it in double precision: in single its places slip down there."""
    image = torch.rand(1, 1, 6000, 4, generator=torch.Generator())
    everything = slice(0, 6000), slice(0, 4)
    place, rows = Placement(1.5, 0, 0), slice(8000, 8900)
    got = Enlarged(image, everything, (6000, 4), (9000, 6), place, rows, slice(0, 6)).whole()
    want = functional.interpolate(image.double(), (9000, 6), mode="bicubic")[..., rows, :]
    torch.testing.assert_close(got.double(), want, rtol=0, atol=2e-6)
