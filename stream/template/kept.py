"""Finished parts of templates: the last used in memory, more of them on disk.

One `Store` serves all templates of an event, so that its two budgets hold however many there are.
A part is what layers without words come to, so that none shows anybody's name.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from torch import Tensor

from models.composite import Overlay
from models.flatten import Flat, Folded
from stream.template.flattened import Flattened, Key, Part, Pin, window

# chosen: the parts of two 8x10 prints with words on them take 630 MB, those of one 24 megapixel
# print 670; a batch of them then stays below 3 GB in all (measured).
MEMORY_BYTES = 768 << 20
# chosen: the parts of six such prints; a design costs seconds, its parts on disk a fraction of one.
DISK_BYTES = 2 << 30
# chosen: the larger part of a 24 megapixel print takes half of the memory.
_LARGEST = 0.5


class Parts(Protocol):
    """Where a template finds what it made before, by what the part is and its size."""

    def find(self, key: Key, rows: slice | None = None) -> Part | None:
        """A part that was made before, or rows of it; it is not written to."""

    def keep(self, key: Key, part: Part) -> bool:
        """Keep a part for the next picture.

        Returns:
            Whether it stays as long as it is pinned.
        """

    def pin(self, key: Key) -> Pin | None:
        """Keep a part from being dropped while somebody has the pin; None where that cannot be."""


def part_bytes(part: Part) -> int:
    """Memory that a part takes."""
    if isinstance(part, Flat):
        return part_bytes(part.rgb_pm) + part_bytes(part.alpha)
    if isinstance(part, Folded):
        over = 0 if part.coverage is None else part_bytes(part.coverage)
        return over + sum(_overlay_bytes(o) for o in part.overlays)
    return part.untyped_storage().nbytes()


def _overlay_bytes(overlay: Overlay) -> int:
    parts = (overlay.gain, overlay.offset, overlay.rgb_enc, overlay.alpha, overlay.coverage)
    return sum(part_bytes(p) for p in parts if isinstance(p, Tensor))


@dataclass
class Kept:
    """Finished parts within a budget of memory, the one unused for longest dropped first."""

    budget: int
    parts: OrderedDict[Hashable, Part] = field(default_factory=OrderedDict)
    lock: threading.RLock = field(default_factory=threading.RLock)

    def find(self, key: Hashable, rows: slice | None = None) -> Part | None:
        """A part that was made before, or rows of it."""
        with self.lock:
            if key in self.parts:
                self.parts.move_to_end(key)
            part = self.parts.get(key)
        return part if part is None or rows is None else window(part, rows)

    def pin(self, key: Hashable) -> None:
        """Nothing: whoever needs a part for longer holds it."""

    def keep(self, key: Hashable, part: Part) -> bool:
        """Keep a part for the next picture, unless it alone takes most of the budget.

        Such a part is a poster's, whose strips are read from the disk.

        Returns:
            False: it may be dropped for the next one.
        """
        if part_bytes(part) > self.budget * _LARGEST:
            return False
        with self.lock:
            self.parts[key] = part
            while sum(part_bytes(p) for p in self.parts.values()) > self.budget:
                self.parts.popitem(last=False)
        return False


class Store:
    """Finished parts of all templates of an event. Threads may share it."""

    def __init__(self, folder: Path, memory: int = MEMORY_BYTES, disk: int = DISK_BYTES) -> None:
        """Prepare; nothing is read or written yet.

        Args:
            folder: where they lie on disk; it may be deleted at any time.
            memory: bytes that they may take in this process.
            disk: bytes that they may take in the folder.
        """
        self.folder, self.disk = folder, disk
        self.memory = Kept(memory)

    def of(self, version: str) -> Parts:
        """The parts of one template version."""
        return _Shelf(self.memory, Flattened(self.folder, version, self.disk))


@dataclass(frozen=True)
class _Shelf:
    """The parts of one template version in the store."""

    memory: Kept
    disk: Flattened

    def find(self, key: Key, rows: slice | None = None) -> Part | None:
        whole = (self.disk.version, key)
        part = self.memory.find(whole, rows)
        if part is None:
            part = self.disk.find(key, rows)
            if part is not None and rows is None:
                self.memory.keep(whole, part)
        return part

    def keep(self, key: Key, part: Part) -> bool:
        self.memory.keep((self.disk.version, key), part)
        return self.disk.keep(key, part)

    def pin(self, key: Key) -> Pin:
        return self.disk.pin(key)


@dataclass
class Held:
    """The parts of a picture that is made in strips, each made once for all of them.

    What the disk takes is pinned there, so that the parts of one picture never drive each other
    out; the rest is held in memory while the picture lasts. So is what was there and is gone:
    another process that makes room in the folder knows of no pins, and would do it again.
    """

    parts: Parts
    held: dict[Key, Part] = field(default_factory=dict)
    pins: dict[Key, Pin | None] = field(default_factory=dict)
    seen: set[Key] = field(default_factory=set)

    def find(self, key: Key, rows: slice | None = None) -> Part | None:
        if key in self.held:
            part = self.held[key]
            return part if rows is None else window(part, rows)
        if key not in self.pins:
            self.pins[key] = self.parts.pin(key)
        found = self.parts.find(key, rows)
        if found is not None:
            self.seen.add(key)
        return found

    def keep(self, key: Key, part: Part) -> bool:
        if not self.parts.keep(key, part) or key in self.seen:
            self.held[key] = part
        self.seen.add(key)
        return True

    def pin(self, key: Key) -> Pin | None:
        return self.pins.get(key)
