"""Films of a ninth of the pixels, for whatever does not hang on their size.

What a film costs goes with its pixels. Everything else is as ever: the renderer looks a shape's
size up each time that it begins.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from unittest import mock

from stream.shape import SHAPES, Shape

WIDE, TALL = (360, 640), (640, 360)
"""(H, W)."""


@contextmanager
def ninth() -> Iterator[None]:
    """Make them in this process while the block lasts."""
    with mock.patch.dict(SHAPES, wide=Shape("wide", WIDE), tall=Shape("tall", TALL)):
        yield
