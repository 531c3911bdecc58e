"""The [picture] part of template.toml: how large the print is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from stream.template.paper import PAPERS
from stream.template.reading import Reader


@dataclass(frozen=True)
class Picture:
    """The print: inches and pixels per inch."""

    width_in: float
    height_in: float
    ppi: float

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) in pixels."""
        return max(1, round(self.height_in * self.ppi)), max(1, round(self.width_in * self.ppi))


def read_picture(table: dict[str, Any], problems: list[str]) -> Picture | None:
    r = Reader(table, "[picture]", problems)
    ppi = r.number("ppi", 300, low=20, high=2400)
    if "paper" in table:
        paper = PAPERS.get(r.choice("paper", tuple(PAPERS), "4x6"))
        turned = r.choice("hold", ("upright", "wide"), "upright") == "wide"
        bleed = r.flag("bleed")
        if not r.close() or paper is None:
            return None
        extra = 2 * paper.bleed_in if bleed else 0.0
        width, height = paper.width_in + extra, paper.height_in + extra
        return Picture(height, width, ppi) if turned else Picture(width, height, ppi)
    width = r.number("width_in", low=0.01, high=200)
    height = r.number("height_in", low=0.01, high=200)
    return Picture(width, height, ppi) if r.close() else None
