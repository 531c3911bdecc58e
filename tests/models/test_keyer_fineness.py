"""A picture refined at a smaller scale: as large as before, close to the full one, and cheaper."""

from __future__ import annotations

import pytest
import torch

from models.color import SRGB_8BIT
from models.keyer import Grade, Keyer
from models.resample import Placement
from tests.models.keying import backdrop, scene
from tests.models.rendered import mean_error, rgb_planes


@pytest.mark.parametrize("scale", [0.6, 1.0, 1.3])
def test_it_is_close_to_the_full_one(scale: float) -> None:
    planes = rgb_planes(scene().picture)
    there = backdrop(160, 240)
    full = Keyer(Grade.LIVE).composite(planes, SRGB_8BIT, 0, there, Placement(scale, 4.0, 7.0))
    errors = []
    for fineness in (0.75 * min(scale, 1), 0.5 * min(scale, 1)):
        keyer = Keyer(Grade.LIVE)
        keyer.fineness = fineness
        got = keyer.composite(planes, SRGB_8BIT, 0, there, Placement(scale, 4.0, 7.0))
        assert got.picture.shape == full.picture.shape
        assert bool(torch.isfinite(got.alpha).all())
        assert not torch.equal(got.alpha, full.alpha)
        errors.append(mean_error(got.alpha, full.alpha))
        # A subject that leaves the picture below does so in its last row as well.
        bottom, above = got.alpha[0, 0, -1], got.alpha[0, 0, -2]
        assert float((bottom - above).abs().max()) < 0.5
    # Only edges can differ: half a pixel of the smaller frame along some 400 pixels of outline.
    assert errors[0] < 0.004
    assert errors[1] < 0.008


def test_above_the_scale_of_the_picture_it_changes_nothing() -> None:
    planes = rgb_planes(scene().picture)
    there = backdrop(80, 120)
    full = Keyer(Grade.LIVE).composite(planes, SRGB_8BIT, 0, there, Placement(0.5, 0.0, 0.0))
    keyer = Keyer(Grade.LIVE)
    keyer.fineness = 0.6
    got = keyer.composite(planes, SRGB_8BIT, 0, there, Placement(0.5, 0.0, 0.0))
    assert torch.equal(got.picture, full.picture)
    assert torch.equal(got.alpha, full.alpha)


def test_at_one_it_is_as_ever_and_can_change_between_frames() -> None:
    planes = rgb_planes(scene().picture)
    there = backdrop(160, 240)
    place = Placement(1.0, 0.0, 0.0)
    keyer = Keyer(Grade.LIVE)
    before = keyer.composite(planes, SRGB_8BIT, 0, there, place)
    keyer.fineness = 0.5
    less = keyer.composite(planes, SRGB_8BIT, 0, there, place)
    keyer.fineness = 1.0
    after = keyer.composite(planes, SRGB_8BIT, 0, there, place)
    assert torch.equal(before.picture, after.picture)
    assert not torch.equal(before.picture, less.picture)
