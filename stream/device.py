"""The device that pictures are computed on, by the name that the user gives it."""

from __future__ import annotations

import torch

from stream.errors import UserError


def pick_device(wish: str) -> str:
    """A device by name; "auto" is the graphics card where there is one.

    Raises:
        UserError: this machine has no such device.
    """
    if wish == "auto":
        return "cuda" if torch.cuda.is_available() else "cpu"
    try:
        # There and back: some devices of torch can be named, but hold nothing.
        torch.zeros(1, device=wish).cpu()
    except (RuntimeError, AssertionError, ImportError) as e:
        raise UserError(
            f"this machine cannot make pictures on '{wish}'; use --device cpu, or auto."
        ) from e
    return wish
