"""Alpha of single pixels, estimated by a small network that was trained on rendered people.

A convolution over the frame's overview tells shapes (a sleeve that mirrors the screen is solid,
a veil of the same colour is not); a perceptron joins that with what a pixel itself, its
neighbours and the analysis of the frame say. `models/weights/README.md` says how it was trained.

Source of the dilated convolutions: Yu and Koltun, "Multi-Scale Context Aggregation by Dilated
Convolutions", ICLR 2016.
"""

from __future__ import annotations

import hashlib
import weakref
from functools import lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable

import torch
from safetensors import SafetensorError
from safetensors.torch import load
from torch import Tensor, nn
from torch.nn import functional

from models.errors import PosewallError
from models.features import Context, look_up

AROUND, OVERVIEW, PIXELS = 19, 9, 23
"""Channels of `features.Context` and of `features.pixels`."""
_SHAPES = 8
"""Channels that the convolution hands on."""
DILATIONS = (1, 2, 4, 8, 16)
_BATCH = 1 << 17
"""Pixels estimated at once: bounds the memory that a large still takes."""


class Estimator(nn.Module):
    """The network; see the module.

    Args:
        width: channels of the convolution.
        hidden: channels of the perceptron.
    """

    def __init__(self, width: int, hidden: int) -> None:
        super().__init__()
        layers: list[nn.Module] = []
        have = OVERVIEW
        for d in DILATIONS:
            layers += [nn.Conv2d(have, width, 3, padding=d, dilation=d), nn.ReLU(inplace=True)]
            have = width
        self.shapes = nn.Sequential(*layers, nn.Conv2d(have, _SHAPES, 1))
        self.first = nn.Linear(AROUND + PIXELS + _SHAPES, hidden)
        self.second = nn.Linear(hidden, hidden)
        self.last = nn.Linear(hidden, 1)
        # A frame is asked about band by band, and told of once.
        self._seen: tuple[weakref.ref[Context], Tensor] | None = None

    def forward(self, x: Tensor) -> Tensor:
        """Alpha of pixels that are fully described.

        Args:
            x: (N, 50) float: `features.pixels`, `Context.around` and the shapes at each.

        Returns:
            (N,) float, not clamped.
        """
        x = functional.relu(self.first(x), inplace=True)
        x = functional.relu(self.second(x), inplace=True)
        found: Tensor = self.last(x)
        return found[:, 0]

    @torch.inference_mode()
    def estimate(self, told: Context, pixels: Tensor, row: Tensor, column: Tensor) -> Tensor:
        """Alpha of single pixels of a frame.

        Args:
            told: the frame's description.
            pixels: (23, N), from `features.pixels`.
            row: (N,) float, where each lies, 0 at the frame's upper edge and 1 at its lower.
            column: (N,) float, likewise.

        Returns:
            (N,) float, coverage, in [0, 1].
        """
        seen = self._seen
        if seen is not None and seen[0]() is told:
            shapes = seen[1]
        else:
            # TF32 would differ from the CPU by more than a code.
            with torch.backends.cudnn.flags(enabled=torch.backends.cudnn.enabled, allow_tf32=False):
                shapes = self.shapes(told.overview)
            self._seen = weakref.ref(told), shapes
        parts = []
        for at in range(0, pixels.shape[1], _BATCH):
            here = slice(at, at + _BATCH)
            places = row[here], column[here]
            x = [pixels[:, here], look_up(told.around, *places), look_up(shapes, *places)]
            parts.append(self(torch.cat(x).T).clamp_(0, 1))
        return torch.cat(parts) if parts else pixels.new_zeros(0)


def _file(name: str) -> Traversable:
    return files("models") / "weights" / f"matte-{name}.safetensors"


def weights_digest(name: str) -> str:
    """SHA-256 of a network's weights, in hex: with others it gives other mattes.

    Args:
        name: "live" or "final".

    Raises:
        PosewallError: the weights are missing.
    """
    try:
        return hashlib.sha256(_file(name).read_bytes()).hexdigest()
    except OSError as e:
        raise _missing(_file(name)) from e


def _missing(kept: Traversable) -> PosewallError:
    return PosewallError(
        f"{kept}: the weights of the matte are missing or damaged; install Posewall again"
    )


@lru_cache(maxsize=4)
def trained(name: str, device: torch.device) -> Estimator:
    """The network with its weights.

    Args:
        name: "live" or "final".
        device: where it works.

    Raises:
        PosewallError: the weights are missing or damaged.
    """
    kept = _file(name)
    try:
        weights = load(kept.read_bytes())
        net = Estimator(weights["shapes.0.weight"].shape[0], weights["first.weight"].shape[0])
        net.load_state_dict(weights)
    except (OSError, SafetensorError, KeyError, RuntimeError) as e:
        raise _missing(kept) from e
    return net.eval().to(device)
