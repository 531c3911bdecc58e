"""What one frame on its way through a card works in: planes, fields, picture; two take turns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import prod
from weakref import WeakValueDictionary

import torch
from torch import Tensor

from models.color import Planes
from models.kernels.cuda.fields import Fields
from models.kernels.cuda.laying import tiles_of
from models.kernels.cuda.places import LENGTH


@dataclass(frozen=True)
class Form:
    """What planes look like: frames of one form use the same memory on the card.

    Attributes:
        shapes: (H, W) of each.
        kinds: dtype of each.
        paired: the second and third are the two halves of one interleaved plane.
    """

    shapes: tuple[tuple[int, ...], ...]
    kinds: tuple[torch.dtype, ...]
    paired: bool

    @classmethod
    def of(cls, planes: Planes) -> Form:
        """The form of planes."""
        _, second, third = planes
        paired = (
            second.dtype == third.dtype
            and second.shape == third.shape
            and second.stride(-1) == third.stride(-1) == 2
            and second.stride(0) == third.stride(0)
            and third.data_ptr() - second.data_ptr() == second.element_size()
        )
        shapes = tuple(tuple(p.shape) for p in planes)
        return cls(shapes, tuple(p.dtype for p in planes), paired)

    def room(self, device: torch.device | str, pinned: bool = False) -> tuple[Tensor, ...]:
        """Memory for such planes: one tensor a plane, the interleaved two as (h, w, 2)."""
        made = [
            torch.zeros(shape, dtype=kind, device=device, pin_memory=pinned)
            for shape, kind in zip(self.shapes, self.kinds, strict=True)
        ]
        if self.paired:
            pair = (*self.shapes[1], 2)
            made[1:] = [torch.zeros(pair, dtype=self.kinds[1], device=device, pin_memory=pinned)]
        return tuple(made)

    def stored(self, planes: Planes) -> tuple[Tensor, ...]:
        """Planes as `room` lays them out; views."""
        if not self.paired:
            return planes
        second = planes[1]
        size = (*second.shape, 2)
        pair = second.as_strided(size, (second.stride(0), 2, 1), second.storage_offset())
        return planes[0], pair

    def planes(self, stored: tuple[Tensor, ...]) -> Planes:
        """The reverse of `stored`."""
        if self.paired:
            return stored[0], stored[1][..., 0], stored[1][..., 1]
        first, second, third = stored
        return first, second, third


@dataclass(frozen=True, eq=False)
class Picture:
    """Where a picture is made, and nobody else writes.

    Attributes:
        codes: (H, W, 3) uint8.
        alpha: (H, W) float32, or None where it is not wanted.
        held: (tiles,) int32, of which layers the bare picture stands in a tile, by their number; 0:
            something else.
    """

    codes: Tensor
    alpha: Tensor | None
    held: Tensor


@dataclass
class Lane:
    """Where one frame at a time lives on the card.

    Attributes:
        form: of its planes.
        stored: they, on the card, as `Form.room` lays them out.
        staging: pinned copies for planes that are not, made when first needed.
        fields: of the frame.
        numbers: (slots, 32) int32, where the frame lies in each slot.
        pinned: the same, on the CPU.
        told: pinned, what the fields tell; written with the picture.
        pictures: by size, as long as somebody makes such pictures.
        uploaded: when the planes are on the card;
        computed: when the picture is done;
        downloaded: when it has left.
        settle: reads what the last frame told, before the next one writes it; None: nothing to.
    """

    form: Form
    stored: tuple[Tensor, ...]
    fields: Fields
    numbers: Tensor
    pinned: Tensor
    told: Tensor
    pictures: WeakValueDictionary[tuple[int, int], Picture] = field(
        default_factory=WeakValueDictionary
    )
    staging: tuple[Tensor, ...] | None = None
    uploaded: torch.cuda.Event | None = None
    computed: torch.cuda.Event | None = None
    downloaded: torch.cuda.Event | None = None
    settle: Callable[[], object] | None = None

    @classmethod
    def of(cls, form: Form, quarter_turns: int, slots: int, device: torch.device) -> Lane:
        """A lane for frames of a form.

        Args:
            form: of their planes.
            quarter_turns: clockwise turns that make them upright.
            slots: how often one frame can lie in a picture.
            device: the card.
        """
        high, wide = form.shapes[0]
        fields = Fields.empty((wide, high) if quarter_turns % 2 else (high, wide), device)
        numbers = torch.zeros(slots, LENGTH, dtype=torch.int32)
        told, there = torch.zeros(8), numbers.to(device, copy=True)
        if device.type == "cuda":
            numbers, told = numbers.pin_memory(), told.pin_memory()
        return cls(form, form.room(device), fields, there, numbers, told)

    def picture(self, size: tuple[int, int], alpha: bool) -> Picture:
        """Where pictures of a size are made: whoever makes them keeps it.

        Args:
            size: (H, W) in pixels.
            alpha: with their alpha.
        """
        made = self.pictures.get(size)
        if made is None:
            device = self.numbers.device
            cover = torch.zeros(size, device=device) if alpha else None
            codes = torch.zeros(*size, 3, dtype=torch.uint8, device=device)
            held = torch.zeros(prod(tiles_of(*size)), dtype=torch.int32, device=device)
            made = Picture(codes, cover, held)
            self.pictures[size] = made
        return made

    def upload(self, planes: Planes) -> None:
        """Bring planes to the card, on the current stream.

        Args:
            planes: of the lane's form, on the card or not. The last upload is done.
        """
        sources = self.form.stored(planes)
        for i, (into, source) in enumerate(zip(self.stored, sources, strict=True)):
            here = source
            loose = here.device.type == "cpu" and into.device.type == "cuda"
            if loose and not (here.is_contiguous() and here.is_pinned()):
                if self.staging is None:
                    self.staging = self.form.room("cpu", pinned=True)
                here = self.staging[i].copy_(here)
            into.copy_(here, non_blocking=True)
