"""The polynomials in place of the transfer curves."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from models.kernels.cpu.curves import decode_line, decoding, encode_line, srgb_encoding
from models.transfer import Transfer, decode, encode

WITHIN = 1e-5


def everywhere(knees: tuple[float, ...]) -> torch.Tensor:
    """[0, 1] closely, and both sides of the knees closer still."""
    parts = [torch.linspace(0, 1, 20_001)]
    parts += [torch.linspace(knee - 1e-4, knee + 1e-4, 401) for knee in knees]
    return torch.cat(parts)


@pytest.mark.parametrize("transfer", list(Transfer))
def test_decoding(transfer: Transfer) -> None:
    x = everywhere((0.04045, 0.081))
    line = x.numpy().copy()
    decode_line(decoding(transfer), line)
    assert np.abs(line - decode(x, transfer).numpy()).max() < WITHIN


def test_encoding() -> None:
    x = torch.cat([everywhere((0.0031308,)), torch.logspace(-9, 0, 2001)])
    line = x.numpy().copy()
    encode_line(srgb_encoding(), line)
    assert np.abs(line - encode(x, Transfer.SRGB).numpy()).max() < WITHIN


def test_there_and_back() -> None:
    line = torch.linspace(0, 1, 5001).numpy().copy()
    encode_line(srgb_encoding(), line)
    decode_line(decoding(Transfer.SRGB), line)
    assert np.abs(line - np.linspace(0, 1, 5001)).max() < 3 * WITHIN


def test_values_outside_are_clamped() -> None:
    beyond = np.array([-3.0, -1e-7, 0.0, 1.0, 1.0 + 1e-6, 40.0], np.float32)
    for transfer in Transfer:
        line = beyond.copy()
        decode_line(decoding(transfer), line)
        np.testing.assert_allclose(line, [0, 0, 0, 1, 1, 1], atol=WITHIN)
    line = beyond.copy()
    encode_line(srgb_encoding(), line)
    np.testing.assert_allclose(line, [0, 0, 0, 1, 1, 1], atol=WITHIN)
