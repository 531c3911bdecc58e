"""What the edge network looks at: a frame at analysis size, its matte and its screen, as channels.

Light is given as the square root of its share of the screen's own, so that level and hue of the
screen drop out and dark colours count about as much as they are seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.despill import despill, owned, unmix
from models.features import FLOOR, channel_order, gathered, share
from models.field import Fitted
from models.matte import Asked, Subject
from models.pyramid import enlarge_part
from models.screen import Hue, normalised_difference

CHANNELS, FINE = 19, 10
"""Channels, and how many of them, the first, differ from pixel to pixel."""
OWN, PLAIN, ASKED, ROUGH = 3, 4, 5, 6
COLOR, BACK, FRONT, NOISE = slice(7, 10), slice(10, 12), slice(13, 16), 18
"""Where alpha, the two colours' alpha, what is asked about, the normalised colour difference, the
foreground, the screen's two other channels, the spread foreground and the noise stand."""
RIM = 0.5
"""What stands at ``ASKED`` in the rim of what is solid, which is corrected, too."""


@dataclass(frozen=True)
class Basis:
    """A window of a frame at analysis size, as the edge network sees it.

    Attributes:
        channels: (1, 19, H, W) float: the frame (3), alpha by the small network, alpha by the two
            colours, 1 where it is asked about and `RIM` in the solid rim that is corrected too, the
            normalised colour difference, the foreground without spill (3), the screen's two other
            channels, the screen's level, the colour spread from the core (3), the subject's own
            colour above it, the core, the noise. Colours in the order of
            `features.channel_order`, as square roots of shares of the screen's own channel.
        shown: (1, 3, H, W), the frame itself, linear Rec.709.
        key: (1, 1, H, W), that channel of the bare screen, linear.
        hue: which channel that is.
        size: (h, w) of the frame at analysis size.
        rows: where the window lies in it.
        columns: likewise.
    """

    channels: Tensor
    shown: Tensor
    key: Tensor
    hue: Hue
    size: tuple[int, int]
    rows: slice
    columns: slice


def level(back: Tensor, hue: Hue) -> Tensor:
    """What light is compared with: (1, 1, H, W) of the bare screen (1, 3, H, W), linear."""
    return back[:, hue.value : hue.value + 1].clamp_min(FLOOR)


def basis_of(
    shown: Tensor,
    bare: Fitted,
    subject: Subject,
    asked: Asked,
    own: Tensor,
    plain: Tensor,
    noise: float,
    rim: Tensor | None,
    window: tuple[slice, slice],
) -> Basis:
    """Put together what the edge network sees.

    Args:
        shown: (1, 3, H, W) float, linear Rec.709, a window of the frame at analysis size.
        bare: the bare screen of the whole frame, at that size.
        subject: likewise.
        asked: the pixels of the window that are asked about.
        own: (N,) float, their alpha by the small network.
        plain: (N,) float, their alpha by the two colours alone.
        noise: of the matte over the bare screen, at analysis size.
        rim: (1, 1, H, W) bool, what of the solid part is corrected, too; None: nothing.
        window: rows and columns of the window.
    """
    size = (bare.color.shape[-2], bare.color.shape[-1])
    order = channel_order(bare.hue)
    key = level(asked.back, bare.hue)
    fields = torch.cat([subject.color, subject.own_key, subject.core], 1)
    fields = enlarge_part(fields, *window, size)
    front, own_key, core = fields[:, 0:3], fields[:, 3:4], fields[:, 4:5]
    solid = asked.solid.to(shown.dtype)
    alphas = []
    for found in (own, plain):
        whole = solid.clone()
        whole.view(-1)[asked.index] = found
        alphas.append(whole)
    mark = torch.zeros_like(solid)
    mark.view(-1)[asked.index] = 1
    fg = shown.clone()
    mixed, behind, near = gathered(asked.index, shown, asked.back, front)
    fg.view(3, -1)[:, asked.index] = unmix(mixed, own[None, None], behind, near)[0]
    fg = despill(fg, asked.back, owned(own_key), bare.hue, 1.0)
    rough = mark.new_zeros(solid.shape)
    rough.view(-1)[asked.index] = asked.rough.clamp(-0.3, 1.3)
    rough += solid * (1 - mark)
    if rim is not None:
        mark = torch.where(rim, torch.full_like(mark, RIM), mark)
        seen = normalised_difference(shown, asked.back, bare.hue).clamp_(-0.3, 1.3)
        rough = torch.where(rim, seen, rough)
    parts = [
        share(shown, key)[:, order],
        *alphas,
        mark,
        rough,
        share(fg, key)[:, order],
        share(asked.back, key)[:, order[1:]],
        key.clamp(0, 2).sqrt(),
        share(front, key)[:, order],
        own_key,
        core,
        torch.full_like(key, noise),
    ]
    return Basis(torch.cat(parts, 1), shown, key, bare.hue, size, *window)
