"""What the edge network is trained on: crops of shots as it sees them, with the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from models.basis import ASKED, CHANNELS, OWN, Basis, share
from models.color import SRGB_8BIT, Planes
from models.features import channel_order
from models.keyer import Grade, Keyer
from models.pyramid import pool
from models.training import samples
from models.training.chances import Chances
from models.training.subjects import Codes, Named, decode

SIDE = 320
TRUTH = 5
"""Channels of the truth: alpha; colour, as the network sees it; 1 within the shot."""
TOTAL = CHANNELS + TRUTH


@dataclass(frozen=True)
class Wish:
    """A shot that is to be made.

    Attributes:
        who: the subject.
        seed: as in `samples.sample`.
        grade: how it is looked at.
        crops: how many are cut of it.
    """

    who: Named
    seed: int
    grade: Grade
    crops: int


def _planes(codes: Codes) -> Planes:
    r, g, b = (torch.from_numpy(np.ascontiguousarray(codes[..., i])) for i in range(3))
    return r, g, b


def _truth(shot: samples.Sample, basis: Basis) -> Tensor:
    """(1, 5, H, W): alpha, colour and ones, in the basis' window."""
    factor = -(-shot.alpha.shape[0] // basis.size[0])
    alpha = torch.from_numpy(shot.alpha.astype(np.float32))[None, None]
    light = torch.from_numpy(decode(shot.color)).permute(2, 0, 1)[None]
    small = pool(alpha, factor)
    straight = pool(light * alpha, factor) / small.clamp_min(1e-3)
    window = (..., basis.rows, basis.columns)
    small, straight = small[window], straight[window]
    seen = share(straight, basis.key)[:, channel_order(basis.hue)]
    return torch.cat([small, seen, torch.ones_like(small)], 1)


def crops(wish: Wish, chances: Chances) -> NDArray[np.float16] | None:
    """Make a shot, let the Keyer look at it, cut crops.

    Args:
        wish: which shot.
        chances: of what happens in it.

    Returns:
        (N, `TOTAL`, `SIDE`, `SIDE`); None where the shot shows no screen, or nothing is asked.
    """
    shot = samples.sample(*wish.who, wish.seed, chances)
    keyer = Keyer(wish.grade)
    if shot.plate is not None:
        keyer.set_plate(_planes(shot.plate), SRGB_8BIT)
    planes = _planes(shot.shot)
    basis = keyer.basis(planes, SRGB_8BIT)
    if basis is None:
        return None
    truth = _truth(shot, basis)
    whole = torch.cat([basis.channels, truth], 1)
    down, across = (max(0, SIDE - n) for n in whole.shape[-2:])
    whole = functional.pad(whole, (0, across, 0, down), mode="replicate")
    if down:
        whole[:, -1:, -down:] = 0
    if across:
        whole[..., -1:, :, -across:] = 0
    r = np.random.default_rng(wish.seed + 1)
    return np.concatenate([_cut(whole, r) for _ in range(wish.crops)])


def _cut(whole: Tensor, r: np.random.Generator) -> NDArray[np.float16]:
    """A crop about a pixel that is asked about, mostly one of partial alpha."""
    height, width = whole.shape[-2:]
    asked = (whole[0, ASKED] > 0) * whole[0, -1]
    truth = whole[0, CHANNELS]
    kind = r.random()
    off = (truth - whole[0, OWN]).abs() > 0.15
    wanted = asked * (
        off if kind < 0.35 else (truth > 0.02) & (truth < 0.98) if kind < 0.75 else asked > 0
    )
    at = wanted.flatten().nonzero()[:, 0]
    if not len(at):
        at = asked.flatten().nonzero()[:, 0]
    row, column = height // 2, width // 2
    if len(at):
        row, column = divmod(int(at[int(r.integers(len(at)))]), width)
    top, left = (
        int(np.clip(c + r.integers(-SIDE // 3, SIDE // 3 + 1) - SIDE // 2, 0, n - SIDE))
        for c, n in ((row, height), (column, width))
    )
    part = whole[..., top : top + SIDE, left : left + SIDE]
    return part.clamp(-6e4, 6e4).half().numpy()
