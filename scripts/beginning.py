"""What libraries read of their surroundings when they are loaded; to be imported before them."""

from __future__ import annotations

import os

from stream.compiled_code import keep

CORES = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 2

# The keyer and its baseline are held against each other with one thread each. NumPy has threads for
# its matrix product alone, and how many is settled when it is loaded.
os.environ["OPENBLAS_NUM_THREADS"] = os.environ["VECLIB_MAXIMUM_THREADS"] = "1"
# Compiled kernels lie where the program keeps them.
keep()
