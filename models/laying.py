"""Placed subjects, their shadows and the light around them, between a template's layers."""

from __future__ import annotations

import weakref
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import torch
from torch import Tensor

from models.color import to_codes
from models.composite import Overlay, Scene, apply_overlays, over
from models.cut import Composite, Placed
from models.errors import ShapeError
from models.transfer import Transfer, decode, encode
from models.window import bands
from models.wrap import glow, light_wrap

if TYPE_CHECKING:
    from models.kernels.cpu.core import Core

_Window = tuple[slice, slice]
_Linear = Callable[[slice], Tensor]
"""Gives rows of a picture, within a window, in linear light."""


class Laying:
    """Lays subjects into scenes; keeps what stays the same from frame to frame."""

    def __init__(self, wrap: float = 0.0) -> None:
        """Prepare.

        Args:
            wrap: amount of light wrap, 0 to 1.
        """
        self._wrap = wrap
        self.core: Core | None = None
        """Lays what it covers in place of torch."""
        # A scene can be hundreds of megabytes, so that none is held longer than its owner does.
        self._bare: tuple[weakref.ref[Scene], int, tuple[Tensor, ...], Tensor] | None = None
        self._glow: dict[int, tuple[weakref.ref[Tensor], Tensor]] = {}

    def __call__(
        self, placed: Placed | Sequence[Placed | None], scene: Scene, depth: int = 8
    ) -> Composite:
        """Each shadow on what is below, its subject over it, the overlays above, and so on.

        Args:
            placed: subjects placed for a picture of the scene's size, one for each slot, None
                where it stays empty; or the subject of the first slot alone.
            scene: the template, on the subjects' device.
            depth: bits a sample of the picture, 8 or 16.

        Raises:
            ShapeError: more subjects than slots, or another depth.
        """
        given = [placed] if isinstance(placed, Placed) else list(placed)
        if len(given) > len(scene.order):
            raise ShapeError(
                f"lay: got {len(given)} subjects for {len(scene.order)} slots; need at most as many"
            )
        if depth not in (8, 16):
            raise ShapeError(f"lay: got a depth of {depth} bits; need 8 or 16")
        grounds, codes = self.bare_picture(scene, depth)
        picture, below = codes.clone(), grounds[0]
        alpha = below.new_zeros(1, 1, *scene.size)
        if depth == 8 and self._laid_by_core(given, scene, picture, alpha):
            return _composite(picture, alpha, given)
        subjects = [None if subject is None else subject.at_hand for subject in given]
        changed: list[_Window] = []
        for level, (slot, steps) in enumerate(zip(scene.order, scene.runs, strict=True)):
            subject = subjects[slot] if slot < len(subjects) else None
            patches = [] if subject is None else self._patches(subject, below, level, not changed)
            redone = [(window, _under(below, window)) for window in changed]
            last = level + 1 == len(scene.order)
            if not last:
                ground = grounds[level + 1]
                below = ground.clone() if redone or patches else ground
            for (rows, columns), linear in redone + patches:
                for band in bands(rows, columns.stop - columns.start, picture.device):
                    done = _stepped(linear(band), [s.window(band, columns) for s in steps])
                    if last:
                        picture[band, columns] = to_codes(done, depth)
                    else:
                        below[..., band, columns] = decode(done, Transfer.SRGB)
            changed += [window for window, _ in patches]
            if subject is not None and subject.subject_pm is not None:
                there = alpha[..., subject.rows, subject.columns]
                there += (1 - there) * subject.subject_pm[:, 3:4].clamp(0, 1)
        return _composite(picture, alpha, subjects)

    def _laid_by_core(
        self, subjects: Sequence[Placed | None], scene: Scene, picture: Tensor, alpha: Tensor
    ) -> bool:
        """Lay one subject without a shadow by the compiled core; False where torch has to."""
        present = [s for s in subjects if s is not None and (s.subject is not None or s.shade)]
        if self.core is None or len(present) != 1 or present[0].shade is not None:
            return False
        one = present[0].subject
        if one is None:
            return False
        return self.core.lay(one, present[0].rows, present[0].columns, scene, picture, alpha)

    def _patches(
        self, placed: Placed, below: Tensor, level: int, untouched: bool
    ) -> list[tuple[_Window, _Linear]]:
        """What a subject changes of the picture below it: windows, the later on top."""
        out: list[tuple[_Window, _Linear]] = []
        shade = placed.shade
        if shade is not None:
            below, untouched = below.clone(), False
            shaded = below[..., shade.rows, shade.columns]
            shaded *= shade.left
            window = shade.rows, shade.columns
            out.append((window, _under(below, window)))
        if placed.subject_pm is not None:
            rows, columns = placed.rows, placed.columns
            subject, wrapped = placed.subject_pm, None
            if self._wrap > 0:
                cover, front = subject[:, 3:4].clamp(0, 1), subject[:, 0:3].clamp_min(0)
                size = (below.shape[-2], below.shape[-1])
                light = self._light(below, level) if untouched else glow(below)
                wrapped = light_wrap(front, cover, light, rows, columns, size, self._wrap)

            def linear(band: slice) -> Tensor:
                inner = slice(band.start - rows.start, band.stop - rows.start)
                cover = subject[:, 3:4, inner].clamp(0, 1)
                front = (
                    subject[:, 0:3, inner].clamp_min(0)
                    if wrapped is None
                    else (wrapped[..., inner, :])
                )
                return over(front, cover, below[..., band, columns])

            out.append(((rows, columns), linear))
        return out

    def bare_picture(self, scene: Scene, depth: int) -> tuple[tuple[Tensor, ...], Tensor]:
        """The template without anybody, made once a scene: linear below each slot, and codes."""
        if self._bare is None or self._bare[0]() is not scene or self._bare[1] != depth:
            self._glow.clear()
            self._bare = None
            rows, columns = slice(0, scene.size[0]), slice(0, scene.size[1])
            device = scene.below.device

            def stepped(ground: Tensor, steps: Sequence[Overlay]) -> Iterator[Tensor]:
                for band in bands(rows, scene.size[1], device):
                    inner = [s.window(band, columns) for s in steps]
                    yield _stepped(ground[..., band, columns], inner)

            ground, grounds = scene.below, []
            for steps in scene.between:
                ground = torch.cat([decode(x, Transfer.SRGB) for x in stepped(ground, steps)], -2)
                grounds.append(ground)
            codes = torch.cat([to_codes(x, depth) for x in stepped(ground, scene.overlays)])
            self._bare = weakref.ref(scene), depth, tuple(grounds), codes
        return (scene.below, *self._bare[2]), self._bare[3]

    def _light(self, ground: Tensor, level: int) -> Tensor:
        """What a background throws around: made once for one that stays."""
        if level not in self._glow or self._glow[level][0]() is not ground:
            self._glow[level] = weakref.ref(ground), glow(ground)
        return self._glow[level][1]


def _composite(picture: Tensor, alpha: Tensor, subjects: Sequence[Placed | None]) -> Composite:
    """A finished picture, with what its subjects' frames told."""
    present = [subject for subject in subjects if subject is not None]
    fits = [subject.plate_fits for subject in present if subject.plate_fits is not None]
    found = all(subject.screen_found for subject in present)
    return Composite(picture, alpha, found, all(fits) if fits else None)


def _under(below: Tensor, window: _Window) -> _Linear:
    """A window of a picture as it is."""
    return lambda band: below[..., band, window[1]]


def _stepped(linear: Tensor, steps: Sequence[Overlay]) -> Tensor:
    """A linear picture encoded, with steps above it."""
    return apply_overlays(encode(linear, Transfer.SRGB), steps)
