"""Who may talk to the pages: this machine, these pages, and whoever holds the token.

A loopback address alone does not keep other web sites out: a page of any site that the user has
open can send requests to 127.0.0.1 (cross-site request forgery), and a name that its owner points
at 127.0.0.1 makes such a page count as "same origin" (DNS rebinding). So the Host header must be
ours, an Origin header, where one is sent, must be ours (RFC 6454 section 7), and everything that
acts or tells about people needs a random token that our own pages and the event folder hold.

All of that keeps other web sites out. It does not keep out other accounts or programs of the same
machine: they can load a page as the user does, and read the token in it.
"""

from __future__ import annotations

import hmac
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK = "127.0.0.1"
TOKEN_HEADER = "x-posewall-token"
OPEN_PATHS = ("/", "/stage", "/desk")
STATIC = "/static/"
GREETING = "/greeting/"
"""Below it lie films and posters, which a page's elements ask for without headers of their own."""
HEADERS = {
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
}


class Guard:
    """ASGI middleware that refuses what does not come from this machine's own pages."""

    def __init__(self, app: ASGIApp, port: int, token: str) -> None:
        self._app = app
        self._token = token
        self._hosts = {f"{name}:{port}" for name in (LOOPBACK, "localhost")}
        self._origins = {f"http://{host}" for host in self._hosts}
        sockets = " ".join(f"ws://{host}" for host in sorted(self._hosts))
        self._headers = HEADERS | {
            "content-security-policy": (
                "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
                f"media-src 'self'; connect-src 'self' {sockets}; base-uri 'none'; "
                "form-action 'none'; frame-ancestors 'none'"
            )
        }

    def refusal(self, scope: Scope) -> str | None:
        """Why a request is refused, or None when it may pass."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return "This page answers only to its own address on this machine."
        origin = headers.get("origin")
        if origin is not None and origin not in self._origins:
            return "This page takes no requests from other pages."
        socket = scope["type"] == "websocket"
        path = scope["path"]
        reads = not socket and scope["method"] in ("GET", "HEAD")
        if reads and (path in OPEN_PATHS or path.startswith(STATIC)):
            return None
        if socket or (reads and path.startswith(GREETING)):
            # A browser cannot set headers there; on a socket it always sends Origin.
            words = parse_qs(scope["query_string"].decode("latin-1"))
            given = words.get("token", [""])[0]
        else:
            given = headers.get(TOKEN_HEADER, "")
        if not hmac.compare_digest(given.encode(), self._token.encode()):
            return "This page is out of date; load it again."
        if not socket and not reads:
            kind = headers.get("content-type", "").split(";")[0].strip().lower()
            if kind != "application/json":
                return "Requests must be JSON."
        return None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on and add the headers that keep the page to itself."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        why = self.refusal(scope)
        if scope["type"] == "websocket":
            if why is None:
                await self._app(scope, receive, send)
            else:
                await receive()
                await send({"type": "websocket.close", "code": 4403, "reason": why})
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                extra = [(k.encode(), v.encode()) for k, v in self._headers.items()]
                message["headers"] = [*message.get("headers", []), *extra]
            await send(message)

        if why is None:
            await self._app(scope, receive, send_with_headers)
        else:
            answer = JSONResponse({"sentence": why}, status_code=403)
            await answer(scope, receive, send_with_headers)
