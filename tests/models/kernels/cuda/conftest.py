"""Where there is no CUDA device the kernels run in Triton's interpreter, on CPU tensors."""

from __future__ import annotations

import os
from importlib.util import find_spec

import torch

# Read when a kernel is declared, so before any test imports one.
if not torch.cuda.is_available():
    os.environ["TRITON_INTERPRET"] = "1"

collect_ignore_glob = [] if find_spec("triton") else ["test_*.py"]
