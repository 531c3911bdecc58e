"""The matte: how much of each pixel is subject.

Two colours are known at each pixel, the bare screen's B and, spread from sure subject pixels, the
foreground's F. The pixel C = a F + (1 - a) B is projected onto the line from B to F along the
direction in which the two are told apart best: F is sure of its hue but not of its brightness
(hair, folds), and it carries light from the screen the more, the thinner it is.

Sources: Smith and Blinn, "Blue Screen Matting", SIGGRAPH 1996 (two known colours, the normalised
colour difference); Chuang, Curless, Salesin, Szeliski, "A Bayesian Approach to Digital Matting",
CVPR 2001 (foreground colour as a distribution with a covariance); Fisher's linear discriminant
for the direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.features import Context, context, look_up, pixels, radius
from models.field import Fitted
from models.pyramid import enlarge, enlarge_part, extent, grow, joined, pool, shrink, soften, spread
from models.replay import replayed
from models.screen import Hue, Screen
from models.screen import normalised_difference as normalised_difference

# chosen on rendered scenes (mean SAD and Grad over six; flat within a factor of 1.5 each way):
_BRIGHTNESS = 0.6
"""Standard deviation of the foreground's brightness, as a share of itself."""
_HUE = 0.03
"""Standard deviation of the foreground in any direction, linear light."""
_LEVEL = 0.03
"""Standard deviation of the screen's level, as a share of itself."""
_SPILL_SOLID, _SPILL_THIN = 0.1, 0.3
"""Share of the screen's light that a solid edge carries, and what a vanishing strand adds."""
_SPILL_SPREAD = 0.05
"""Standard deviation of that share."""
_NOISE = 0.004
"""Standard deviation of the camera's noise and rounding, linear light."""


@dataclass(frozen=True)
class Subject:
    """What is known of the subject before single pixels are solved, at analysis size.

    Attributes:
        color: (1, 3, h, w) linear Rec.709, the foreground's colour, spread from the core.
        core: (1, 1, h, w) in [0, 1], where nothing but subject is.
        own_key: (1, 1, h, w) in [0, .5], how far the subject's own colour, deep inside and away
            from the screen's light, stands above the mean of the two other channels, as a share
            of their sum: 0 for hair, skin and neutral cloth, high for yellow and green cloth.
        near: (1, 1, h, w), 1 where a pixel may be subject at all, else 0.
        solid: (1, 1, h, w), 1 where a pixel is subject unless it looks like screen, else 0.
        told: what the network is told about the frame.
    """

    color: Tensor
    core: Tensor
    own_key: Tensor
    near: Tensor
    solid: Tensor
    told: Context


FLAT = 0.25
"""Variation of the difference within three pixels up to which the core follows spill: a metallic
sleeve stays below a fifth, hair lies above."""


def step(x: Tensor, low: float, high: float) -> Tensor:
    """Hermite's smooth step: 0 up to ``low``, 1 from ``high`` on."""
    t = ((x - low) / (high - low)).clamp(0, 1)
    return t * t * (3 - 2 * t)


def _follow_spill(rough: Tensor, flat: Tensor, core: Tensor, rounds: int) -> Tensor:
    """Let the core spread through solid parts that carry spill.

    A solid edge lit by the screen fades smoothly from the core and ends in a sharp outline; a
    veil begins with a step, motion blur ends without one, and loose hair is not flat.
    """
    start = core
    for _ in range(rounds):
        wider = _followed(rough, flat, core)
        if bool((wider == core).all()):
            break
        core = wider
    solid = core.to(rough.dtype)
    edge = core & (shrink(solid, 1) < 0.5)
    sharp = edge & (shrink(rough, 3) < 0.1)
    share = spread(sharp.to(rough.dtype), edge.to(rough.dtype))
    return start | (core & (share > 0.6))


@replayed
def _followed(rough: Tensor, flat: Tensor, core: Tensor) -> Tensor:
    """The core and what it reaches by one pixel."""
    reach = grow(torch.where(core, rough, torch.full_like(rough, -1.0)), 1)
    return core | (flat & (reach > 0) & (rough > 0.25) & (reach - rough < 0.13))


def _close_enclosed(rough: Tensor, core: Tensor) -> Tensor:
    """Close what no screen reaches: a sheen on a jacket, not the gap under an arm."""
    small = pool(rough, 2)
    free = pool(core.to(rough.dtype), 2) <= 0.5
    start = (free & (small < 0.2)).to(rough.dtype)
    reached = joined(start, free.to(rough.dtype))
    return core | (enlarge(1 - reached, (rough.shape[-2], rough.shape[-1])) > 0.5)


def _own_key(rgb: Tensor, hue: Hue) -> Tensor:
    key, other = rgb[:, hue.value : hue.value + 1], 3 - hue.value
    first, second = rgb[:, 0:1], rgb[:, other : other + 1]
    total = first + second
    above = torch.minimum(key, torch.maximum(first, second)) - total / 2
    return (above / total.clamp_min(1e-3)).clamp_(0, 0.5)


def _foreign(rgb: Tensor, screen: Screen) -> Tensor:
    """How far the other channels are from the screen's, as a share of its own channel."""
    key = screen.hue.value
    off = (rgb - screen.color).abs() / screen.color[:, key : key + 1].clamp_min(1e-3)
    return torch.maximum(off[:, 0:1], off[:, 3 - key : 4 - key])


def find_subject(rgb: Tensor, screen: Screen, rounds: int, close: bool, noise: float) -> Subject:
    """Find the core and spread its colour.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709, the frame at analysis size.
        screen: the screen at the same size.
        rounds: how far, in steps of two pixels, the core may follow spill; 0 for not at all.
        close: close what the screen does not reach.
        noise: the noise of the matte over the bare screen.

    Returns:
        The subject at the same size.
    """
    rough = soften(normalised_difference(rgb, screen.color, screen.hue).clamp_(0, 1))
    core = step(shrink(rough, 2), 0.6, 0.8)
    half = pool(rough, 2)
    sure = pool(step(rough, 0.6, 0.8), 2) > 0.5
    if rounds:
        flat = pool(grow(rough, 1) - shrink(rough, 1), 2) < FLAT
        sure = _follow_spill(half, flat, sure, rounds)
        if close:
            sure = _close_enclosed(half, sure)
        wide = enlarge(sure.to(rgb.dtype), (rgb.shape[-2], rgb.shape[-1]))
        core = torch.maximum(core, shrink(wide, 2) * step(rough, 0.1, 0.3))
    size = (rgb.shape[-2], rgb.shape[-1])
    weight = pool(core, 2)
    color = spread(pool(rgb * core, 2) / weight.clamp_min(1e-6), weight)
    # chosen: the screen's light on a subject's edge reaches about a hundredth of the frame in.
    deep = shrink(core, max(1, max(size) // 100))
    known = pool(deep, 4)
    inside = spread(pool(rgb * deep, 4) / known.clamp_min(1e-6), known)
    front, own_key = enlarge(color, size), enlarge(_own_key(inside, screen.hue), size)
    # chosen: single strands are seen no further from what stands out of the noise.
    # Polished metal shows the screen's light, but never the screen's little in other channels.
    foreign = (_foreign(rgb, screen) > max(0.1, 3 * noise)) | (rough > max(0.04, 1.5 * noise))
    near = grow(foreign.to(rgb.dtype), radius(size, 4))
    solid = step(core, 0.2, 0.9) > 0.99
    if close:
        solid = solid | (shrink(rough, radius(size, 2)) > 0.93)
    told = context(rgb, screen, rough, front, core, own_key)
    return Subject(front, core, own_key, near, solid.to(rgb.dtype), told)


@dataclass(frozen=True)
class Asked:
    """The pixels of a window whose alpha is not plain, and what the network is told about them.

    Attributes:
        index: (N,) int64, their flat positions in the window.
        row: (N,) float, where they lie in the frame, 0 at its upper edge and 1 at its lower.
        column: (N,) float, likewise.
        pixels: (23, N) float, from `features.pixels`.
        rough: (N,) float, the normalised colour difference of each, not clamped.
        solid: (1, 1, H, W) bool, which of the others are subject.
        back: (1, 3, H, W) linear Rec.709, the bare screen of the window.
    """

    index: Tensor
    row: Tensor
    column: Tensor
    pixels: Tensor
    rough: Tensor
    solid: Tensor
    back: Tensor


def ask(
    rgb: Tensor,
    screen: Fitted,
    subject: Subject,
    noise: float,
    rows: slice,
    columns: slice,
    size: tuple[int, int],
) -> Asked:
    """Find the pixels that need an estimate.

    Args:
        rgb: (1, 3, H, W) float, linear Rec.709, a window of the frame at full size.
        screen: the bare screen of the whole frame, at analysis size.
        subject: likewise.
        noise: the noise of the matte over the bare screen.
        rows: where the window lies; start and stop given.
        columns: likewise.
        size: (H, W) of the whole frame.
    """
    small = torch.cat([screen.color, subject.near, subject.solid, screen.hold_out], 1)
    wide = enlarge_part(small, rows, columns, size)
    back = wide[:, 0:3]
    rough = normalised_difference(rgb, back, screen.hue) * (1 - wide[:, 5:6])
    # The solid part was found small: a pixel that looks like screen by itself is asked.
    solid = (wide[:, 4:5] > 0.99) & (rough > 0.5)
    index = ((wide[:, 3:4] > 0) & ~solid).flatten().nonzero()[:, 0]
    whole = extent((small.shape[-2], small.shape[-1]), size)
    row = (index // rgb.shape[-1] + (rows.start + 0.5)) / whole[0]
    column = (index % rgb.shape[-1] + (columns.start + 0.5)) / whole[1]
    key = back[0, screen.hue.value].flatten().index_select(0, index)
    described = pixels(rgb, rough, key, index, screen.hue, noise)
    first = rough.flatten().index_select(0, index)
    return Asked(index, row, column, described, first, solid, back)


def _dot(x: Tensor, y: Tensor) -> Tensor:
    return (x * y).sum(1, keepdim=True)


def _project(rgb: Tensor, back: Tensor, front: Tensor, alpha: Tensor) -> Tensor:
    """Alpha by Fisher's direction, given a first alpha for the covariances.

    The covariance is isotropic noise plus one direction each for the foreground's brightness and
    for the screen's light in both; the inverse of such a sum has a closed form.
    """
    clear = 1 - alpha
    lit = front + (_SPILL_SOLID + _SPILL_THIN * clear) * back
    line = lit - back
    base = (alpha * _HUE).square() + _NOISE**2
    u = lit * (alpha * _BRIGHTNESS)
    v = back * ((clear * _LEVEL).square() + (alpha * _SPILL_SPREAD).square()).sqrt()
    uu, vv, uv = base + _dot(u, u), base + _dot(v, v), _dot(u, v)
    ul, vl = _dot(u, line), _dot(v, line)
    scale = 1 / (uu * vv - uv * uv)
    direction = line - u * ((vv * ul - uv * vl) * scale) - v * ((uu * vl - uv * ul) * scale)
    found = _dot(direction, rgb - back) / _dot(direction, line).clamp_min(1e-9)
    return found.clamp_(0, 1)


def solve(rgb: Tensor, back: Tensor, front: Tensor, rough: Tensor) -> Tensor:
    """Alpha of single pixels between their two colours alone.

    Args:
        rgb: (1, 3, N) float, linear Rec.709, the pixels.
        back: (1, 3, N), the bare screen at each.
        front: (1, 3, N), the foreground at each.
        rough: (1, 1, N), the normalised difference of each, not clamped: the first alpha.

    Returns:
        (1, 1, N) float, coverage, in [0, 1].
    """
    alpha = rough.clamp(0, 1)
    for _ in range(2):  # each round takes its covariances from the alpha before
        alpha = _project(rgb, back, front, alpha)
    return alpha


def plain(own: Tensor, behind: Tensor, front: Tensor, subject: Subject, asked: Asked) -> Tensor:
    """Alpha by the two colours and the core, without a network.

    Args:
        own: (1, 3, N) float, linear Rec.709, the pixels asked about.
        behind: (1, 3, N), the bare screen at each.
        front: (1, 3, N), the foreground at each.
        subject: of the frame.
        asked: where they lie.

    Returns:
        (N,) float, coverage, in [0, 1].
    """
    core = step(look_up(subject.core, asked.row, asked.column)[0], 0.2, 0.9)
    # The core was found small: a pixel that is plainly screen by itself is not forced.
    core = core * ((asked.rough - 0.1) * 5).clamp(0, 1)
    return torch.maximum(solve(own, behind, front, asked.rough[None, None])[0, 0], core)
