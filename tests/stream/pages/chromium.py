"""A headless Chromium, driven over its DevTools socket, so that the pages are tried for real."""

from __future__ import annotations

import base64
import contextlib
import http.client
import itertools
import json
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any

import pytest
from websockets.sync.client import ClientConnection, connect

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)
NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
PATIENCE_S = 30.0


def find_chromium() -> str:
    """Its path; skips the test where there is none, fails it in CI."""
    path = next((p for p in map(shutil.which, NAMES) if p), None)
    if path is None:
        message = "Chromium is not installed; the pages were not tried in a browser"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return path


class Tab:
    """One open page."""

    def __init__(self, socket: ClientConnection) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """A DevTools command and its result."""
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": params}))
        while True:
            message = json.loads(self._socket.recv(timeout=PATIENCE_S))
            if message.get("id") == number:
                assert "error" not in message, message["error"]
                result: dict[str, Any] = message["result"]
                return result

    def run(self, script: str) -> Any:
        """The value of a JavaScript expression; a promise is waited for."""
        result = self.call(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in result, result["exceptionDetails"]
        return result["result"].get("value")

    def until(self, script: str, patience_s: float = PATIENCE_S) -> Any:
        """Wait until an expression is true; its value."""
        end = time.monotonic() + patience_s
        while not self.run(f"!!({script})"):
            assert time.monotonic() < end, f"never came true: {script}"
            time.sleep(0.05)
        return self.run(script)

    def go(self, address: str) -> None:
        """Open an address and wait until its document is ready."""
        self.call("Page.navigate", url=address)
        end = time.monotonic() + PATIENCE_S
        while True:
            # While the page changes, the old document's context is gone and evaluation fails.
            with contextlib.suppress(AssertionError):
                ready = self.run(
                    f"location.href.startsWith({json.dumps(address)})"
                    " && document.readyState === 'complete'"
                )
                if ready:
                    return
            assert time.monotonic() < end, f"{address} did not load"
            time.sleep(0.05)

    def press(self, key: str, code: str, text: str = "") -> None:
        """A key, as the keyboard sends it."""
        for kind in ("keyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent",
                type=kind,
                key=key,
                code=code,
                text=text if kind == "keyDown" else "",
            )

    def click(self, name: str) -> None:
        """A click with the mouse in the middle of an element, by its id."""
        x, y = self.run(
            f"(r => [r.x + r.width / 2, r.y + r.height / 2])"
            f"(document.getElementById('{name}').getBoundingClientRect())"
        )
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def size(self, width: int, height: int) -> None:
        """The size of the window's content, pixels."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def screenshot(self, path: Path) -> None:
        """What is seen, as PNG."""
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot")["data"]))


class Chromium:
    """The browser, with a profile of its own, for as long as the block lasts."""

    def __init__(self) -> None:
        self._path = find_chromium()
        self._sockets = contextlib.ExitStack()

    def __enter__(self) -> Chromium:
        self._profile = tempfile.mkdtemp(prefix="browser-")
        self._process = subprocess.Popen(
            [
                self._path,
                *FLAGS,
                "--remote-debugging-port=0",
                f"--user-data-dir={self._profile}",
                "about:blank",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        port_file = Path(self._profile) / "DevToolsActivePort"
        end = time.monotonic() + PATIENCE_S
        while not (port_file.exists() and port_file.read_text().count("\n")):
            assert time.monotonic() < end, "Chromium did not start"
            time.sleep(0.05)
        self._port = int(port_file.read_text().split()[0])
        return self

    def tab(self) -> Tab:
        """A new page."""
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=PATIENCE_S)
        connection.request("PUT", "/json/new?about:blank")
        target = json.loads(connection.getresponse().read())
        connection.close()
        address = target["webSocketDebuggerUrl"]
        return Tab(self._sockets.enter_context(connect(address, max_size=None)))

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._sockets.close()
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        shutil.rmtree(self._profile, ignore_errors=True)
