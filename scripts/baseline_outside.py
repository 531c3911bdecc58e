"""What lies outside the screen, in OpenCV and NumPy: what `models.outside` says in torch."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.outside import CELLS, CHANGED, LEAST
from models.outside import outside_of_plate as of_plate
from models.plate import Plate
from scripts.baseline_areas import Floats, enlarge, grow, pool, shrink, size_of, soften
from scripts.baseline_screen import Screen

Mask = NDArray[np.bool_]


class Outside:
    """Adds what is outside to a screen's hold-out, where that is safe.

    Args:
        plate: the clean plate. What it alone tells is looked for once.
    """

    def __init__(self, plate: Plate | None) -> None:
        self._of_plate: tuple[Floats, ...] | None = None
        if plate is not None:
            self._of_plate = tuple(x[0, 0].numpy() for x in of_plate(plate))
            then = np.log2(np.ascontiguousarray(plate.shown[0].permute(1, 2, 0).numpy()) + LEAST)
            self._then = then.astype(np.float32)
            # Two pixels of play: an edge that moved a little is no change.
            self._reach = grow(self._then, 2), shrink(self._then, 2)

    def __call__(self, rgb: Floats, screen: Screen, plate_fits: bool) -> Screen:
        """The screen with the larger hold-out."""
        if self._of_plate is None or not plate_fits:
            cells = _largest_part(pool(screen.sure, max(1, round(max(rgb.shape) / CELLS))))
            return screen._replace(hold_out=np.maximum(screen.hold_out, _strips(cells, rgb)))
        proposed, below, marks = self._of_plate
        if float(proposed.sum() + marks.sum()) == 0:
            return screen
        changed = self._changed(rgb, screen)
        away = proposed * (1 - below) * (1 - changed)
        if not (below * proposed * changed).any():
            away = np.maximum(away, below * proposed)
        away = np.maximum(away, marks * (1 - changed))
        return screen._replace(hold_out=np.maximum(screen.hold_out, away))

    def _changed(self, rgb: Floats, screen: Screen) -> Floats:
        """Where the frame does not show what the plate shows, grown and closed."""
        now = np.log2(soften(soften(rgb)) + np.float32(LEAST))
        known = float(screen.sure.sum())
        if known > 0:
            now = now - ((now - self._then) * screen.sure[..., None]).sum((0, 1)) / known
        off = np.maximum(now - self._reach[0], self._reach[1] - now).max(2) > CHANGED
        gone = off.astype(np.float32) * (1 - soften(screen.sure))
        size = max(rgb.shape)
        fine, gap, margin = max(1, size // 400), max(2, size // 60), max(1, size // 120)
        solid = grow(shrink(gone, fine), fine + margin)
        return shrink(grow(solid, gap), gap)


def _largest_part(cells: Floats) -> Floats:
    whole = (cells > 0.5).astype(np.float32)
    opened = grow(shrink(whole, 1), 2) * whole
    return opened if opened.any() else whole


def _strips(bare: Floats, rgb: Floats) -> Floats:
    """Strips along the left, right and upper side that end in one straight line of screen."""
    out = np.zeros(size_of(rgb), np.float32)
    cells = np.asarray(bare > 0.5, np.bool_)
    # The floor's side is never cut.
    left, right, upper = _strip(cells), _strip(cells[:, ::-1]), _strip(cells.T)
    right = None if right is None else right[:, ::-1]
    upper = None if upper is None else upper.T
    for cut in (left, right, upper):
        if cut is not None:
            out = np.maximum(out, enlarge(np.ascontiguousarray(cut), size_of(rgb)))
    return out


def _middle(x: Floats) -> float:
    """The lower median, as in torch."""
    return float(np.partition(x, (len(x) - 1) // 2)[(len(x) - 1) // 2])


def _strip(cells: Mask) -> Floats | None:
    """The strip left of the screen, (h, w) in [0, 1]; None where it is not plainly one."""
    height, width = cells.shape
    seen = np.asarray(cells.any(1), np.bool_)
    long = int(seen.sum())
    if width < 12 or long < max(12, 0.6 * height) or not seen[:long].all():
        return None
    whole, cells, height = cells, cells[:long], long
    first = cells.argmax(1).astype(np.float32)
    if _middle(first) < 2:
        return None
    rows, half = np.arange(height, dtype=np.float32), height // 2
    slope = _middle((first[height - half :] - first[:half]) / (height - half))
    line = _middle(first - slope * rows) + slope * rows
    if abs(slope) > 0.2 or float(line.max()) > 0.35 * width or float(line.min()) < 1:
        return None
    if (np.abs(first - line) > 1.25).any():
        return None
    past = np.arange(width, dtype=np.float32) - line[:, None]
    beside = cells[(past >= 1.5) & (past < 4)]
    if not len(beside) or float(beside.mean()) < 0.995:
        return None
    cut = np.zeros(whole.shape, np.float32)
    cut[:long] = np.clip(-past, 0, 1)
    return cut
