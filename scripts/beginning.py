"""What libraries read of their surroundings when they are loaded; to be imported before them."""

from __future__ import annotations

import os

from stream.compiled_code import keep

CORES = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 2

# NumPy's matrix product gets as many threads as the live program keys by.
os.environ.setdefault("OPENBLAS_NUM_THREADS", str(max(1, min(8, CORES - 1))))
# Compiled kernels lie where the program keeps them.
keep()
