"""A frame scaled band by band is the frame scaled whole."""

from __future__ import annotations

import pytest
import torch

from models import upright, window
from models.color import SRGB_8BIT, Encoding, Planes
from models.resample import resize
from models.upright import Upright
from tests.models.rendered import VIDEO_8

HIGH, WIDE = 150, 210


def planes_of(chroma: int, size: tuple[int, int] = (HIGH, WIDE)) -> Planes:
    g = torch.Generator().manual_seed(4)

    def plane(high: int, wide: int) -> torch.Tensor:
        return torch.randint(0, 256, (high, wide), generator=g, dtype=torch.uint8)

    half = (-(-size[0] // chroma), -(-size[1] // chroma))
    return plane(*size), plane(*half), plane(*half)


@pytest.mark.parametrize("turns", range(4))
@pytest.mark.parametrize(("chroma", "encoding"), [(1, SRGB_8BIT), (2, VIDEO_8)])
@pytest.mark.parametrize("shrink", [0.97, 0.6, 0.31, 0.07])
def test_bands_make_no_difference(
    monkeypatch: pytest.MonkeyPatch, turns: int, chroma: int, encoding: Encoding, shrink: float
) -> None:
    monkeypatch.setattr(window, "BAND_PIXELS", 1300)
    monkeypatch.setattr(upright, "_LARGE_PIXELS", 100)
    frame = Upright(planes_of(chroma), encoding, turns)
    rows, columns = slice(7, frame.size[0] - 4), slice(3, frame.size[1])
    have = (rows.stop - rows.start, columns.stop - columns.start)
    size = (max(2, round(have[0] * shrink)), max(2, round(have[1] * shrink)))
    want = resize(frame.linear(rows, columns), size)
    for part in (
        (slice(0, size[0]), slice(0, size[1])),
        (slice(size[0] // 3, size[0] - 1), slice(1, size[1] // 2)),
        (slice(size[0] - 1, size[0]), slice(size[1] - 1, size[1])),
        (slice(0, 1), slice(0, size[1])),
    ):
        got = frame.scaled(rows, columns, size, part)
        # The curves' last bit hangs on where in memory a pixel lies.
        torch.testing.assert_close(got, want[..., part[0], part[1]], atol=1e-6, rtol=0)


def test_only_the_bands_that_are_wanted_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window, "BAND_PIXELS", 1300)
    monkeypatch.setattr(upright, "_LARGE_PIXELS", 100)
    read: list[slice] = []
    linear = Upright.linear

    def told(self: Upright, rows: slice, columns: slice) -> torch.Tensor:
        read.append(rows)
        return linear(self, rows, columns)

    monkeypatch.setattr(Upright, "linear", told)
    frame = Upright(planes_of(1), SRGB_8BIT, 0)
    everything = slice(0, HIGH), slice(0, WIDE)
    frame.scaled(*everything, (75, 105), (slice(30, 40), slice(0, 105)))
    assert min(r.start for r in read) >= 54
    assert max(r.stop for r in read) <= 86
    assert len(read) > 3
