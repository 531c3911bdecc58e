"""Planes to linear light in OpenCV and NumPy: what `models.color` and `models.transfer` say."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from models.color import LUMA_WEIGHTS, Encoding, Matrix, Planes, Siting, levels
from models.planes import crop
from models.transfer import Transfer, decode
from scripts.baseline_areas import Floats, Size, enlarge

TOP = 65535.0
"""Curves are tables of so many steps."""
ALL = slice(None)


@lru_cache(maxsize=8)
def _to_linear(transfer: Transfer) -> Floats:
    return decode(torch.linspace(0, 1, 65536), transfer).numpy().reshape(1, -1)


def linear(planes: Planes, encoding: Encoding, rows: slice, columns: slice) -> Floats:
    """A window of a frame, (rows, columns, 3) in linear light."""
    cut, top, left = crop(planes, rows, columns)
    return to_linear([p.numpy() for p in cut], encoding, top, left)


def to_linear(
    planes: Sequence[NDArray[Any]], encoding: Encoding, top: slice = ALL, left: slice = ALL
) -> Floats:
    """Three planes, chroma full or half size, as (H, W, 3) in linear light, or a part of it."""
    y, cb, cr = planes
    y0, y_span, c0, c_span = levels(encoding)
    if encoding.matrix is Matrix.RGB:
        whole = cv2.merge([x.astype(np.float32) for x in (y, cb, cr)])
        matrix = np.hstack([np.eye(3) / y_span, np.full((3, 1), -y0 / y_span)])
    else:
        pair = np.asarray(cv2.merge([cb.astype(np.float32), cr.astype(np.float32)]), np.float32)
        pair = _upsampled(pair, (y.shape[0], y.shape[1]), encoding.siting)
        whole = np.empty((*y.shape, 3), np.float32)
        whole[..., 0] = y
        whole[..., 1:] = pair
        kr, kb = LUMA_WEIGHTS[encoding.matrix]
        kg = 1 - kr - kb
        red, blue = 2 * (1 - kr), 2 * (1 - kb)
        mix = np.array([[1, 0, red], [1, -blue * kb / kg, -red * kr / kg], [1, blue, 0]])
        mix = mix / np.array([y_span, c_span, c_span])
        matrix = np.hstack([mix, -(mix @ np.array([y0, c0, c0]))[:, None]])
    unit = cv2.transform(whole, TOP * matrix)[top, left]
    # Rounds, and clamps at both ends.
    codes = cv2.addWeighted(unit, 1.0, unit, 0.0, 0.0, dtype=cv2.CV_16U)
    return np.asarray(cv2.LUT(codes, _to_linear(encoding.transfer)), np.float32)


def _upsampled(pair: Floats, size: Size, siting: Siting) -> Floats:
    """Chroma, (h, w, 2), at luma's size; OpenCV's own enlarging is that of centred samples."""
    for axis, co_sited in ((0, siting is Siting.TOP_LEFT), (1, siting is not Siting.CENTER)):
        have, want = pair.shape[axis], size[axis]
        if have == want:
            continue
        if not co_sited:
            doubled = (2 * have, pair.shape[1]) if axis == 0 else (pair.shape[0], 2 * have)
            pair = enlarge(pair, doubled)
        else:
            after = np.concatenate([pair[1:], pair[-1:]] if axis == 0 else
                                   [pair[:, 1:], pair[:, -1:]], axis)  # fmt: skip
            between = cv2.addWeighted(pair, 0.5, after, 0.5, 0.0)
            joined = np.stack([pair, np.asarray(between, np.float32)], axis + 1)
            shape = list(pair.shape)
            shape[axis] *= 2
            pair = joined.reshape(shape)
        pair = pair[:want] if axis == 0 else pair[:, :want]
    return pair
