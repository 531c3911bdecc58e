"""Functions of many small torch operations, replayed on a CUDA card from a recording of them.

A field of a few thousand values is computed in microseconds, but each of its hundred operations is
launched by Python. What is recorded is the function itself, so that there is no second truth; a
card computes the same as without. It is for work that asks for the same again and again, as a film
does: within `Replays`. Without, on a CPU, and for large tensors, the function runs plainly.
"""

from __future__ import annotations

import threading
from collections import Counter, OrderedDict
from collections.abc import Callable, Hashable
from contextlib import suppress
from functools import wraps
from typing import Any, ParamSpec

import torch
from torch import Tensor

CAPTURING = threading.Lock()
"""Held while a graph is captured: a process may have one capture under way (torch, "CUDA graphs").
Other threads may launch meanwhile, since captures here are ``thread_local``."""
MOST = 64
"""Recordings a thread keeps; beyond that the one unused for longest goes."""
_MADE = 4 * MOST
"""Recordings a thread makes: where kinds never settle, recording does not pay."""
_PLAIN = 2
"""Calls of a kind that run plainly: what is asked for a few times is not recorded."""
_LARGEST = 1 << 22
"""Values in all arguments together beyond which launching is not what takes time."""
_P = ParamSpec("_P")


class _Recording:
    """One function for arguments of one kind: tensors of these shapes, other values as they are."""

    def __init__(
        self,
        function: Callable[..., Tensor],
        args: tuple[object, ...],
        side: torch.cuda.Stream,
        pool: Any,
    ) -> None:
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
            side.wait_stream(here)
            with CAPTURING, torch.cuda.stream(side):
                # Not ``torch.cuda.graph``, which collects garbage and empties the allocator.
                self._graph.capture_begin(pool=pool, capture_error_mode="thread_local")
                try:
                    self._out = function(*own)
                except BaseException:
                    with suppress(RuntimeError):  # the failure before is the one to tell of
                        self._graph.capture_end()
                    raise
                self._graph.capture_end()
            here.wait_stream(side)

    def __call__(self, args: tuple[object, ...]) -> Tensor:
        held = iter(self._held)
        for a in args:
            if isinstance(a, Tensor):
                next(held).copy_(a)
        self._graph.replay()
        return self._out.clone()


class _Kept:
    """What one thread has recorded on one stream.

    All share one pool of memory: they are replayed one after another, and what one gives is copied
    before the next begins.
    """

    def __init__(self) -> None:
        self._stream = torch.cuda.current_stream()
        self._side = torch.cuda.Stream()  # type: ignore[no-untyped-call]
        self._pool = torch.cuda.graph_pool_handle()
        self._recordings: OrderedDict[Hashable, _Recording] = OrderedDict()
        self._calls: Counter[Hashable] = Counter()
        self._failed: set[Hashable] = set()
        self._made = 0

    def __len__(self) -> int:
        return len(self._recordings)

    def run(self, function: Callable[..., Tensor], args: tuple[object, ...]) -> Tensor:
        if torch.cuda.current_stream() != self._stream:
            return function(*args)
        key = function, *(_kind(a) for a in args)
        recording = self._recordings.get(key) or self._record(key, function, args)
        if recording is None:
            return function(*args)
        self._recordings.move_to_end(key)
        return recording(args)

    def _record(
        self, key: Hashable, function: Callable[..., Tensor], args: tuple[object, ...]
    ) -> _Recording | None:
        self._calls[key] += 1
        if self._calls[key] <= _PLAIN or key in self._failed or self._made >= _MADE:
            return None
        if len(self._recordings) >= MOST:
            self._stream.synchronize()  # the card may still be at it
            self._recordings.popitem(last=False)
        self._made += 1
        try:
            self._recordings[key] = _Recording(function, args, self._side, self._pool)
        except torch.OutOfMemoryError:  # amid a capture torch frees nothing that it holds
            self._failed.add(key)
            return None
        return self._recordings[key]

    def forget(self) -> None:
        self._stream.synchronize()
        self._recordings.clear()


class Replays:
    """Recordings for one piece of work, which its threads enter as a context.

    Threads work at the same time, each with recordings of its own.
    """

    def __init__(self) -> None:
        self._kept: dict[int, _Kept] = {}

    def __enter__(self) -> Replays:
        _WITHIN.replays = self
        return self

    def __exit__(self, *_: object) -> None:
        _WITHIN.replays = None

    @property
    def many(self) -> int:
        """Recordings that are kept."""
        return sum(len(kept) for kept in self._kept.values())

    def run(self, function: Callable[..., Tensor], args: tuple[object, ...]) -> Tensor:
        """Replay a function, or run it plainly; see `replayed`."""
        thread = threading.get_ident()
        if thread not in self._kept:
            self._kept[thread] = _Kept()
        return self._kept[thread].run(function, args)

    def forget(self) -> None:
        """Free all of it, when none of the threads is at work any more."""
        for kept in self._kept.values():
            kept.forget()
        self._kept.clear()


class _Within(threading.local):
    replays: Replays | None = None


_WITHIN = _Within()


def _kind(arg: object) -> Hashable:
    if isinstance(arg, Tensor):
        return arg.shape, arg.dtype, arg.device
    return type(arg), arg


def replayed(function: Callable[_P, Tensor]) -> Callable[_P, Tensor]:
    """Within `Replays`, replay a function from the third call with arguments of the same kind.

    Args:
        function: takes tensors, the first of them first, and hashable values; returns one new
            tensor; reads no value of a tensor on the host. Its arguments are left as they are.

    Returns:
        The function; what it returns belongs to the caller.
    """

    @wraps(function)
    def run(*args: _P.args, **kwargs: _P.kwargs) -> Tensor:
        replays = _WITHIN.replays
        if replays is None or kwargs or _is_plain(args):
            return function(*args, **kwargs)
        return replays.run(function, args)

    return run


def _is_plain(args: tuple[object, ...]) -> bool:
    tensors = [a for a in args if isinstance(a, Tensor)]
    return (
        not all(t.is_cuda and t.device.index == torch.cuda.current_device() for t in tensors)
        or sum(t.numel() for t in tensors) > _LARGEST
        or (torch.is_grad_enabled() and any(t.requires_grad for t in tensors))
        or torch.cuda.is_current_stream_capturing()
    )
