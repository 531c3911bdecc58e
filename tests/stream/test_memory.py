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
"""

# Modules come while a cycle and an object without one are in use.
MODULES = (
    CYCLES
    + """
looks = []
plain = gc.unfreeze
gc.unfreeze = lambda: (looks.append(1), plain())
cycle, single = Held(), Held()
single.own = None
for _ in range(20):
    Held()
import colorsys, wave
sweeping()
loaded = len(gc.get_objects())
for _ in range(CALM_SWEEPS + 1):
    sweeping()
print(loaded > 50, len(gc.get_objects()) < 100, Held.alive, looks)
del single  # what is counted goes at once, left out or not
print(Held.alive)
del cycle
sweeping()
left = Held.alive
sweeping.whole()
print(left, Held.alive, len(gc.get_objects()) < 100, len(looks))
sweeping.end()
sweeping.whole()  # late, from another thread: nothing is left out any more
print(gc.get_freeze_count())
"""
)


def _told(work: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", work], cwd=ROOT, check=True, capture_output=True, text=True
    )
    return done.stdout.splitlines()


def test_cycles_are_found_among_what_is_new() -> None:
    assert _told(CYCLES) == ["50 0 True True"]


def test_what_modules_brought_is_left_out_without_looking_at_everything() -> None:
    assert _told(MODULES)[1:] == ["True True 2 []", "1", "1 0 True 1", "0"]
