"""Draw set words at the size of the picture: shadow, outline, letters."""

from __future__ import annotations

import math

import numpy as np
import torch
from PIL import Image, ImageDraw, ImageFilter

from models.flatten import Ink
from stream.errors import UserError
from stream.template.lines import way
from stream.template.text import Setting
from stream.template.typeface import DAMAGE, font
from stream.template.wording import Shadow, Text

# chosen: Pillow puts each letter on a whole pixel, which shows in small letters. Drawn so large and
# averaged down (the mean of exact coverage is exact coverage) they stand to a part of one.
_FINE_PX = 256
_MOST_FINE = 8
_MOST_PIXELS = 40_000_000
# chosen: each gives a letter's size more room; no script swings further than four.
_MOST_FRAMES = 5
# chosen: a Gaussian of more than eight pixels loses nothing at a part of the size.
_BLUR_PX = 8


class _Pen:
    """Draws the masks of one setting at one scale.

    Attributes:
        x: picture pixel of a mask's left edge.
        y: picture pixel of its top edge.
        ink: left, top, right, bottom of the ink of the mask drawn last, in picture pixels.
    """

    def __init__(
        self,
        text: Text,
        setting: Setting,
        scale: tuple[float, float],
        shrink: float,
        shift: tuple[float, float],
    ) -> None:
        self.ink: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
        self.setting = setting
        sy, sx = scale
        even = min(sy, sx) * shrink
        self.px = setting.size * even
        self.edge = text.outline.width * min(sy, sx) if text.outline else 0.0
        x, y, w, h = text.box
        refs = {"left": 0.0, "center": 0.5, "right": 1.0, "top": 0.0, "middle": 0.5, "bottom": 1.0}
        cx, cy = x + refs[text.align] * w, y + refs[text.valign] * h
        # About the point of the box that the words hold on to, so that they stay there.
        self.starts = [
            (shift[0] + cx * sx + (at_x - cx) * even, shift[1] + cy * sy + (at_y - cy) * even)
            for at_x, at_y in setting.starts
        ]
        self._frame(3 + math.ceil(self.edge))

    def _frame(self, pad: int) -> None:
        """Where the masks lie, with so many pixels around the ink that was measured."""
        self._pad = pad
        ends = list(zip(self.setting.set_lines, self.starts, strict=True))
        self.x = math.floor(min(a + n.ink[0] * self.px for n, (a, _) in ends)) - pad
        self.y = math.floor(min(b + n.ink[1] * self.px for n, (_, b) in ends)) - pad
        right = math.ceil(max(a + n.ink[2] * self.px for n, (a, _) in ends)) + pad
        bottom = math.ceil(max(b + n.ink[3] * self.px for n, (_, b) in ends)) + pad
        self.size = (right - self.x, bottom - self.y)
        room = math.isqrt(_MOST_PIXELS // max(self.size[0] * self.size[1], 1))
        self.fine = max(1, min(_MOST_FINE, room, math.ceil(_FINE_PX / max(self.px, 1.0))))

    def mask(self, stroke: float) -> Image.Image:
        """Coverage of the letters, made bolder by a stroke.

        A script may swing further than its letters one by one, by which it was measured: what
        reaches the edge of the mask is drawn again on a larger one, so that nothing is cut.
        """
        for again in reversed(range(_MOST_FRAMES)):
            image = self._drawn(stroke)
            left, top, right, bottom = box = image.getbbox() or (1, 1, 1, 1)
            inside = left > 0 and top > 0 and right < image.width and bottom < image.height
            if inside or not again:
                break
            self._frame(self._pad + math.ceil(self.px))
        f = self.fine
        self.ink = tuple(
            start + at / f for start, at in zip((self.x, self.y) * 2, box, strict=True)
        )
        return image.reduce(f) if f > 1 else image

    def _drawn(self, stroke: float) -> Image.Image:
        f = self.fine
        image = Image.new("L", (self.size[0] * f, self.size[1] * f))
        pen = ImageDraw.Draw(image)
        for line, (x, y) in zip(self.setting.set_lines, self.starts, strict=True):
            for piece in line.pieces:
                pen.text(
                    (f * (x + piece.x * self.px - self.x), f * (y - self.y)),
                    piece.words,
                    fill=255,
                    font=font(piece.face, max(self.px * f, 1.0)),
                    anchor="ls",
                    stroke_width=stroke * f,
                    direction=way(piece.leftward),
                    features=list(line.features) if line.features and way(False) else None,
                )
        return image


def _off(
    text: Text, scale: tuple[float, float], ink: tuple[float, ...]
) -> tuple[float, float, float]:
    """What puts ink back into its box, which hinting can push it out of by a pixel.

    Returns:
        By how much it has to shrink (1: not at all), and the pixels to move it right and down.
    """
    (sy, sx), (x, y, w, h) = scale, text.box
    left, right = math.floor(x * sx), math.ceil((x + w) * sx)
    top, bottom = math.floor(y * sy), math.ceil((y + h) * sy)
    wide, high = ink[2] - ink[0], ink[3] - ink[1]
    if wide > right - left or high > bottom - top:
        return max(0.5, min((right - left) / wide, (bottom - top) / high)), 0.0, 0.0
    return (
        1.0,
        max(left - ink[0], 0.0) + min(right - ink[2], 0.0),
        max(top - ink[1], 0.0) + min(bottom - ink[3], 0.0),
    )


def _shadow(
    shadow: Shadow,
    outlined: Image.Image,
    pen: _Pen,
    scale: tuple[float, float],
    within: tuple[int, int],
) -> Ink | None:
    """The part of a shadow that falls on the picture."""
    sy, sx = scale
    blur = shadow.blur * min(sy, sx)
    spread = math.ceil(3 * blur)
    x, y = pen.x - spread + round(shadow.dx * sx), pen.y - spread + round(shadow.dy * sy)
    w, h = pen.size[0] + 2 * spread, pen.size[1] + 2 * spread
    part = (max(0, -x), max(0, -y), min(w, within[1] - x), min(h, within[0] - y))
    if part[0] >= part[2] or part[1] >= part[3]:
        return None
    f = max(1, int(blur / _BLUR_PX))
    low = Image.new("L", (math.ceil(w / f), math.ceil(h / f)))
    # On the coarse grid of the whole, so that nothing moves.
    shift = (spread % f, spread % f)
    aligned = Image.new("L", (pen.size[0] + shift[0], pen.size[1] + shift[1]))
    aligned.paste(outlined, shift)
    low.paste(aligned.reduce(f) if f > 1 else aligned, (spread // f, spread // f))
    if blur > 0:
        low = low.filter(ImageFilter.GaussianBlur(blur / f))
    size = (part[2] - part[0], part[3] - part[1])
    if f > 1:
        area = (part[0] / f, part[1] / f, part[2] / f, part[3] / f)
        whole = low.resize(size, Image.Resampling.BILINEAR, box=area)
    else:
        whole = low.crop(part)
    return Ink(_tensor(whole), shadow.color, x + part[0], y + part[1], shadow.opacity)


def draw(
    text: Text,
    setting: Setting,
    scale: tuple[float, float],
    within: tuple[int, int] | None = None,
) -> tuple[Ink, ...]:
    """Draw words at the size of the picture.

    Args:
        text: where and how.
        setting: from `stream.template.text.set_words`.
        scale: picture pixels per canvas pixel, down and across.
        within: (H, W) of the picture, beyond which no shadow is drawn.

    Returns:
        Shadow, outline and letters, lowest first.

    Raises:
        UserError: a damaged font fails at this size.
    """
    shrink, shift = 1.0, (0.0, 0.0)
    try:
        for _ in range(5):
            pen = _Pen(text, setting, scale, shrink, shift)
            # The bolder one first: on its frame the other has room, too.
            outlined = pen.mask(pen.edge)
            ink = pen.ink
            letters = pen.mask(0) if pen.edge > 0 else outlined
            less, right, down = _off(text, scale, ink)
            if (less, right, down) == (1.0, 0.0, 0.0):
                break
            shrink, shift = shrink * less, (shift[0] + right, shift[1] + down)
    except DAMAGE as e:
        raise UserError(
            f"the fonts of {text.label} cannot be drawn ({e}); copy them into the template again"
        ) from e
    out: list[Ink] = []
    if text.shadow is not None:
        shadow = _shadow(text.shadow, outlined, pen, scale, within or _everywhere(text, scale))
        if shadow is not None:
            out.append(shadow)
    if text.outline is not None and pen.edge > 0:
        out.append(Ink(_tensor(outlined), text.outline.color, pen.x, pen.y))
    out.append(Ink(_tensor(letters), text.color, pen.x, pen.y))
    return tuple(out)


def _everywhere(text: Text, scale: tuple[float, float]) -> tuple[int, int]:
    """A size that holds a text and its shadow, where none is given."""
    reach = 0.0
    if text.shadow is not None:
        s = text.shadow
        reach = 3 * s.blur + max(abs(s.dx), abs(s.dy)) + 1
    x, y, w, h = text.box
    return math.ceil((y + h + reach) * scale[0]), math.ceil((x + w + reach) * scale[1])


def _tensor(image: Image.Image) -> torch.Tensor:
    return torch.from_numpy(np.array(image))
