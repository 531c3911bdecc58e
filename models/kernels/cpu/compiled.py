"""Functions that numba compiles for this processor, and that `load` makes ready.

numba keeps what it compiled and reads it the next time. It looks only at the file of a function to
tell whether that is still right, not at functions and constants of other files that were compiled
into it: who sets its cache folder (``NUMBA_CACHE_DIR``) names it by all of this package's source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

i8: Any = numba.int64
"""Makes a number of the usual kind for whole ones, as a name that is no type to mypy. A number that
is written out has a type of its own to numba, for which what is called is compiled once more."""

F = TypeVar("F", bound=Callable[..., Any])

# Sums may be reordered and divisions turned into products, so that loops become vector code; NaN
# and infinity keep their meaning.
FAST = {"contract", "reassoc", "nsz", "arcp"}

unkept: list[Exception] = []
"""Why something that was compiled could not be kept; it is compiled all the same."""

_pending: list[tuple[Any, tuple[str, ...]]] = []


def kernel(*signatures: str) -> Callable[[F], F]:
    """Declare a function that `load` compiles.

    Args:
        signatures: numba's, such as ``"void(u1[:,::1], f4[:,:,::1])"``: every kind of arguments
            that it is called with. Without any it is compiled into the kernels that call it.
    """

    def declare(function: F) -> F:
        how: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": FAST}
        how["no_cfunc_wrapper"] = True  # nothing calls them from C, and each takes time to compile
        try:
            # What is compiled into others is in what is kept of those.
            made: Any = numba.njit(cache=bool(signatures), **how)(function)
        except RuntimeError as error:  # no folder at all that can be written
            if signatures:
                unkept.append(error)
            made = numba.njit(**how)(function)
        if signatures:
            _pending.append((made, signatures))
        result: F = made
        return result

    return declare


def load(progress: Callable[[int, int], None] | None = None) -> None:
    """Compile every kernel declared so far, or read what was compiled before.

    From then on a call with other types is brought to those declared, or refused: nothing is
    compiled while pictures wait.

    What cannot be kept, as on a full disk, is told by `unkept` and compiled without.

    Args:
        progress: told how many are done, and of how many, after each.
    """
    wanted = [(made, signature) for made, signatures in _pending for signature in signatures]
    for done, (made, signature) in enumerate(wanted, 1):
        try:
            made.compile(signature)
        except OSError as error:
            unkept.append(error)
            made.compile(signature)  # it is there already: numba compiles first, then keeps
        if progress is not None:
            progress(done, len(wanted))
    for made, _ in _pending:
        made.disable_compile()
    _pending.clear()
