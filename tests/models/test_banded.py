"""Frames cut in bands of rows: the same matte and the same print as in one piece.

Bands share the network's sums, whose order a matrix product chooses by how many pixels it is
given: so much, a few millionths, a matte may differ, and no code of 8 bit does by more than one.
"""

from __future__ import annotations

from typing import Any

import pytest
import torch
from torch import Tensor

from models import banded, window
from models.color import SRGB_8BIT, Encoding, Matrix, Siting
from models.cut import Placed, Printed
from models.keyer import Grade, Keyer, KeySettings
from models.mask import Mask
from models.resample import Placement
from models.strips import StripLaying, Whole
from tests.models.keying import backdrop, scene
from tests.models.rendered import rgb_planes, video_planes

SIZE = (151, 127)
VIDEO = Encoding(Matrix.BT709, siting=Siting.LEFT)
CHOICES: list[tuple[int, dict[str, Any]]] = [
    (0, {}),
    (1, {"choke": 1.6}),
    (2, {"choke": -2.3}),
    (3, {"shadow": "keep", "light_wrap": 0.6}),
    (1, {"choke": -1.0, "shadow": "keep", "light_wrap": 0.4}),
]
"""Quarter turns of the frame, and settings."""


def strokes(size: tuple[int, int]) -> Mask:
    """A stroke inside, one outside, soft over a part."""
    painted = torch.zeros(1, 2, *size)
    painted[:, 0, 10:31, 20:60] = torch.linspace(0, 1, 40)
    painted[:, 1, 50:77, 31:64] = 0.7
    return Mask(painted)


def printed(
    settings: dict[str, Any], turns: int, place: Placement, encoding: Encoding, mask: bool
) -> tuple[Placed, Printed]:
    shown = scene()
    planes = rgb_planes if encoding is SRGB_8BIT else video_planes
    frame, plate = (planes(x, encoding) for x in (shown.picture, shown.back))
    keyer = Keyer(Grade.FINAL, KeySettings(**settings))
    keyer.set_plate(plate, encoding, turns)
    high, wide = frame[0].shape
    if mask:
        keyer.set_mask(strokes((wide, high) if turns % 2 else (high, wide)))
    placed = keyer.place(frame, encoding, turns, place, SIZE)
    laying = StripLaying(keyer.settings.light_wrap)
    return placed, laying([placed], Whole(backdrop(*SIZE)), 16)


def alike(one: Tensor | None, other: Tensor | None, atol: float) -> None:
    assert one is not None
    assert other is not None
    torch.testing.assert_close(one, other, rtol=0, atol=atol)


PLACES = [Placement(0.83, -4, 3), Placement(1.0, 3, -2, mirror=True), Placement(1.7, -20.3, -9)]


@pytest.mark.parametrize("place", PLACES, ids=["smaller", "as large", "larger"])
@pytest.mark.parametrize(("turns", "settings"), CHOICES, ids=str)
def test_bands_are_the_frame_in_one_piece(
    turns: int, settings: dict[str, Any], place: Placement, monkeypatch: pytest.MonkeyPatch
) -> None:
    encoding, mask = (VIDEO, True) if turns in (1, 2) else (SRGB_8BIT, False)
    monkeypatch.setattr(banded, "CUT_PIXELS", 1 << 30)
    want, whole = printed(settings, turns, place, encoding, mask)
    monkeypatch.setattr(banded, "CUT_PIXELS", 7 * 61)
    monkeypatch.setattr(window, "BAND_PIXELS", 5 * 61)
    got, strips = printed(settings, turns, place, encoding, mask)
    alike(got.subject_pm, want.subject_pm, 2e-5)
    if want.shade is not None:
        assert got.shade is not None
        assert torch.equal(got.shade.left, want.shade.left)
    off = (strips.picture.int() - whole.picture.int()).abs()
    assert int(off.max()) < 257, "more than a code of 8 bit"
    assert float((off > 25).float().mean()) < 1e-3, "a tenth of a code, in a few pixels"
    assert strips.coverage == pytest.approx(whole.coverage, abs=1e-5)


def test_a_cut_at_full_size_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = scene()
    planes = rgb_planes(shown.picture)
    want = Keyer(Grade.FINAL).cut(planes, SRGB_8BIT)
    monkeypatch.setattr(banded, "CUT_PIXELS", 311)
    got = Keyer(Grade.FINAL).cut(planes, SRGB_8BIT)
    alike(got.alpha, want.alpha, 2e-5)
    seen = want.alpha.expand_as(want.fg) > 0.01
    torch.testing.assert_close(got.fg[seen], want.fg[seen], rtol=0, atol=2e-3)
