"""Blend modes: the colour that a backdrop and a source of one place mix to.

Source: W3C, *Compositing and Blending Level 1*, sections 10 (separable and non-separable modes).
The formulas work on encoded values, in the colour space of the document.
"""

from __future__ import annotations

from enum import Enum

import torch
from torch import Tensor


class Mode(Enum):
    """How a layer meets what lies below it; the names of the W3C and Porter-Duff."""

    NORMAL = "normal"
    MULTIPLY = "multiply"
    SCREEN = "screen"
    OVERLAY = "overlay"
    DARKEN = "darken"
    LIGHTEN = "lighten"
    COLOR_DODGE = "color-dodge"
    COLOR_BURN = "color-burn"
    HARD_LIGHT = "hard-light"
    SOFT_LIGHT = "soft-light"
    DIFFERENCE = "difference"
    EXCLUSION = "exclusion"
    HUE = "hue"
    SATURATION = "saturation"
    COLOR = "color"
    LUMINOSITY = "luminosity"
    PLUS = "plus"
    DST_IN = "dst-in"
    DST_OUT = "dst-out"
    SRC_ATOP = "src-atop"
    DST_ATOP = "dst-atop"


def _lum(c: Tensor) -> Tensor:
    """The W3C's luminosity of an encoded colour."""
    return 0.3 * c[:, 0:1] + 0.59 * c[:, 1:2] + 0.11 * c[:, 2:3]


_ROUNDING = 2e-6
"""Ten times the error of decoding and encoding white in float32; an eighth of a 16 bit code."""


def _set_lum(c: Tensor, lum: Tensor) -> Tensor:
    """``c`` moved to a luminosity, and pulled towards grey where that leaves [0, 1].

    A colour of [0, 1] spans at most 1, so it never leaves the range at both ends at once.
    """
    c = c + (lum - _lum(c))
    low, high = c.amin(1, keepdim=True), c.amax(1, keepdim=True)
    up = lum / (lum - low).clamp_min_(1e-12)
    down = (1 - lum) / (high - lum).clamp_min_(1e-12)
    pull = torch.minimum(up, down).clamp_max_(1)
    return torch.addcmul(lum, c - lum, pull)


def _sat(c: Tensor) -> Tensor:
    return c.amax(1, keepdim=True) - c.amin(1, keepdim=True)


def _set_sat(c: Tensor, sat: Tensor) -> Tensor:
    """``c`` stretched to a saturation, its least channel at zero; a grey becomes zero."""
    have = _sat(c)
    # Rounding is no colour: a grey that came through several layers stays one.
    stretch = sat / have.clamp_min(1e-12) * (have >= _ROUNDING)
    return (c - c.amin(1, keepdim=True)).mul_(stretch)


def _soft_light(cb: Tensor, cs: Tensor) -> Tensor:
    root = torch.where(cb <= 0.25, ((16 * cb - 12) * cb + 4) * cb, cb.clamp_min(0).sqrt_())
    side = 2 * cs - 1
    dark, light = side.clamp_max(0), side.clamp_min_(0)
    return torch.addcmul(torch.addcmul(cb, dark, cb * (1 - cb)), light, root - cb)


def _ended(x: Tensor) -> Tensor:
    """Zero where it is zero but for rounding.

    Dodge jumps where the backdrop is black, burn where it is white, and white that went through
    linear light comes back as .9999998.
    """
    return x * (x >= _ROUNDING)


def _dodge(cb: Tensor, cs: Tensor) -> Tensor:
    # The floor serves both of the W3C's special cases: 0 / floor is 0, all else / floor is over 1.
    return (_ended(cb) / (1 - cs).clamp_min(1e-12)).clamp_max_(1)


def _burn(cb: Tensor, cs: Tensor) -> Tensor:
    return 1 - (_ended(1 - cb) / cs.clamp_min(1e-12)).clamp_max_(1)


def line_in_backdrop(mode: Mode, cs: Tensor) -> tuple[Tensor, Tensor]:
    """Slope and rest of the modes whose B(Cb, Cs) is a straight line in Cb.

    Hard light is one: multiply by 2 Cs below one half and screen with 2 Cs - 1 above are both
    straight in Cb, and which of the two holds is decided by the source alone.

    Args:
        mode: normal, multiply, screen, exclusion or hard light.
        cs: (1, 3, H, W) float, the source. sRGB-encoded, straight, in [0, 1].

    Returns:
        s and r of ``B = s * cb + r``, (1, 1 or 3, H, W) each.
    """
    match mode:
        case Mode.NORMAL:
            return torch.zeros_like(cs[:, :1]), cs
        case Mode.MULTIPLY:
            return cs, torch.zeros_like(cs[:, :1])
        case Mode.SCREEN:
            return 1 - cs, cs
        case Mode.EXCLUSION:
            return 1 - 2 * cs, cs
        case Mode.HARD_LIGHT:
            side = 2 * cs - 1
            return 1 - side.abs(), side.clamp_min(0)
    raise ValueError(f"line_in_backdrop: {mode} is no straight line in its backdrop")


def blend(mode: Mode, cb: Tensor, cs: Tensor) -> Tensor:
    """The W3C's mixing function B(Cb, Cs): two opaque colours of one place.

    Args:
        mode: how; an operator without a mixing of its own gives the source.
        cb: (B, 3, H, W) float, the backdrop. sRGB-encoded, straight, in [0, 1].
        cs: the source, likewise; may broadcast.

    Returns:
        (B, 3, H, W) float, sRGB-encoded, in [0, 1].
    """
    match mode:
        case Mode.MULTIPLY:
            return cb * cs
        case Mode.SCREEN | Mode.EXCLUSION | Mode.HARD_LIGHT:
            slope, rest = line_in_backdrop(mode, cs)
            return torch.addcmul(rest, slope, cb)
        case Mode.OVERLAY:
            slope, rest = line_in_backdrop(Mode.HARD_LIGHT, cb)
            return torch.addcmul(rest, slope, cs)
        case Mode.DARKEN:
            return torch.minimum(cb, cs)
        case Mode.LIGHTEN:
            return torch.maximum(cb, cs)
        case Mode.COLOR_DODGE:
            return _dodge(cb, cs)
        case Mode.COLOR_BURN:
            return _burn(cb, cs)
        case Mode.SOFT_LIGHT:
            return _soft_light(cb, cs)
        case Mode.DIFFERENCE:
            return (cb - cs).abs()
        case Mode.HUE:
            return _set_lum(_set_sat(cs.expand_as(cb), _sat(cb)), _lum(cb))
        case Mode.SATURATION:
            return _set_lum(_set_sat(cb, _sat(cs)), _lum(cb))
        case Mode.COLOR:
            return _set_lum(cs.expand_as(cb), _lum(cb))
        case Mode.LUMINOSITY:
            return _set_lum(cb, _lum(cs))
        case _:
            return cs.expand_as(cb)
