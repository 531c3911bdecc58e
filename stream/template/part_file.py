"""One finished part of a template as a file whose rows can be read without the rest.

The form is safetensors (a length of 8 bytes, a header in JSON, then plain values, little-endian).
It is written and read here without a copy or a mapping of the whole: the layers above a poster's
subject are most of a gigabyte.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

_PIECE = 8 << 20
"""chosen: bytes read at once, to check them."""
_MOST_HEADER = 1 << 20
_ALIGN = 8


def _values(x: Tensor) -> memoryview:
    """A tensor's values as the file has them, without a copy where that can be."""
    plain = x.detach().cpu().contiguous().reshape(-1).numpy()
    return memoryview(plain.astype("<f4", copy=False).view(np.uint8).data)


def _marked(name: str, shape: tuple[int, ...]) -> bytes:
    return f"{name} {torch.float32} {shape}\n".encode()


def write(path: Path, tensors: Mapping[str, Tensor], about: Mapping[str, str]) -> None:
    """Write named tensors of float32, and a digest over names, shapes and bytes.

    Safetensors has no digest, and disks do lose bits.

    Args:
        path: the file.
        tensors: at least one.
        about: strings for the header.
    """
    digest = hashlib.blake2b(digest_size=16)
    for name in sorted(tensors):
        digest.update(_marked(name, tuple(tensors[name].shape)))
        digest.update(_values(tensors[name]))
    header: dict[str, Any] = {"__metadata__": {**about, "digest": digest.hexdigest()}}
    at = 0
    for name, x in tensors.items():
        end = at + x.numel() * 4
        header[name] = {"dtype": "F32", "shape": list(x.shape), "data_offsets": [at, end]}
        at = end
    said = json.dumps(header).encode()
    said += b" " * (-len(said) % _ALIGN)
    with path.open("wb") as file:
        file.write(struct.pack("<Q", len(said)) + said)
        for x in tensors.values():
            file.write(_values(x))


class PartFile:
    """A file of `write`, opened for reading."""

    def __init__(self, path: Path) -> None:
        """Read the header.

        Raises:
            OSError: it cannot be opened.
            ValueError: it is no such file, or cut off.
        """
        self._file = path.open("rb")
        try:
            (length,) = struct.unpack("<Q", self._read(8))
            if length > _MOST_HEADER:
                raise ValueError("its header is too long")
            header = json.loads(self._read(length))
            self.about: dict[str, str] = header.pop("__metadata__")
            self._start = 8 + length
            self._entries: dict[str, tuple[tuple[int, ...], int]] = {}
            for name, said in header.items():
                shape, (first, last) = tuple(int(n) for n in said["shape"]), said["data_offsets"]
                if said["dtype"] != "F32" or last - first != 4 * int(np.prod(shape)):
                    raise ValueError(f"its values {name} are of another kind")
                self._entries[name] = shape, self._start + first
        except (KeyError, TypeError, AttributeError, RecursionError) as e:
            self.close()
            raise ValueError(f"its header is damaged ({e})") from e
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> PartFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._file.close()

    @property
    def number(self) -> int:
        """The open file's number."""
        return self._file.fileno()

    @property
    def mark(self) -> tuple[int, int, int, int]:
        """What changes when the file is written, or another is put in its place."""
        state = os.fstat(self.number)
        return state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self._entries)

    @property
    def sound(self) -> bool:
        """Whether the bytes are those that were written; reads all of them."""
        digest = hashlib.blake2b(digest_size=16)
        for name in sorted(self._entries):
            digest.update(_marked(name, self._entries[name][0]))
            for piece in self._pieces(name):
                digest.update(piece)
        return digest.hexdigest() == self.about.get("digest")

    def _pieces(self, name: str) -> Iterator[bytes]:
        shape, at = self._entries[name]
        self._file.seek(at)
        left = 4 * int(np.prod(shape))
        while left:
            piece = self._read(min(left, _PIECE))
            left -= len(piece)
            yield piece

    def _read(self, count: int) -> bytes:
        data = self._file.read(count)
        if len(data) != count:
            raise ValueError("it is cut off")
        return data

    def rows(self, name: str, rows: slice | None = None) -> Tensor:
        """Values, or rows of those that are (1, C, H, W).

        Raises:
            OSError, ValueError: they cannot be read.
        """
        shape, at = self._entries[name]
        if rows is None or len(shape) != 4:
            return torch.from_numpy(self._values(at, shape))
        _, channels, height, width = shape
        first, last, _ = rows.indices(height)
        out = np.empty((1, channels, last - first, width), np.float32)
        for c in range(channels):
            start = at + 4 * width * (c * height + first)
            out[0, c] = self._values(start, (last - first, width))
        return torch.from_numpy(out)

    def _values(self, at: int, shape: tuple[int, ...]) -> NDArray[np.float32]:
        out = np.empty(shape, "<f4")
        self._file.seek(at)
        into = out.reshape(-1).view(np.uint8).data
        if self._file.readinto(into) != len(into):
            raise ValueError("it is cut off")
        return out.astype(np.float32, copy=False)
