"""CIEDE2000, the difference of two colours as people see it.

Source: Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula: implementation notes,
supplementary test data, and mathematical observations", Color Research and Application 30 (2005),
equations 2 to 22; its own pairs are checked in test_ciede2000.py. XYZ to Lab: CIE 15:2004.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
# ISO 15076-1, 7.2.16: the white of the profile connection space.
D50 = np.array([0.9642, 1.0, 0.8249])


def lab(xyz: Floats, white: Floats = D50) -> Floats:
    """XYZ (..., 3) as L*, a*, b*."""
    t = xyz / white
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], -1)


def ciede2000(one: Floats, two: Floats) -> Floats:
    """The difference of L*, a*, b* (..., 3), pair by pair."""
    l1, a1, b1 = (one[..., i] for i in range(3))
    l2, a2, b2 = (two[..., i] for i in range(3))
    mean = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 0.5 * (1 - np.sqrt(mean**7 / (mean**7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    grey = c1 * c2 == 0
    turn = h2 - h1
    turn = np.where(turn > 180, turn - 360, np.where(turn < -180, turn + 360, turn))
    turn = np.where(grey, 0, turn)
    dl, dc = l2 - l1, c2 - c1
    dh = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    light, c = (l1 + l2) / 2, (c1 + c2) / 2
    total = h1 + h2
    far = np.abs(h1 - h2) > 180
    h = np.where(far, np.where(total < 360, total + 360, total - 360), total) / 2
    h = np.where(grey, total, h)
    t = (
        1
        - 0.17 * np.cos(np.radians(h - 30))
        + 0.24 * np.cos(np.radians(2 * h))
        + 0.32 * np.cos(np.radians(3 * h + 6))
        - 0.20 * np.cos(np.radians(4 * h - 63))
    )
    sl = 1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2)
    sc, sh = 1 + 0.045 * c, 1 + 0.015 * c * t
    turned = 60 * np.exp(-(((h - 275) / 25) ** 2))
    rt = -2 * np.sqrt(c**7 / (c**7 + 25.0**7)) * np.sin(np.radians(turned))
    lc, cc, hc = dl / sl, dc / sc, dh / sh
    return np.asarray(np.sqrt(np.maximum(lc**2 + cc**2 + hc**2 + rt * cc * hc, 0)))
