"""The live network in NumPy: the dilated convolutions as matrix products, and the perceptron."""

from __future__ import annotations

import numpy as np
import torch

from models.estimator import DILATIONS, trained
from scripts.baseline_areas import Floats


class Network:
    """The weights of the live grade, laid out for matrix products."""

    def __init__(self) -> None:
        kept = trained("live", torch.device("cpu")).state_dict()
        weights = {name: x.numpy() for name, x in kept.items()}
        self._layers = []
        for i in range(len(DILATIONS)):
            w = weights[f"shapes.{2 * i}.weight"]
            # (out, in, 3, 3) to (9 in, out), the order in which neighbours are gathered.
            flat = np.ascontiguousarray(w.transpose(2, 3, 1, 0).reshape(-1, w.shape[0]))
            self._layers.append((flat, weights[f"shapes.{2 * i}.bias"]))
        last = 2 * len(DILATIONS)
        mix = weights[f"shapes.{last}.weight"][..., 0, 0].T
        self._mix = np.ascontiguousarray(mix), weights[f"shapes.{last}.bias"]
        self._dense = [
            (np.ascontiguousarray(weights[f"{name}.weight"].T), weights[f"{name}.bias"])
            for name in ("first", "second", "last")
        ]
        self.inputs: int = self._dense[0][0].shape[0]

    def shapes(self, overview: Floats) -> Floats:
        """(h, w, 8) of (h, w, 9): the convolution over the frame's overview."""
        height, width = overview.shape[:2]
        x = overview
        for d, (weight, bias) in zip(DILATIONS, self._layers, strict=True):
            wide = np.pad(x, ((d, d), (d, d), (0, 0)))
            near = [
                wide[dy : dy + height, dx : dx + width]
                for dy in (0, d, 2 * d)
                for dx in (0, d, 2 * d)
            ]
            x = np.concatenate(near, 2).reshape(height * width, -1) @ weight
            x += bias
            x = np.maximum(x, 0, out=x).reshape(height, width, -1)
        mixed = x.reshape(height * width, -1) @ self._mix[0] + self._mix[1]
        return np.asarray(mixed.reshape(height, width, -1), np.float32)

    def alpha(self, told: Floats) -> Floats:
        """(N,) of (N, 50), in [0, 1]."""
        x = told
        for weight, bias in self._dense[:2]:
            x = x @ weight
            x += bias
            np.maximum(x, 0, out=x)
        weight, bias = self._dense[2]
        return np.asarray(np.clip((x @ weight)[:, 0] + bias, 0, 1), np.float32)
