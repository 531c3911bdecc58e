"""Prints laid strip by strip: the picture that is laid in one piece, code for code."""

from __future__ import annotations

import pytest
import torch

from models import window, wrap
from models.blend import Mode
from models.composite import Scene
from models.errors import ShapeError
from models.laying import Laying
from models.strips import StripLaying, Whole, strips
from tests.models.test_laying import H, W, layer, noise, subject


def scene(slots: int) -> Scene:
    """Layers of an affine mode and of another below, between and above subjects."""
    between = tuple((layer(20 + i), layer(30 + i, Mode.MULTIPLY)) for i in range(slots - 1))
    order = tuple(reversed(range(slots)))
    return Scene(noise(3, 1), (layer(2), layer(3, Mode.SOFT_LIGHT)), between, order)


@pytest.mark.parametrize("depth", [8, 16])
@pytest.mark.parametrize("amount", [0.0, 0.7])
@pytest.mark.parametrize("slots", [1, 2, 3])
def test_strips_are_the_picture_in_one_piece(
    slots: int, amount: float, depth: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = scene(slots)
    placed = [
        subject(4, 5, 7, 20, 30, shade=True),
        subject(5, 0, 0, H, W),
        subject(6, 30, 40, 10, 9, shade=True),
    ][:slots]
    want = Laying(amount)(placed, made, depth)
    for pixels, band in ((1, 1), (3 * W + 1, 70), (7 * W, W), (1 << 20, 2 * W)):
        monkeypatch.setattr(window, "BAND_PIXELS", band)
        got = StripLaying(amount, pixels)(placed, Whole(made), depth)
        off = (got.picture.int() - want.picture.int()).abs()
        # A power of few numbers is rounded otherwise than that of many: a code of 16 bit.
        assert int(off.max()) <= (0 if depth == 8 else 1)
        assert float(off.float().mean()) < 1e-3
        assert got.coverage == pytest.approx(want.coverage, abs=1e-6)


def test_empty_slots_and_nobody_at_all() -> None:
    made = scene(2)
    for placed in ([], [None, None], [None, subject(4, 5, 7, 20, 30)]):
        want = Laying()(placed, made)
        got = StripLaying(pixels=W)(placed, Whole(made))
        assert torch.equal(got.picture, want.picture)
        assert (got.screen_found, got.plate_fits) == (want.screen_found, want.plate_fits)


def test_strips_hold_whole_squares_of_light_wrap_and_every_row_once() -> None:
    for size in ((9000, 6000), (3000, 2400), (301, 77)):
        parts = strips(size, 1 << 18)
        assert [p.start for p in parts[1:]] == [p.stop for p in parts[:-1]]
        assert (parts[0].start, parts[-1].stop) == (0, size[0])
        assert all(p.start % wrap.square(size) == 0 for p in parts)
    assert len(strips((3000, 2400))) == 1


def test_it_says_what_does_not_fit() -> None:
    nobody = [None, None]
    with pytest.raises(ShapeError, match="2 subjects for 1 slots"):
        StripLaying()(nobody, Whole(scene(1)))
    with pytest.raises(ShapeError, match="12 bits"):
        StripLaying()(nobody[:1], Whole(scene(1)), 12)
