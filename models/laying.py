"""A placed subject, its shadow and the light around it, between a template's two halves."""

from __future__ import annotations

from torch import Tensor

from models.color import to_codes
from models.composite import Scene, apply_overlays, over
from models.cut import Composite, Placed
from models.transfer import Transfer, encode
from models.wrap import glow, light_wrap


class Laying:
    """Lays subjects into scenes; keeps what stays the same from frame to frame."""

    def __init__(self, wrap: float = 0.0) -> None:
        """Prepare.

        Args:
            wrap: amount of light wrap, 0 to 1.
        """
        self._wrap = wrap
        self._bare: tuple[Scene, int, Tensor] | None = None
        self._glow: tuple[Tensor, Tensor] | None = None

    def __call__(self, placed: Placed, scene: Scene, depth: int = 8) -> Composite:
        """The shadow on what is below, the subject over it, the overlays above.

        Args:
            placed: a subject placed for a picture of the scene's size.
            scene: the template, on the subject's device.
            depth: bits a channel of the picture, 8 or 16.
        """
        picture = self._bare_picture(scene, depth).clone()
        alpha = scene.below.new_zeros(1, 1, *scene.size)
        below, shade = scene.below, placed.shade
        if shade is not None:
            below = below.clone()
            below[..., shade.rows, shade.columns] *= shade.left
            above = scene.window(shade.rows, shade.columns).overlays
            plain = encode(below[..., shade.rows, shade.columns], Transfer.SRGB)
            picture[shade.rows, shade.columns] = to_codes(apply_overlays(plain, above), depth)
        if placed.subject_pm is not None:
            rows, columns = placed.rows, placed.columns
            near = scene.window(rows, columns)
            cover = placed.subject_pm[:, 3:4].clamp(0, 1)
            front = placed.subject_pm[:, 0:3].clamp_min(0)
            if self._wrap > 0:
                light = self._light(below)
                front = light_wrap(front, cover, light, rows, columns, scene.size, self._wrap)
            mixed = encode(over(front, cover, below[..., rows, columns]), Transfer.SRGB)
            picture[rows, columns] = to_codes(apply_overlays(mixed, near.overlays), depth)
            alpha[..., rows, columns] = cover
        return Composite(picture, alpha, placed.screen_found, placed.plate_fits)

    def _bare_picture(self, scene: Scene, depth: int) -> Tensor:
        """The template without anybody, as codes: made once a scene."""
        if self._bare is None or self._bare[0] is not scene or self._bare[1] != depth:
            plain = apply_overlays(encode(scene.below, Transfer.SRGB), scene.overlays)
            self._bare = scene, depth, to_codes(plain, depth)
        return self._bare[2]

    def _light(self, below: Tensor) -> Tensor:
        """What a background throws around: made once for one that stays."""
        if self._glow is None or self._glow[0] is not below:
            self._glow = below, glow(below)
        return self._glow[1]
