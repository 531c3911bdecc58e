"""What an analysis hands to the kernels of single pixels: low-resolution fields on the card.

They are allocated once for a frame size, so that a CUDA graph may read and write them.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.analysis import SIDE, Grade, Known
from models.estimator import AROUND, Estimator
from models.features import OVERVIEW

SCREEN, NEAR, SOLID, HOLD_OUT, FRONT, OWN_KEY, AROUND_AT = 0, 3, 4, 5, 6, 9, 10
"""First channels of what `Fields.fields` holds."""
CORRECTION = AROUND_AT + AROUND
CHANNELS = CORRECTION + 1
SHAPES = 8
NOISE, FOUND, HUE, FITS, WHERE = 0, 1, 2, 3, 4
"""What `Fields.told` holds, in this order; ``WHERE`` is the first of four."""


@dataclass(frozen=True)
class Fields:
    """The low-resolution fields of one frame.

    Attributes:
        size: (H, W) of the upright frame.
        fields: (30, h, w) float32, contiguous. 0-2 the screen's colour, linear Rec.709; 3 near;
            4 solid; 5 hold_out; 6-8 the foreground's spread colour; 9 own_key, as in
            `models.matte.Subject`; 10-28 `models.features.Context.around`; 29 what is added to
            alpha, 0 without an edge network.
        shapes: (8, oh, ow) float32, contiguous: what the network's convolution hands on.
        told: (8,) float32: noise of the matte; 1 where a screen was found, else 0; its channel (1
            green, 2 blue); 1 or 0 as the plate fits, -1 without one; first row, the row after the
            last, first column and the column after the last, in frame pixels, outside of which
            there is nothing but screen. Without a screen everything is subject.
    """

    size: tuple[int, int]
    fields: Tensor
    shapes: Tensor
    told: Tensor

    @classmethod
    def empty(cls, size: tuple[int, int], device: torch.device | str) -> Fields:
        """Room for the fields of frames of a size.

        Args:
            size: (H, W) of the upright frame.
            device: where they lie.
        """
        factor = reduction(size)
        h, w = -(-size[0] // factor), -(-size[1] // factor)
        small = max(1, round(max(h, w) / OVERVIEW))
        overview = -(-h // small), -(-w // small)
        return cls(
            size,
            torch.zeros(CHANNELS, h, w, device=device),
            torch.zeros(SHAPES, *overview, device=device),
            torch.zeros(8, device=device),
        )

    def fill(self, known: Known, network: Estimator) -> None:
        """Take over what the reference analysis told.

        Args:
            known: of a frame of this size, in the live grade.
            network: the live network, on the same device.
        """
        rows, columns = known.where
        bare, subject = known.bare, known.subject
        found = bare is not None and subject is not None
        fits = -1.0 if known.plate_fits is None else float(known.plate_fits)
        hue = 1 if bare is None else bare.hue.value
        spans = [rows.start, rows.stop, columns.start, columns.stop]
        self.told.copy_(torch.tensor([known.noise, float(found), float(hue), fits, *spans]))
        if bare is None or subject is None:
            return
        told = [
            bare.color,
            subject.near,
            subject.solid,
            bare.hold_out,
            subject.color,
            subject.own_key,
            subject.told.around,
        ]
        torch.cat(told, 1, out=self.fields[None, :CORRECTION])
        if known.correction is None:
            self.fields[CORRECTION].zero_()
        else:
            self.fields[CORRECTION].copy_(known.correction.matte[0, 0])
        with (
            torch.inference_mode(),
            torch.backends.cudnn.flags(enabled=torch.backends.cudnn.enabled, allow_tf32=False),
        ):
            self.shapes.copy_(network.shapes(subject.told.overview)[0])


def reduction(size: tuple[int, int]) -> int:
    """How many pixels of a frame one value of a field stands for, each way.

    Args:
        size: (H, W) of the frame.
    """
    return max(1, round(max(size) / SIDE[Grade.LIVE]))


def fields_from(known: Known, network: Estimator, size: tuple[int, int]) -> Fields:
    """The fields that the reference analysis gives.

    Args:
        known: in the live grade.
        network: the live network.
        size: (H, W) of the upright frame.
    """
    made = Fields.empty(size, network.first.weight.device)
    made.fill(known, network)
    return made
