"""Functions of many small torch operations, replayed on a CUDA card from a recording of them.

A field of a few thousand values is computed in microseconds, but each of its hundred operations is
launched by Python. What is recorded is the function itself, so that there is no second truth; a
card computes the same as without. On a CPU, and for large tensors, the function runs plainly.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from functools import wraps

import torch
from torch import Tensor

MOST = 64
"""Recordings a thread keeps; beyond that the one unused for longest goes."""
_PLAIN = 2
"""Calls of a kind that run plainly, so that what comes once is not recorded."""
_LARGEST = 1 << 22
"""Values in all arguments together beyond which launching is not what takes time."""


class _Recording:
    """One function for arguments of one kind: tensors of these shapes, other values as they are."""

    def __init__(self, function: Callable[..., Tensor], args: tuple[object, ...]) -> None:
        # Made outside inference, since callers of either kind write into them.
        with torch.inference_mode(False), torch.no_grad():
            self._held = [
                torch.empty(a.shape, dtype=a.dtype, device=a.device)
                for a in args
                if isinstance(a, Tensor)
            ]
            held = iter(self._held)
            own = [next(held) if isinstance(a, Tensor) else a for a in args]
            self._graph = torch.cuda.CUDAGraph()
            here = torch.cuda.current_stream()
            side = torch.cuda.Stream()  # type: ignore[no-untyped-call]
            side.wait_stream(here)
            with torch.cuda.stream(side):
                # Not ``torch.cuda.graph``, which collects garbage and empties the allocator.
                self._graph.capture_begin(capture_error_mode="thread_local")
                try:
                    self._out = function(*own)
                finally:
                    self._graph.capture_end()
            here.wait_stream(side)

    def __call__(self, args: tuple[object, ...]) -> Tensor:
        held = iter(self._held)
        for a in args:
            if isinstance(a, Tensor):
                next(held).copy_(a)
        self._graph.replay()
        return self._out.clone()


class _Kept(threading.local):
    """What a thread has recorded: threads replay at the same time, each into its own tensors."""

    def __init__(self) -> None:
        self.recordings: OrderedDict[Hashable, _Recording] = OrderedDict()
        self.calls: OrderedDict[Hashable, int] = OrderedDict()

    def recording(self, key: Hashable, make: Callable[[], _Recording]) -> _Recording | None:
        if key in self.recordings:
            self.recordings.move_to_end(key)
            return self.recordings[key]
        self.calls[key] = self.calls.pop(key, 0) + 1
        if self.calls[key] <= _PLAIN:
            if len(self.calls) > 4 * MOST:
                self.calls.popitem(last=False)
            return None
        del self.calls[key]
        if len(self.recordings) >= MOST:
            torch.cuda.synchronize()  # the card may still be at it
            self.recordings.popitem(last=False)
        self.recordings[key] = make()
        return self.recordings[key]


_KEPT = _Kept()


def _kind(arg: object) -> Hashable:
    if isinstance(arg, Tensor):
        return arg.shape, arg.dtype, arg.device
    return type(arg), arg


def replayed(function: Callable[..., Tensor]) -> Callable[..., Tensor]:
    """Replay a function on a card from the third call with arguments of the same kind.

    Args:
        function: takes tensors and hashable values by position; returns one new tensor; reads no
            value of a tensor on the host. Its arguments are left as they are.

    Returns:
        The function; what it returns belongs to the caller.
    """

    @wraps(function)
    def run(*args: object) -> Tensor:
        tensors = [a for a in args if isinstance(a, Tensor)]
        if not tensors[0].is_cuda or _is_plain(tensors):
            return function(*args)
        stream = torch.cuda.current_stream().cuda_stream
        key = function, stream, *(_kind(a) for a in args)
        recording = _KEPT.recording(key, lambda: _Recording(function, args))
        return function(*args) if recording is None else recording(args)

    return run


def _is_plain(tensors: list[Tensor]) -> bool:
    return (
        sum(t.numel() for t in tensors) > _LARGEST
        or any(t.device.index != torch.cuda.current_device() for t in tensors)
        or (torch.is_grad_enabled() and any(t.requires_grad for t in tensors))
        or torch.cuda.is_current_stream_capturing()
    )
