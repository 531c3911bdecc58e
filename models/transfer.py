"""Transfer curves: encoded values to linear light and back, one curve a standard.

Sources: IEC 61966-2-1 (sRGB); ITU-R BT.709-6 item 1.2 (its opto-electronic curve, shared by
BT.601 and, at 10 bit, by BT.2020).
"""

from __future__ import annotations

from enum import Enum

import torch
from torch import Tensor


class Transfer(Enum):
    """The curve that was applied to linear light."""

    LINEAR = "linear"
    SRGB = "srgb"
    BT709 = "bt709"


def decode(x_enc: Tensor, transfer: Transfer) -> Tensor:
    """Encoded values to linear light.

    Args:
        x_enc: any shape, float, transfer-encoded, in [0, 1].
        transfer: the curve.

    Returns:
        Same shape, linear light, in [0, 1]. A new tensor.
    """
    if transfer is Transfer.SRGB:
        high = ((x_enc + 0.055) * (1 / 1.055)).pow_(2.4)
        return torch.where(x_enc <= 0.04045, x_enc * (1 / 12.92), high)
    if transfer is Transfer.BT709:
        high = ((x_enc + 0.099) * (1 / 1.099)).clamp_min_(0).pow_(1 / 0.45)
        return torch.where(x_enc < 0.081, x_enc * (1 / 4.5), high)
    return x_enc.clone()


def encode(x: Tensor, transfer: Transfer) -> Tensor:
    """Linear light to encoded values; the reverse of `decode`.

    Args:
        x: any shape, float, linear light; values outside [0, 1] are clamped.
        transfer: the curve.

    Returns:
        Same shape, encoded, in [0, 1]. A new tensor.
    """
    x = x.clamp(0, 1)
    if transfer is Transfer.SRGB:
        high = x.pow(1 / 2.4).mul_(1.055).sub_(0.055)
        low = x.mul_(12.92)
        return torch.where(low <= 0.0031308 * 12.92, low, high)
    if transfer is Transfer.BT709:
        high = x.pow(0.45).mul_(1.099).sub_(0.099)
        low = x.mul_(4.5)
        return torch.where(low < 0.018 * 4.5, low, high)
    return x
