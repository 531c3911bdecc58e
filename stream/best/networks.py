"""The networks that find faces and their landmarks, run by OpenCV; card in models/weights/faces."""

from __future__ import annotations

import functools
import gzip
import zlib
from importlib.resources import files

import numpy as np
import torch
from torch import Tensor

from stream.errors import UserError
from stream.opencv import cv2


class Network:
    """One of the networks. Not for several threads at once."""

    def __init__(self, name: str, outputs: tuple[str, ...]) -> None:
        """Load one.

        Args:
            name: of its file, without the suffixes.
            outputs: names of what it gives, in the order wanted.

        Raises:
            UserError: the file is missing or damaged.
        """
        kept = files("models") / "weights" / "faces" / f"{name}.tflite.gz"
        try:
            told = np.frombuffer(gzip.decompress(kept.read_bytes()), np.uint8)
            self._net = cv2.dnn.readNetFromTFLite(told)
        except (OSError, EOFError, zlib.error, cv2.error) as e:
            raise UserError(
                f"{kept}: the network for faces is missing or damaged; install Posewall again"
            ) from e
        self._outputs = outputs

    def __call__(self, seen: Tensor) -> list[Tensor]:
        """Run it.

        Args:
            seen: (1, 3, side, side) float, R'G'B', in the range that it was trained for.

        Returns:
            Its outputs, float, each flat.
        """
        self._net.setInput(np.ascontiguousarray(seen.numpy()))
        return [torch.from_numpy(np.array(o)).flatten() for o in self._net.forward(self._outputs)]


@functools.cache
def detector() -> Network:
    """Takes 256 pixels a side in [-1, 1]; gives 896 scores, and 16 numbers a place."""
    return Network("detector", ("classificators", "regressors"))


@functools.cache
def mesh() -> Network:
    """Takes 192 pixels a side in [0, 1]; gives 468 points in pixels, and whether it is a face."""
    return Network("mesh", ("conv2d_20", "conv2d_30"))


@functools.cache
def eye() -> Network:
    """Takes 64 pixels a side in [0, 1]; gives 71 points in pixels."""
    return Network("eye", ("output_eyes_contours_and_brows",))
