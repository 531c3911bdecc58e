"""A clip held still where nothing moves: its planes averaged over time, place by place.

A place is averaged with its own past for as long as it differs from it by no more than noise does;
where anything moves, appears or is uncovered, the new frame stands alone. So nothing trails behind
a movement, and nothing comes before it: only the past is looked at. The planes are averaged before
they are keyed, for matte and colour stay of one piece, and a matte made of less noise is not the
same as noisy mattes averaged: a clipped or curved value is biased by noise.

Moving places are left alone on purpose: on rendered hair in motion the error of a matte moves with
the hair, so an average along the motion gained 1 % where it was tried, and smeared.

Source of the recursion by the reliability of the past: Dubois and Sabri, "Noise Reduction in Image
Sequences Using Motion-Compensated Temporal Filtering", IEEE Trans. Communications 32 (1984), here
without the compensation. What a lamp's flicker does to encoded values follows from the transfer
curves (ITU-R BT.709-6, IEC 61966-2-1): both are a power of light less an offset.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.color import Encoding, Matrix, Planes, levels
from models.planes import pooled_planes
from models.pyramid import box_mean, enlarge, pool, shrink
from models.state import State
from models.transfer import Transfer

_LONGEST = 8.0
"""chosen: frames that an average weighs as; noise falls to a quarter, and light that drifts within
the noise is followed within a quarter of a second."""
_REACH = 3
"""Radius of a place, in squares of 2x2 pixels."""
_ALIKE, _OTHER = 1.12, 1.4
"""chosen: a place is at rest while its mean square difference stays within this multiple of what
noise gives, and has changed from that on; white noise alone stays within a tenth. On noisy clips
of people who sway by parts of a pixel, wider bounds and smaller places made the matte calmer and
less exact, narrower ones the reverse."""
_LEAST, _MOST = 0.6, 6.0
"""Bounds of the noise's standard deviation, in codes of 8 bit: rounding twice, and a very noisy
camera (900 electrons at white give 5)."""
_RISE = 1.2
"""How much the noise may seem to grow from frame to frame: a cut to another scene is no noise."""
_STILL_SHARE = 0.3
"""chosen: the share of a clip's places that are taken to be at rest when noise is measured."""

_FLICKER = 0.1
"""chosen: how far the encoded picture may brighten or darken from frame to frame by lamps alone,
about a third of a stop; more is another scene."""

_OFFSET = {Transfer.BT709: 0.099, Transfer.SRGB: 0.055, Transfer.LINEAR: 0.0}


@dataclass(frozen=True)
class _Past:
    """What is kept of a clip: averages in code values, and of how many frames each is one."""

    planes: Planes
    encoding: Encoding
    frames: Tensor
    noise: Tensor


class Steady:
    """Follows one clip, frame by frame; keeps one averaged frame of it."""

    def __init__(self) -> None:
        self._past: _Past | None = None

    @property
    def state(self) -> State:
        """What is kept, exactly; nothing before the first frame."""
        past = self._past
        if past is None:
            return State()
        names = ("first", "second", "third")
        tensors = {"frames": past.frames, "noise": past.noise}
        tensors |= dict(zip(names, past.planes, strict=True))
        return State(tensors, {"encoding": past.encoding.to_json()})

    def restore(self, state: State, device: torch.device) -> None:
        """Go on from what `state` gave.

        Raises:
            StateError: it is not whole.
            EncodingError: likewise.
        """
        if not state.facts:
            self._past = None
            return
        encoding = Encoding.from_json(state.fact("encoding"))
        first, second, third, frames, noise = (
            state.tensor(name, device) for name in ("first", "second", "third", "frames", "noise")
        )
        self._past = _Past((first, second, third), encoding, frames, noise)

    def follow(self, planes: Planes, encoding: Encoding) -> Planes:
        """The next frame of the clip, averaged with the past where it is at rest.

        Args:
            planes: three (H, W) tensors of code values, the second and third full or half size.
            encoding: how they are to be read.

        Returns:
            Three float32 tensors of the same sizes, still code values but not rounded; the first
            frame, and one of another size or encoding than the last, exactly as it came.
        """
        first, second, third = (p.to(torch.float32) for p in planes)
        now = (first, second, third)
        past = self._past
        if (
            past is None
            or past.encoding != encoding
            or any(a.shape != b.shape for a, b in zip(past.planes, now, strict=True))
        ):
            size = (-(-first.shape[0] // 2), -(-first.shape[1] // 2))
            # Nothing is known of the noise yet: the first pair of frames tells.
            unknown = first.new_full((3,), _MOST / _RISE)
            self._past = _Past(now, encoding, first.new_ones(1, 1, *size), unknown)
            return now
        before = _relit(past.planes, now, encoding)
        apart = [a - b for a, b in zip(now, before, strict=True)]
        squares = pooled_planes((apart[0] ** 2, apart[1] ** 2, apart[2] ** 2), 2)
        # An average of n frames and one frame differ by (1 + 1 / n) times the noise of one.
        spread = torch.stack(squares)[None] / (1 + 1 / past.frames)
        noise = _noise(spread, past.noise, encoding.depth)
        counts = spread.new_tensor([p.numel() for p in now])
        weight = (counts / counts.sum() / noise.square()).view(1, 3, 1, 1)
        differs = box_mean((spread * weight).sum(1, keepdim=True), _REACH)
        t = ((differs - _ALIKE) / (_OTHER - _ALIKE)).clamp_(0, 1)
        at_rest = shrink(1 - t * t * (3 - 2 * t), 1)
        frames = (1 + at_rest * past.frames).clamp_max_(_LONGEST)
        share = 1 / frames
        y, cb, cr = (
            torch.lerp(b, n, enlarge(share, (n.shape[0], n.shape[1]))[0, 0])
            for b, n in zip(before, now, strict=True)
        )
        self._past = _Past((y, cb, cr), encoding, frames, noise)
        return y, cb, cr


def _noise(spread: Tensor, before: Tensor, depth: int) -> Tensor:
    """Standard deviation of each plane's noise in codes, from the calmer places of the frame."""
    unit = float(1 << (depth - 8))
    blocks = pool(spread, 8)[0].flatten(1)
    found = torch.quantile(blocks, _STILL_SHARE, 1).sqrt()
    return torch.minimum(found, before * _RISE).clamp(_LEAST * unit, _MOST * unit)


def _relit(before: Planes, now: Planes, encoding: Encoding) -> Planes:
    """The past in the light of now: lamps flicker, and all of the picture with them."""
    black, span, grey, _ = levels(encoding)
    offset = black - _OFFSET.get(encoding.transfer, 0.0) * span
    old, new = (pool(p[None, None], 8) - offset for p in (before[0], now[0]))
    bright = old > 0.15 * span
    if not bool(bright.any()):
        return before
    gain = (new[bright] / old[bright]).median()
    if not bool((gain - 1).abs() < _FLICKER):
        return before
    if encoding.matrix is Matrix.RGB:
        red, green, blue = ((p - offset) * gain + offset for p in before)
        return red, green, blue
    y, cb, cr = before
    return (y - offset) * gain + offset, (cb - grey) * gain + grey, (cr - grey) * gain + grey
