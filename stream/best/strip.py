"""A contact strip: the frames of a burst as small pictures, the best first, with reasons."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

from PIL import Image, ImageDraw

from models.color import to_codes
from models.planes import pooled_planes
from models.transfer import Transfer, encode
from models.upright import Upright
from stream.best.ranking import Judged, Ranking
from stream.capture.frame import Frame
from stream.drawn_words import wrapped
from stream.prints.contact import bundled
from stream.template.typeface import font

# Lengths in pixels of the strip.
_CELL, _GAP, _EDGE = 300, 14, 16
_NUMBER, _WORDS, _LINE = 20, 15, 19
_LINES = 5
_MOST_COLUMNS = 6
_PAPER, _INK, _SOFT = (33, 33, 35), (238, 238, 236), (172, 172, 170)
# The mark is a frame and a word, so that nobody has to tell colours.
_MARK, _FAULT = (128, 196, 226), (255, 170, 110)
_QUALITY = 88


@dataclass(frozen=True)
class _Entry:
    """One cell: which frame, its small picture, what is written below."""

    title: str
    picture: Image.Image
    lines: list[str]
    faulty: bool
    chosen: bool


def _whole(size: tuple[int, int]) -> tuple[slice, slice]:
    return slice(0, size[0]), slice(0, size[1])


def _small(frame: Frame, ranking: Ranking) -> Image.Image:
    """A small upright picture of a frame, of the people's heads where they are known."""
    frame = frame.on_host()
    part = ranking.part or _whole
    upright = Upright(frame.planes, frame.encoding, frame.quarter_turns)
    rows, columns = part(upright.size)
    factor = max(1, max(rows.stop - rows.start, columns.stop - columns.start) // (2 * _CELL))
    if factor > 1:
        planes = pooled_planes(frame.planes, factor)
        upright = Upright(planes, frame.encoding, frame.quarter_turns)
    linear = upright.linear(*part(upright.size))
    codes = to_codes(encode(linear, Transfer.SRGB), 8).numpy()
    picture = Image.fromarray(codes)
    scale = _CELL / max(picture.size)
    size = tuple(max(1, round(side * scale)) for side in picture.size)
    return picture.resize((size[0], size[1]), Image.Resampling.LANCZOS)


def _entry(picture: Image.Image, n: int, judged: Judged, chosen: bool, width: int) -> _Entry:
    face = font(bundled(), _WORDS)
    lines = [line for reason in judged.reasons for line in wrapped(f"· {reason}", face, width)]
    if len(lines) > _LINES:
        lines = [*lines[: _LINES - 1], "…"]
    title = f"{n + 1}" + ("  best" if judged.place == 1 else "") + ("  chosen" if chosen else "")
    return _Entry(title, picture, lines, judged.faults > 0, chosen)


def contact_strip(
    frames: Sequence[Frame], ranking: Ranking, chosen: int, most: int | None = None
) -> bytes:
    """Draw the frames of a burst in order, the best first.

    Args:
        frames: those that were ranked, in the same order.
        ranking: what `rank` gave.
        chosen: the place in the burst, from 0, of the frame that is taken.
        most: how many to show at most; the chosen one is always among them. None: all.

    Returns:
        A JPEG. Frames are numbered from 1 in the order in which they were taken.
    """
    shown = list(ranking.order if most is None else ranking.order[: max(1, most)])
    if chosen not in shown:
        shown[-1] = chosen
    cells = [
        _entry(_small(frames[n], ranking), n, ranking.judged[n], n == chosen, _CELL - 4)
        for n in shown
    ]
    columns = min(len(cells), _MOST_COLUMNS)
    rows = [cells[at : at + columns] for at in range(0, len(cells), columns)]
    heights = [max(c.picture.height for c in row) for row in rows]
    texts = [_NUMBER + 10 + _LINE * max(len(c.lines) for c in row) for row in rows]
    width = 2 * _EDGE + columns * _CELL + (columns - 1) * _GAP
    height = 2 * _EDGE + sum(heights) + sum(texts) + (len(rows) - 1) * _GAP + 8 * len(rows)
    page = Image.new("RGB", (width, height), _PAPER)
    pen = ImageDraw.Draw(page)
    y = _EDGE
    for row, high, text in zip(rows, heights, texts, strict=True):
        for n, cell in enumerate(row):
            _draw(page, pen, cell, (_EDGE + n * (_CELL + _GAP), y), high)
        y += high + text + 8 + _GAP
    out = io.BytesIO()
    page.save(out, "JPEG", quality=_QUALITY)
    return out.getvalue()


def _draw(
    page: Image.Image, pen: ImageDraw.ImageDraw, cell: _Entry, at: tuple[int, int], high: int
) -> None:
    """One cell; pictures of a row stand on one line."""
    x, y = at
    left, top = x + (_CELL - cell.picture.width) // 2, y + high - cell.picture.height
    page.paste(cell.picture, (left, top))
    if cell.chosen:
        box = left - 5, top - 5, left + cell.picture.width + 4, top + cell.picture.height + 4
        pen.rectangle(box, outline=_MARK, width=5)
    line = y + high + 8
    bold = font(bundled("DejaVuSans-Bold.ttf"), _NUMBER)
    pen.text((x, line), cell.title, fill=_MARK if cell.chosen else _INK, font=bold)
    line += _NUMBER + 8
    for words in cell.lines:
        pen.text(
            (x, line), words, fill=_FAULT if cell.faulty else _SOFT, font=font(bundled(), _WORDS)
        )
        line += _LINE
