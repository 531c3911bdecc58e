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

from models.basis import ASKED, BACK, CHANNELS, FINE, NOISE, OWN, Basis
from models.blurred import blurred_solid
from models.errors import PosewallError
from models.features import look_up, radius
from models.matte import step
from models.pyramid import box_mean, grow
from models.refine import AFTER, ALONE, BEFORE, STRIDE, Refiner, like

TRUST_RAMP = 0.04
"""chosen: the network is followed wholly where it expects to be no worse than what stands without
it, not at all where it expects to be worse by this."""
SCREEN_LIKE, UNLIKE = 0.02, 0.05
"""chosen: how far a pixel is from the bare screen, beyond the noise, up to which nothing is added
to its alpha, and from which on all is. Without it a grey figure whose edge cuts through blocks of
halved chroma gets a seam of up to five pixels of solid screen; on rendered people nothing changes
(SAD 8.09 for 8.11)."""
TOWARDS_SCREEN = 0.2
"""chosen: share of a correction of partial alpha towards the screen that is followed. Cloth that
sends on the screen's light looks like less cloth: followed wholly, a white veil before a white
garment is off by four tenths more than without the network."""
_BESIDE = 3
"""chosen: radius in pixels of a frame of 1280; beside solid parts nothing is taken, and over twice
this the share rises. Their border runs in blocks through dense hair, and thinned along it the hair
shows them (SAD 8.28 for 8.25)."""


@dataclass(frozen=True)
class Correction:
    """What the edge network says of a frame, at analysis size.

    Attributes:
        matte: (1, 3, h, w) float: what is to be added to alpha, weighed with how far the network
            is trusted; that, in [0, 1], which is how far alpha goes by the small network alone;
            and the share of it that is followed downwards.
        blurred: (1, 5, h, w) float, as `blurred_solid` says; None: nothing is blurred.
    """

    matte: Tensor
    blurred: Tensor | None


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
def corrected(basis: Basis, refiner: Refiner, alone: bool, solids: bool = True) -> Correction:
    """Ask the edge network.

    Args:
        basis: a window of the frame, beyond which nothing is asked about.
        refiner: the network.
        alone: without a correction, the frame goes by the small network's word alone.
        solids: what passed for solid is looked at, too, as `Basis` has its rim; else, as live,
            pixels alone.

    Returns:
        Of the whole frame.
    """
    x = basis.channels
    said = answered(padded(x).contiguous(memory_format=torch.channels_last), refiner)
    said = said[..., : x.shape[-2], : x.shape[-1]]
    worse = (said[:, AFTER] - said[:, ALONE if alone else BEFORE])[:, None]
    # What lies beside it is interpolated with what is asked about, so it says nothing.
    trust = (x[:, ASKED : ASKED + 1] > 0) * (1 - step(worse, 0, TRUST_RAMP))
    unlike = unlike_screen(x)
    more = trust * said[:, 0:1]
    more = torch.where(more > 0, more * unlike, more)
    down = _downwards(x, basis.size) if solids else torch.full_like(more, TOWARDS_SCREEN)
    blurred = blurred_solid(basis, more, unlike) if solids else None
    told = torch.cat([more, trust, down], 1)
    return Correction(_framed(told, basis), None if blurred is None else _framed(blurred, basis))


def _downwards(x: Tensor, size: tuple[int, int]) -> Tensor:
    """Share of what is taken from alpha that is followed: it rises beside solid parts."""
    solid = ((x[:, OWN : OWN + 1] == 1) & (x[:, ASKED : ASKED + 1] != 1)).to(x.dtype)
    beside = radius(size, _BESIDE)
    return TOWARDS_SCREEN * (1 - box_mean(grow(solid, beside), beside))


def _framed(x: Tensor, basis: Basis) -> Tensor:
    """Values of a window in the frame that is 0 elsewhere."""
    whole = x.new_zeros(1, x.shape[1], *basis.size)
    whole[..., basis.rows, basis.columns] = x
    return whole


def followed(
    found: Tensor, said: Tensor, correction: Correction, row: Tensor, column: Tensor
) -> Tensor:
    """Alpha as it stands when the edge network was asked.

    Args:
        found: (N,) float, alpha without it.
        said: (N,) float, alpha by the small network, which it corrects.
        correction: of the frame.
        row: (N,) float, where those pixels lie in it, 0 at its upper edge, 1 at its lower.
        column: (N,) float, likewise.

    Returns:
        (N,) float, in [0, 1].
    """
    more, trust, down = look_up(correction.matte, row, column)
    off = more + trust * (said - found)
    return (found + torch.where(off < 0, down * off, off)).clamp_(0, 1)


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
