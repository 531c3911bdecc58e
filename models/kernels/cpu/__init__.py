"""Kernels for CPUs, compiled by numba; no compiler is needed on the machine."""

from __future__ import annotations

from collections.abc import Callable


def load(progress: Callable[[int, int], None] | None = None) -> bool:
    """Compile all, or read what was compiled before; see `models.kernels.load`."""
    from models.kernels.cpu import analysing, compiled, core

    assert analysing  # what they declare is compiled
    assert core
    compiled.load(progress)
    return True
