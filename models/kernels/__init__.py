"""The live grade fused for one kind of device; plain torch in `models` stays the reference."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec

import torch


def load(device: torch.device | str, progress: Callable[[int, int], None] | None = None) -> bool:
    """Make the kernels of a device ready: compile them, or read what was compiled before.

    Args:
        device: where pictures are keyed.
        progress: told how many kernels are ready, and of how many, after each.

    Returns:
        False where there are none for this kind of device.
    """
    name = f"{__name__}.{torch.device(device).type}"
    if find_spec(name) is None:
        return False
    found = getattr(import_module(name), "load", None)
    return False if found is None else bool(found(progress))
