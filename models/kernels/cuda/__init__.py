"""Kernels for CUDA devices, in Triton."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec

import torch


def load(progress: Callable[[int, int], None] | None = None) -> bool:
    """Whether kernels can be had; see `models.kernels.load`.

    Each is compiled for a kind of frame when the first of them comes, and kept on disk. Where torch
    was built for other cards than CUDA's, which it calls by the same name, there are none.
    """
    return torch.version.cuda is not None and find_spec("triton") is not None
