"""The few numbers that host and card tell each other with a frame, moved by one small kernel.

It reads and writes pinned memory of the host where that lies: a copy of its own costs more to
start than so little takes, and a graph of kernels alone is launched faster than one with copies.
"""

from __future__ import annotations

# ruff: noqa: N803  constants of a kernel in capitals, as Triton writes them
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl
from torch import Tensor


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
