"""Controls over a state that a test sets."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path
from typing import Any

from stream.errors import UserError
from stream.pages.feed import Feed


class Evening:
    """Controls over a state that the test sets; tests/stream/live tries the real ones."""

    def __init__(self, feed: Feed) -> None:
        self.feed = feed
        self.people = [
            {"number": "7", "name": "Ada <b>Quill</b>", "group": "Owls"},
            {"number": "8", "name": "Bo Quill", "group": "Owls"},
        ]
        self.now: dict[str, Any] = {
            "event": "Lantern <i>evening</i>",
            "source": {"state": "live", "sentence": "Camera: live"},
            "line": "in 30.0 fps, out 29.8 fps",
            "pictures": 1,
            "mirror": False,
            "next": [],
            "template": "dusk",
            "why": "usual",
            "templates": ["dawn", "dusk"],
            "usual": "dusk",
            "moved": None,
            "roster": True,
            "plate": {"state": "none", "sentence": "none: keyed from the picture alone"},
            "shots": [],
            "kept": 0,
            "count_s": None,
            "stills": None,
            "take": {"state": "none", "sound": "microphone of the hall"},
            "takes": [],
            "troubles": [],
        }
        self.asked: list[tuple[str, Any]] = []
        self.beside_shots: dict[str, dict[str, Any]] = {}
        self.films: dict[str, Path] = {}
        self.full = False
        self.broken = ""
        self.moves: list[tuple[float, float, float]] = []

    def say(self, **changes: Any) -> None:
        self.now = self.now | changes
        self.feed.say(self.now)

    def state(self) -> dict[str, Any]:
        return self.now

    def grab(
        self, age_s: float, after_s: float = 0.0, best_s: float | None = None
    ) -> Future[dict[str, Any]]:
        self.asked.append(("best" if best_s is not None else "grab", best_s))
        future: Future[dict[str, Any]] = Future()
        if self.full:
            future.set_exception(UserError("The disk is full; make room and press again."))
        else:
            kept = self.now["kept"] + 1
            shot = {"id": f"{kept:04d}-aaaaaa", "time": "19:02:11", "who": "", "state": "kept"}
            self.say(kept=kept, shots=[shot, *self.now["shots"]])
            future.set_result({"shot": shot["id"], "sentence": f"Kept {shot['id']}"})
        return future

    def beside(self, shot: str, views: bool) -> dict[str, Any]:
        self.asked.append(("beside", (shot, views)))
        return self.beside_shots[shot]

    def use_frame(self, shot: str, place: int) -> Future[dict[str, Any]]:
        self.asked.append(("use", (shot, place)))
        frames = self.beside_shots[shot]["frames"]
        for frame in frames:
            frame["in_use"] = frame["place"] == place
        self.say(shots=[s | {"place": place} if s["id"] == shot else s for s in self.now["shots"]])
        future: Future[dict[str, Any]] = Future()
        future.set_result({"shot": shot, "sentence": f"Shot {shot} is made of its frame {place}"})
        return future

    def start_take(
        self, count_s: float, most_s: float | None, before_s: float
    ) -> Future[dict[str, Any]]:
        self.asked.append(("start", (count_s, most_s, before_s)))
        future: Future[dict[str, Any]] = Future()
        if self.broken:
            raise UserError(self.broken)
        future.set_result({"take": "t0001-aaaaaa", "sentence": "Recording t0001-aaaaaa"})
        return future

    def stop_take(self) -> Future[dict[str, Any]]:
        self.asked.append(("stop", None))
        future: Future[dict[str, Any]] = Future()
        future.set_result({"take": "t0001-aaaaaa", "sentence": "Kept take t0001-aaaaaa"})
        return future

    def greeting(self, take: str, name: str) -> Path:
        self.asked.append(("greeting", (take, name)))
        if name not in self.films:
            raise UserError(f"There is no {name} of take {take}.")
        return self.films[name]

    def plate(self, age_s: float) -> Future[dict[str, Any]]:
        future: Future[dict[str, Any]] = Future()
        future.set_result({"plate": "1", "sentence": "Clean plate kept"})
        return future

    def drop_plate(self) -> dict[str, Any]:
        return {"sentence": "No clean plate in use"}

    def show_in(self, template: str) -> dict[str, Any]:
        if self.broken:
            raise UserError(self.broken)
        self.say(template=template, why="chosen")
        return {"sentence": f"In {template}"}

    def move(self, right: float, down: float, scale: float) -> dict[str, Any]:
        back = (right, down, scale) == (0, 0, 1)
        self.moves.append((right, down, scale))
        self.say(moved=None if back else "Moved")
        return {"sentence": "As designed" if back else "Moved"}

    def set_next(self, people: list[str], template: str | None = None) -> dict[str, Any]:
        self.say(next=[p for p in self.people if p["number"] in people])
        return {"people": people, "sentence": "Next"}

    def find(self, words: str) -> list[dict[str, Any]]:
        return [p for p in self.people if words.lower() in p["name"].lower()]
