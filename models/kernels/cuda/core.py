"""The per-pixel part of a live frame on a card: fields and planes in, picture out.

Everything that it launches can be captured in a CUDA graph: sizes and addresses stay, what
changes from frame to frame lies in tensors.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import torch
import triton
from torch import Tensor

from models.color import Encoding, Matrix, Planes
from models.despill import GIVEN_BACK
from models.kernels.cuda import laying
from models.kernels.cuda.decoding import CURVES, matrix_of, sited_at
from models.kernels.cuda.fields import Fields
from models.kernels.cuda.keying import asked_kernel, listed_kernel, plain_kernel, tables_kernel
from models.kernels.cuda.layers import Layers, Level
from models.kernels.cuda.network import Weights
from models.kernels.cuda.places import Way
from models.kernels.cuda.room import Room
from models.settings import KeySettings

# chosen: measured on an H200.
_TABLES = {"num_warps": 4, "num_stages": 1}
_LISTED = {"num_warps": 2, "num_stages": 1}
_PLAIN = {"num_warps": 4, "num_stages": 1, "maxnreg": 64}
_ASKED = {"num_warps": 4, "num_stages": 1, "maxnreg": 128}
# chosen by what the compiler makes of it, not measured: for cards before 8.0, without their matrix
# instructions, 128 registers spill 1.5 KB a thread, and 8 warps with as many as they want nothing.
_ASKED_OLD = {"num_warps": 8, "num_stages": 1}
_LAID = {"num_warps": 8, "num_stages": 1}
_PROGRAMS = 16
"""Programs that work the list off, for each multiprocessor."""
_TABLE_BLOCK = 64
_MOST_NODES = 64
_BLANK = KeySettings()
_NEWEST = 9, 0


def asking(capability: tuple[int, int]) -> dict[str, int]:
    """How `models.kernels.cuda.keying.asked_kernel` is compiled for a card.

    Args:
        capability: of the card, major and minor.
    """
    return _ASKED if capability >= (8, 0) else _ASKED_OLD


class Core:
    """Launches the kernels of frames of one size and encoding.

    Args:
        planes: where the frames' planes lie: on the card, the same tensors for every frame.
        encoding: how to read them.
        quarter_turns: clockwise turns that make them upright.
        fields: of these frames.
        weights: of the live network.
        settings: what a person set; those that `covers` names.
        corrects: the fields say what is added to alpha.
    """

    def __init__(
        self,
        planes: Planes,
        encoding: Encoding,
        quarter_turns: int,
        fields: Fields,
        weights: Weights,
        settings: KeySettings = _BLANK,
        corrects: bool = False,
    ) -> None:
        self._fields, self._weights, self._corrects = fields, weights, corrects
        turns = quarter_turns % 4
        high, wide = planes[0].shape
        chroma = planes[1]
        at_column, at_row = sited_at(encoding)
        strides = *planes[0].stride(), *chroma.stride()
        self._planes = (*planes, *strides, high, wide, *chroma.shape, *matrix_of(encoding))
        rgb = encoding.matrix is Matrix.RGB
        self._read = {
            "TURNS": turns,
            "RGB": rgb,
            "HALF_R": not rgb and chroma.shape[0] != high,
            "HALF_C": not rgb and chroma.shape[1] != wide,
            "SITED_R": at_row,
            "SITED_C": at_column,
            "CURVE": CURVES[encoding.transfer],
        }
        device = fields.fields.device
        several, capability = 1, _NEWEST
        if device.type == "cuda":
            capability = torch.cuda.get_device_capability(device)
            several = torch.cuda.get_device_properties(device).multi_processor_count
        # A kernel's programs may come to the card while those before finish.
        self._early = device.type == "cuda" and capability >= (9, 0)
        self._asking = asking(capability)
        self._programs = several * _PROGRAMS
        self._amounts = (
            float(settings.black_point),
            1.0 / (settings.white_point - settings.black_point),
            float(settings.despill),
            float(GIVEN_BACK * settings.despill_luminance),
        )

    def __call__(
        self,
        layers: Layers,
        slots: Sequence[tuple[int, Way, Room]],
        picture: Tensor,
        alpha: Tensor | None = None,
        held: Tensor | None = None,
    ) -> None:
        """Make a picture.

        Args:
            layers: the template.
            slots: the level of each subject, the lowest first, how its frame comes into the
                picture, and its room.
            picture: (H, W, 3) uint8, written.
            alpha: (H, W) float32, written with the subjects' coverage, or None.
            held: which bare tiles stand in the picture, as `models.kernels.cuda.lane.Picture` has
                it; kept up. None: nothing is known of what stands there.
        """
        if held is not None and (not slots or any(way is Way.LARGER for _, way, _ in slots)):
            # Nothing is kept up here: another graph may make its pictures in the same place.
            held.zero_()
            held = None
        if not slots:
            picture.copy_(layers.bare)
            if alpha is not None:
                alpha.zero_()
        for count, (level, way, room) in enumerate(slots):
            self._lay(layers, layers.levels[level], way, room, picture, alpha, held, count == 0)

    def _lay(
        self,
        layers: Layers,
        level: Level,
        way: Way,
        room: Room,
        picture: Tensor,
        alpha: Tensor | None,
        held: Tensor | None,
        first: bool,
    ) -> None:
        """Lay one subject."""
        told, weights = self._fields, self._weights
        high, wide = layers.size
        field_size, small_size = told.fields.shape[-2:], told.shapes.shape[-2:]
        nothing = told.told  # stands where a kernel has no use for a pointer
        gain = nothing if level.gain is None else level.gain
        offset = nothing if level.offset is None else level.offset
        gains = 0 if level.gain is None else len(level.gain)
        out = nothing if alpha is None else alpha
        between = nothing if room.between is None else room.between
        layer = level.below, gain, offset
        drawn = {"ALPHA": alpha is not None, "PACKED": first and wide % 4 == 0}
        larger = way is Way.LARGER
        size = told.size if larger else layers.size
        made = (nothing, between, *size) if larger else (picture, out, *size)
        how: dict[str, int] = {
            **({"ALPHA": False, "PACKED": False} if larger else drawn),
            "ONLY_KEY": larger,
        }
        how["FIRST"] = first and not larger
        place = told.told, room.integers, room.floats
        tiles = math.prod(laying.tiles_of(*size))
        blocks = sum(triton.cdiv(len(t), _TABLE_BLOCK) for t in (room.table, room.small))
        keeps = held is not None and not larger
        early = {"EARLY": self._early, "launch_pdl": self._early}
        tables_kernel[(blocks,)](
            told.fields, *field_size, told.shapes, *small_size, told.told, room.floats,
            weights.looked_up, weights.bias, room.packed, room.table, room.small, room.counters,
            BLOCK=_TABLE_BLOCK, CORRECTS=self._corrects, EARLY=self._early, **_TABLES,
        )  # fmt: skip
        listed_kernel[(tiles,)](
            told.fields, *field_size, *place, room.counters, room.tiles_near, layers.bare, *made,
            nothing if held is None else held, layers.number, **how, HELD=keeps, **early,
            **_LISTED,
        )  # fmt: skip
        how["GAINS"] = 0 if larger else gains
        read = room.packed, *field_size, *place, room.words, room.counters
        plain_kernel[(min(self._programs, 4 * tiles),)](
            *self._planes, *read, room.tiles_near, room.tiles_asked, *layer, *made,
            *self._amounts[2:], **self._read, **how, REDUCED=way is Way.SMALLER, **early, **_PLAIN,
        )  # fmt: skip
        nodes = self._nodes(way, field_size), self._nodes(way, small_size)
        asked_kernel[(min(self._programs, 4 * tiles),)](
            *read, room.tiles_asked, *layer, *made, *self._amounts[2:], *small_size, room.table,
            room.small, weights.pixel, weights.second, weights.rest, *self._amounts[:2], **how,
            DOWN=nodes[0][0], ACROSS=nodes[0][1],
            DOWN_SMALL=nodes[1][0], ACROSS_SMALL=nodes[1][1], CORRECTS=self._corrects, **early,
            **self._asking,
        )  # fmt: skip
        if larger:
            tiles = triton.cdiv(high, laying.ROWS) * triton.cdiv(wide, laying.COLUMNS)
            laying.enlarged_kernel[(tiles,)](
                between, room.integers, room.floats, *layer, layers.bare, picture, out, high, wide,
                math.prod(size), size[1], GAINS=gains, FIRST=first, **drawn, **_LAID,
            )  # fmt: skip

    def _nodes(self, way: Way, have: Sequence[int]) -> tuple[int, int]:
        """How many nodes of a field lie under a tile, each way, at least; 0 for many."""
        if way is Way.SMALLER:
            return 0, 0
        # A field's last square may hang over the frame, so this is an upper bound.
        lengths = zip(laying.HALF, have, self._fields.size, strict=True)
        spans = [(t - 1) * h / s for t, h, s in lengths]
        down, across = (max(4, triton.next_power_of_2(math.floor(s) + 3)) for s in spans)
        return (down, across) if down * across <= _MOST_NODES else (0, 0)
