"""A print laid strip by strip, straight into code values: it takes little beside its own pixels.

The same arithmetic as `models.laying`, which keeps what stays from frame to frame; of a print
nothing stays. A strip's layers are asked for when it is laid and let go after it. Light wrap needs
the blurred whole: with it the strips are gone through once more for every subject.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import torch
from torch import Tensor

from models import wrap
from models.color import to_codes
from models.composite import Scene, apply_overlays, over
from models.cut import Placed, Printed
from models.errors import ShapeError
from models.transfer import Transfer, decode, encode
from models.window import bands, moved

STRIP_PIXELS = 8 << 20
"""chosen: an 8x10 print at 300 ppi is one strip; of larger ones a strip's layers, 7 to 14 values a
pixel and as many while words are folded in, take less than the program does without a picture."""

MOST_BYTES = 3_000_000_000
"""The most memory that a process takes which makes a picture of 54 megapixels (20 x 30 inches at
300 ppi) of a still of 24, where the layers above a subject fold into one step. ``scripts/large.py``
measures it; tests hold it a pixel."""


class Strips(Protocol):
    """A template made ready for one picture, whose rows are made when they are asked for."""

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) of the picture."""

    @property
    def order(self) -> tuple[int, ...]:
        """As in `Scene`."""

    @property
    def device(self) -> torch.device:
        """Where its tensors lie."""

    def rows(self, rows: slice) -> Scene:
        """Rows of the picture; they may be asked for more than once, and are not written to."""


@dataclass(frozen=True)
class Whole:
    """A scene that is at hand, as strips."""

    scene: Scene

    @property
    def size(self) -> tuple[int, int]:
        return self.scene.size

    @property
    def order(self) -> tuple[int, ...]:
        return self.scene.order

    @property
    def device(self) -> torch.device:
        return self.scene.below.device

    def rows(self, rows: slice) -> Scene:
        return self.scene.window(rows, slice(0, self.size[1]))


@dataclass(frozen=True)
class _Level:
    """A subject, and what light wrap wants of the whole picture for it."""

    subject: Placed | None
    light: Tensor | None = None
    beyond: Tensor | None = None

    def shared(self, rows: slice) -> slice | None:
        """Those of the picture's rows that show the subject; None for none."""
        if self.subject is None or self.subject.subject is None:
            return None
        return _shared(self.subject.rows, rows)


def strips(size: tuple[int, int], pixels: int | None = None) -> list[slice]:
    """The strips of a picture of (H, W), in whole squares of light wrap.

    Args:
        size: of the picture.
        pixels: about so many a strip; None for `STRIP_PIXELS`.
    """
    step = wrap.square(size)
    high = max((pixels or STRIP_PIXELS) // max(size[1], 1) // step, 1) * step
    return [slice(y, min(y + high, size[0])) for y in range(0, size[0], high)]


class StripLaying:
    """Lays subjects into the strips of prints."""

    def __init__(self, amount: float = 0.0, pixels: int | None = None) -> None:
        """Prepare.

        Args:
            amount: of light wrap, 0 to 1.
            pixels: about so many a strip; None for `STRIP_PIXELS`.
        """
        self._amount, self._pixels = amount, pixels or STRIP_PIXELS

    def __call__(self, placed: Sequence[Placed | None], scenes: Strips, depth: int = 8) -> Printed:
        """Each shadow on what is below, its subject over it, the overlays above, and so on.

        Args:
            placed: one for each slot, None where it stays empty.
            scenes: the template, on the subjects' device.
            depth: bits a sample of the picture, 8 or 16.

        Raises:
            ShapeError: more subjects than slots, or another depth.
        """
        if depth not in (8, 16):
            raise ShapeError(f"lay: got a depth of {depth} bits; need 8 or 16")
        order, size = scenes.order, scenes.size
        if len(placed) > len(order):
            raise ShapeError(
                f"lay: got {len(placed)} subjects for {len(order)} slots; need at most as many"
            )
        parts = strips(size, self._pixels)
        if len(parts) == 1:
            scenes = Whole(scenes.rows(parts[0]))
        levels = [_Level(placed[slot] if slot < len(placed) else None) for slot in order]
        if self._amount > 0:
            for n, level in enumerate(levels):
                if level.subject is not None and level.subject.subject is not None:
                    below = (self._ground(levels, part, scenes, n) for part in parts)
                    light = wrap.glow_of(below, size)
                    levels[n] = _Level(level.subject, light, self._beyond(level.subject, size))
        kind = torch.uint8 if depth == 8 else torch.uint16
        picture = torch.empty((*size, 3), dtype=kind, device=scenes.device)
        covered = 0.0
        for part in parts:
            for band, done, alpha in self._bands(levels, part, scenes, None):
                picture[band] = to_codes(done, depth).to(kind)
                covered += float(alpha.sum(dtype=torch.float64))
        present = [level.subject for level in levels if level.subject is not None]
        fits = [subject.plate_fits for subject in present if subject.plate_fits is not None]
        return Printed(
            picture,
            covered / (size[0] * size[1]),
            all(subject.screen_found for subject in present),
            all(fits) if fits else None,
        )

    def _ground(self, levels: Sequence[_Level], part: slice, scenes: Strips, until: int) -> Tensor:
        """What a subject stands on, linear, with its shadow: (1, 3, part, W)."""
        return torch.cat([x for _, x, _ in self._bands(levels, part, scenes, until)], -2)

    def _bands(
        self, levels: Sequence[_Level], part: slice, scenes: Strips, until: int | None
    ) -> Iterator[tuple[slice, Tensor, Tensor]]:
        """A strip of the picture in bands that stay in the cache.

        Args:
            levels: the subjects, the lowest first.
            part: rows of the picture.
            scenes: the template.
            until: what the subject of this level stands on, in linear light; None for the picture
                itself, encoded.

        Yields:
            Rows of the picture, (1, 3, rows, W), and the subjects' coverage there.
        """
        scene, width = scenes.rows(part), scenes.size[1]
        high = levels if until is None else levels[:until]
        rows = [level.shared(part) for level in high]
        taken = [
            None if r is None or level.subject is None else level.subject.taken(r)
            for r, level in zip(rows, high, strict=True)
        ]
        for band in bands(part, width, scene.below.device):
            inner = scene.window(moved(band, -part.start), slice(0, width))
            ground = inner.below.clone()
            alpha = ground.new_zeros(1, 1, *ground.shape[-2:])
            for n, (level, steps) in enumerate(zip(levels, inner.runs, strict=True)):
                _shade(ground, band, level.subject)
                if n == until:
                    break
                own, pm = rows[n], taken[n]
                here = None if own is None else _shared(own, band)
                if own is not None and pm is not None and here is not None:
                    shown = pm[..., here.start - own.start : here.stop - own.start, :]
                    self._stand(level, shown, here, band, scenes.size, ground, alpha)
                ground = apply_overlays(encode(ground, Transfer.SRGB), steps)
                if n + 1 < len(levels):
                    ground = decode(ground, Transfer.SRGB)
            yield band, ground, alpha

    def _stand(
        self,
        level: _Level,
        shown: Tensor,
        here: slice,
        band: slice,
        size: tuple[int, int],
        ground: Tensor,
        alpha: Tensor,
    ) -> None:
        """Rows of a subject laid on those of the ground; their coverage into ``alpha``."""
        subject = level.subject
        if subject is None:
            return
        cover, front = shown[:, 3:4].clamp(0, 1), shown[:, 0:3].clamp_min(0)
        if level.light is not None and level.beyond is not None:
            part = moved(here, -subject.rows.start)
            front = wrap.wrapped(
                front, cover, level.light, level.beyond, here, part, subject.columns, size,
                self._amount,
            )  # fmt: skip
        window = (Ellipsis, moved(here, -band.start), subject.columns)
        ground[window] = over(front, cover, ground[window])
        alpha[window] += (1 - alpha[window]) * cover

    def _beyond(self, subject: Placed, size: tuple[int, int]) -> Tensor:
        step = wrap.square(size)
        width = max(subject.columns.stop - subject.columns.start, 1)
        high = max(self._pixels // width // step, 1) * step
        first, last = subject.rows.start, subject.rows.stop
        parts = (slice(y, min(y + high, last)) for y in range(first, last, high))
        return wrap.outside((subject.taken(p)[:, 3:4].clamp(0, 1) for p in parts), size)


def _shared(one: slice, other: slice) -> slice | None:
    first, last = max(one.start, other.start), min(one.stop, other.stop)
    return slice(first, last) if last > first else None


def _shade(ground: Tensor, band: slice, subject: Placed | None) -> None:
    """A subject's shadow on rows of the ground."""
    shade = None if subject is None else subject.shade
    here = None if shade is None else _shared(shade.rows, band)
    if shade is None or here is None:
        return
    left = shade.left[..., here.start - shade.rows.start : here.stop - shade.rows.start, :]
    ground[..., here.start - band.start : here.stop - band.start, shade.columns] *= left
