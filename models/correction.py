"""A frame's matte corrected by the edge network, where it expects to be better than without.

The network sees the frame at analysis size; what it says is added to the alpha of single pixels at
full size, so that a large still costs little more than a small one and keeps its own edges.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable

import torch
from safetensors import SafetensorError
from safetensors.torch import load
from torch import Tensor
from torch.nn import functional

from models.basis import ASKED, BACK, CHANNELS, FINE, NOISE, Basis
from models.blurred import blurred_solid
from models.errors import PosewallError
from models.matte import step
from models.refine import AFTER, ALONE, BEFORE, STRIDE, Refiner, like

TRUST_RAMP = 0.02
"""chosen: what the network takes from alpha is followed wholly where it expects to be better by
this than what stands without it, half where it expects as much, not at all where it expects to be
worse by this. What it adds is followed wholly where it expects as much, not at all where it expects
to be worse by twice this: there it errs less (SAD 8.17 for 8.29, no scene worse)."""
SCREEN_LIKE, UNLIKE = 0.02, 0.05
"""chosen: how far a pixel is from the bare screen, beyond the noise, up to which nothing is added
to its alpha, and from which on all is. Without it a grey figure whose edge cuts through blocks of
halved chroma gets a seam of up to five pixels of solid screen; on rendered people nothing changes
(SAD 8.09 for 8.11)."""
TOWARDS_SCREEN = 0.2
"""chosen: share of a correction of partial alpha towards the screen that is followed. Cloth that
sends on the screen's light looks like less cloth: followed wholly, a white veil before a white
garment is off by four tenths more than without the network, and hair that lies beside what passes
for solid is thinned along the border of that, which is seen."""


@dataclass(frozen=True)
class Correction:
    """What the edge network says of a frame, at analysis size.

    Attributes:
        matte: (1, 4, h, w) float: what is to be added to alpha, weighed with how far that is
            trusted; how far, in [0, 1], alpha then goes by the small network alone; and how surely,
            likewise, a blurred subject passed for solid, with the alpha that it has instead.
    """

    matte: Tensor


def padded(x: Tensor) -> Tensor:
    """A window brought to multiples of `STRIDE` by repeating its last row and column."""
    down, across = (-n % STRIDE for n in x.shape[-2:])
    return functional.pad(x, (0, across, 0, down), mode="replicate")


@torch.inference_mode()
def answered(x: Tensor, refiner: Refiner) -> Tensor:
    """What the edge network says, wherever it is asked from.

    Args:
        x: (1, 19, H, W) float, as `padded` gives it, in torch's channels last.
        refiner: the network.

    Returns:
        (1, 7, H, W) float, as `Refiner.forward` says.
    """
    # TF32 would differ from the CPU by more than a code.
    with torch.backends.cudnn.flags(enabled=torch.backends.cudnn.enabled, allow_tf32=False):
        said: Tensor = refiner(x)
    return said


def unlike_screen(x: Tensor) -> Tensor:
    """How surely pixels show something else than the bare screen, in [0, 1].

    Args:
        x: (B, 19, H, W) float, as `Basis` has it.

    Returns:
        (B, 1, H, W) float. Differences are of roots of shares of light, and the noise of the matte
        is taken as one of them: about right for light like the screen's own.
    """
    own = x[:, 0:1] - 1  # the bare screen's is 1
    off = torch.cat([own, x[:, 1:3] - x[:, BACK]], 1).abs().amax(1, keepdim=True)
    return step(off - x[:, NOISE : NOISE + 1], SCREEN_LIKE, UNLIKE)


@torch.inference_mode()
def corrected(basis: Basis, refiner: Refiner, alone: bool) -> Correction:
    """Ask the edge network.

    Args:
        basis: a window of the frame, beyond which nothing is asked about.
        refiner: the network.
        alone: without a correction, the frame goes by the small network's word alone.
    """
    x = basis.channels
    said = answered(padded(x).contiguous(memory_format=torch.channels_last), refiner)
    said = said[..., : x.shape[-2], : x.shape[-1]]
    # What lies beside it is interpolated with what is asked about, so it says nothing.
    asked = (x[:, ASKED : ASKED + 1] > 0).to(x.dtype)
    worse = (said[:, AFTER] - said[:, ALONE if alone else BEFORE])[:, None]
    trust = asked * (1 - step(worse, -TRUST_RAMP, TRUST_RAMP))
    adds = asked * (1 - step(worse, 0, 2 * TRUST_RAMP)) * unlike_screen(x)
    more = said[:, 0:1]
    more = more * torch.where(more > 0, adds, trust)
    whole = x.new_zeros(1, 4, *basis.size)
    window = whole[..., basis.rows, basis.columns]
    window[:, 0:1], window[:, 1:2] = more, trust
    blurred = blurred_solid(x, more, basis.size)
    if blurred is not None:
        window[:, 2:] = blurred
    return Correction(whole)


def followed(found: Tensor, said: Tensor, told: Tensor) -> Tensor:
    """Alpha as it stands when the edge network was asked.

    Args:
        found: (N,) float, alpha without it.
        said: (N,) float, alpha by the small network, which it corrects.
        told: (4, N) float, as in `Correction`.

    Returns:
        (N,) float, in [0, 1].
    """
    more, trust, blurred, smooth = told
    off = more + trust * (said - found)
    found = found + torch.where(off < 0, TOWARDS_SCREEN * off, off)
    return torch.lerp(found, smooth, blurred).clamp_(0, 1)


def _file() -> Traversable:
    return files("models") / "weights" / "refine.safetensors"


def refiner_digest() -> str:
    """SHA-256 of the edge network's weights, in hex; "" where there are none."""
    kept = _file()
    return hashlib.sha256(kept.read_bytes()).hexdigest() if kept.is_file() else ""


def refiner_from(weights: bytes) -> Refiner:
    """The edge network whose weights these are.

    Args:
        weights: a safetensors file.

    Raises:
        ValueError: they are damaged, or of another network.
    """
    try:
        net = like(load(weights))
    except (SafetensorError, LookupError, RuntimeError) as e:
        raise ValueError(f"no weights of an edge network: {e}") from e
    if (net.channels, net.fine) != (CHANNELS, FINE):
        raise ValueError(
            f"it sees {net.channels} channels, {net.fine} of them fine; need {CHANNELS} and {FINE}"
        )
    return net


@lru_cache(maxsize=4)
def trained_refiner(device: torch.device) -> Refiner | None:
    """The edge network with its weights; None where there are none.

    Args:
        device: where it works.

    Raises:
        PosewallError: the weights are damaged.
    """
    kept = _file()
    if not kept.is_file():
        return None
    try:
        net = refiner_from(kept.read_bytes())
    except (OSError, ValueError) as e:
        raise PosewallError(
            f"{kept}: the weights of the edge network are damaged; install Posewall again, or take "
            "the file away to key without it"
        ) from e
    return net.eval().to(device, memory_format=torch.channels_last)  # type: ignore[call-overload, no-any-return]
