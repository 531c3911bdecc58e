"""The edge network: corrects a matte by looking at each pixel's neighbourhood.

Colour alone cannot tell half a veil from a white shirt full of the screen's light, or a mirroring
sleeve from a hole; what lies around a pixel can. The network is U-shaped, its finest features at
half size; single pixels are told apart again by rearranging channels into squares of two.

Sources: Ronneberger, Fischer, Brox, "U-Net: Convolutional Networks for Biomedical Image
Segmentation", MICCAI 2015; Shi et al., "Real-Time Single Image and Video Super-Resolution Using an
Efficient Sub-Pixel Convolutional Neural Network", CVPR 2016 (channels into squares); Ioffe and
Szegedy, "Batch Normalization", ICML 2015; Kendall and Gal, "What Uncertainties Do We Need in
Bayesian Deep Learning for Computer Vision?", NeurIPS 2017 (an error that is expected, learned
beside the estimate).
"""

from __future__ import annotations

from functools import partial
from itertools import pairwise
from typing import cast

import torch
from torch import Tensor, nn
from torch.nn import functional

OUT = 7
"""Channels that come out: alpha's correction; three of colour's, which train what the others see
and are not used; the expected errors of three alphas: the corrected one, that of stills without a
correction, and the small network's."""
AFTER, BEFORE, ALONE = 4, 5, 6
"""Where those errors stand."""
STRIDE = 32
"""The coarsest features stand for squares of so many pixels."""
WIDTHS = (24, 40, 56, 56, 64)
"""Channels at 1/2, 1/4, 1/8, 1/16 and 1/32; whole eights, as a card's matrix units want them."""
_SLOPE = 0.1


class _Layer(nn.Module):
    """A convolution, normalised while it learns, and a leaky ramp."""

    def __init__(self, have: int, width: int, stride: int, learning: bool) -> None:
        super().__init__()
        self.conv = nn.Conv2d(have, width, 3, stride, padding=1, bias=not learning)
        self.norm = nn.BatchNorm2d(width) if learning else None

    def forward(self, x: Tensor) -> Tensor:
        x = self.conv(x)
        if self.norm is not None:
            x = self.norm(x)
        return functional.leaky_relu(x, _SLOPE, inplace=True)

    def folded(self, into: _Layer) -> None:
        """Write this layer, its normalisation in its weights, into one that has none."""
        assert self.norm is not None
        assert into.conv.bias is not None
        mean, var = self.norm.running_mean, self.norm.running_var
        assert mean is not None
        assert var is not None
        share = self.norm.weight / (var + self.norm.eps).sqrt()
        into.conv.weight.copy_(self.conv.weight * share[:, None, None, None])
        into.conv.bias.copy_(self.norm.bias - mean * share)

    def unfolded(self, into: _Layer, _conv: nn.Module, _seen: object, out: Tensor) -> None:
        """Write this layer, which has no normalisation, into one that has: a forward hook's part.

        Args:
            into: changes nothing of what is like ``out``.
            out: (B, width, H, W), what the convolution gave.
        """
        norm = into.norm
        assert norm is not None
        assert norm.running_mean is not None
        assert norm.running_var is not None
        assert self.conv.bias is not None
        var, mean = torch.var_mean(out, (0, 2, 3), correction=0)
        into.conv.weight.copy_(self.conv.weight)
        norm.weight.copy_((var + norm.eps).sqrt())
        norm.bias.copy_(mean)
        norm.running_mean.copy_(mean - self.conv.bias)
        norm.running_var.copy_(var)


class Refiner(nn.Module):
    """The network; see the module.

    Args:
        channels: of its input.
        fine: how many of these, the first, differ from pixel to pixel; the others are smooth.
        widths: channels at 1/2, 1/4, 1/8 ... of the size.
        learning: normalise between layers; `folded` gives the same without.
    """

    mean: Tensor
    spread: Tensor

    def __init__(
        self, channels: int, fine: int, widths: tuple[int, ...] = WIDTHS, learning: bool = False
    ) -> None:
        super().__init__()
        self.channels, self.fine, self.widths = channels, fine, widths
        self.register_buffer("mean", torch.zeros(channels))
        self.register_buffer("spread", torch.ones(channels))
        first = widths[0]
        self.enter = _Layer(channels, first, 2, learning)
        self.edge = _Layer(first, first, 1, learning)
        pairs = list(pairwise(widths))
        self.down = nn.ModuleList(_Layer(a, b, 2, learning) for a, b in pairs)
        self.across = nn.ModuleList(_Layer(b, b, 1, learning) for _, b in pairs)
        self.up = nn.ModuleList(_Layer(a + b, a, 1, learning) for a, b in reversed(pairs))
        self.join = _Layer(first + 4 * fine, first, 1, learning)
        self.leave = nn.Conv2d(first, 4 * OUT, 1)
        # It begins by correcting nothing.
        nn.init.zeros_(self.leave.weight)
        assert self.leave.bias is not None
        nn.init.zeros_(self.leave.bias)

    def forward(self, x: Tensor) -> Tensor:
        """Correct.

        Args:
            x: (B, channels, H, W) float; H and W multiples of `STRIDE`.

        Returns:
            (B, 7, H, W) float: what is to be added to alpha; to the three channels of colour; the
            expected absolute error of the alpha that results if that is wholly followed, of the
            analytic one of stills, and of the small network's, which live frames and clips of
            halved chroma go by.
        """
        x = (x - self.mean[:, None, None]) / self.spread[:, None, None]
        seen = [self.edge(self.enter(x))]
        for down, across in zip(self.down, self.across, strict=True):
            seen.append(across(down(seen[-1])))
        out = seen.pop()
        for up in self.up:
            beside = seen.pop()
            wide = functional.interpolate(
                out, scale_factor=2.0, mode="bilinear", align_corners=False
            )
            out = up(torch.cat([beside, wide], 1))
        out = self.join(torch.cat([out, functional.pixel_unshuffle(x[:, : self.fine], 2)], 1))
        return functional.pixel_shuffle(self.leave(out), 2)

    @torch.no_grad()
    def folded(self) -> Refiner:
        """The same network as it is used: its normalisation in its weights."""
        plain = Refiner(self.channels, self.fine, self.widths)
        plain.mean.copy_(self.mean)
        plain.spread.copy_(self.spread)
        for name, layer in self.named_modules():
            if isinstance(layer, _Layer):
                layer.folded(cast(_Layer, plain.get_submodule(name)))
        plain.leave.load_state_dict(self.leave.state_dict())
        return plain

    @torch.no_grad()
    def unfolded(self, seen: Tensor) -> Refiner:
        """The same network as it learns, to be taught further: of one that is `folded`.

        Args:
            seen: (B, channels, H, W) float, such as it is to be taught on; layers are normalised
                as it is with these.
        """
        plain = Refiner(self.channels, self.fine, self.widths, learning=True)
        plain.mean.copy_(self.mean)
        plain.spread.copy_(self.spread)
        plain.leave.load_state_dict(self.leave.state_dict())
        hooks = []
        for name, layer in self.named_modules():
            if isinstance(layer, _Layer):
                write = partial(layer.unfolded, cast(_Layer, plain.get_submodule(name)))
                hooks.append(layer.conv.register_forward_hook(write))
        try:
            self(seen)
        finally:
            for hook in hooks:
                hook.remove()
        return plain


def like(weights: dict[str, Tensor]) -> Refiner:
    """The network whose weights these are.

    Args:
        weights: by name, of a folded network.

    Raises:
        KeyError, RuntimeError: they are of no such network.
    """
    channels = weights["mean"].shape[0]
    finest = weights["enter.conv.weight"].shape[0]
    deeper = sum(name.startswith("down.") and name.endswith("weight") for name in weights)
    widths = [weights[f"down.{i}.conv.weight"].shape[0] for i in range(deeper)]
    fine = (weights["join.conv.weight"].shape[1] - finest) // 4
    net = Refiner(channels, fine, (finest, *widths))
    net.load_state_dict(weights)
    return net
