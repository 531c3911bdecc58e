"""What a page has drawn, and what it should have."""

from __future__ import annotations

import base64
from typing import Any

import cv2
import numpy as np

from tests.stream.pages.chromium import Tab

Picture = np.ndarray[Any, np.dtype[np.uint8]]


def picture(seed: int, size: tuple[int, int] = (90, 160)) -> Picture:
    """A smooth picture that is not its own mirror image."""
    small = np.random.default_rng(seed).integers(0, 256, (3, 4, 3), dtype=np.uint8)
    large = cv2.resize(small, (size[1], size[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(large, np.uint8)


def drawn(tab: Tab) -> Picture:
    """The pixels of the page's canvas."""
    high, wide, data = tab.run(
        "(() => { const c = document.getElementById('picture');"
        " const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
        " const t = Array.from(d, b => String.fromCharCode(b)).join('');"
        " return [c.height, c.width, btoa(t)]; })()"
    )
    rgba = np.frombuffer(base64.b64decode(data), np.uint8).reshape(high, wide, 4)
    return rgba[..., :3]


def wait_drawn(tab: Tab, number: int) -> None:
    tab.until(f"document.getElementById('picture').dataset.number === '{number}'")


def as_decoded(data: bytes) -> Picture:
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert decoded is not None
    return np.asarray(decoded[..., ::-1], np.uint8)


def difference(a: Picture, b: Picture) -> float:
    return float(np.abs(a.astype(int) - b.astype(int)).mean())
