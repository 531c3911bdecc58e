"""The [picture] part of template.toml: how large the print is, its bleed and its safe area.

Width and height are those of the trimmed print. The bleed lies around it, is painted by the layers
and is cut away; what must not be cut stays inside the safe area. Usual bleed where ``bleed = true``
says no more: 1/8 inch a side, 3 mm on metric sizes (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from stream.template.paper import MM_PER_IN, PAPERS
from stream.template.reading import Reader

USUAL_BLEED_IN = 0.125
USUAL_BLEED_MM = 3.0
# chosen: far above any bleed or margin of a hand-held print.
MOST_MARGIN_IN = 4.0
LARGEST_IN = 200.0


@dataclass(frozen=True)
class Picture:
    """The print: inches and pixels per inch.

    Attributes:
        width_in: of the trimmed print.
        height_in: of the trimmed print.
        ppi: pixels per inch.
        bleed_in: what is cut away on each side, beyond width and height.
        safe_in: how far inside the trimmed edge everything that matters stays.
    """

    width_in: float
    height_in: float
    ppi: float
    bleed_in: float = 0.0
    safe_in: float = 0.0

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) in pixels, the bleed of all sides included."""
        return self._pixels(2 * self.bleed_in)

    @property
    def trim_size(self) -> tuple[int, int]:
        """(H, W) in pixels of the trimmed print."""
        return self._pixels(0.0)

    @property
    def bleed_px(self) -> int:
        """Pixels from the top and the left edge to the trimmed print.

        Where the bleed is no whole number of pixels, the right and lower edges get the pixel more,
        so that ``trim_size`` from here on always lies inside ``size``.
        """
        (height, width), (high, wide) = self.size, self.trim_size
        return min(height - high, width - wide) // 2

    @property
    def safe_px(self) -> int:
        """Pixels from the trimmed edge to the safe area."""
        return round(self.safe_in * self.ppi)

    def _pixels(self, extra_in: float) -> tuple[int, int]:
        sides = (self.height_in, self.width_in)
        high, wide = (max(1, round((side + extra_in) * self.ppi)) for side in sides)
        return high, wide


def _margin(r: Reader, name: str) -> float | None:
    """Inches of ``name_in`` or ``name_mm``; None where neither stands there."""
    inches, metric = f"{name}_in", f"{name}_mm"
    r.known += [inches, metric]
    if inches in r.table and metric in r.table:
        r.wrong(inches, f"either {inches} or {metric}, not both")
        return None
    if metric in r.table:
        return r.number(metric, low=0, high=MOST_MARGIN_IN * MM_PER_IN) / MM_PER_IN
    return r.number(inches, low=0, high=MOST_MARGIN_IN) if inches in r.table else None


def _sides(r: Reader) -> tuple[float, float, float]:
    """Width, height and usual bleed in inches, from a paper's name or from lengths."""
    lengths = ("width_in", "height_in", "width_mm", "height_mm")
    given = [key for key in lengths if key in r.table]
    if "paper" in r.table:
        paper = PAPERS.get(r.choice("paper", tuple(PAPERS), "4x6"), PAPERS["4x6"])
        turned = r.choice("hold", ("upright", "wide"), "upright") == "wide"
        if given:
            r.known += given
            r.wrong(given[0], "either paper or width and height, not both")
        sides = (paper.width_in, paper.height_in)
        return (*(sides[::-1] if turned else sides), paper.bleed_in)
    if given and all(key.endswith("_mm") for key in given):
        width = r.number("width_mm", low=0.1, high=LARGEST_IN * MM_PER_IN) / MM_PER_IN
        height = r.number("height_mm", low=0.1, high=LARGEST_IN * MM_PER_IN) / MM_PER_IN
        return width, height, USUAL_BLEED_MM / MM_PER_IN
    metric = [key for key in given if key.endswith("_mm")]
    if metric:
        r.known += lengths
        r.wrong(metric[0], "width and height both in inches or both in millimetres")
        return 1.0, 1.0, USUAL_BLEED_IN
    width = r.number("width_in", low=0.01, high=LARGEST_IN)
    height = r.number("height_in", low=0.01, high=LARGEST_IN)
    return width, height, USUAL_BLEED_IN


def read_picture(table: dict[str, Any], problems: list[str]) -> Picture | None:
    """Read [picture]; None where something in it is wrong."""
    r = Reader(table, "[picture]", problems)
    ppi = r.number("ppi", 300, low=20, high=2400)
    width, height, usual = _sides(r)
    wanted = r.flag("bleed")
    bleed = _margin(r, "bleed")
    safe = _margin(r, "safe") or 0.0
    if bleed is None:
        bleed = usual if wanted else 0.0
    elif not wanted and "bleed" in r.table:
        r.wrong("bleed", "true, or no bleed_in and bleed_mm beside it")
    if not r.failed and 2 * safe >= min(width, height):
        key = "safe_mm" if "safe_mm" in r.table else "safe_in"
        r.wrong(key, "less than half of the shorter side")
    return Picture(width, height, ppi, bleed, safe) if r.close() else None
