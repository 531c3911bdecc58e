"""The modes as functions: range, shape, and that they leave what they are given alone."""

from __future__ import annotations

import pytest
import torch

from models.blend import Mode, blend, line_in_backdrop

LINES = (Mode.NORMAL, Mode.MULTIPLY, Mode.SCREEN, Mode.EXCLUSION, Mode.HARD_LIGHT)


@pytest.mark.parametrize("mode", list(Mode))
def test_mixing_keeps_shape_and_range_and_its_inputs(mode: Mode) -> None:
    torch.manual_seed(3)
    cb, cs = torch.rand(2, 3, 9, 11), torch.rand(1, 3, 9, 11)
    # The corners of the cube, where divisions lurk.
    cb[0, :, 0, :8] = torch.tensor([[i >> k & 1 for i in range(8)] for k in range(3)]).float()
    cs[0, :, 0, :8] = cb[0, :, 0, :8].flip(-1)
    before = cb.clone(), cs.clone()
    out = blend(mode, cb, cs)
    assert out.shape == cb.shape
    assert torch.isfinite(out).all()
    assert out.min() >= -1e-6
    assert out.max() <= 1 + 1e-6
    assert torch.equal(cb, before[0])
    assert torch.equal(cs, before[1])


def test_neutral_sources() -> None:
    cb = torch.rand(1, 3, 4, 4)
    for mode, value in (
        (Mode.MULTIPLY, 1.0),
        (Mode.SCREEN, 0.0),
        (Mode.OVERLAY, 0.5),
        (Mode.HARD_LIGHT, 0.5),
        (Mode.SOFT_LIGHT, 0.5),
        (Mode.COLOR_DODGE, 0.0),
        (Mode.COLOR_BURN, 1.0),
        (Mode.DIFFERENCE, 0.0),
        (Mode.EXCLUSION, 0.0),
    ):
        torch.testing.assert_close(blend(mode, cb, torch.full_like(cb, value)), cb)


@pytest.mark.parametrize("mode", LINES)
def test_lines_are_lines(mode: Mode) -> None:
    cb, cs = torch.rand(1, 3, 8, 8), torch.rand(1, 3, 8, 8)
    slope, rest = line_in_backdrop(mode, cs)
    torch.testing.assert_close(slope * cb + rest, blend(mode, cb, cs))


def test_a_curve_is_refused() -> None:
    with pytest.raises(ValueError, match="no straight line"):
        line_in_backdrop(Mode.SOFT_LIGHT, torch.rand(1, 3, 2, 2))
