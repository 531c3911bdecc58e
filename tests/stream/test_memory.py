"""Freed memory goes back to the system where its allocator would hold on to it."""

from __future__ import annotations

import platform
import re
import subprocess
import sys

import pytest

from tests.house.tree import ROOT

# Blocks of 16 MB with smaller ones between that stay: none of them lies at the heap's end.
WORK = """
import ctypes, re
from stream.memory import trim
libc = ctypes.CDLL(None)
libc.mallopt(-3, 32 << 20)  # M_MMAP_THRESHOLD of <malloc.h>: as it is after some work
libc.malloc.restype = ctypes.c_void_p
libc.free.argtypes = [ctypes.c_void_p]
def held():
    return int(re.search(r"VmRSS:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024
large, small = [], []
for _ in range(20):
    large.append(libc.malloc(ctypes.c_size_t(16 << 20)))
    ctypes.memset(large[-1], 1, 16 << 20)
    small.append(libc.malloc(ctypes.c_size_t(200_000)))
for block in large:
    libc.free(block)
before = held()
done = trim()
print(done, before - held())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc is asked")
def test_what_lies_between_is_handed_back() -> None:
    found = subprocess.run(
        [sys.executable, "-c", WORK], cwd=ROOT, check=True, capture_output=True, text=True
    )
    told = re.match(r"True ([\d.]+)", found.stdout)
    assert told is not None, found.stdout
    assert float(told[1]) > 200


# Cycles of two, as decoded frames lie in; what is loaded before must not be looked at again.
CYCLES = """
import gc
from stream.memory import CALM_SWEEPS, Sweeping
class Held:
    alive = 0
    def __init__(self):
        self.own = [self]
        Held.alive += 1
    def __del__(self):
        Held.alive -= 1
gc.disable()
old = [[] for _ in range(1000)]
sweeping = Sweeping()
frozen = gc.get_freeze_count()
for _ in range(50):
    Held()
before, found = Held.alive, sweeping()
print(before, Held.alive, found >= 50, frozen > 1000)
kept = Held()  # alive while modules come: it must be found later all the same
import colorsys, wave
sweeping()
loaded = len(gc.get_objects())
for _ in range(CALM_SWEEPS + 1):
    sweeping()
print(loaded > 50, len(gc.get_objects()) < 100)
del kept
import sched
for _ in range(CALM_SWEEPS + 1):
    sweeping()
print(Held.alive)
sweeping.end()
print(gc.get_freeze_count())
"""


def test_cycles_are_found_among_what_is_new() -> None:
    found = subprocess.run(
        [sys.executable, "-c", CYCLES], cwd=ROOT, check=True, capture_output=True, text=True
    )
    assert found.stdout.split() == ["50", "0", "True", "True", "True", "True", "0", "0"]
