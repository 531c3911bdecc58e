"""Medians and quantiles of many values, as torch defines them, without sorting."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.kernels.cpu.compiled import kernel

Array = Any
f4: Any = np.float32
"""As a name that is no type to mypy, to which numba's float32 is no float."""

_EVERY = 32
"""One of so many values is in the sample that tells about where a median lies."""


@kernel()
def ranked(values: Array, rank: int) -> Any:
    """The value that stands at a place of the order, 0 for the smallest.

    Floats are ordered by their bits, in three rounds of counting (a radix selection): the time
    does not depend on the values.

    Args:
        values: (N,) float32, N at least 1.
        rank: below N.
    """
    bits = values.view(np.int32)
    counts = np.empty(2048, np.int32)
    found, left = 0, rank
    for step in range(3):
        shift = 21 if step == 0 else (10 if step == 1 else 0)
        bins = 1024 if step == 2 else 2048
        above = 32 if step == 0 else (21 if step == 1 else 10)
        counts[:] = 0
        for i in range(bits.shape[0]):
            b = np.int64(bits[i])
            # Of two negative numbers the one with the larger bits is the smaller.
            b = (b ^ 0xFFFFFFFF if b < 0 else b ^ 0x80000000) & 0xFFFFFFFF
            if step == 0 or (b >> above) == found:
                counts[(b >> shift) & (bins - 1)] += 1
        at = 0
        while at < bins - 1 and left >= counts[at]:
            left -= counts[at]
            at += 1
        found = (found << (10 if step == 2 else 11)) | at
    found = found ^ 0x80000000 if found & 0x80000000 else found ^ 0xFFFFFFFF
    one = np.empty(1, np.uint32)
    one[0] = found
    return one.view(np.float32)[0]


@kernel()
def median(values: Array) -> Any:
    """The lower of the two middle values."""
    return ranked(values, (values.shape[0] - 1) // 2)


@kernel()
def quantile(values: Array, share: float) -> Any:
    """The value at a share of the order, linear between the two beside it."""
    place = share * f4(values.shape[0] - 1)
    below = int(place)
    low = ranked(values, below)
    high = ranked(values, min(below + 1, values.shape[0] - 1))
    return low + (place - f4(below)) * (high - low)


@kernel("f4(f4[::1])")
def middle_of(values: Array) -> Any:
    """`median`, to be called by itself; of many values it is looked for between two of a sample."""
    n = values.shape[0]
    rank = (n - 1) // 2
    some = n // _EVERY
    if some < 256:
        return ranked(values, rank)
    sample = np.empty(some, np.float32)
    for i in range(some):
        sample[i] = values[i * _EVERY]
    low = ranked(sample, some // 2 - some // 8)
    high = ranked(sample, some // 2 + some // 8)
    under = 0
    for i in range(n):
        under += 1 if values[i] < low else 0
    inside = np.empty(n, np.float32)
    count = 0
    for i in range(n):
        inside[count] = values[i]
        count += (values[i] >= low) & (values[i] <= high)
    if under <= rank < under + count:
        return ranked(inside[:count], rank - under)
    return ranked(values, rank)
