"""Small frames for the tests of this folder."""

from __future__ import annotations

from datetime import UTC, datetime
from fractions import Fraction

import torch

from models.color import Encoding
from stream.capture.frame import Frame


def frame(
    arrived_s: float = 0.0,
    index: int = 0,
    *,
    size: tuple[int, int] = (36, 64),
    source: str = "camera",
    quarter_turns: int = 0,
    luma: int = 100,
) -> Frame:
    """A plain 4:2:0 frame; its index stands in its first luma sample."""
    high, wide = size
    y = torch.full((high, wide), luma, dtype=torch.uint8)
    y[0, 0] = index % 256
    chroma = torch.full((high // 2, wide // 2), 128, dtype=torch.uint8)
    return Frame(
        planes=(y, chroma, chroma.clone()),
        encoding=Encoding(),
        quarter_turns=quarter_turns,
        pts=index,
        time_base=Fraction(1, 30),
        arrived_s=arrived_s,
        taken=datetime(2026, 5, 1, 12, 0, tzinfo=UTC),
        source=source,
        index=index,
    )
