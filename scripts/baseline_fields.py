"""The small fields that the work on single pixels leans on, as NumPy has them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from models.analysis import Known
from models.estimator import trained
from scripts.baseline_areas import Floats


@dataclass(frozen=True)
class Fields:
    """What the analysis of a frame tells, at analysis size.

    Attributes:
        key: the screen's channel.
        noise: of the matte over the bare screen.
        where: rows and columns of the frame outside of which there is nothing but screen.
        color: (h, w, 3) linear, the bare screen.
        masks: (h, w, 3): near, solid, held out.
        own_key: (h, w).
        around: (h, w, 22): 19 values of `models.features.Context`, and the foreground's colour.
        shapes: (h / n, w / n, 8), what the convolution hands on.
    """

    key: int
    noise: float
    where: tuple[slice, slice]
    color: Floats
    masks: Floats
    own_key: Floats
    around: Floats
    shapes: Floats

    @classmethod
    def of(cls, known: Known) -> Fields:
        """Those of the reference's own analysis.

        Raises:
            ValueError: the frame shows no screen.
        """
        bare, subject = known.bare, known.subject
        if bare is None or subject is None:
            raise ValueError("baseline: got a frame without a screen; need one with a screen")
        with torch.inference_mode():
            shapes = trained("live", torch.device("cpu")).shapes(subject.told.overview)
        return cls(
            bare.hue.value,
            known.noise,
            known.where,
            _hwc(bare.color),
            _hwc(torch.cat([subject.near, subject.solid, bare.hold_out], 1)),
            _hwc(subject.own_key)[..., 0],
            _hwc(torch.cat([subject.told.around, subject.color], 1)),
            _hwc(shapes),
        )


def _hwc(x: Tensor) -> Floats:
    return np.ascontiguousarray(x[0].permute(1, 2, 0).numpy())
