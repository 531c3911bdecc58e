"""The live grade in OpenCV and NumPy, as a good engineer would write it without a compiler.

The same arithmetic as `models.keyer.Keyer` of the live grade: `core` is all work on single pixels,
with the small fields of the analysis given; `whole` makes those, too (`scripts.baseline_analysis`).
OpenCV wherever it has the operation, in float32; transfer curves are tables of 65536 values, and
the network runs on NumPy's matrix product. What `Keyer` sets by hand (choke, strokes, shadow, light
wrap) is left out, as is a second subject; designed layers above the subject must be affine.

Against the reference the curves' tables are off by up to half a step of 1/65535, and sums run in
another order.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from models.color import LUMA_WEIGHTS, Encoding, Matrix, Planes
from models.composite import Scene
from models.despill import GIVEN_BACK, TRUST
from models.features import FLOOR as LEAST_LIGHT
from models.laying import Laying
from models.plate import Plate
from models.pyramid import extent
from models.resample import Placement, visible
from models.settings import KeySettings
from models.transfer import Transfer, encode
from models.window import inside, moved, scaled
from scripts.baseline_analysis import Analysis
from scripts.baseline_areas import Floats, Reduction, Size, enlarge, enlarge_part
from scripts.baseline_fields import Fields
from scripts.baseline_linear import TOP, linear
from scripts.baseline_network import Network

Codes = NDArray[np.uint8]

_KR, _KB = LUMA_WEIGHTS[Matrix.BT709]
LUMA = np.array([_KR, 1 - _KR - _KB, _KB], np.float32)
_BATCH = 1 << 13
"""Pixels described at once: what is known of so many fits a core's own cache."""


@lru_cache(maxsize=1)
def _to_encoded() -> Floats:
    return encode(torch.linspace(0, 1, 65536), Transfer.SRGB).numpy().reshape(1, -1)


@lru_cache(maxsize=1)
def _to_codes() -> Codes:
    return np.asarray(np.floor(_to_encoded() * 255 + 0.5), np.uint8)


@dataclass(frozen=True)
class Ground:
    """A scene made ready once: what is below the subject, and what above it.

    Attributes:
        below: (H, W, 3) float32, linear.
        codes: (H, W, 3) uint8, the picture without anybody.
        steps: gain and offset of each designed layer above, (H, W, 3) float32.
    """

    below: Floats
    codes: Codes
    steps: tuple[tuple[Floats, Floats], ...]

    @classmethod
    def of(cls, scene: Scene) -> Ground:
        """Prepare.

        Raises:
            ValueError: layers that are not affine, or several slots.
        """
        steps = []
        for step in scene.overlays:
            if step.gain is None or step.offset is None:
                raise ValueError(f"baseline: got a layer of mode {step.mode}; need an affine one")
            shape = (1, 3, *scene.size)
            steps.append((_hwc(step.gain.expand(shape)), _hwc(step.offset.expand(shape))))
        if len(scene.order) > 1:
            raise ValueError(f"baseline: got {len(scene.order)} slots; need one")
        return cls(_hwc(scene.below), Laying()([], scene).picture.numpy(), tuple(steps))

    @property
    def size(self) -> Size:
        """(H, W)."""
        return self.below.shape[0], self.below.shape[1]


def _hwc(x: torch.Tensor) -> Floats:
    return np.ascontiguousarray(x[0].permute(1, 2, 0).numpy())


class Baseline:
    """The live grade for the frames of one clip.

    Args:
        settings: what a person set; only the points of the matte and the despill count.
    """

    def __init__(self, settings: KeySettings | None = None) -> None:
        self._settings = settings or KeySettings()
        self._network = Network()
        self._analysis = Analysis()

    def set_plate(self, plate: Plate | None) -> None:
        """Keep a clean plate, as the reference read it at analysis size, or drop it."""
        self._analysis.set_plate(plate)

    def whole(
        self, planes: Planes, encoding: Encoding, ground: Ground, place: Placement
    ) -> tuple[Codes, Floats]:
        """`core` with the analysis of the frame before it.

        Raises:
            ValueError: the frame shows no screen.
        """
        fields = self._analysis(planes, encoding)
        if fields is None:
            raise ValueError("baseline: got a frame without a screen; need one with a screen")
        return self.core(planes, encoding, fields, ground, place)

    def core(
        self, planes: Planes, encoding: Encoding, fields: Fields, ground: Ground, place: Placement
    ) -> tuple[Codes, Floats]:
        """A frame's subject in the picture.

        Args:
            planes: three upright tensors, as `Keyer.composite` takes them.
            encoding: how to read them.
            fields: what the analysis of the frame told.
            ground: the scene.
            place: where the frame lies.

        Returns:
            (H, W, 3) uint8, and (H, W) float32 alpha in the picture.
        """
        codes, cover = ground.codes.copy(), np.zeros(ground.size, np.float32)
        frame = (planes[0].shape[0], planes[0].shape[1])
        seen = visible(frame, place, ground.size)
        if seen is None:
            return codes, cover
        rows, columns, part = seen
        full, origin = frame, (rows.start, columns.start)
        have = (rows.stop - rows.start, columns.stop - columns.start)
        size, shrink = have, min(1.0, part.scale)
        if shrink < 1:
            full, size = scaled(full, shrink), scaled(size, shrink)
            origin = (
                min(round(origin[0] * shrink), full[0] - 1),
                min(round(origin[1] * shrink), full[1] - 1),
            )
            size = min(size[0], full[0] - origin[0]), min(size[1], full[1] - origin[1])
        window = inside(fields.where, shrink, origin, size)
        if window is None:
            return codes, cover
        if shrink < 1:
            smaller = Reduction(have, size, window)
            down, across = smaller.source
            rgb = smaller(
                linear(planes, encoding, moved(down, rows.start), moved(across, columns.start))
            )
        else:
            rgb = linear(planes, encoding, moved(window[0], origin[0]), moved(window[1], origin[1]))
        keyed = self._keyed(
            rgb, fields, moved(window[0], origin[0]), moved(window[1], origin[1]), full, shrink
        )
        self._lay(keyed, window, size, part, part.scale / shrink, ground, codes, cover)
        return codes, cover

    def _keyed(
        self, rgb: Floats, fields: Fields, rows: slice, columns: slice, full: Size, scale: float
    ) -> Floats:
        """(h, w, 4): the window's subject, premultiplied, and alpha."""
        key, other = fields.key, 3 - fields.key
        back = np.ascontiguousarray(enlarge_part(fields.color, rows, columns, full))
        near, solid, hold_out = cv2.split(enlarge_part(fields.masks, rows, columns, full))
        excess, own = _difference(rgb, key), _difference(back, key)
        rough = np.asarray((1 - excess / np.maximum(own, 1e-3)) * (1 - hold_out), np.float32)
        is_solid = (solid > 0.99) & (rough > 0.5)
        index = np.flatnonzero((near > 0) & ~is_solid)
        alpha = is_solid.astype(np.float32).reshape(-1)
        flat, flat_back = rgb.reshape(-1, 3), back.reshape(-1, 3)
        fg = flat.copy()
        self._ask(rgb, flat, flat_back, rough, index, fields, rows, columns, full, scale, alpha, fg)
        seen = np.flatnonzero(alpha)
        a = alpha[seen, None]
        color, behind = fg[seen], flat_back[seen]
        own_key = np.ascontiguousarray(enlarge_part(fields.own_key, rows, columns, full))
        kept = own_key.reshape(-1)[seen]
        t = np.clip((kept - 0.02) / 0.1, 0, 1)
        kept = kept * (t * t * (3 - 2 * t))
        share = _above(color, key, other, kept) / np.maximum(_above(behind, key, other, kept), 1e-3)
        share = np.clip(share, 0, 1)[:, None] * np.float32(self._settings.despill)
        given = GIVEN_BACK * self._settings.despill_luminance
        color += share * ((behind @ LUMA)[:, None] * np.float32(given) - behind)
        keyed = np.zeros((flat.shape[0], 4), np.float32)
        keyed[seen] = np.concatenate([np.clip(color, 0, 1) * a, a], 1)
        return keyed.reshape(*rgb.shape[:2], 4)

    def _ask(
        self, rgb: Floats, flat: Floats, back: Floats, rough: Floats, index: NDArray[np.intp],
        fields: Fields, rows: slice, columns: slice, full: Size, scale: float,
        alpha: Floats, fg: Floats,
    ) -> None:  # fmt: skip
        """Alpha and unmixed colour of the pixels that are neither screen nor subject."""
        width = rgb.shape[1]
        whole = extent((fields.color.shape[0], fields.color.shape[1]), full)
        key = fields.key
        luma = cv2.transform(rgb, LUMA[None])
        around = [
            cv2.copyMakeBorder(x, 1, 1, 1, 1, cv2.BORDER_REPLICATE).reshape(-1)
            for x in (rough, luma)
        ]
        steps = (width + 2) * np.array([0, -1, -1, -1, 0, 0, 1, 1, 1]) + np.array(
            [0, -1, 0, 1, -1, 1, -1, 0, 1]
        )
        black, white = self._settings.black_point, self._settings.white_point
        for start in range(0, len(index), _BATCH):
            at = index[start : start + _BATCH]
            down, across = np.divmod(at, width)
            beside = ((down + 1) * (width + 2) + across + 1)[:, None] + steps
            own, behind = flat[at], back[at]
            level = np.maximum(behind[:, key : key + 1], LEAST_LIGHT)
            told = np.empty((len(at), self._network.inputs), np.float32)
            np.clip(own[:, [key, 0, 3 - key]] / level, 0, 6, out=told[:, 0:3])
            np.minimum(level, 2, out=told[:, 3:4])
            np.clip(around[1][beside] / level, 0, 6, out=told[:, 14:23])
            np.sqrt(told[:, 0:4], out=told[:, 0:4])
            np.sqrt(told[:, 14:23], out=told[:, 14:23])
            told[:, 4] = fields.noise * min(1.0, scale)
            np.clip(around[0][beside], -0.3, 1.3, out=told[:, 5:14])
            row = ((down + (rows.start + 0.5)) / whole[0]).astype(np.float32)
            column = ((across + (columns.start + 0.5)) / whole[1]).astype(np.float32)
            found = _looked_up(fields.around, row, column)
            told[:, 23:42] = found[:, :19]
            told[:, 42:] = _looked_up(fields.shapes, row, column)
            a = self._network.alpha(told)
            a = np.clip((a - black) / (white - black), 0, 1)
            clear = 1 - a[:, None]
            doubt = TRUST * clear
            mixed = a[:, None] * (own - clear * behind) + doubt * found[:, 19:22]
            fg[at] = np.maximum(mixed / np.maximum(a[:, None] ** 2 + doubt, 1e-6), 0)
            alpha[at] = a

    def _lay(
        self, keyed: Floats, window: tuple[slice, slice], size: Size, part: Placement,
        scale: float, ground: Ground, codes: Codes, cover: Floats,
    ) -> None:  # fmt: skip
        """Place the subject, lay it over what is below, and what is above over it."""
        wanted = max(1, round(size[0] * scale)), max(1, round(size[1] * scale))
        if wanted == size:
            shown, corner = keyed, (window[0].start, window[1].start)
        else:
            shown = np.zeros((*size, 4), np.float32)
            shown[window] = keyed
            shown, corner = enlarge(shown, wanted), (0, 0)
        if part.mirror:
            corner = corner[0], wanted[1] - corner[1] - shown.shape[1]
            shown = np.asarray(cv2.flip(shown, 1), np.float32)
        spans = []
        for first, have, start, want in zip(
            corner, shown.shape, (part.dy, part.dx), ground.size, strict=False
        ):
            to = round(start) + first
            spans.append((slice(max(to, 0), min(to + have, want)), max(-to, 0)))
        (rows, top), (columns, left) = spans
        if rows.stop <= rows.start or columns.stop <= columns.start:
            return
        shown = shown[
            top : top + rows.stop - rows.start, left : left + columns.stop - columns.start
        ]
        a = np.ascontiguousarray(shown[..., 3])
        clear = cv2.merge([1 - a] * 3)
        mixed = cv2.multiply(clear, ground.below[rows, columns])
        mixed = cv2.add(mixed, np.ascontiguousarray(shown[..., :3]))
        fine = cv2.addWeighted(mixed, TOP, mixed, 0.0, 0.0, dtype=cv2.CV_16U)
        cover[rows, columns] = a
        if not ground.steps:
            codes[rows, columns] = cv2.LUT(fine, _to_codes())
            return
        picture = cv2.LUT(fine, _to_encoded())
        for gain, offset in ground.steps:
            picture = cv2.multiply(picture, gain[rows, columns])
            picture = cv2.add(picture, offset[rows, columns])
        codes[rows, columns] = cv2.convertScaleAbs(picture, alpha=255.0)


def _difference(rgb: Floats, key: int) -> Floats:
    planes = cv2.split(rgb)
    larger = cv2.max(planes[0], planes[3 - key])
    return np.asarray(cv2.subtract(planes[key], larger), np.float32)


def _above(rgb: Floats, key: int, other: int, kept: Floats) -> Floats:
    """What the screen's channel has above its limit; see `models.despill`."""
    first, second = rgb[:, 0], rgb[:, other]
    limit = np.minimum(np.maximum(first, second), (first + second) * (kept + np.float32(0.5)))
    return np.asarray(rgb[:, key] - limit, np.float32)


def _looked_up(field: Floats, row: Floats, column: Floats) -> Floats:
    """(N, C): linear interpolation of (h, w, C) at places in [0, 1]."""
    height, width, channels = field.shape
    flat = field.reshape(-1, channels)
    y = np.clip(row * height - np.float32(0.5), 0, height - 1)
    x = np.clip(column * width - np.float32(0.5), 0, width - 1)
    top, left = y.astype(np.intp), x.astype(np.intp)
    dy, dx = (y - top)[:, None].astype(np.float32), (x - left)[:, None].astype(np.float32)
    at = top * width + left
    right = np.minimum(left + 1, width - 1) - left
    down = (np.minimum(top + 1, height - 1) - top) * width
    upper = flat[at] * (1 - dx) + flat[at + right] * dx
    lower = flat[at + down] * (1 - dx) + flat[at + down + right] * dx
    return np.asarray(upper * (1 - dy) + lower * dy, np.float32)
