"""Serve the pages on the loopback address from a thread of their own."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from types import TracebackType

import uvicorn

from stream.errors import UserError
from stream.pages.address import DEFAULT_PORT
from stream.pages.app import build_app
from stream.pages.controls import Controls
from stream.pages.feed import Feed
from stream.pages.guard import LOOPBACK

log = logging.getLogger("posewall.pages")


def _bind(port: int) -> socket.socket:
    """A listening socket on the loopback address only.

    Raises:
        UserError: the port is taken or not allowed.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((LOOPBACK, port))
    except (OSError, OverflowError) as e:
        listener.close()
        raise UserError(
            f"--port {port}: this port cannot be used ({e}); "
            "end the program that holds it or give another number, such as --port 7311"
        ) from e
    listener.listen(64)
    return listener


class PageServer:
    """The pages, served while the block lasts.

    Attributes:
        port: the port in use, also when 0 was asked for.
        token: what every acting request must carry.
    """

    def __init__(self, controls: Controls, feed: Feed, *, token: str, port: int = DEFAULT_PORT):
        self._listener = _bind(port)
        self.port: int = self._listener.getsockname()[1]
        self.token = token
        self._server = uvicorn.Server(
            uvicorn.Config(
                build_app(controls, feed, port=self.port, token=token),
                log_config=None,
                access_log=False,
                lifespan="off",
                loop="asyncio",
                http="h11",
                ws="websockets-sansio",
                ws_per_message_deflate=False,  # pictures are compressed already
                ws_max_size=4096,
                server_header=False,
                timeout_graceful_shutdown=1,
            )
        )
        self._thread = threading.Thread(target=self._serve, name="pages", daemon=True)

    @property
    def address(self) -> str:
        """Where the pages are, without a path."""
        return f"http://{LOOPBACK}:{self.port}"

    def _serve(self) -> None:
        asyncio.run(self._server.serve(sockets=[self._listener]))

    def start(self) -> None:
        """Begin to answer; connections made before that wait in the listening socket."""
        self._thread.start()

    def stop(self) -> None:
        """Say goodbye to the pages and end."""
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)
        self._listener.close()

    def __enter__(self) -> PageServer:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
