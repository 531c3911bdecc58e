"""Rows in bands over a few threads, and tensors as flat arrays that kernels index themselves."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from torch import Tensor

_LEAST_ROWS = 16
"""chosen: a band re-does some rows of its neighbours, which fewer rows would not be worth."""


class Bands:
    """Runs kernels over rows.

    Args:
        threads: how many bands are worked on at once; 1 takes no thread but the caller's.
    """

    def __init__(self, threads: int = 1) -> None:
        self._threads = max(1, threads)
        self._pool = ThreadPoolExecutor(self._threads - 1, "kernels") if threads > 1 else None

    def __call__(self, rows: int, work: Callable[[int, int], None]) -> None:
        """Call ``work(first, last)`` for all rows from 0 on, band by band.

        Args:
            rows: how many there are.
            work: does a band; must not hang on how the rows are split.
        """
        count = max(1, min(self._threads, rows // _LEAST_ROWS))
        if self._pool is None or count == 1:
            work(0, rows)
            return
        edges = [rows * i // count for i in range(count + 1)]
        waiting = [self._pool.submit(work, first, last) for first, last in pairwise(edges[1:])]
        try:
            work(edges[0], edges[1])
        finally:
            for one in waiting:
                one.result()


def flat(x: Tensor) -> NDArray[Any]:
    """All memory that a strided tensor reaches over, from its first value on: a view."""
    span = 1 + sum((n - 1) * s for n, s in zip(x.shape, x.stride(), strict=True))
    array: NDArray[Any] = x.as_strided((span,), (1,)).numpy()
    return array


def lerped(count: int, first: int, have: int, whole: float) -> tuple[Any, Any]:
    """Where pixels lie among the values of a smooth field, along one axis.

    Args:
        count: how many pixels.
        first: the first one's place in the whole.
        have: values of the field.
        whole: pixels that they stand for.

    Returns:
        (count,) int32, the value before each pixel, and (count,) float32, how far it is on the
        way to the next; beyond the middle of the last value that value.
    """
    at = (np.arange(first, first + count) + 0.5) * (have / whole) - 0.5
    at = np.clip(at, 0, have - 1)
    before = np.minimum(at.astype(np.int32), max(have - 2, 0)).astype(np.int32)
    return before, (at - before).astype(np.float32)
