"""What the kernels of one slot work in, apart from what comes and goes."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.kernels.cuda import laying
from models.kernels.cuda.fields import Fields
from models.kernels.cuda.network import HIDDEN
from models.kernels.cuda.places import COUNTERS, Way


@dataclass(frozen=True, eq=False)
class Room:
    """The memory of one slot; whoever draws in it overwrites what another left.

    Attributes:
        table: (h * w, 32) float32, what the first layer makes of the looked-up channels.
        small: likewise of the shapes.
        packed: (3, h * w, 4) float32, the fields of single pixels, four beside each other.
        words: (3, rows, columns) int32, for each pixel what it and its neighbours are told by.
        between: (4, H, W) float32, the premultiplied subject at the frame's size where it is
            enlarged, else None.
        counters: (2,) int32, how many tiles are listed, and how many to be asked about: a part of
            what is sent with each frame, so that none begins where one that broke off left them.
        tiles_near: int32, which are listed, and
        tiles_asked: which asked about, as halves of quarters.
        integers: (32,) int32 and
        floats: the same memory as float32: where the frame lies.
    """

    table: Tensor
    small: Tensor
    packed: Tensor
    words: Tensor
    between: Tensor | None
    counters: Tensor
    tiles_near: Tensor
    tiles_asked: Tensor
    integers: Tensor
    floats: Tensor

    @classmethod
    def of(cls, fields: Fields, way: Way, size: tuple[int, int], numbers: Tensor) -> Room:
        """Room for a slot.

        Args:
            fields: of the frame.
            way: how the frame comes into the picture.
            size: (H, W) of the picture.
            numbers: (32,) int32, where it lies.
        """
        device = fields.fields.device
        made = [
            torch.zeros(t.shape[-2] * t.shape[-1], HIDDEN, device=device)
            for t in (fields.fields, fields.shapes)
        ]
        keyed = fields.size if way is Way.LARGER else size
        down, across = laying.tiles_of(*keyed)
        packed = torch.zeros(3, fields.fields[0].numel(), 4, device=device)
        words = torch.zeros(3, down * laying.ROWS, across * laying.COLUMNS, device=device).int()
        between = None
        if way is Way.LARGER:
            between = torch.zeros(4, *fields.size, device=device)
        near, asked = (
            torch.zeros(n, dtype=torch.int32, device=device)
            for n in (down * across, down * across * 8)
        )
        counters = numbers[COUNTERS : COUNTERS + 2]
        floats = numbers.view(torch.float32)
        return cls(made[0], made[1], packed, words, between, counters, near, asked, numbers, floats)
