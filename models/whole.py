"""A frame cut at its own full size."""

from __future__ import annotations

from dataclasses import replace

import torch
from torch import Tensor

from models import shadow
from models.analysis import Grade, Known
from models.banded import Banded
from models.cut import Cut
from models.solver import Solver
from models.upright import Upright


def cut_whole(
    frame: Upright,
    known: Known,
    solver: Solver,
    grade: Grade,
    strokes: Tensor | None,
    shadows: bool,
) -> Cut:
    """Cut it.

    Args:
        frame: the frame.
        known: what it tells.
        solver: cuts its bands.
        grade: how much work a picture gets.
        strokes: (1, 2, H, W) painted by hand over the frame, on the device; or None.
        shadows: keep the subject's shadow, too.
    """
    everywhere = slice(0, frame.size[0]), slice(0, frame.size[1])
    alpha = torch.empty(1, 1, *frame.size, device=solver.device)
    fg = torch.empty(1, 3, *frame.size, device=solver.device)
    whole = Banded(
        solver,
        lambda band: frame.linear(band, everywhere[1]),
        known,
        frame.size,
        *everywhere,
        1.0,
        strokes,
    )
    for band, part, color in whole.pieces(grade):
        alpha[..., band, :], fg[..., band, :] = part, color
    found = known.bare is not None and known.subject is not None
    garbage = None if known.bare is None else known.bare.unsettled
    cut = Cut(alpha, fg, found, known.plate_fits, garbage=garbage)
    if not shadows:
        return cut
    if known.dark is None:
        return replace(cut, shadow=torch.ones_like(cut.alpha))
    dark = shadow.window(known.dark, frame.size, (0, 0), frame.size, everywhere, strokes)
    return replace(cut, shadow=1 - dark)
