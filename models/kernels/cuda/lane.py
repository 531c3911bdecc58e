"""What one frame on its way through a card works in: planes, fields, picture; two take turns."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from weakref import WeakValueDictionary, finalize

import numpy as np
import torch
from torch import Tensor

from models.color import Planes
from models.kernels.cuda.exchange import ALIGNED, WORD
from models.kernels.cuda.fields import Fields
from models.kernels.cuda.laying import tiles_of
from models.kernels.cuda.places import LENGTH, Way
from models.kernels.cuda.room import Room


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
        shapes = tuple(tuple(p.shape) for p in planes)
        return cls(shapes, tuple(p.dtype for p in planes), _paired(planes))

    def fits(self, planes: Planes) -> bool:
        """Whether this is the form of planes, for less than making theirs."""
        first, second, third = planes
        return (
            (first.shape, second.shape, third.shape) == self.shapes
            and (first.dtype, second.dtype, third.dtype) == self.kinds
            and _paired(planes) == self.paired
        )

    def room(self, device: torch.device | str, pinned: bool = False) -> tuple[Tensor, ...]:
        """Memory for such planes: one tensor a plane, the interleaved two as (h, w, 2).

        They follow each other in memory where that lets each begin at a whole 16 bytes.
        """
        shapes, kinds = list(self.shapes), self.kinds
        if self.paired:
            shapes[1:] = [(*self.shapes[1], 2)]
        counts = [math.prod(shape) for shape in shapes]
        size = kinds[0].itemsize
        if len(set(kinds)) == 1 and not any(n * size % ALIGNED for n in counts[:-1]):
            whole = torch.zeros(sum(counts), dtype=kinds[0], device=device, pin_memory=pinned)
            parts = torch.split(whole, counts)
            return tuple(part.view(shape) for part, shape in zip(parts, shapes, strict=True))
        return tuple(
            torch.zeros(shape, dtype=kind, device=device, pin_memory=pinned)
            for shape, kind in zip(shapes, kinds, strict=False)
        )

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


@dataclass(eq=False)
class Lane:
    """Where one frame at a time lives on the card.

    Attributes:
        form: of its planes.
        stored: they, on the card, as `Form.room` lays them out.
        whole: all of them as one flat tensor, where they follow each other in memory.
        staging: pinned copies for planes that are not, made when first needed.
        fields: of the frame.
        numbers: (slots, 32) int32, where the frame lies in each slot.
        pinned: the same, on the CPU, from where the card takes it.
        sources: (3,) int64, pinned: addresses of planes that the card is to fetch, 0 for others.
        told: pinned, what the fields tell; the card writes it.
        pictures: by size, as long as somebody makes such pictures.
        rooms: by place among the slots that are filled, way, and size of the picture, likewise.
        uploaded: when the planes are on the card;
        computed: when the picture is done;
        downloaded: when it has left. None on a CPU.
        settle: reads what the last frame told, before the next one writes it; None: nothing to.
    """

    form: Form
    stored: tuple[Tensor, ...]
    fields: Fields
    numbers: Tensor
    pinned: Tensor
    sources: Tensor
    told: Tensor
    uploaded: torch.cuda.Event | None = None
    computed: torch.cuda.Event | None = None
    downloaded: torch.cuda.Event | None = None
    pictures: WeakValueDictionary[tuple[int, int], Picture] = field(
        default_factory=WeakValueDictionary
    )
    rooms: WeakValueDictionary[tuple[int, Way, tuple[int, int]], Room] = field(
        default_factory=WeakValueDictionary
    )
    staging: tuple[Tensor, ...] | None = None
    settle: Callable[[], object] | None = None

    def __post_init__(self) -> None:
        self.whole = _in_a_row(self.stored)
        self._written = self.pinned.view(-1).numpy().view(np.uint8)
        self._addresses = self.sources.numpy()
        self._words = all(one.nbytes % WORD == 0 for one in self.stored)
        if self.computed is not None:
            # Kernels write what is told to memory of the host, which must not become another's
            # as long as a frame is under way.
            finalize(self, _done, self.computed).atexit = False

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
        there, sources = numbers.to(device, copy=True), torch.zeros(3, dtype=torch.int64)
        stored, told = form.room(device), torch.zeros(8)
        if device.type != "cuda":
            return cls(form, stored, fields, there, numbers, sources, told)
        numbers, sources, told = (host.pin_memory() for host in (numbers, sources, told))
        return cls(
            form, stored, fields, there, numbers, sources, told, _event(), _event(), _event()
        )

    def write(self, packed: bytes) -> None:
        """Note where the next frame lies, for the card to take.

        Args:
            packed: 32 numbers for each slot in use, as in `models.kernels.cuda.places`.
        """
        self._written[: len(packed)] = np.frombuffer(packed, np.uint8)

    def fetches(self, planes: Planes, index: int) -> bool:
        """Whether the card fetches these planes by itself, with what it computes from them.

        Args:
            planes: of the lane's form. Where they are fetched, they stay until the frame is done.
            index: of the card; -1 for a CPU.

        Returns:
            False where they have to be brought by `upload`.
        """
        addresses = self._addresses
        first, second, third = planes
        at = first.data_ptr(), second.data_ptr(), third.data_ptr()
        if self._words and first.is_contiguous() and not any(one % ALIGNED for one in at[:2]):
            if self.form.paired:
                high, wide = self.form.shapes[1]
                at, ready = (*at[:2], 0), second.stride(0) == 2 * wide or high == 1
            else:
                ready = second.is_contiguous() and third.is_contiguous() and not at[2] % ALIGNED
            if ready and index == first.get_device() == second.get_device() == third.get_device():
                addresses[:] = at
                return True
        addresses[:] = 0
        return False

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
            held = torch.zeros(math.prod(tiles_of(*size)), dtype=torch.int32, device=device)
            made = Picture(codes, cover, held)
            self.pictures[size] = made
        return made

    def room(self, number: int, way: Way, size: tuple[int, int]) -> Room:
        """What a subject is keyed in, shared by all graphs: whoever keys in it keeps it.

        Args:
            number: of the subject, among those that are laid.
            way: how the frame comes into the picture.
            size: (H, W) of the picture.
        """
        made = self.rooms.get((number, way, size))
        if made is None:
            made = Room.of(self.fields, way, size, self.numbers[number])
            self.rooms[number, way, size] = made
        return made

    def upload(self, planes: Planes) -> None:
        """Bring planes to the card, on the current stream.

        Args:
            planes: of the lane's form, on the card or not. The last upload is done.
        """
        sources = self.form.stored(planes)
        if self.computed is not None and not all(map(_sendable, sources)):
            if self.staging is None:
                self.staging = self.form.room("cpu", pinned=True)
            sources = tuple(
                source if _sendable(source) else into.copy_(source)
                for into, source in zip(self.staging, sources, strict=True)
            )
        whole = None if self.whole is None else _in_a_row(sources)
        if self.whole is not None and whole is not None:
            self.whole.copy_(whole, non_blocking=True)
            return
        for into, source in zip(self.stored, sources, strict=True):
            into.copy_(source, non_blocking=True)


def _paired(planes: Planes) -> bool:
    """Whether the second and third are the two halves of one interleaved plane."""
    _, second, third = planes
    return (
        second.stride(-1) == third.stride(-1) == 2
        and second.dtype == third.dtype
        and second.shape == third.shape
        and second.stride(0) == third.stride(0)
        and third.data_ptr() - second.data_ptr() == second.element_size()
    )


def _in_a_row(stored: tuple[Tensor, ...]) -> Tensor | None:
    """Tensors of one dtype that follow each other in one piece of memory, as one flat tensor."""
    first = stored[0]
    memory = first.untyped_storage()
    at = first.data_ptr()
    for one in stored:
        if one.data_ptr() != at or one.dtype != first.dtype or not one.is_contiguous():
            return None
        at += one.nbytes
    if at > memory.data_ptr() + memory.nbytes():  # two pieces that happen to be neighbours
        return None
    count = (at - first.data_ptr()) // first.element_size()
    return first.as_strided((count,), (1,), first.storage_offset())


def _sendable(plane: Tensor) -> bool:
    """Whether a card copies a plane without a CPU at work."""
    return plane.device.type != "cpu" or (plane.is_contiguous() and plane.is_pinned())


def _event() -> torch.cuda.Event:
    return torch.cuda.Event()  # type: ignore[no-untyped-call]


def _done(event: torch.cuda.Event) -> None:
    with suppress(RuntimeError):  # of a card that failed: nothing is under way then
        event.synchronize()
