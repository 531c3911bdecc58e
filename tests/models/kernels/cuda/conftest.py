"""Where there is no CUDA device the kernels run in Triton's interpreter, on CPU tensors."""

from __future__ import annotations

import os
from dataclasses import replace
from importlib.util import find_spec

import pytest
import torch

collect_ignore_glob = [] if find_spec("triton") else ["test_*.py"]

# Read when a kernel is declared, so before any test imports one.
if not torch.cuda.is_available():
    os.environ["TRITON_INTERPRET"] = "1"
    if find_spec("triton"):
        from triton.runtime.interpreter import interpreter_builder as builder

        # Without debugging it works out whether integers overflow, drops the answer, and takes
        # two thirds longer.
        builder.options = replace(builder.options, sanitize_overflow=False)


def pytest_itemcollected(item: pytest.Item) -> None:
    """On a card all of these are tests of the card: whether kernels wait for each other is not
    seen in an interpreter, which runs one after the other."""
    if torch.cuda.is_available():
        item.add_marker(pytest.mark.gpu)
