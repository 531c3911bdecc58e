"""A headless Chromium with one page, driven over its DevTools socket."""

from __future__ import annotations

import contextlib
import http.client
import itertools
import json
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
PATIENCE_S = 60.0


def find_chromium() -> str | None:
    """Its path; None where there is none."""
    return next((path for path in map(shutil.which, NAMES) if path), None)


class Page:
    """One page; one thread at a time."""

    def __init__(self, socket: ClientConnection) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """A DevTools command and its result.

        Raises:
            RuntimeError: the browser refused it.
        """
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": params}))
        while True:
            message = json.loads(self._socket.recv(timeout=PATIENCE_S))
            if message.get("id") == number:
                if "error" in message:
                    raise RuntimeError(f"{method}: {message['error'].get('message')}")
                result: dict[str, Any] = message["result"]
                return result

    def run(self, script: str) -> Any:
        """The value of a JavaScript expression."""
        result = self.call("Runtime.evaluate", expression=script, returnByValue=True)
        return result["result"].get("value")

    def open(self, address: str, before: str) -> None:
        """Open an address; the script ``before`` runs before those of the page."""
        self.call("Page.enable")
        self.call("Page.addScriptToEvaluateOnNewDocument", source=before)
        self.call("Page.navigate", url=address)

    def clocks_apart_s(self, trials: int = 20) -> tuple[float, float]:
        """By how much the page's wall clock is ahead of ours, and how sure that is; seconds."""
        best = (0.0, float("inf"))
        for _ in range(trials):
            start = time.time()
            there = float(self.run("performance.timeOrigin + performance.now()")) / 1e3
            end = time.time()
            if end - start < 2 * best[1]:
                best = there - (start + end) / 2, (end - start) / 2
        return best


@contextlib.contextmanager
def chromium(path: str) -> Iterator[Page]:
    """A browser with a profile of its own and one empty page, for as long as the block lasts.

    Raises:
        RuntimeError: it did not start.
    """
    profile = tempfile.mkdtemp(prefix="bench-browser-")
    process = subprocess.Popen(
        [path, *FLAGS, "--remote-debugging-port=0", f"--user-data-dir={profile}", "about:blank"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        told, end = Path(profile) / "DevToolsActivePort", time.monotonic() + PATIENCE_S
        while not (told.exists() and told.read_text("utf-8").count("\n")):
            if time.monotonic() > end or process.poll() is not None:
                raise RuntimeError(f"{path}: did not start; try it by hand")
            time.sleep(0.05)
        link = http.client.HTTPConnection(
            "127.0.0.1", int(told.read_text("utf-8").split()[0]), timeout=PATIENCE_S
        )
        link.request("PUT", "/json/new?about:blank")
        target = json.loads(link.getresponse().read())
        link.close()
        with connect(target["webSocketDebuggerUrl"], max_size=None) as socket:
            page = Page(socket)
            page.call("Emulation.setDeviceMetricsOverride", width=1280, height=800,
                      deviceScaleFactor=1, mobile=False)  # fmt: skip
            yield page
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)
        shutil.rmtree(profile, ignore_errors=True)
