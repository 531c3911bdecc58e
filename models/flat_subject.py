"""A subject of one flat colour, as large as its picture: what stands where nobody was taken."""

from __future__ import annotations

import torch
from torch import Tensor

from models.cut import Placed
from models.resample import Placement
from models.transfer import Transfer, decode


def flat_subject(alpha: Tensor, color_enc: tuple[float, float, float], gain: float = 1.0) -> Placed:
    """Make one, to be laid as a keyed one is.

    Args:
        alpha: (1, 1, H, W) float32, its coverage of the picture.
        color_enc: sRGB in [0, 1].
        gain: how much of it is seen, 0 to 1.
    """
    cover = alpha * gain
    color = decode(alpha.new_tensor(color_enc).view(1, 3, 1, 1), Transfer.SRGB)
    rows, columns = slice(0, alpha.shape[-2]), slice(0, alpha.shape[-1])
    subject = torch.cat([color * cover, cover], 1)
    return Placed(subject, rows, columns, True, None, Placement(1.0, 0.0, 0.0))
