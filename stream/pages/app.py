"""The web application of the two pages and of the commands that reach a running program."""

from __future__ import annotations

import asyncio
import contextlib
import html
import json
import logging
import math
import time
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from anyio.to_thread import run_sync
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket, WebSocketDisconnect

from stream.errors import UserError
from stream.pages.controls import Answer, Controls
from stream.pages.feed import Feed, View
from stream.pages.guard import GREETING, Guard

log = logging.getLogger("posewall.pages")

STATIC_FOLDER = Path(__file__).parent / "static"
BODY_LIMIT = 4096
# chosen: longer than the wait for a tethered still, so that its own sentence comes first.
ANSWER_S = 60.0
LONGEST_COUNT_S = 30.0


async def _words(request: Request) -> dict[str, Any]:
    """The JSON object of a post, bounded.

    Raises:
        UserError: too long, or no JSON object.
    """
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > BODY_LIMIT:
            raise UserError("The request is too long; at most 4 kB are taken.")
    try:
        words = json.loads(body or b"{}")
    except ValueError as e:
        raise UserError("The request is no valid JSON.") from e
    if not isinstance(words, dict):
        raise UserError("The request must be a JSON object.")
    return words


def _seconds(words: dict[str, Any], key: str, most: float) -> float:
    value = words.get(key, 0.0)
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not math.isfinite(value):
        raise UserError(f"{key}: got {value!r}; need a number of seconds.")
    return min(max(float(value), 0.0), most)


def _number(words: dict[str, Any], key: str, usual: float) -> float:
    value = words.get(key, usual)
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not math.isfinite(value):
        raise UserError(f"{key}: got {value!r}; need a number.")
    return float(value)


def _names(words: dict[str, Any]) -> list[str]:
    people = words.get("people", [])
    if not isinstance(people, list) or not all(isinstance(p, str) for p in people):
        raise UserError("people: need a list of names or numbers.")
    return [p.strip() for p in people if p.strip()]


async def _answer(future: Future[Answer]) -> Answer:
    """What came of a press; giving up the wait must not take the press back (hence the shield).

    Raises:
        UserError: it failed.
        TimeoutError: no answer in time; what was asked for goes on.
    """
    waited = asyncio.wrap_future(future)
    # A failure that comes after the wait was told by the keeper; asyncio need not complain.
    waited.add_done_callback(lambda f: f.cancelled() or f.exception())
    return await asyncio.wait_for(asyncio.shield(waited), ANSWER_S)


class Pages:
    """Routes of the pages; holds no state but the feed and the controls that it was given."""

    def __init__(self, controls: Controls, feed: Feed, token: str) -> None:
        self._controls = controls
        self._feed = feed
        self._pages = {
            name: (STATIC_FOLDER / f"{name}.html")
            .read_text("utf-8")
            .replace("%TOKEN%", html.escape(token))
            for name in ("stage", "desk")
        }

    def routes(self) -> list[Any]:
        """Every address that is served."""
        return [
            Route("/", self.first),
            Route("/stage", self.stage),
            Route("/desk", self.desk),
            Route("/state", self.state),
            Route("/people", self.people),
            Route("/grab", self.grab, methods=["POST"]),
            Route("/best", self.beside),
            Route("/best", self.use_frame, methods=["POST"]),
            Route("/take", self.take, methods=["POST"]),
            Route(f"{GREETING}{{take}}/{{name}}", self.greeting),
            Route("/plate", self.plate, methods=["POST"]),
            Route("/next", self.next, methods=["POST"]),
            Route("/template", self.template, methods=["POST"]),
            Route("/move", self.move, methods=["POST"]),
            WebSocketRoute("/stream", self.stream),
            Mount("/static", StaticFiles(directory=STATIC_FOLDER)),
        ]

    async def first(self, request: Request) -> Response:
        """The bare address leads to the operator's page."""
        return RedirectResponse("/desk")

    async def stage(self, request: Request) -> Response:
        """The screen that the subject sees."""
        return HTMLResponse(self._pages["stage"])

    async def desk(self, request: Request) -> Response:
        """The operator's page."""
        return HTMLResponse(self._pages["desk"])

    async def state(self, request: Request) -> Response:
        """Everything that the pages show."""
        return JSONResponse(await run_sync(self._controls.state))

    async def people(self, request: Request) -> Response:
        """Search of the roster."""
        words = request.query_params.get("find", "")[:200]
        return JSONResponse({"people": await run_sync(self._controls.find, words)})

    async def grab(self, request: Request) -> Response:
        """Keep a frame; answered when the shot is safe on disk."""
        came = time.monotonic()
        words = await _words(request)
        age_s, after_s = _seconds(words, "age_s", 10.0), _seconds(words, "after_s", 10.0)
        best_s = _seconds(words, "best_s", 60.0) if words.get("best_s") is not None else None
        late_s = time.monotonic() - came
        return JSONResponse(await _answer(self._controls.grab(age_s + late_s, after_s, best_s)))

    async def beside(self, request: Request) -> Response:
        """The frames that a shot may be made of."""
        shot, views = request.query_params.get("shot", "")[:40], "views" in request.query_params
        return JSONResponse(await run_sync(self._controls.beside, shot, views))

    async def use_frame(self, request: Request) -> Response:
        """Make a shot of another of its frames; answered when that is safe on disk."""
        words = await _words(request)
        shot, place = words.get("shot"), words.get("place")
        if not isinstance(shot, str):
            raise UserError("shot: need its number.")
        if not isinstance(place, int) or isinstance(place, bool):
            raise UserError("place: need the number of a frame.")
        return JSONResponse(await _answer(self._controls.use_frame(shot, place)))

    async def take(self, request: Request) -> Response:
        """Begin or end a recording; answered once it has begun, or is safe on disk."""
        came = time.monotonic()
        words = await _words(request)
        if (act := words.get("do")) == "stop":
            return JSONResponse(await _answer(await run_sync(self._controls.stop_take)))
        if act != "start":
            raise UserError('do: need "start" or "stop".')
        count_s = _seconds(words, "count_s", LONGEST_COUNT_S)
        before_s = _seconds(words, "before_s", 600.0)
        most_s = None if words.get("most_s") is None else _number(words, "most_s", 0.0)
        if count_s == 0:  # it begins with the press, not with its arrival
            before_s += _seconds(words, "age_s", 10.0) + time.monotonic() - came
        begun = await run_sync(self._controls.start_take, count_s, most_s, before_s)
        return JSONResponse(await _answer(begun))

    async def greeting(self, request: Request) -> Response:
        """A greeting's film, poster or view; parts of it where the browser asks for a range."""
        take, name = request.path_params["take"][:40], request.path_params["name"][:40]
        path = await run_sync(self._controls.greeting, take, name)
        # Without the file's own name, which may be a person's.
        kind = "video/mp4" if path.suffix == ".mp4" else "image/jpeg"
        return FileResponse(path, media_type=kind)

    async def plate(self, request: Request) -> Response:
        """Keep a frame as the clean plate, or drop the plate with ``{"drop": true}``."""
        words = await _words(request)
        if words.get("drop") is True:
            return JSONResponse(await run_sync(self._controls.drop_plate))
        return JSONResponse(await _answer(self._controls.plate(_seconds(words, "age_s", 10.0))))

    async def next(self, request: Request) -> Response:
        """Say who is in the next shots."""
        words = await _words(request)
        names, template = _names(words), words.get("template")
        if not isinstance(template, str | None):
            raise UserError("template: need its name.")
        return JSONResponse(await run_sync(self._controls.set_next, names, template))

    async def template(self, request: Request) -> Response:
        """Show the next shots in another template."""
        name = (await _words(request)).get("template")
        if not isinstance(name, str):
            raise UserError("template: need its name.")
        return JSONResponse(await run_sync(self._controls.show_in, name))

    async def move(self, request: Request) -> Response:
        """Move the subjects of the next shots."""
        words = await _words(request)
        right, down = (_number(words, key, 0.0) for key in ("right", "down"))
        scale = _number(words, "scale", 1.0)
        return JSONResponse(await run_sync(self._controls.move, right, down, scale))

    async def stream(self, socket: WebSocket) -> None:
        """Pictures and states to one page; a picture only after the one before was drawn."""
        await socket.accept()
        with self._feed.watch() as offered:
            # Only the operator's page is told who is next and what was kept of whom.
            on_desk = socket.query_params.get("page") == "desk"
            page = _Page(socket, self._feed, offered, on_desk)
            reader = asyncio.create_task(page.read())
            try:
                await page.write(reader)
            except (WebSocketDisconnect, RuntimeError) as e:
                # starlette raises RuntimeError when it sends to a page that has just gone
                log.debug("a page went away: %s", e)
            finally:
                reader.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await reader


class _Page:
    """One connected page: what it was sent, and what it has drawn."""

    def __init__(
        self, socket: WebSocket, feed: Feed, offered: asyncio.Event, on_desk: bool
    ) -> None:
        self._socket = socket
        self._on_desk = on_desk
        self._feed = feed
        self._offered = offered
        self._sent: View | None = None
        self._drawn = True

    async def read(self) -> None:
        """Note each acknowledgement; ends when the page goes or talks nonsense."""
        with contextlib.suppress(WebSocketDisconnect, ValueError, KeyError, TypeError):
            while True:
                number = json.loads(await self._socket.receive_text())["drawn"]
                if self._sent is not None and number == self._sent.number:
                    self._drawn = True
                    if self._feed.on_drawn is not None:
                        self._feed.on_drawn(self._sent)
                    self._offered.set()
        self._offered.set()

    async def write(self, reader: asyncio.Task[None]) -> None:
        """Send the newest of each whenever the page is ready for it."""
        said = 0
        while not reader.done():
            await self._offered.wait()
            self._offered.clear()
            number, text = self._feed.said if self._on_desk else self._feed.said_on_stage
            if number != said:
                said = number
                await self._socket.send_text(text)
            view = self._feed.newest
            if self._drawn and view is not None and view is not self._sent:
                self._drawn, self._sent = False, view
                start = time.monotonic()
                await self._socket.send_bytes(view.number.to_bytes(8, "big") + view.jpeg)
                if self._feed.on_sent is not None:
                    self._feed.on_sent(time.monotonic() - start)


async def _sentence(request: Request, error: Exception) -> Response:
    return JSONResponse({"sentence": str(error)}, status_code=409)


async def _too_long(request: Request, error: Exception) -> Response:
    sentence = (
        "The program has not finished this in a minute and goes on with it; wait and look at the "
        "last shots before you press again."
    )
    return JSONResponse({"sentence": sentence}, status_code=504)


def build_app(controls: Controls, feed: Feed, *, port: int, token: str) -> Starlette:
    """The application, guarded.

    Args:
        controls: what the pages may ask for.
        feed: where pictures and states come from.
        port: the port that it will be served at; requests must name it.
        token: random words that every acting request must carry.
    """
    return Starlette(
        routes=Pages(controls, feed, token).routes(),
        middleware=[Middleware(Guard, port=port, token=token)],
        exception_handlers={UserError: _sentence, TimeoutError: _too_long},
    )
