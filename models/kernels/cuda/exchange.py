"""What host and card hand each other with a frame, by kernels that are a part of its graph.

They read and write pinned memory of the host where that lies: a copy of its own costs more to start
than so little takes, and a graph of kernels alone is launched faster than one with copies. Planes
that lie on the card already are fetched from wherever this frame's are: their addresses are told.
"""

from __future__ import annotations

# ruff: noqa: N803  constants of a kernel in capitals, as Triton writes them
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl
from torch import Tensor

WORD = 4
"""Bytes that planes are fetched in."""
ALIGNED = 16
"""Bytes: planes that are fetched begin at a multiple of them."""
_BLOCK = 4096
_WARPS = 8


@triton.jit
def _fetched(address, stored, count, at):
    words = tl.multiple_of(address.to(tl.pointer_type(tl.int32)), 16)
    kept = stored.to(tl.pointer_type(tl.int32), bitcast=True)
    tl.store(kept + at, tl.load(words + at, at < count, 0), at < count)


@triton.jit
def fetch_kernel(
    sources, first, second, third, count_first, count_second, count_third, BLOCK: tl.constexpr
):
    """Copy planes by their addresses, 0 for those that are there already."""
    plane = tl.program_id(1)
    at = tl.program_id(0) * BLOCK + tl.arange(0, BLOCK)
    address = tl.load(sources + plane)
    if address != 0:
        if plane == 0:
            _fetched(address, first, count_first, at)
        elif plane == 1:
            _fetched(address, second, count_second, at)
        else:
            _fetched(address, third, count_third, at)


def fetch(sources: Tensor, stored: tuple[Tensor, ...]) -> None:
    """Bring planes that lie on the card to where a lane keeps them; on the current stream.

    Args:
        sources: (3,) int64 in pinned memory: for each plane its address, a multiple of 16, where it
            lies without gaps; or 0 where nothing is to be done.
        stored: two or three planes, each of whole words of four bytes where it is fetched; written.
    """
    counts = [one.nbytes // WORD for one in stored]
    blocks = triton.cdiv(max(counts), _BLOCK)
    third, last = (stored[2], counts[2]) if len(stored) > 2 else (stored[0], 0)
    fetch_kernel[(blocks, len(stored))](
        sources, *stored[:2], third, *counts[:2], last, BLOCK=_BLOCK, num_warps=_WARPS
    )


@triton.jit
def exchange_kernel(
    sent, numbers, told, heard, count, length, MOST: tl.constexpr, LENGTH: tl.constexpr
):
    """Numbers to the card, and what the fields told from it."""
    at = tl.arange(0, MOST)
    tl.store(numbers + at, tl.load(sent + at, at < count, 0), at < count)
    at = tl.arange(0, LENGTH)
    tl.store(heard + at, tl.load(told + at, at < length, 0.0), at < length)


def exchange(sent: Tensor, numbers: Tensor, told: Tensor, heard: Tensor) -> None:
    """Take over where a frame lies, and tell what its fields told; on the current stream.

    Args:
        sent: (slots, 32) int32 in pinned memory, as all of the host here.
        numbers: the same on the card, written.
        told: (8,) float32 on the card.
        heard: the same on the host, written; it may be read once the work on the stream is done.
    """
    count, length = numbers.numel(), told.numel()
    most, longest = triton.next_power_of_2(count), triton.next_power_of_2(length)
    exchange_kernel[(1,)](
        sent, numbers, told, heard, count, length, MOST=most, LENGTH=longest, num_warps=1
    )
