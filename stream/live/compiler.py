"""The process that compiles the processor's kernels, for the program that shows the picture.

A compiler takes some hundred megabytes that a process does not get back, and while it works the
other threads of its process wait for the interpreter. Here it works beside, at low priority, and
leaves what it made in the cache, from which the program then reads it.
"""

from __future__ import annotations

import hashlib
import logging
import os
import platform
import re
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable
from enum import Enum, auto
from pathlib import Path

from models import kernels
from stream import compiled_code
from stream.own_process import LOW, at_end_of_input, begin, stand_back

log = logging.getLogger("posewall.live")

_CACHE = "NUMBA_CACHE_DIR"
_LINES = 30
_PROGRESS = re.compile(r"(\d+) (\d+)")


def mark_file() -> Path | None:
    """The file that says that all is in the cache; None where there is no cache to share.

    It is named by the version of the program, the interpreter and the computer, since a folder may
    be shared; and by place and time of the kernels' files, by which numba tells whether what it
    kept is right. Where it is wrong, the program compiles by itself what it misses.
    """
    folder = os.environ.get(_CACHE)
    if not folder:
        return None
    what = f"{compiled_code.folder().name} {sys.version} {platform.node()}"
    for path in sorted(Path(kernels.__file__).parent.rglob("*.py")):
        what += f" {path} {path.stat().st_mtime_ns}"
    return Path(folder) / f"made-{hashlib.sha256(what.encode()).hexdigest()[:16]}"


class Filled(Enum):
    """What became of the wish to have kernels compiled apart."""

    KEPT = auto()
    """Everything lies in the cache."""
    NOT_APART = auto()
    """The process that uses them has to compile them: there is no other way here."""
    ENDED = auto()
    """Nobody wants them any more."""


class Compiler:
    """Fills the cache once. `end` may be called from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self.ended = threading.Event()
        """Set by `end`."""

    def fill(self, device: str, progress: Callable[[int, int], None]) -> Filled:
        """Have everything compiled that is not in the cache yet; waits for it.

        Args:
            device: where pictures are keyed; only the processor's kernels are compiled apart.
            progress: as in `models.kernels.load`.
        """
        mark = mark_file()
        if self.ended.is_set():
            return Filled.ENDED
        if mark is None or device != "cpu":
            return Filled.NOT_APART
        if mark.exists():
            return Filled.KEPT
        with self._lock:
            if self.ended.is_set():
                return Filled.ENDED
            try:
                self._process = begin(
                    "stream.live.compiler",
                    device,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.STDOUT,
                    text=True,
                    creationflags=LOW,
                )
            except OSError as error:
                log.warning("kernels are compiled in this process: %s", error)
                return Filled.NOT_APART
        with self._process as process:
            assert process.stdout is not None
            said: deque[str] = deque(maxlen=_LINES)
            for line in process.stdout:
                told = _PROGRESS.fullmatch(line.strip())
                if told is None:
                    said.append(line)
                else:
                    progress(int(told[1]), int(told[2]))
        if self.ended.is_set():
            return Filled.ENDED
        if process.returncode != 0:
            log.warning("kernels are compiled in this process; the other said: %s", "".join(said))
            return Filled.NOT_APART
        try:
            mark.touch()
        except OSError as error:
            log.warning("kernels are looked for one by one in this process: %s", error)
            return Filled.NOT_APART
        return Filled.KEPT

    def end(self) -> None:
        """Stop compiling, and begin no more."""
        with self._lock:
            self.ended.set()
            if self._process is not None and self._process.poll() is None:
                self._process.terminate()


def main(device: str) -> int:
    """Compile; tell how far it is on the standard output, a line "DONE OF" for each kernel."""
    # Whoever sends it to all processes of the program means the program.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    at_end_of_input(lambda: os.kill(os.getpid(), signal.SIGTERM))
    stand_back(10)

    def progress(done: int, of: int) -> None:
        from models.kernels.cpu import compiled  # numba: only where it is used

        if compiled.unkept:
            raise SystemExit(f"what is compiled cannot be kept: {compiled.unkept[0]}")
        print(done, of, flush=True)

    return 0 if kernels.load(device, progress) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
