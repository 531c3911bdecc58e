"""New stills in a folder that a tethered camera writes into: each complete one, once.

A folder is polled rather than watched through the operating system: network and card-reader
folders send no notices, and one listing a second costs nothing. Subfolders are not looked into.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from stream.capture.container import Say
from stream.capture.errors import SourceError
from stream.capture.media import Clock, log
from stream.capture.still_file import OWN_ENDINGS, RAW_ADVICE, RAW_SUFFIXES, STILL_SUFFIXES

_TEMPORARY = (".tmp", ".temp", ".part", ".partial", ".crdownload", ".filepart", ".download")
# chosen: a file unfinished for so long is reported; it is still taken if the rest comes.
_OVERDUE_S = 10.0
# chosen: cameras append previews and maker notes of at most some hundred kB behind a JPEG's end.
_TAIL_BYTES = 1 << 20

Signature = tuple[int, int]


def natural_key(path: Path) -> tuple[tuple[int, int | str], ...]:
    """Sorts IMG_2 before IMG_10."""
    parts = re.split(r"(\d+)", path.name.casefold())
    return tuple((0, int(p)) if p.isdigit() else (1, p) for p in parts if p)


@dataclass
class _Waiting:
    signature: Signature
    since_s: float
    reported: bool = False


def is_whole(path: Path) -> bool:
    """Whether a still has its beginning and its end: a copy under way has no end yet."""
    try:
        with path.open("rb") as file:
            head = file.read(8)
            size = file.seek(0, 2)
            file.seek(max(0, size - _TAIL_BYTES))
            tail = file.read()
        if head.startswith(b"\xff\xd8"):
            return b"\xff\xd9" in tail and _jpeg_is_whole(path)
        if head == b"\x89PNG\r\n\x1a\n":
            return b"IEND" in tail[-64:]
        if head[:4] in (b"II*\0", b"MM\0*"):
            return _tiff_is_whole(path, size)
    except OSError:  # held by the program that writes it, or gone again
        return False
    return False


def _jpeg_is_whole(path: Path) -> bool:
    """Decode at an eighth: the end mark of an embedded preview does not make a picture whole."""
    try:
        with Image.open(path, formats=("JPEG",)) as image:
            image.draft("RGB", (image.width // 8, image.height // 8))
            image.load()
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        return True  # whole as far as one can tell; the reader refuses it with its own sentence
    except (OSError, SyntaxError, ValueError):
        return False
    return True


def _tiff_is_whole(path: Path, size: int) -> bool:
    try:
        with Image.open(path, formats=("TIFF",)) as image:
            tags = image.tag_v2  # type: ignore[attr-defined]
            starts = tags.get(273) or tags.get(324) or ()
            counts = tags.get(279) or tags.get(325) or ()
    except (OSError, SyntaxError, ValueError, TypeError, KeyError):
        return False
    return bool(starts) and all(s + n <= size for s, n in zip(starts, counts, strict=False))


class Arrivals:
    """Finds new stills in a folder."""

    def __init__(
        self,
        folder: Path,
        *,
        settle_s: float = 0.5,
        say: Say = log.warning,
        clock: Clock = time.monotonic,
    ) -> None:
        """Note what is there already; that is never delivered.

        Args:
            folder: where the camera's program writes.
            settle_s: a file must be unchanged for so long, in seconds.
            say: takes a sentence for the user.
            clock: monotonic, seconds.

        Raises:
            SourceError: no such folder.
        """
        self._folder = Path(folder)
        self._settle_s = settle_s
        self._say = say
        self._clock = clock
        self._gone = False
        self._raw_said: set[str] = set()
        self._waiting: dict[str, _Waiting] = {}
        if not self._folder.is_dir():
            raise SourceError(f"{folder}: there is no such folder; make it or check the name")
        # name -> what it was when it was delivered, or when we began
        self._done: dict[str, Signature] = dict(self._listing())
        self._absent: set[str] = set()

    def _listing(self) -> Iterator[tuple[str, Signature]]:
        for path in self._folder.iterdir():
            name = path.name
            if name.startswith((".", "~")) or name.lower().endswith(_TEMPORARY + OWN_ENDINGS):
                continue
            if path.suffix.lower() not in STILL_SUFFIXES | RAW_SUFFIXES:
                continue
            try:
                stat = path.stat()
            except OSError:  # renamed or deleted since the listing
                continue
            if path.is_file():
                yield name, (stat.st_size, stat.st_mtime_ns)

    def _list(self) -> dict[str, Signature] | None:
        try:
            found = dict(self._listing())
        except OSError as e:
            if not self._gone:
                self._gone = True
                self._say(f"{self._folder}: cannot be read ({e.strerror}); waiting for it")
            return None
        if self._gone:
            self._gone = False
            self._say(f"{self._folder}: is back")
        return found

    def poll(self) -> list[Path]:
        """Look once.

        Returns:
            Stills that are complete now and were not delivered before, in the order in which they
            were written. A name that is used again after its file was deleted is a new still.
        """
        found = self._list()
        if found is None:
            return []
        now = self._clock()
        self._absent |= self._done.keys() - found.keys()
        for name in self._waiting.keys() - found.keys():
            del self._waiting[name]
        ready: list[tuple[int, Path]] = []
        for name, signature in found.items():
            if name in self._done:
                back = name in self._absent
                self._absent.discard(name)
                if not back or self._done[name] == signature:
                    continue
                del self._done[name]
            path = self._folder / name
            if path.suffix.lower() in RAW_SUFFIXES:
                self._done[name] = signature
                self._raw(path)
            elif self._settled(path, signature, now):
                self._done[name] = signature
                ready.append((signature[1], path))
        return [p for _, p in sorted(ready, key=lambda r: (r[0], natural_key(r[1])))]

    def _raw(self, path: Path) -> None:
        suffix = path.suffix.lower()
        if suffix not in self._raw_said:
            self._raw_said.add(suffix)
            self._say(
                f"{path.name}: raw and HEIF files cannot be read here; {RAW_ADVICE}; further "
                f"{suffix} files are passed over"
            )

    def _settled(self, path: Path, signature: Signature, now: float) -> bool:
        waiting = self._waiting.get(path.name)
        if waiting is None or waiting.signature != signature:
            self._waiting[path.name] = _Waiting(signature, now)
            return False
        quiet_s = now - waiting.since_s
        if quiet_s < self._settle_s or waiting.reported:
            return False
        if signature[0] and is_whole(path):
            del self._waiting[path.name]
            return True
        if quiet_s >= _OVERDUE_S:
            waiting.reported = True
            self._say(
                f"{path.name}: came only in part or is damaged; copy it from the camera again"
            )
        return False

    def follow(self, stop: threading.Event, every_s: float = 0.25) -> Iterator[Path]:
        """New stills as they come, until ``stop`` is set."""
        while not stop.is_set():
            yield from self.poll()
            stop.wait(every_s)
