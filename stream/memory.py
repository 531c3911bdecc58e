"""Memory that is not needed any more: found in time, and handed back to the system."""

from __future__ import annotations

import ctypes
import gc
import sys
import threading
from functools import cache
from typing import Any


@cache
def _library() -> Any:
    """The C library, where it is one that can trim: glibc."""
    if not sys.platform.startswith("linux"):
        return None
    library = ctypes.CDLL(None)
    return library if hasattr(library, "malloc_trim") else None


def trim() -> bool:
    """Hand back what lies freed between pieces that are in use.

    glibc keeps blocks of up to 32 MB for the next one that fits; the many tensors of a picture's
    analysis leave hundreds of megabytes so, and each thread has its own (measured: .8 GB after
    four prints). Other systems' allocators need no such word.

    Returns:
        Whether there was anything to ask.
    """
    library = _library()
    if library is None:
        return False
    library.malloc_trim(0)
    return True


# chosen: libraries are loaded in bursts of some seconds; sweeps come every .4 s.
CALM_SWEEPS = 10


class Sweeping:
    """Finds garbage in cycles often, by looking only at what came since it began.

    Decoded frames may lie in cycles of two small objects, which the interpreter's own collection
    finds after some hundred frames: .7 GB of 1080p (measured). A whole collection would stop every
    thread for a quarter of a second and more, since it looks at all that the libraries made as they
    were loaded; without that it takes a millisecond. Threads may share it.
    """

    def __init__(self) -> None:
        """Leave what is there now out of every collection until `end`."""
        gc.freeze()
        self._lock = threading.Lock()
        self._ended = False
        self._left_out = self._modules = len(sys.modules)
        self._calm = 0

    def __call__(self) -> int:
        """Collect; how many objects were found.

        What modules that were loaded meanwhile brought is left out, too, once no more come for a
        while: just after this look, so that of what is left out only what was in use can become
        garbage unseen. `whole` is for moments when a stand-still harms nobody.
        """
        with self._lock:
            found = gc.collect()
            modules = len(sys.modules)
            self._calm = self._calm + 1 if modules == self._modules else 0
            self._modules = modules
            if modules != self._left_out and self._calm >= CALM_SWEEPS and not self._ended:
                self._leave_out()
            return found

    def whole(self) -> int:
        """Look at everything, once; how many objects were found.

        Every thread stands still meanwhile, for up to half a second: call it while the picture is
        slow anyway. Afterwards all that is there is left out, and what was freed is handed back.
        """
        with self._lock:
            gc.unfreeze()
            found = gc.collect()
            if not self._ended:
                self._leave_out()
        trim()
        return found

    def _leave_out(self) -> None:
        self._left_out = self._modules = len(sys.modules)
        gc.freeze()

    def end(self) -> None:
        """Let the interpreter look at everything again; nothing is left out from now on."""
        with self._lock:
            self._ended = True
            gc.unfreeze()
