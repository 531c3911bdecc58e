"""The subject's shadow on the screen, as a layer of its own: how much light it leaves.

Where only screen is seen, the shadow is the frame's light over that of the same screen without
it: the clean plate at the frame's exposure, or a smooth surface through the brightest of the bare
screen. A shadow only takes light away. So what lies above the lit screen is unevenness and noise,
and says how much of what lies below is no more than that either.

Sources: Smith and Blinn, "Blue Screen Matting", SIGGRAPH 1996 (a shadow as a dark foreground of
partial alpha); Chuang, Goldman, Curless, Salesin, Szeliski, "Shadow Matting and Compositing",
SIGGRAPH 2003 (a shadow as a factor between the lit and the shadowed backdrop, laid on another).
The surface is fitted by iteratively reweighted least squares with one-sided weights, as baselines
are fitted below spectra (Eilers and Boelens, "Baseline Correction with Asymmetric Least Squares
Smoothing", 2005), here from above.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.pyramid import enlarge_part, enlarge_squares, pool, shrink, soften, spread
from models.resample import Placement
from models.screen import Screen
from models.window import moved

_LEAST = 0.02
"""chosen: darkness up to here is no shadow; a fiftieth is not seen on a print."""
_RISE = 0.04
"""chosen: over this span above the least, darkness sets in."""
_DEVIATIONS = 2.5
"""How many standard deviations of the unevenness are no shadow either."""
_MOST_UNEVEN = 0.2
"""chosen: a screen more uneven than this must not hide a plain shadow."""
_QUIET = 0.004
"""chosen: the noise that may be left in the shadow; more of it is averaged over wider squares."""
_SOFT = 1 / 400
"""chosen: squares of this share of the frame's longer side at the least; a screen a metre and more
behind the subject has no sharper shadows, and the steps of 8-bit codes would show in finer ones."""
_FADE = 0.05
"""chosen by eye: over this share of its frame a shadow runs out towards an edge that shows."""
_SMOOTHED = 3
"""Rounds of a 3x3 blur against noise: they leave a fourth of it."""


def _restless(level: Tensor, weight: Tensor) -> float:
    """The noise of the bare screen's light, single pixels, as a share of it."""
    off = (level - soften(level)) / level.clamp_min(1e-3)
    inner = weight * (shrink(weight, 1) > 0)
    # The blur holds a quarter of the pixel itself, so a share of the noise is not seen.
    return float(((off.square() * inner).sum() / inner.sum().clamp_min(1)).sqrt() / 0.75)


def _lit_by_surface(level: Tensor, weight: Tensor) -> Tensor:
    """The screen's light without shadows: a quadratic surface, in stops, along its upper side."""
    height, width = level.shape[-2:]
    y = torch.linspace(-1, 1, height, device=level.device).view(-1, 1).expand(height, width)
    x = torch.linspace(-1, 1, width, device=level.device).view(1, -1).expand(height, width)
    terms = torch.stack([torch.ones_like(x), x, y, x * x, x * y, y * y], -1)
    few = (slice(None, None, max(1, height // 64)), slice(None, None, max(1, width // 64)))
    stops = level[0, 0].clamp_min(1e-4).log2()
    seen, rows, known = terms[few].reshape(-1, 6), stops[few].flatten(), weight[0, 0][few].flatten()
    trust = known
    # The span within which a pixel below still counts narrows from half a stop to a 25th, or to
    # what wrinkles and noise make of a lit screen.
    wide = max(2, max(height, width) // 20)
    mean = pool(stops[None, None] * weight, wide) / pool(weight, wide).clamp_min(1e-6)
    everywhere = slice(0, height), slice(0, width)
    local = (stops - enlarge_squares(mean, *everywhere, wide)[0, 0])[weight[0, 0] > 0.5].abs()
    least = max(0.04, 4 * float(local.median())) if local.numel() else 0.04
    # Held near its mean curvature: a subject that hides the middle must not let it bulge.
    ridge = torch.diag(level.new_tensor([0, 1, 1, 4, 4, 4]) * 1e-3) * known.sum()
    found = level.new_zeros(6)
    for round_ in range(20):
        weighted = seen * trust[:, None]
        normal = weighted.T @ seen + ridge + 1e-6 * torch.eye(6, device=level.device)
        found = torch.linalg.solve(normal, weighted.T @ rows)
        below = found @ seen.T - rows
        span = max(0.5 * 0.8**round_, least)
        trust = known * torch.where(below > 0, 1 / (1 + (below / span) ** 4), 1.0)
    return torch.exp2(terms @ found)[None, None]


def _exposed(plate: Tensor, level: Tensor, weight: Tensor) -> Tensor:
    """The plate at the exposure of the frame's lit parts."""
    ratio = (level / plate.clamp_min(1e-4))[weight > 0.5]
    if ratio.numel() > 1 << 16:
        ratio = ratio[:: ratio.numel() // (1 << 15)]
    # chosen: shadows may cover most of the screen; its brightest sixth is lit.
    top = torch.quantile(ratio, 0.85)
    return plate * ratio[ratio > 0.94 * top].median()


def darkness(rgb: Tensor, bare: Screen, plate: Tensor | None, core: Tensor) -> Tensor:
    """How much of the screen's light the subject takes away.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709, the frame at analysis size.
        bare: the screen of this frame at the same size.
        plate: (1, 3, h, w) float, linear Rec.709, the clean plate, where it fits; else None.
        core: (1, 1, h, w) in [0, 1], where nothing but subject is.

    Returns:
        (1, 1, h, w) float in [0, 1]: 1 minus the light that is left. 0 where there is no shadow,
        and deep under the subject; near its edge the shadow beside it goes on.
    """
    key = slice(bare.hue.value, bare.hue.value + 1)
    size = (rgb.shape[-2], rgb.shape[-1])
    noise = _restless(rgb[:, key], bare.sure)
    factor = max(round(noise / _QUIET / 4), round(max(size) * _SOFT))
    factor = min(max(factor, 1), max(1, max(size) // 80))
    total, seen = pool(rgb[:, key] * bare.sure, factor), pool(bare.sure, factor)
    weight = seen.clone()
    if float(weight.sum()) < 1:
        return torch.zeros_like(bare.sure)
    for _ in range(_SMOOTHED):
        total, seen = soften(total), soften(seen)
    level = total / seen.clamp_min(1e-6)
    if plate is None:
        lit = _lit_by_surface(level, weight)
    else:
        lit = _exposed(pool(plate[:, key], factor), level, weight)
    dark = 1 - level / lit.clamp_min(1e-4)
    bright = (dark < 0) & (weight > 0)
    uneven = (dark.square() * bright).sum() / bright.sum().clamp_min(1)
    least = (_DEVIATIONS * uneven.sqrt()).clamp(_LEAST, _MOST_UNEVEN)
    dark = spread(dark, weight)
    gate = soften(soften(dark))
    rise = ((gate - least) / _RISE + 0.5).clamp(0, 1)
    dark = dark.clamp(0, 1) * (rise * rise * (3 - 2 * rise))
    dark = enlarge_squares(dark, slice(0, size[0]), slice(0, size[1]), factor)
    deep = shrink((core > 0.5).to(rgb.dtype), max(2, max(size) // 100))
    return dark * (1 - soften(soften(deep)))


def window(
    dark: Tensor,
    size: tuple[int, int],
    origin: tuple[int, int],
    extent: tuple[int, int],
    inner: tuple[slice, slice],
    strokes: Tensor | None,
) -> Tensor:
    """The shadow in a window of the frame, without what is cut away by hand.

    Args:
        dark: (1, 1, h, w), as `darkness` gives it.
        size: (H, W) of the frame, at the scale of the window.
        origin: the window's first row and column.
        extent: (rows, columns) of the window.
        inner: rows and columns of the window that hold any of the shadow.
        strokes: (1, 2, rows, columns) of the window, as in `models.mask.Mask`, or None.

    Returns:
        (1, 1, rows, columns) float in [0, 1], as `darkness`.
    """
    down, across = inner
    there = moved(down, origin[0]), moved(across, origin[1])
    whole = dark.new_zeros(1, 1, *extent)
    whole[..., down, across] = enlarge_part(dark, *there, size).clamp(0, 1)
    return whole if strokes is None else whole * (1 - strokes[:, 1:2])


def faded(
    dark: Tensor,
    rows: slice,
    columns: slice,
    placement: Placement,
    frame: tuple[int, int],
    size: tuple[int, int],
) -> Tensor:
    """A shadow in a picture, run out towards those edges of its frame that show there.

    Of what the shadow does beyond the frame nothing is known; cut off, it would draw the edge.

    Args:
        dark: (1, 1, rows, columns) float in [0, 1], as `darkness`, scaled to the picture.
        rows: where it lies in the picture.
        columns: likewise.
        placement: where the frame lies.
        frame: (H, W) of the upright frame.
        size: (H, W) of the picture.

    Returns:
        Same shape; ``dark`` itself where no edge shows.
    """
    spans = (
        (rows, placement.dy, frame[0], size[0], (-1, 1)),
        (columns, placement.dx, frame[1], size[1], (1, -1)),
    )
    for part, start, have, want, shape in spans:
        stop = start + placement.scale * have
        at = torch.arange(part.start, part.stop, device=dark.device) + 0.5
        for shows, inside in ((start > 1, at - start), (stop < want - 1, stop - at)):
            if shows:
                dark = dark * (inside / (_FADE * (stop - start))).clamp(0, 1).view(shape)
    return dark
