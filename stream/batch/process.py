"""The worker in a process of its own, for a program that must not be held up by it."""

from __future__ import annotations

import subprocess

from stream.event import Event
from stream.own_process import begin


class WorkerProcess:
    """A worker in a process of its own, so that it never holds up the live picture.

    It ends by itself, after the picture in work, when the process that started it dies.
    """

    def __init__(self, event: Event, device: str = "auto") -> None:
        self._words = str(event.paths.root), "--device", device, "--follow"
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def alive(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """Start it; call again at any time to start it anew when it has died."""
        if not self.alive:
            self.stop()
            self._process = begin("stream.batch.worker", *self._words)

    def stop(self, timeout_s: float = 120.0) -> None:
        """Let it finish the picture in work and end."""
        if self._process is None:
            return
        if self._process.stdin:
            self._process.stdin.close()
        try:
            self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            # What it had in work is handed out again at the next start.
            self._process.kill()
            self._process.wait()
        self._process = None
