"""Finished parts of templates on disk, so that no start of the program flattens a design again.

Each part is one safetensors file, named by a digest of what decides its pixels: the template's
version, which follows every byte that the template is made of, the part, the size, the format, and
the versions of the libraries that unpack, draw and scale.
So nothing is ever out of date; what has not been used for longest goes when the folder is full.
A file that is damaged or from another format is as good as none, and is made anew.
"""

from __future__ import annotations

import functools
import hashlib
import json
import logging
import os
import threading
import time
import weakref
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from torch import Tensor

from models.blend import Mode
from models.composite import Overlay
from models.errors import PosewallError
from models.flatten import Flat, Folded
from stream.durable import PARTIAL, renamed_to, sweep_partials
from stream.template import part_file
from stream.template.part_file import PartFile

log = logging.getLogger("posewall.template")

FORMAT = 2
"""Raise it when flattening gives other pixels for the same template, or the files change."""
LIBRARIES = ("torch", "pillow", "opencv-python", "imagecodecs", "resvg-py")
"""What layers are unpacked, drawn and scaled by; another version may give other pixels."""
ENDING = ".safetensors"
Part = Flat | Folded | Tensor
Key = tuple[str, int, tuple[int, int]]
# What files were whose bytes were found to be whole: a poster's are read strip by strip.
_SOUND: dict[Path, tuple[int, int, int, int]] = {}
_FIELDS = ("gain", "offset", "rgb_enc", "alpha", "coverage")


class Pin:
    """Keeps this process from removing a part, while somebody has the pin."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with _PINS_LOCK:
            _PINS.add(self)


_PINS: weakref.WeakSet[Pin] = weakref.WeakSet()
_PINS_LOCK = threading.Lock()


def _pinned() -> set[Path]:
    with _PINS_LOCK:
        return {pin.path for pin in _PINS}


def _stamp_used(path: Path, file: PartFile) -> None:
    """Say that a file was used now: by its time of access, since the other one tells of writing."""
    times = time.time_ns(), file.mark[-1]
    with suppress(OSError):  # taken away meanwhile, or a folder that may only be read
        os.utime(file.number if os.utime in os.supports_fd else path, ns=times)


def window(part: Part, rows: slice) -> Part:
    """Rows of a part; views, no copies."""
    if isinstance(part, Tensor):
        return part[..., rows, :]
    if isinstance(part, Flat):
        return Flat(part.rgb_pm[..., rows, :], part.alpha[..., rows, :])
    overlays = tuple(step.window(rows, slice(None)) for step in part.overlays)
    return Folded(overlays, None if part.coverage is None else part.coverage[..., rows, :])


def copied(part: Part) -> Part:
    """A part in memory of its own."""
    tensors, about = _tensors(part)
    return _part({name: value.clone() for name, value in tensors.items()}, about)


@functools.cache
def libraries() -> str:
    """The versions of `LIBRARIES`; "none" where one is installed under another name."""
    out = []
    for name in LIBRARIES:
        try:
            out.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            out.append(f"{name} none")
    return ", ".join(out)


def _tensors(part: Part) -> tuple[dict[str, Tensor], dict[str, str]]:
    """A part as named tensors, and what is no tensor about it."""
    if isinstance(part, Tensor):
        return {"x": part}, {"kind": "tensor"}
    if isinstance(part, Flat):
        return {"rgb_pm": part.rgb_pm, "alpha": part.alpha}, {"kind": "flat"}
    out: dict[str, Tensor] = {}
    notes: list[dict[str, str]] = []
    for i, overlay in enumerate(part.overlays):
        said = {"mode": overlay.mode.value}
        for name in _FIELDS:
            value = getattr(overlay, name)
            if value is None:
                continue
            # One channel repeated without storage stays one channel.
            if value.dim() == 4 and value.shape[1] > 1 and value.stride(1) == 0:
                said[name] = str(value.shape[1])
                value = value[:, :1]
            out[f"{i}.{name}"] = value
        notes.append(said)
    if part.coverage is not None:
        out["coverage"] = part.coverage
    return out, {"kind": "folded", "overlays": json.dumps(notes)}


def _overlay(i: int, said: Mapping[str, str], tensors: Mapping[str, Tensor]) -> Overlay:
    found: dict[str, Tensor | None] = {}
    for name in _FIELDS:
        value = tensors.get(f"{i}.{name}")
        if value is not None and name in said:
            value = value.expand(-1, int(said[name]), -1, -1)
        found[name] = value
    return Overlay(mode=Mode(said["mode"]), **found)


def _part(tensors: Mapping[str, Tensor], about: Mapping[str, str]) -> Part:
    """The part that `_tensors` took apart."""
    if about["kind"] == "tensor":
        return tensors["x"]
    if about["kind"] == "flat":
        return Flat(tensors["rgb_pm"], tensors["alpha"])
    notes = json.loads(about["overlays"])
    overlays = tuple(_overlay(i, said, tensors) for i, said in enumerate(notes))
    return Folded(overlays, tensors.get("coverage"))


@dataclass
class Flattened:
    """Finished parts of one template version in a folder that several templates may share.

    It is used by `stream.template.kept.Store`, by several threads and processes at once.

    Attributes:
        folder: made when the first part is kept.
        version: of the template.
        budget: bytes that the folder may hold, all templates together; the parts of pictures in
            work may be more.
    """

    folder: Path
    version: str
    budget: int
    lock: threading.RLock = field(default_factory=threading.RLock)

    def path(self, key: Key) -> Path:
        """Where a part lies."""
        label, index, (height, width) = key
        said = f"{FORMAT}\n{libraries()}\n{self.version}\n{label}\n{index}\n{height} {width}\n"
        return self.folder / (hashlib.sha256(said.encode()).hexdigest()[:40] + ENDING)

    def find(self, key: Key, rows: slice | None = None) -> Part | None:
        """A part that was made before; None where there is none that can be read whole.

        Args:
            key: which.
            rows: those of the picture that are wanted; None for all. Its bytes are checked whole,
                once a process.
        """
        path = self.path(key)
        try:
            with PartFile(path) as file:
                mark = file.mark
                if rows is None or _SOUND.get(path) != mark:
                    if not file.sound:
                        raise ValueError("its bytes have changed")
                    _SOUND[path] = mark
                part = _part({name: file.rows(name, rows) for name in file.names}, file.about)
                _stamp_used(path, file)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError, PosewallError) as e:
            log.warning(
                "A flattened design in %s is damaged and is made anew (%s).", self.folder, e
            )
            with suppress(OSError):
                path.unlink()
            return None
        return part

    def pin(self, key: Key) -> Pin:
        """Keep a part from being removed to make room, whether or not it is there yet."""
        return Pin(self.path(key))

    def keep(self, key: Key, part: Part) -> bool:
        """Keep a part; one that alone is over the budget is not kept, nor where the disk is full.

        A cache that cannot be written costs time and no picture, so that is only logged.

        Returns:
            Whether it lies there now.
        """
        tensors, about = _tensors(part)
        if sum(4 * value.numel() for value in tensors.values()) > self.budget:
            return False
        path = self.path(key)
        with self.lock:
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
                with renamed_to(path) as partial:
                    part_file.write(partial, tensors, about)
            except OSError as e:
                if isinstance(e, PermissionError) and path.exists():
                    return True  # Windows replaces no open file: somebody reads the same part
                log.warning("A flattened design was not kept in %s (%s).", self.folder, e)
                return False
            try:
                self._make_room(path)
            except OSError as e:
                log.warning("No room was made among flattened designs in %s (%s).", self.folder, e)
        return True

    def _make_room(self, newest: Path) -> None:
        sweep_partials(self.folder)
        found = []
        for path in self.folder.iterdir():
            if path.name.endswith(ENDING) and not path.name.startswith(PARTIAL):
                try:
                    state = path.stat()
                except OSError:
                    continue
                used = max(state.st_atime_ns, state.st_mtime_ns)
                found.append((used, state.st_size, path))
        stay = {newest, *_pinned()}
        total = sum(size for _, size, _ in found)
        for _, size, path in sorted(found):
            if total <= self.budget:
                break
            if path in stay:
                continue
            with suppress(OSError):  # Windows removes no file that another process reads
                path.unlink(missing_ok=True)
                total -= size
