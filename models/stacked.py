"""Layers around a subject of which some move: what stands still is folded once.

A run of layers becomes gain and offset, as in `models.composite`. Where one of them moves or comes
and goes, only the window that it lies in is folded again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import torch
from torch import Tensor

from models.blend import Mode
from models.composite import AFFINE, Overlay, affine_pm
from models.curve_table import decoded
from models.flatten import Flat, Folded, join
from models.moving import Piece, Window


@dataclass(frozen=True)
class Laid:
    """A piece and how it meets what lies below it; its opacity in [0, 1]."""

    piece: Piece
    mode: Mode = Mode.NORMAL
    opacity: float = 1.0

    @property
    def window(self) -> Window:
        high, wide = self.piece.size
        return self.piece.y, self.piece.x, self.piece.y + high, self.piece.x + wide

    @property
    def hides(self) -> bool:
        """Whether nothing is seen of what lies below it."""
        return self.piece.alpha is None and self.opacity == 1 and self.mode is Mode.NORMAL

    def alpha(self) -> Tensor:
        """(1, 1, h, w) coverage with the opacity in it."""
        cover = self.piece.alpha
        if cover is None:
            return torch.full_like(self.piece.rgb_enc[:, :1], self.opacity)
        return cover if self.opacity == 1 else cover * self.opacity


def _one_channel(gain: Tensor) -> Tensor:
    return gain[:, :1] if gain.stride(1) == 0 else gain


def faded(folded: Folded, share: float) -> Folded:
    """Steps that are there by a share: at 0 they change nothing, at 1 they are as they were.

    Args:
        folded: steps for an opaque picture, which leave it opaque.
        share: in [0, 1].
    """
    if share >= 1 or not folded.overlays:
        return folded
    if share <= 0:
        return Folded()
    out = []
    for step in folded.overlays:
        if step.gain is not None and step.offset is not None:
            gain = _one_channel(step.gain).sub(1).mul_(share).add_(1)
            out.append(Overlay(gain=gain.expand_as(step.gain), offset=step.offset * share))
        elif step.rgb_enc is not None and step.alpha is not None:
            out.append(Overlay(rgb_enc=step.rgb_enc, alpha=step.alpha * share, mode=step.mode))
    return Folded(tuple(out))


def on_size(folded: Folded, top: int, left: int, size: tuple[int, int]) -> Folded:
    """Steps of one picture at their place in another, where they change nothing outside.

    Args:
        folded: steps for an opaque picture.
        top: row of the other picture where theirs begins; may be negative.
        left: column, likewise.
        size: (H, W) of the other.
    """

    def moved(x: Tensor | None, around: float) -> Tensor | None:
        if x is None:
            return None
        one = x.shape[1] == 3 and x.stride(1) == 0
        part = x[:, :1] if one else x
        high, wide = x.shape[-2:]
        if (top, left, high, wide) == (0, 0, *size):
            return x
        out = part.new_full((1, part.shape[1], *size), around)
        y0, x0, y1, x1 = (
            max(top, 0),
            max(left, 0),
            min(top + high, size[0]),
            min(left + wide, size[1]),
        )
        if y1 > y0 and x1 > x0:
            out[..., y0:y1, x0:x1] = part[..., y0 - top : y1 - top, x0 - left : x1 - left]
        return out.expand(1, 3, *size) if one else out

    return Folded(
        tuple(
            Overlay(
                moved(step.gain, 1.0),
                moved(step.offset, 0.0),
                moved(step.rgb_enc, 0.0),
                moved(step.alpha, 0.0),
                step.mode,
                moved(step.coverage, 1.0),
            )
            for step in folded.overlays
        )
    )


def _affine(folded: Folded) -> bool:
    return all(step.gain is not None for step in folded.overlays)


def _whole(laid: Laid, size: tuple[int, int]) -> Overlay:
    """One piece as a step for the whole picture."""
    alpha, rgb = laid.alpha(), laid.piece.rgb_enc
    top, left, bottom, right = laid.window
    at = (..., slice(top, bottom), slice(left, right))
    if laid.mode in AFFINE:
        g, o = affine_pm(1.0, rgb, alpha, laid.mode)
        gain = rgb.new_ones(1, g.shape[1], *size)
        offset = rgb.new_zeros(1, 3, *size)
        gain[at], offset[at] = g, o
        return Overlay(gain=gain.expand(1, 3, *size), offset=offset)
    color, cover = rgb.new_zeros(1, 3, *size), rgb.new_zeros(1, 1, *size)
    color[at], cover[at] = rgb, alpha
    return Overlay(rgb_enc=color, alpha=cover, mode=laid.mode)


def hull(moving: Sequence[Laid]) -> Window | None:
    """The window that holds all pieces; None without any."""
    windows = [laid.window for laid in moving]
    if not windows:
        return None
    tops, lefts, bottoms, rights = zip(*windows, strict=True)
    return min(tops), min(lefts), max(bottoms), max(rights)


class Run:
    """Layers between two subjects, lowest first, on one device.

    The modes are those that leave an opaque picture opaque (`models.composite.KEEPS_COVERAGE`).
    """

    def __init__(self, parts: Sequence[Folded | None], size: tuple[int, int]) -> None:
        """Take them over.

        Args:
            parts: what stands still, folded for an opaque picture of the size; None is a place
                where something moves.
            size: (H, W).
        """
        self.parts, self.size = tuple(parts), size
        self._rests: dict[tuple[float, ...], Folded] = {}

    def rest(self, shares: tuple[float, ...]) -> Folded:
        """Everything that stands still.

        Args:
            shares: of each part, by how much it is there, in [0, 1].
        """
        found = self._rests.get(shares)
        if found is None:
            found = Folded()
            for part, share in zip(self.parts, shares, strict=True):
                if part is not None:
                    found = join(found, faded(part, share))
            if all(share in (0, 1) for share in shares):
                self._rests[shares] = found
        return found

    def steps(
        self, shares: tuple[float, ...], moving: Sequence[Sequence[Laid]]
    ) -> tuple[tuple[Overlay, ...], Window | None]:
        """Everything as steps above a subject.

        Args:
            shares: as in `rest`.
            moving: for each part, what lies there now, inside the picture; empty where it stands
                still.

        Returns:
            The steps; and the window outside which they are those of `rest`, None where all are.
        """
        rest = self.rest(shares)
        now = [laid for here in moving for laid in here if laid.opacity > 0]
        window = hull(now)
        if window is None:
            return rest.overlays, None
        plain = all(laid.mode in AFFINE for laid in now) and all(
            part is None or _affine(part) for part in self.parts
        )
        if not plain:
            done = Folded()
            for part, share, here in zip(self.parts, shares, moving, strict=True):
                if part is not None:
                    done = join(done, faded(part, share))
                for laid in here:
                    if laid.opacity > 0:
                        done = join(done, Folded((_whole(laid, self.size),)))
            return done.overlays, (0, 0, *self.size)
        gain, offset = self._in_window(shares, moving, window)
        top, left, bottom, right = window
        at = (..., slice(top, bottom), slice(left, right))
        if window == (0, 0, *self.size):
            return (Overlay(gain=gain.expand(1, 3, *self.size), offset=offset),), window
        device = offset.device
        if (
            rest.overlays
            and rest.overlays[0].gain is not None
            and rest.overlays[0].offset is not None
        ):
            whole_gain = _one_channel(rest.overlays[0].gain)
            channels = max(whole_gain.shape[1], gain.shape[1])
            whole_gain = whole_gain.expand(1, channels, *self.size).clone(
                memory_format=torch.contiguous_format
            )
            whole_offset = rest.overlays[0].offset.clone()
        else:
            whole_gain = torch.ones(1, gain.shape[1], *self.size, device=device)
            whole_offset = torch.zeros(1, 3, *self.size, device=device)
        whole_gain[at] = gain
        whole_offset[at] = offset
        return (Overlay(gain=whole_gain.expand(1, 3, *self.size), offset=whole_offset),), window

    def _in_window(
        self, shares: tuple[float, ...], moving: Sequence[Sequence[Laid]], window: Window
    ) -> tuple[Tensor, Tensor]:
        """Gain and offset of everything in a window, folded anew."""
        top, left, bottom, right = window
        rows, columns = slice(top, bottom), slice(left, right)
        gain: Tensor | None = None
        offset: Tensor | None = None
        for part, share, here in zip(self.parts, shares, moving, strict=True):
            if part is not None:
                seen = Folded(tuple(s.window(rows, columns) for s in part.overlays))
                for step in faded(seen, share).overlays:
                    if step.gain is None or step.offset is None:
                        continue
                    g = _one_channel(step.gain)
                    if gain is None or offset is None:
                        gain, offset = g.clone(), step.offset.clone()
                    else:
                        offset = torch.addcmul(step.offset, g, offset)
                        gain = gain * g
            for laid in here:
                if laid.opacity <= 0:
                    continue
                if gain is None or offset is None:
                    like = laid.piece.rgb_enc
                    gain = like.new_ones(1, 1, bottom - top, right - left)
                    offset = like.new_zeros(1, 3, bottom - top, right - left)
                t, le, b, r = laid.window
                at = (..., slice(t - top, b - top), slice(le - left, r - left))
                if laid.hides:
                    offset[at], gain[at] = laid.piece.rgb_enc, 0
                    continue
                g, o = affine_pm(1.0, laid.piece.rgb_enc, laid.alpha(), laid.mode)
                if g.shape[1] > gain.shape[1]:
                    gain = gain.expand(1, 3, *gain.shape[-2:]).contiguous()
                offset[at] = torch.addcmul(o, g, offset[at])
                gain[at] *= g
        if gain is None or offset is None:  # pragma: no cover - the window holds a piece
            raise ValueError("steps: got a window without a piece")
        return gain, offset


def grounded(
    steps: Sequence[Overlay], paper_enc: Tensor, rest: Tensor | None, window: Window | None
) -> Tensor:
    """What lies below the lowest subject, in linear light.

    Args:
        steps: of the run below it, on ``paper_enc``.
        paper_enc: (1, 3, H, W) float32, sRGB-encoded, opaque.
        rest: the same without what moves, or None where it is not known.
        window: outside which ``rest`` holds; None: everywhere.

    Returns:
        (1, 3, H, W) float32, linear, opaque; ``rest`` itself where nothing moves.
    """
    if rest is not None and window is None:
        return rest
    rows, columns = slice(0, paper_enc.shape[-2]), slice(0, paper_enc.shape[-1])
    if rest is not None and window is not None:
        rows, columns = slice(window[0], window[2]), slice(window[1], window[3])
    picture = paper_enc[..., rows, columns]
    for step in steps:
        picture = step.window(rows, columns).apply(picture)
    linear = decoded(picture.clamp(0, 1))
    if rest is None or window == (0, 0, *paper_enc.shape[-2:]):
        return linear
    out = rest.clone()
    out[..., rows, columns] = linear
    return out


def laid_on(paper_enc: Tensor, flat: Flat, top: int, left: int) -> Tensor:
    """Flattened layers on paper, in linear light.

    Args:
        paper_enc: (1, 3, H, W) float32, sRGB-encoded, opaque.
        flat: the layers.
        top: row of the paper where they begin; may be negative.
        left: column, likewise.

    Returns:
        (1, 3, H, W) float32, linear, opaque. A new tensor.
    """
    size = paper_enc.shape[-2], paper_enc.shape[-1]
    device = paper_enc.device
    step = Overlay(
        gain=(1 - flat.alpha.to(device)).expand_as(flat.rgb_pm), offset=flat.rgb_pm.to(device)
    )
    there = on_size(Folded((step,)), top, left, size).overlays[0]
    return decoded(there.apply(paper_enc).clamp_(0, 1))
