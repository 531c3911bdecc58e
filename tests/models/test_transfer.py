"""The curves' shapes and types; their values stand in tests/reference/test_srgb.py."""

from __future__ import annotations

import pytest
import torch

from models.transfer import Transfer, decode, encode


@pytest.mark.parametrize("transfer", list(Transfer))
@pytest.mark.parametrize("shape", [(), (1,), (1, 3, 5, 7), (1, 3, 0, 4)])
def test_shape_and_type_stay(transfer: Transfer, shape: tuple[int, ...]) -> None:
    x = torch.rand(shape, generator=torch.Generator().manual_seed(7))
    for there, back in ((decode, encode), (encode, decode)):
        out = back(there(x, transfer), transfer)
        assert out.shape == x.shape
        assert out.dtype is torch.float32
        # At the seam of BT.709's branches its printed constants do not meet: 3e-4 there.
        seam = 3e-4 if transfer is Transfer.BT709 else 2e-6
        torch.testing.assert_close(out, x, atol=seam, rtol=0)


@pytest.mark.parametrize("transfer", list(Transfer))
def test_a_view_gives_the_same_as_its_copy(transfer: Transfer) -> None:
    x = torch.rand(1, 3, 8, 9, generator=torch.Generator().manual_seed(7)).transpose(-1, -2)[
        ..., ::2
    ]
    for curve in (decode, encode):
        # Vectorised and scalar powers may differ in the last bit.
        torch.testing.assert_close(
            curve(x, transfer), curve(x.contiguous(), transfer), atol=1e-6, rtol=0
        )


def test_linear_is_neither_bent_nor_shared() -> None:
    x = torch.rand(1, 3, 4, 4)
    for out in (decode(x, Transfer.LINEAR), encode(x, Transfer.LINEAR)):
        assert torch.equal(out, x)
        assert out.data_ptr() != x.data_ptr()


def test_the_branches_of_srgb_meet() -> None:
    """IEC 61966-2-1: both branches give the same at .04045 and at .0031308, within its digits."""
    at = torch.tensor([0.04045, 0.0404501])
    low, high = decode(at, Transfer.SRGB)
    assert abs(float(high - low)) < 1e-6
    at = torch.tensor([0.0031308, 0.00313081])
    low, high = encode(at, Transfer.SRGB)
    assert abs(float(high - low)) < 1e-6
