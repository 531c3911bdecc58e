"""What the edge network is trained on: crops of shots as it sees them, with the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from models.basis import ASKED, CHANNELS, OWN, Basis
from models.color import SRGB_8BIT
from models.features import channel_order, share
from models.keyer import Grade, Keyer
from models.pyramid import pool
from models.training import samples
from models.training.chances import Chances
from models.training.subjects import Named, decode

SIDE = 320
TRUTH = 5
"""Channels of the truth: alpha; colour, as the network sees it; 1 where it is to be learnt: within
the shot, not beside the screen, not at the rim of a crop."""
TOTAL = CHANNELS + TRUTH
_RIM = 24
"""Pixels at an edge that only the crop has: what lies beyond is seen in use."""


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


def truth(shot: samples.Sample, basis: Basis) -> Tensor:
    """(1, 5, H, W): alpha, colour and what is to be learnt, in the basis' window."""
    factor = -(-shot.alpha.shape[0] // basis.size[0])
    alpha = torch.from_numpy(shot.alpha.astype(np.float32))[None, None]
    light = torch.from_numpy(decode(shot.color)).permute(2, 0, 1)[None]
    small = pool(alpha, factor)
    straight = pool(light * alpha, factor) / small.clamp_min(1e-3)
    window = (..., basis.rows, basis.columns)
    small, straight = small[window], straight[window]
    seen = share(straight, basis.key)[:, channel_order(basis.hue)]
    learnt = torch.ones_like(small)
    if shot.aside is not None:
        aside = torch.from_numpy(shot.aside.astype(np.float32))[None, None]
        learnt[pool(aside, factor)[window] > 0] = 0
    return torch.cat([small, seen, learnt], 1)


def crops(wish: Wish, chances: Chances) -> NDArray[np.float16] | None:
    """Make a shot, let the Keyer look at it, cut crops.

    Args:
        wish: which shot.
        chances: of what happens in it.

    Returns:
        (N, `TOTAL`, `SIDE`, `SIDE`), a single one where it holds all there is; None where the shot
        shows no screen, or nothing is asked.
    """
    shot = samples.sample(*wish.who, wish.seed, chances)
    keyer = Keyer(wish.grade)
    if shot.plate is not None:
        keyer.set_plate(samples.planes(shot.plate), SRGB_8BIT)
    basis = keyer.basis(samples.planes(shot.shot), SRGB_8BIT)
    if basis is None:
        return None
    known = truth(shot, basis)
    whole = torch.cat([basis.channels, known], 1)
    several = max(whole.shape[-2:]) > SIDE
    down, across = (max(0, SIDE - n) for n in whole.shape[-2:])
    whole = functional.pad(whole, (0, across, 0, down), mode="replicate")
    if down:
        whole[:, -1:, -down:] = 0
    if across:
        whole[..., -1:, :, -across:] = 0
    r = np.random.default_rng(wish.seed + 1)
    return np.concatenate([cut(whole, r) for _ in range(wish.crops if several else 1)])


def cut(whole: Tensor, r: np.random.Generator) -> NDArray[np.float16]:
    """A crop about a pixel that is asked about, mostly one of partial alpha."""
    height, width = whole.shape[-2:]
    asked = (whole[0, ASKED] > 0) * whole[0, -1]
    alpha = whole[0, CHANNELS]
    kind = r.random()
    off = (alpha - whole[0, OWN]).abs() > 0.15
    wanted = asked * (
        off if kind < 0.35 else (alpha > 0.02) & (alpha < 0.98) if kind < 0.75 else asked > 0
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
    part = whole[..., top : top + SIDE, left : left + SIDE].clone()
    learnt = part[:, -1]
    if top > 0:
        learnt[:, :_RIM] = 0
    if left > 0:
        learnt[..., :_RIM] = 0
    if top + SIDE < height:
        learnt[:, -_RIM:] = 0
    if left + SIDE < width:
        learnt[..., -_RIM:] = 0
    return part.clamp(-6e4, 6e4).half().numpy()
