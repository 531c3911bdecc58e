"""Paper sizes that pictures are printed on.

Inch sizes are those of the photo trade (common practice); A3 to A6 are ISO 216; 100 x 150 mm is
the metric photo paper of PWG 5101.1 (``om_small-photo``). Bleed, the part that is cut away: 1/8
inch a side on inch papers, 3 mm on metric ones (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

MM_PER_IN = 25.4


@dataclass(frozen=True)
class Paper:
    """A sheet, upright: inches after trimming, and the bleed a side."""

    width_in: float
    height_in: float
    bleed_in: float

    def pixels(self, ppi: float, *, bleed: bool = False) -> tuple[int, int]:
        """(H, W) at a resolution, with the bleed of all sides or without."""
        extra = 2 * self.bleed_in if bleed else 0.0
        return round((self.height_in + extra) * ppi), round((self.width_in + extra) * ppi)


def _inch(width: float, height: float) -> Paper:
    return Paper(width, height, 0.125)


def _metric(width: float, height: float) -> Paper:
    return Paper(width / MM_PER_IN, height / MM_PER_IN, 3 / MM_PER_IN)


PAPERS: dict[str, Paper] = {
    "2x6": _inch(2, 6),
    "3.5x5": _inch(3.5, 5),
    "4x6": _inch(4, 6),
    "5x7": _inch(5, 7),
    "6x8": _inch(6, 8),
    "8x10": _inch(8, 10),
    "8x12": _inch(8, 12),
    "8.5x11": _inch(8.5, 11),
    "100x150mm": _metric(100, 150),
    "a6": _metric(105, 148),
    "a5": _metric(148, 210),
    "a4": _metric(210, 297),
    "a3": _metric(297, 420),
}
