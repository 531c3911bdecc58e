"""The sRGB curve by tables, for pictures that change with every frame of a film.

On a CPU a power costs four times what looking up does. The tables are fine enough that no value is
off by more than a thirtieth of an 8 bit code; elsewhere the curve itself is used.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.transfer import Transfer, decode, encode

_DECODING = 4096
_ENCODING = 65536


def _by_table(x: Tensor, table: Tensor) -> Tensor:
    top = table.shape[0] - 1
    at = x.mul(top).add_(0.5).clamp_(0, top).to(torch.int32)
    return table.index_select(0, at.flatten()).view(x.shape)


class _Tables:
    """Made when they are first asked for."""

    decoding: Tensor | None = None
    encoding: Tensor | None = None


def decoded(x_enc: Tensor) -> Tensor:
    """sRGB-encoded values to linear light.

    Args:
        x_enc: any shape, float32, in [0, 1].

    Returns:
        Same shape, linear, in [0, 1]. A new tensor.
    """
    if x_enc.device.type != "cpu":
        return decode(x_enc, Transfer.SRGB)
    if _Tables.decoding is None:
        _Tables.decoding = decode(torch.linspace(0, 1, _DECODING + 1), Transfer.SRGB)
    return _by_table(x_enc, _Tables.decoding)


def encoded(x: Tensor) -> Tensor:
    """Linear light to sRGB-encoded values.

    Args:
        x: any shape, float32, linear; values outside [0, 1] are clamped.

    Returns:
        Same shape, encoded, in [0, 1]. A new tensor.
    """
    if x.device.type != "cpu":
        return encode(x, Transfer.SRGB)
    if _Tables.encoding is None:
        _Tables.encoding = encode(torch.linspace(0, 1, _ENCODING + 1), Transfer.SRGB)
    return _by_table(x, _Tables.encoding)
