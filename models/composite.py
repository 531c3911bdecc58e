"""Compositing: premultiplied over, blend modes, and a flattened template around a subject.

Sources: Porter and Duff, *Compositing Digital Images*, SIGGRAPH 1984 (the operators); W3C,
*Compositing and Blending Level 1* (the blend modes, and how they meet the operators).

Designed layers blend in the encoded space of their document (sRGB), as the designer saw them.
The subject lies over ``Scene.below`` in linear light; the result is encoded to sRGB, and the
overlays then apply to the encoded picture. Where several subjects stand between layers, the
picture so far is decoded again before each: the curve is exact both ways, so that a designed layer
always meets encoded values and a subject linear ones.

Over a picture whose coverage is known beforehand most modes are affine in the premultiplied
picture, ``gain * x + offset`` a channel. A subject's picture is opaque to begin with and what the
layers do to its coverage does not hang on its colours, so a run of such layers folds, exactly,
into one pair of tensors that is computed once and applied to every frame.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import torch
from torch import Tensor

from models.blend import Mode as Mode
from models.blend import blend as blend
from models.blend import line_in_backdrop
from models.errors import ShapeError

AFFINE = frozenset(
    {
        Mode.NORMAL,
        Mode.MULTIPLY,
        Mode.SCREEN,
        Mode.EXCLUSION,
        Mode.HARD_LIGHT,
        Mode.DST_IN,
        Mode.DST_OUT,
        Mode.SRC_ATOP,
        Mode.DST_ATOP,
    }
)
KEEPS_COVERAGE = frozenset(set(Mode) - {Mode.DST_IN, Mode.DST_OUT, Mode.DST_ATOP})
"""Modes that leave an opaque backdrop opaque."""

# Coverage below this carries no colour that an 8 or 16 bit layer could hold.
_NO_COVERAGE = 1e-6


def over(fg_pm: Tensor, alpha: Tensor, bg: Tensor) -> Tensor:
    """Lay a premultiplied foreground over an opaque background.

    Args:
        fg_pm: (B, 3, H, W) float. Linear Rec.709, premultiplied by ``alpha``, in [0, 1].
        alpha: (B, 1, H, W) float. Coverage, in [0, 1].
        bg: (B or 1, 3, H, W) float. Linear Rec.709, opaque.

    Returns:
        (B, 3, H, W) float, linear Rec.709, opaque. A new tensor.

    Raises:
        ShapeError: ``fg_pm``, ``alpha`` and ``bg`` differ in H or W.
    """
    if not fg_pm.shape[-2:] == alpha.shape[-2:] == bg.shape[-2:]:
        raise ShapeError(
            f"over: got foreground {tuple(fg_pm.shape)}, alpha {tuple(alpha.shape)} and background "
            f"{tuple(bg.shape)}; need one height and width"
        )
    return torch.addcmul(fg_pm + bg, alpha, bg, value=-1)


def coverage_of(ab: Tensor | float, a: Tensor, mode: Mode) -> Tensor:
    """The alpha of backdrop and source together."""
    match mode:
        case Mode.DST_IN:
            return a * ab
        case Mode.DST_OUT:
            return (1 - a) * ab
        case Mode.SRC_ATOP:
            return torch.zeros_like(a) + ab
        case Mode.DST_ATOP:
            return a.clone()
        case Mode.PLUS:
            return (a + ab).clamp_max(1)
        case _:
            return a + (1 - a) * ab


def composite_pm(
    cb_pm: Tensor, ab: Tensor | float, cs: Tensor, a: Tensor, mode: Mode
) -> tuple[Tensor, Tensor]:
    """Lay a source on a backdrop that is premultiplied.

    Args:
        cb_pm: (1, 3, H, W) float, the backdrop. sRGB-encoded, premultiplied by ``ab``, in [0, 1].
        ab: (1, 1, H, W) float coverage of the backdrop, or 1.0 where it is opaque throughout.
        cs: (1, 3, H, W) float, the source. sRGB-encoded, straight, in [0, 1]; may broadcast.
        a: (1, 1, H, W) float coverage of the source, its opacity included.
        mode: how they meet.

    Returns:
        The result, premultiplied as ``cb_pm``, and its coverage. New tensors.
    """
    if mode in AFFINE:
        gain, offset = affine_pm(ab, cs, a, mode)
        return torch.addcmul(offset, gain, cb_pm), coverage_of(ab, a, mode)
    if mode is Mode.PLUS:
        return torch.addcmul(cb_pm, a, cs).clamp_max(1), coverage_of(ab, a, mode)
    if isinstance(ab, float):
        return torch.lerp(cb_pm, blend(mode, cb_pm, cs), a), coverage_of(ab, a, mode)
    # The mixing functions want the straight backdrop. Where nothing covers they are not used.
    cb = (cb_pm / ab.clamp_min(_NO_COVERAGE)).clamp_max_(1)
    mixed = cs + ab * (blend(mode, cb, cs) - cs)
    return a * mixed + (1 - a) * cb_pm, coverage_of(ab, a, mode)


def affine_pm(ab: Tensor | float, cs: Tensor, a: Tensor, mode: Mode) -> tuple[Tensor, Tensor]:
    """Gain and offset that a layer of an affine mode amounts to on a premultiplied backdrop.

    Args:
        ab: (1, 1, H, W) float coverage of the backdrop, or 1.0.
        cs: (1, 3, H, W) float, the source. sRGB-encoded, straight, in [0, 1].
        a: (1, 1, H, W) float coverage of the source.
        mode: one of `AFFINE`.

    Returns:
        Gain and offset, (1, 1 or 3, H, W) each: the result is ``gain * cb_pm + offset``.
    """
    match mode:
        case Mode.NORMAL:
            return 1 - a, a * cs
        case Mode.MULTIPLY | Mode.SCREEN | Mode.EXCLUSION | Mode.HARD_LIGHT:
            # a ((1 - ab) cs + ab (slope cb + rest)) + (1 - a) cb_pm, where ab cb is cb_pm
            slope, rest = line_in_backdrop(mode, cs)
            return 1 - a + a * slope, a * (cs + ab * (rest - cs))
        case Mode.DST_IN:
            return a, torch.zeros_like(a)
        case Mode.DST_OUT:
            return 1 - a, torch.zeros_like(a)
        case Mode.SRC_ATOP:
            return 1 - a, a * cs * ab
        case Mode.DST_ATOP:
            return a, a * cs * (1 - ab)
    raise ValueError(f"affine_pm: {mode} is not affine in its backdrop")


def blend_layer(
    cb: Tensor, ab: Tensor, cs: Tensor, a: Tensor, mode: Mode = Mode.NORMAL
) -> tuple[Tensor, Tensor]:
    """Lay a straight source on a straight backdrop.

    Args:
        cb: (1, 3, H, W) float, the backdrop. sRGB-encoded, straight, in [0, 1].
        ab: (1, 1, H, W) float, its coverage.
        cs: (1, 3, H, W) float, the source, likewise.
        a: (1, 1, H, W) float, the source's coverage, its opacity included.
        mode: how they meet.

    Returns:
        Colour (1, 3, H, W), sRGB-encoded and straight (zero where nothing covers), and coverage.

    Raises:
        ShapeError: heights or widths differ.
    """
    if not cb.shape[-2:] == ab.shape[-2:] == cs.shape[-2:] == a.shape[-2:]:
        raise ShapeError(
            f"blend_layer: got backdrop {tuple(cb.shape)} with alpha {tuple(ab.shape)} and source "
            f"{tuple(cs.shape)} with alpha {tuple(a.shape)}; need one height and width"
        )
    co_pm, ao = composite_pm(cb * ab, ab, cs, a, mode)
    covered = ao > _NO_COVERAGE
    straight = co_pm / torch.where(covered, ao, torch.ones_like(ao))
    return torch.where(covered, straight, torch.zeros_like(straight)), ao


@dataclass(frozen=True)
class Overlay:
    """One step above the subject, on the encoded picture premultiplied by its coverage.

    Either ``gain`` and ``offset`` are given, ``x' = gain * x + offset``, or ``rgb_enc`` and
    ``alpha``: a layer of ``mode`` over a picture of coverage ``coverage`` (None: opaque).

    Attributes:
        gain: (1, 3, H, W) float32, or None. May repeat one channel without storage (stride 0).
        offset: (1, 3, H, W) float32, sRGB-encoded, or None.
        rgb_enc: (1, 3, H, W) float32, sRGB-encoded, straight, or None.
        alpha: (1, 1, H, W) float32 coverage of the layer, or None.
        mode: how the layer meets the picture.
        coverage: (1, 1, H, W) float32 coverage of the picture before this step, or None.
    """

    gain: Tensor | None = None
    offset: Tensor | None = None
    rgb_enc: Tensor | None = None
    alpha: Tensor | None = None
    mode: Mode = Mode.NORMAL
    coverage: Tensor | None = None

    def __post_init__(self) -> None:
        """Hold one of the two forms, and nothing between.

        Raises:
            ShapeError: neither form is whole.
        """
        affine = self.gain is not None and self.offset is not None
        layer = self.rgb_enc is not None and self.alpha is not None
        if affine == layer:
            raise ShapeError("Overlay: need gain and offset, or rgb_enc and alpha; not both")

    def apply(self, picture_enc: Tensor) -> Tensor:
        """The picture after this step.

        Args:
            picture_enc: (B, 3, H, W) float, sRGB-encoded, premultiplied by its coverage.

        Returns:
            The same shape. A new tensor.
        """
        if self.gain is not None and self.offset is not None:
            return torch.addcmul(self.offset, self.gain, picture_enc)
        if self.rgb_enc is None or self.alpha is None:  # pragma: no cover - __post_init__
            raise ShapeError("Overlay: need gain and offset, or rgb_enc and alpha")
        ab: Tensor | float = 1.0 if self.coverage is None else self.coverage
        return composite_pm(picture_enc, ab, self.rgb_enc, self.alpha, self.mode)[0]

    def _each(self, change: Callable[[Tensor], Tensor]) -> Overlay:
        def changed(t: Tensor | None) -> Tensor | None:
            return None if t is None else change(t)

        return Overlay(
            changed(self.gain),
            changed(self.offset),
            changed(self.rgb_enc),
            changed(self.alpha),
            self.mode,
            changed(self.coverage),
        )

    def to(self, device: torch.device | str) -> Overlay:
        """The same on another device."""

        def moved(t: Tensor) -> Tensor:
            if t.dim() == 4 and t.stride(1) == 0 and t.shape[1] == 3:
                return t[:, :1].to(device).expand(t.shape)
            return t.to(device)

        return self._each(moved)

    def window(self, rows: slice, columns: slice) -> Overlay:
        """The step in a window of the picture; views, no copies."""
        return self._each(lambda t: t[..., rows, columns])


@dataclass(frozen=True)
class Scene:
    """A template made ready for one picture: what lies below the subjects, between and above.

    The lowest subject lies over ``below`` in linear light. The picture is then encoded and the
    next steps apply; where another subject follows, it is decoded again and that one lies over
    it in linear light, and so on.

    Attributes:
        below: (1, 3, H, W) float32, linear Rec.709, opaque.
        overlays: the steps above all subjects, lowest first; after the last of each run of steps
            the picture is opaque again.
        between: the steps above each subject but the last, and below the next.
        order: which of the template's slots stands lowest, which next, and so on.
    """

    below: Tensor
    overlays: tuple[Overlay, ...] = ()
    between: tuple[tuple[Overlay, ...], ...] = ()
    order: tuple[int, ...] = (0,)

    def __post_init__(self) -> None:
        """Hold every slot once.

        Raises:
            ShapeError: the slots and the steps between them do not belong together.
        """
        if sorted(self.order) != list(range(len(self.between) + 1)):
            raise ShapeError(
                f"Scene: got slots {self.order} and {len(self.between)} runs of steps between "
                "them; need every slot once, and a run between each two"
            )

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) in pixels."""
        return (self.below.shape[-2], self.below.shape[-1])

    @property
    def runs(self) -> tuple[tuple[Overlay, ...], ...]:
        """The steps above each subject, up to the next; the lowest subject's first."""
        return (*self.between, self.overlays)

    def topped(self, slot: int, step: Overlay) -> Scene:
        """The same with one more step, directly above the subject of a slot.

        Raises:
            ShapeError: there is no such slot.
        """
        if slot not in self.order:
            raise ShapeError(f"Scene: got slot {slot}; need one of {self.order}")
        at = self.order.index(slot)
        runs = [(step, *run) if i == at else run for i, run in enumerate(self.runs)]
        return Scene(self.below, runs[-1], tuple(runs[:-1]), self.order)

    def to(self, device: torch.device | str) -> Scene:
        """The same on another device; itself where it is there already."""
        have, want = self.below.device, torch.device(device)
        # "cuda" names whichever card is current; a scene on any card will do for it.
        if have.type == want.type and want.index in (None, have.index):
            return self
        runs = [tuple(o.to(device) for o in run) for run in self.runs]
        return Scene(self.below.to(device), runs[-1], tuple(runs[:-1]), self.order)

    def window(self, rows: slice, columns: slice) -> Scene:
        """The same scene in a window of the picture; views, no copies."""
        runs = [tuple(o.window(rows, columns) for o in run) for run in self.runs]
        below = self.below[..., rows, columns]
        return Scene(below, runs[-1], tuple(runs[:-1]), self.order)


def apply_overlays(picture_enc: Tensor, overlays: Iterable[Overlay]) -> Tensor:
    """The picture with everything that lies above the subject.

    Args:
        picture_enc: (B, 3, H, W) float, sRGB-encoded, opaque, in [0, 1].
        overlays: as a `Scene` holds them.

    Returns:
        The same shape. A new tensor, or ``picture_enc`` itself where there are no overlays.

    Raises:
        ShapeError: an overlay has another height or width.
    """
    for overlay in overlays:
        part = overlay.offset if overlay.offset is not None else overlay.alpha
        if part is not None and part.shape[-2:] != picture_enc.shape[-2:]:
            raise ShapeError(
                f"apply_overlays: got a picture of {tuple(picture_enc.shape[-2:])} and an overlay "
                f"of {tuple(part.shape[-2:])}; need one height and width"
            )
        picture_enc = overlay.apply(picture_enc)
    return picture_enc
