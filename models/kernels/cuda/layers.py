"""A scene's layers on the card: one gain and one offset above each subject, in float16.

chosen: float16 light below moves a code by .03 at the most, a gain or an offset by .06 each.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import count

import torch
from torch import Tensor

from models.composite import Overlay, Scene
from models.laying import Laying

_SLACK = 1e-5


@dataclass(frozen=True)
class Level:
    """What lies below a subject and above it.

    Attributes:
        below: (3, H, W) float16, linear Rec.709.
        gain: (1 or 3, H, W) float16 on the encoded picture; None: nothing lies above.
        offset: (3, H, W) float16, or None.
    """

    below: Tensor
    gain: Tensor | None
    offset: Tensor | None


@dataclass(frozen=True)
class Layers:
    """A scene as the kernels read it.

    Attributes:
        levels: one a slot, the lowest first.
        order: as in `models.composite.Scene`.
        bare: (H, W, 3) uint8, the picture without anybody.
        number: of these layers alone, above 0.
    """

    levels: tuple[Level, ...]
    order: tuple[int, ...]
    bare: Tensor
    number: int = field(default_factory=count(1).__next__)

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) in pixels."""
        return self.bare.shape[0], self.bare.shape[1]


def layers_of(scene: Scene, device: torch.device | str) -> Layers | None:
    """Put a scene on a card.

    Args:
        scene: the template.
        device: the card.

    Returns:
        None where a step above a subject is no gain and offset.
    """
    if any(step.gain is None for run in scene.runs for step in run):
        return None
    scene = scene.to(device)
    grounds, codes = Laying().bare_picture(scene, 8)
    levels = []
    for level, ground in enumerate(grounds):
        steps = [step for run in scene.runs[level:] for step in run]
        merged = _merged(steps)
        if merged is None and steps:
            return None
        gain, offset = (None, None) if merged is None else merged
        levels.append(Level(ground[0].half().contiguous(), gain, offset))
    return Layers(tuple(levels), scene.order, codes.contiguous())


def _merged(steps: list[Overlay]) -> tuple[Tensor, Tensor] | None:
    """Several gains and offsets as one; None where they leave [0, 1], or there are none."""
    gain: Tensor | None = None
    offset: Tensor | None = None
    for step in steps:
        if step.gain is None or step.offset is None:
            return None
        by = step.gain[:, :1] if step.gain.stride(1) == 0 else step.gain
        gain = by if gain is None else gain * by
        offset = step.offset if offset is None else torch.addcmul(step.offset, by, offset)
    if gain is None or offset is None:
        return None
    # Between two subjects the picture is cut to [0, 1]: a step that leaves that is another.
    ends = offset, gain + offset
    if any(float(e.min()) < -_SLACK or float(e.max()) > 1 + _SLACK for e in ends):
        return None
    return gain[0].half().contiguous(), offset[0].half().contiguous()
