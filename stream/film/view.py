"""What a film shows of a canvas: at which scale, and where it lies in the picture."""

from __future__ import annotations

from dataclasses import dataclass

from models.moving import Rect, Window
from stream.shape import Shape
from stream.template.reading import Box
from stream.template.template import Template

# chosen: a window whose shape differs by less is cut by less than anybody sees.
_SAME_SHAPE = 0.01


@dataclass(frozen=True)
class Seen:
    """A canvas in a film.

    Attributes:
        size: (H, W) of the film.
        canvas: (H, W) that positions refer to.
        scaled: (H, W) of the whole canvas at the film's scale.
        top: row of the film where the canvas begins; may be negative.
        left: column, likewise.
        area: top, left, bottom, right of what shows the window; the rest is sides.
    """

    size: tuple[int, int]
    canvas: tuple[int, int]
    scaled: tuple[int, int]
    top: int
    left: int
    area: Window

    @property
    def scale(self) -> tuple[float, float]:
        """Film pixels a canvas pixel, down and across."""
        return self.scaled[0] / self.canvas[0], self.scaled[1] / self.canvas[1]

    @property
    def fills(self) -> bool:
        """Whether the window fills the film."""
        return self.area == (0, 0, *self.size)

    @property
    def sheet(self) -> Window:
        """Top, left, bottom, right of the canvas in the film; may reach beyond it."""
        high, wide = self.scaled
        return self.top, self.left, self.top + high, self.left + wide

    @property
    def covered(self) -> bool:
        """Whether the canvas covers all that the window shows."""
        top, left, bottom, right = self.sheet
        y0, x0, y1, x1 = self.area
        return top <= y0 and left <= x0 and bottom >= y1 and right >= x1

    def box(self, box: Box) -> Box:
        """A box of the canvas in film pixels."""
        sy, sx = self.scale
        return box[0] * sx + self.left, box[1] * sy + self.top, box[2] * sx, box[3] * sy

    def rect(self, box: Box) -> Rect:
        """The same by its edges."""
        x, y, w, h = self.box(box)
        return y, x, y + h, x + w


def usual_window(template: Template) -> Box:
    """The canvas without its bleed."""
    high, wide = template.picture_size()
    sy, sx = template.height / high, template.width / wide
    edge = template.bleed_px
    trim_high, trim_wide = template.trim_size
    if not edge:
        return 0.0, 0.0, float(template.width), float(template.height)
    return edge * sx, edge * sy, trim_wide * sx, trim_high * sy


def look(template: Template, shape: Shape) -> Seen:
    """Where a template's canvas lies in a film of a shape."""
    high, wide = shape.size
    x, y, w, h = template.film.view(shape.name).window or usual_window(template)
    ratios = (high / h, wide / w)
    same = max(ratios) / min(ratios) - 1 < _SAME_SHAPE
    scale = max(ratios) if same else min(ratios)
    canvas = (template.height, template.width)
    scaled = (max(1, round(canvas[0] * scale)), max(1, round(canvas[1] * scale)))
    sy, sx = scaled[0] / canvas[0], scaled[1] / canvas[1]
    area = (high, wide) if same else (min(high, round(h * sy)), min(wide, round(w * sx)))
    top, left = (high - area[0]) // 2, (wide - area[1]) // 2
    return Seen(
        shape.size,
        canvas,
        scaled,
        top - round(y * sy),
        left - round(x * sx),
        (top, left, top + area[0], left + area[1]),
    )
