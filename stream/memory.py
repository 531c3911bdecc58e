"""Memory that was freed, handed back to the system."""

from __future__ import annotations

import ctypes
import sys
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
