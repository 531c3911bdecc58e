"""A number in every frame of a clip, as squares that keying, scaling and JPEG leave readable.

Two rows of eight squares, white or black on a grey ground with a wide rim: colours that are
foreign to the screen, so that they are keyed as subject. Twelve bits are the frame's number, four
its check.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from models.resample import Placement

Codes = NDArray[np.uint8]

COLUMNS, ROWS = 8, 2
FPS = 30
MOST = 1 << 12
# Y', Cb, Cr, narrow range: ground, zero, one.
_GROUND, _ZERO, _ONE = 110, 20, 230
_NARROW, _BT709 = 1, 1


def check(number: int) -> int:
    """Four bits that follow from twelve: the sum of its digits, turned round."""
    return 15 ^ ((number + (number >> 4) + (number >> 8)) & 15)


def bits(number: int) -> list[bool]:
    """The sixteen squares, row by row.

    Raises:
        ValueError: the number needs more than twelve bits.
    """
    if not 0 <= number < MOST:
        raise ValueError(f"time code: got {number}; need 0 to {MOST - 1}")
    word = number << 4 | check(number)
    return [bool(word >> (15 - i) & 1) for i in range(16)]


def number_of(squares: list[bool]) -> int | None:
    """The reverse of `bits`; None where the check does not hold."""
    word = sum(1 << (15 - i) for i, one in enumerate(squares) if one)
    number = word >> 4
    return number if check(number) == word & 15 else None


@dataclass(frozen=True)
class Patch:
    """Where the squares lie, in pixels of a picture: left and upper edge, side of a square."""

    x: float
    y: float
    side: float

    def scaled(self, scale: float) -> Patch:
        """The same on a larger or smaller frame."""
        return Patch(self.x * scale, self.y * scale, self.side * scale)

    def placed(self, at: Placement) -> Patch:
        """Where it lies once the frame is laid into a picture; not for mirrored frames."""
        return Patch(at.dx + self.x * at.scale, at.dy + self.y * at.scale, self.side * at.scale)

    def centres(self) -> list[tuple[float, float]]:
        """x and y of the middle of each square, in the order of `bits`."""
        return [
            (self.x + (column + 0.5) * self.side, self.y + (row + 0.5) * self.side)
            for row in range(ROWS)
            for column in range(COLUMNS)
        ]


PLACE = Patch(540, 32, 24)
"""On frames of 1280x720: above the head of the demo's subject, inside what its designs show."""


def paint(planes: list[Codes], number: int, patch: Patch) -> None:
    """Paint a number into Y', Cb, Cr with chroma at half size."""
    left, top, side = round(patch.x), round(patch.y), round(patch.side)
    rim = side // 2
    rows = slice(top - rim, top + ROWS * side + rim)
    columns = slice(left - rim, left + COLUMNS * side + rim)
    planes[0][rows, columns] = _GROUND
    for plane in planes[1:]:
        plane[rows.start // 2 : rows.stop // 2, columns.start // 2 : columns.stop // 2] = 128
    for i, one in enumerate(bits(number)):
        y, x = top + i // COLUMNS * side, left + i % COLUMNS * side
        planes[0][y : y + side, x : x + side] = _ONE if one else _ZERO


def _frames(path: Path, skip: int, scale: float) -> Iterator[list[Codes]]:
    with av.open(str(path)) as film:
        for index, frame in enumerate(film.decode(video=0)):
            if index < skip:
                continue
            flat = frame.to_ndarray(format="yuv420p")
            height, width = frame.height, frame.width
            y, rest = flat[:height], flat[height:].reshape(2, height // 2, width // 2)
            planes = [y, rest[0], rest[1]]
            yield [
                np.asarray(cv2.resize(p, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC),
                           np.uint8) if scale != 1 else p.copy()
                for p in planes
            ]  # fmt: skip


def write_clip(path: Path, source: Path, scale: float, *, skip: int = 30, most: int = MOST) -> int:
    """A clip's frames, scaled, numbered from 0, as H.264 at 30 frames a second.

    Args:
        path: the file to write.
        source: the demo's landscape clip, 1280x720.
        scale: 1.5 makes 1920x1080.
        skip: frames that are left out at its beginning: the empty screen.
        most: so many frames at the most.

    Returns:
        How many frames it has.
    """
    patch, count = PLACE.scaled(scale), 0
    with av.open(str(path), "w") as film:
        options = {"crf": "19", "preset": "veryfast", "threads": "2", "x264-params": "chromaloc=0"}
        picture = film.add_stream("libx264", FPS, options=options)
        for planes in _frames(source, skip, scale):
            if count == most:
                break
            height, width = planes[0].shape
            if count == 0:
                picture.width, picture.height, picture.pix_fmt = width, height, "yuv420p"
                coder = picture.codec_context
                coder.color_range = _NARROW
                coder.color_primaries = coder.color_trc = coder.colorspace = _BT709
            paint(planes, count, patch)
            stored = np.concatenate([p.reshape(-1) for p in planes]).reshape(-1, width)
            frame = av.VideoFrame.from_ndarray(stored, "yuv420p")
            frame.pts = count
            film.mux(picture.encode(frame))
            count += 1
        film.mux(picture.encode())
    return count


WATCH = """
(() => {
  const places = %s, width = %d, height = %d;
  const drawn = [];
  window.bench = { take: () => drawn.splice(0) };
  const draw = CanvasRenderingContext2D.prototype.drawImage;
  CanvasRenderingContext2D.prototype.drawImage = function (...args) {
    draw.apply(this, args);
    if (this.canvas.id !== "picture") return;
    const sx = this.canvas.width / width, sy = this.canvas.height / height;
    const xs = places.map((p) => p[0] * sx), ys = places.map((p) => p[1] * sy);
    const left = Math.floor(Math.min(...xs)) - 2, top = Math.floor(Math.min(...ys)) - 2;
    const w = Math.ceil(Math.max(...xs)) + 3 - left, h = Math.ceil(Math.max(...ys)) + 3 - top;
    // Reading makes the browser finish the drawing first: its time counts.
    const seen = this.getImageData(left, top, w, h).data;
    const at = performance.timeOrigin + performance.now();
    let word = 0;
    for (let i = 0; i < places.length; i++) {
      let sum = 0;
      for (let dy = -1; dy < 2; dy++) for (let dx = -1; dx < 2; dx++) {
        const x = Math.floor(xs[i]) + dx - left, y = Math.floor(ys[i]) + dy - top;
        sum += seen[4 * (y * w + x) + 1];
      }
      word = word * 2 + (sum > 9 * 127 ? 1 : 0);
    }
    drawn.push([at, word]);
  };
})();
"""
"""Script for the page, before its own: after each drawing, when it was and the sixteen squares."""


def watching(patch: Patch, size: tuple[int, int]) -> str:
    """`WATCH` for a picture of (H, W) with the squares at ``patch``, at any size of the canvas."""
    places = [[round(x, 2), round(y, 2)] for x, y in patch.centres()]
    return WATCH % (places, size[1], size[0])


def read_word(word: int) -> int | None:
    """The number in the sixteen bits that the page read; None where it misread them."""
    return number_of([bool(word >> (15 - i) & 1) for i in range(16)])
