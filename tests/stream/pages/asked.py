"""Controls that remember what they were asked, and requests over real sockets."""

from __future__ import annotations

import http.client
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from stream.errors import UserError
from stream.pages.guard import TOKEN_HEADER
from stream.pages.serve import PageServer

TOKEN = "token of this run"
JSON = {"Content-Type": "application/json"}


def done(answer: dict[str, Any]) -> Future[dict[str, Any]]:
    future: Future[dict[str, Any]] = Future()
    future.set_result(answer)
    return future


class Desk:
    """Controls that remember what they were asked; no camera behind them."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, Any]] = []
        self.film: Path | None = None

    def state(self) -> dict[str, Any]:
        return {"kept": 0}

    def grab(
        self, age_s: float, after_s: float = 0.0, best_s: float | None = None
    ) -> Future[dict[str, Any]]:
        self.asked.append(("grab", age_s) if best_s is None else ("best", best_s))
        future: Future[dict[str, Any]] = Future()
        if age_s > 5:
            future.set_exception(UserError("The disk is full."))
        else:
            future.set_result({"shot": "0001-abcdef"})
        return future

    def beside(self, shot: str, views: bool) -> dict[str, Any]:
        return {"shot": shot, "frames": [], "views": views}

    def use_frame(self, shot: str, place: int) -> Future[dict[str, Any]]:
        self.asked.append(("use", (shot, place)))
        return done({"shot": shot})

    def start_take(
        self, count_s: float, most_s: float | None, before_s: float
    ) -> Future[dict[str, Any]]:
        self.asked.append(("start", (count_s, most_s, before_s)))
        return done({"take": "t0001-abcdef"})

    def stop_take(self) -> Future[dict[str, Any]]:
        self.asked.append(("stop", None))
        return done({"take": "t0001-abcdef"})

    def greeting(self, take: str, name: str) -> Path:
        self.asked.append(("greeting", (take, name)))
        if self.film is None or not name.endswith(self.film.suffix):
            raise UserError(f"There is no {name} of take {take}.")
        return self.film

    def plate(self, age_s: float) -> Future[dict[str, Any]]:
        self.asked.append(("plate", age_s))
        future: Future[dict[str, Any]] = Future()
        future.set_result({"plate": "1"})
        return future

    def drop_plate(self) -> dict[str, Any]:
        self.asked.append(("drop", None))
        return {}

    def show_in(self, template: str) -> dict[str, Any]:
        self.asked.append(("template", template))
        return {}

    def move(self, right: float, down: float, scale: float) -> dict[str, Any]:
        self.asked.append(("move", (right, down, scale)))
        return {}

    def set_next(self, people: list[str], template: str | None = None) -> dict[str, Any]:
        self.asked.append(("next", people))
        return {"people": people}

    def find(self, words: str) -> list[dict[str, Any]]:
        return [{"number": "7", "name": words, "group": ""}]


def ask(
    server: PageServer,
    method: str,
    path: str,
    headers: dict[str, str] | None = None,
    body: str | None = None,
) -> tuple[int, str, dict[str, str]]:
    """Status, text and headers of one request; a Host header given replaces the right one."""
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
    try:
        connection.putrequest(method, path, skip_host="Host" in (headers or {}))
        for key, value in (headers or {}).items():
            connection.putheader(key, value)
        connection.putheader("Content-Length", str(len(body or "")))
        connection.endheaders((body or "").encode())
        response = connection.getresponse()
        text = response.read().decode()
        return response.status, text, {k.lower(): v for k, v in response.getheaders()}
    finally:
        connection.close()


def own(server: PageServer) -> dict[str, str]:
    return {TOKEN_HEADER: TOKEN, "Origin": server.address, **JSON}
