"""A first template.toml for layers that are there: size, slot and a text field to begin with."""

from __future__ import annotations

import json
from collections import Counter

from stream.template.layers import Document, Layer, LayerGroup
from stream.template.markup import plain
from stream.template.paper import PAPERS

# Resolutions that designs are made at (common practice), the likeliest first.
USUAL_PPI = (300.0, 600.0, 360.0, 240.0, 200.0, 150.0)
# What programs write when nobody chose: the resolutions of screens.
SCREEN_PPI = (72.0, 96.0)
# Pixels by which a canvas may miss a paper's own count.
NEAR_PX = 2
# chosen: a paper whose shape differs by less is what the designer meant.
SAME_SHAPE = 0.005
MARKERS = ("slot", "subject", "people", "person", "here")


def _paper_at(size: tuple[int, int], ppi: float) -> list[str] | None:
    """The lines for a paper whose pixels the canvas has at a resolution."""
    for name, paper in PAPERS.items():
        for bleed in (False, True):
            upright = paper.pixels(ppi, bleed=bleed)
            for hold, want in (("upright", upright), ("wide", upright[::-1])):
                if max(abs(a - b) for a, b in zip(size, want, strict=True)) <= NEAR_PX:
                    lines = [f'paper = "{name}"', f"ppi = {ppi:g}"]
                    lines += ['hold = "wide"'] if hold == "wide" else []
                    lines += ["bleed = true                 # the layers reach over the cut edge"
                              ] if bleed else []  # fmt: skip
                    return lines
    return None


def _paper_of_shape(size: tuple[int, int]) -> list[str] | None:
    """The lines for the paper that has the canvas' shape, at whatever resolution that makes."""
    high, wide = size
    for name in sorted(PAPERS, key=lambda n: n in ("2x6", "3.5x5")):
        paper = PAPERS[name]
        sides = (paper.height_in, paper.width_in)
        turned = wide > high
        height, width = sides[::-1] if turned else sides
        if abs(wide / high / (width / height) - 1) <= SAME_SHAPE and 100 <= wide / width <= 1200:
            lines = [f'paper = "{name}"', f"ppi = {round(wide / width)}"]
            return [*lines, 'hold = "wide"'] if turned else lines
    return None


def size_lines(document: Document) -> list[str]:
    """What [picture] should say about a canvas."""
    said = document.ppi if document.ppi not in SCREEN_PPI else None
    if said is not None and not 20 <= said <= 2400:
        said = None
    if said is not None and abs(said - round(said)) < 0.15:  # per metre, as PNG counts
        said = float(round(said))
    for ppi in (said,) if said is not None else USUAL_PPI:
        lines = _paper_at(document.size, ppi)
        if lines is not None:
            return lines
    lines = None if said is not None else _paper_of_shape(document.size)
    if lines is not None:
        return lines
    ppi = said or USUAL_PPI[0]
    high, wide = (round(side / ppi, 4) for side in document.size)
    return [f"width_in = {wide:g}", f"height_in = {high:g}", f"ppi = {ppi:g}"]


def _all_names(layers: tuple[Layer | LayerGroup, ...]) -> list[str]:
    out = []
    for layer in layers:
        out.append(layer.name)
        if isinstance(layer, LayerGroup):
            out += _all_names(layer.children)
    return out


def choose_layer(document: Document) -> str | None:
    """The layer that people most likely stand on: one called so, else the middle one.

    Only layers and groups of the lowest order count, with a name of their own.
    """
    count = Counter(_all_names(document.layers))
    names = [at.name for at in document.layers if at.name.strip() and count[at.name] == 1]
    for name in names:
        if any(marker in name.lower() for marker in MARKERS):
            return name
    return names[(len(names) - 1) // 2] if names else None


def quoted(words: str) -> str:
    """A TOML string."""
    return json.dumps(words, ensure_ascii=False).replace("\x7f", "\\u007f")


def start_description(document: Document, above: str) -> str:
    """The words of a first template.toml.

    Args:
        document: the layers.
        above: the layer that people stand on.
    """
    high, wide = document.size
    topmost = next((at.name for at in reversed(document.layers) if at.name.strip()), above)
    box = [round(v) for v in (0.15 * wide, 0.82 * high, 0.7 * wide, 0.09 * high)]
    side = round(0.12 * min(high, wide))
    code = [wide - 2 * side, high - 2 * side, side, side]
    safe = "# safe_mm = 4                # keep faces and words so far inside the cut edge"
    lines = [
        "# Lengths in boxes are pixels of the layers. Lines with # are not read: take the # away.",
        "# The layers, topmost first: " + plain(", ".join(reversed(_all_names(document.layers)))),
        "",
        "[picture]",
        *size_lines(document),
        safe,
        "",
        "[slot]",
        f"above = {quoted(above)}".ljust(28) + " # people stand directly above this layer",
        f"box = [0, 0, {wide}, {high}]".ljust(28) + " # x, y, width, height: where people may be",
        'fit = "cover"               # or contain, figure (the person fills the box), head',
        'anchor = "bottom"           # with figure and head: feet, head or center',
        "# For several people write [[slot]] instead, once for each; shows = 2 is the second shot.",
        "",
        "# [[text]]",
        '# value = "{name}"           # any column of the roster in braces, or plain words',
        f"# above = {quoted(topmost)}",
        f"# box = {box}",
        '# font = "fonts/DejaVuSans.ttf"   # or a font file that you put into the folder fonts',
        f"# size = {max(1, round(0.055 * high))}",
        f"# least = {max(1, round(0.03 * high))}".ljust(28)
        + " # a long name shrinks to this, then takes two lines",
        '# color = "#ffffff"',
        '# align = "center"',
        "",
        "# [[code]]                     # a QR code, as large as its box allows",
        '# value = "https://example.org/{number}"',
        f"# above = {quoted(topmost)}",
        f"# box = {code}",
    ]
    return "\n".join(lines) + "\n"
