"""What the pages, the commands and the terminal's keys may ask of the running program."""

from __future__ import annotations

import time
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from models.errors import PosewallError
from stream.errors import UserError
from stream.event import Event
from stream.live import people as who
from stream.live.beside import frames_beside
from stream.live.choosing import USUAL_S, Choosing
from stream.live.countdown import Countdown
from stream.live.figures import Meter
from stream.live.films import GreetingFiles
from stream.live.grabbing import Grabbing
from stream.live.intake import Intake
from stream.live.lately import Lately
from stream.live.notices import Notices
from stream.live.pacing import FULL, Quality, quality_words
from stream.live.plates import PlateKeeper
from stream.live.posing import Posing
from stream.live.settling import Settling
from stream.live.taking import IDLE, Taking
from stream.pages.feed import Feed

Answer = dict[str, Any]
READYING = "The program is still getting ready; try again in a moment."


class Console:
    """Answers what is asked; every method may be called from any thread.

    The pages are served before everything behind them is ready: what is None is so until then.
    """

    def __init__(
        self,
        event: Event,
        feed: Feed,
        meter: Meter,
        notices: Notices,
        *,
        plates: PlateKeeper,
        posing: Posing,
        lately: Lately,
        mirror: bool,
    ) -> None:
        self._event, self._feed, self._meter, self._notices = event, feed, meter, notices
        self._plates, self._posing, self._lately = plates, posing, lately
        self._mirror = mirror
        self._greeting_files = GreetingFiles(event)
        self._countdown = Countdown(self._press)
        self.quality: Quality = FULL
        self.intake: Intake | None = None
        self.settling: Settling | None = None
        self.grabbing: Grabbing | None = None
        self.choosing: Choosing | None = None
        self.taking: Taking | None = None

    def state(self) -> Answer:
        """Everything that the pages show, as plain JSON values."""
        figures, grabbing = self._meter.read(), self.grabbing
        tether = grabbing.tether if grabbing is not None else None
        return {
            "event": self._event.name,
            "source": self.intake.state()
            if self.intake
            else {"state": "starting", "sentence": "Getting ready"},
            "line": figures.line(),
            "figures": figures.plain() | {"stages_ms": self._meter.stages.median_ms()},
            "pictures": figures.frames_out,
            "quality": quality_words(self.quality),
            "making_ready": self.settling.state() if self.settling is not None else None,
            "mirror": self._mirror,
            **self._posing.state(),
            "roster": self._has_roster(),
            "plate": self._plates.state(),
            "shots": self._shots(),
            "kept": self.kept,
            "count_s": self._countdown.left_s,
            "stills": tether.state() if tether is not None else None,
            "take": self.taking.state() if self.taking is not None else dict(IDLE),
            "takes": self._lately.takes(),
            "troubles": self._notices.now(),
        }

    def _shots(self) -> list[Answer]:
        rows = self._lately.rows()
        progress = self.choosing.progress() if self.choosing is not None else {}
        for row in rows:
            if row["id"] in progress:
                row["looked_at"] = list(progress[row["id"]])
        return rows

    @property
    def kept(self) -> int:
        """How many shots this run has kept."""
        return self.grabbing.kept if self.grabbing is not None else 0

    @property
    def kept_words(self) -> str:
        """What this run has kept, for people."""
        takes = self.taking.kept if self.taking is not None else 0
        words = "1 shot" if self.kept == 1 else f"{self.kept} shots"
        if takes:
            words += " and 1 take" if takes == 1 else f" and {takes} takes"
        return words

    def _has_roster(self) -> bool:
        try:
            return len(self._event.roster) > 0
        except PosewallError:
            return True  # there is one; what is wrong with it is said when it is used

    def say(self) -> None:
        """Show the pages how everything stands now."""
        self._feed.say(self.state())

    def _said(self, answer: Answer) -> Answer:
        self.say()
        return answer

    # Shots and plates

    def _ready(self) -> Grabbing:
        if self.grabbing is None:
            raise UserError(READYING)
        return self.grabbing

    def grab(
        self, age_s: float, after_s: float = 0.0, best_s: float | None = None
    ) -> Future[Answer]:
        """Keep the frame of ``age_s`` seconds ago, or of ``after_s`` seconds from now.

        With ``best_s`` the shot is made of the best frame of so many seconds up to then, of as
        many as usual with 0.
        """
        if best_s is not None:
            return self._ready().press_best(time.monotonic() - age_s, best_s or USUAL_S)
        if after_s <= 0:
            return self._press(time.monotonic() - age_s)
        answer = self._countdown.start(after_s)
        self.say()
        return answer

    def _press(self, moment_s: float) -> Future[Answer]:
        return self._ready().press(moment_s)

    def beside(self, shot: str, views: bool) -> Answer:
        """The frames that a shot may be made of."""
        return frames_beside(self._event, shot, views=views)

    def use_frame(self, shot: str, place: int) -> Future[Answer]:
        """Make a shot of another of its frames."""
        return self._ready().use_frame(shot, place)

    def plate(self, age_s: float) -> Future[Answer]:
        """Keep the frame of ``age_s`` seconds ago as the clean plate."""
        return self._ready().plate(time.monotonic() - age_s)

    def drop_plate(self) -> Answer:
        """Key from the frame alone from now on."""
        self._plates.drop()
        if self.grabbing is not None:
            self.grabbing.drop_still_plate()
        return {"sentence": "No clean plate in use"}

    # Takes

    def _recording(self) -> Taking:
        if self.taking is None:
            raise UserError(READYING)
        return self.taking

    def start_take(self, count_s: float, most_s: float | None, before_s: float) -> Future[Answer]:
        """Record from ``count_s`` seconds from now on, with ``before_s`` seconds before that."""
        answer = self._recording().start(count_s, most_s, before_s)
        self.say()
        return answer

    def stop_take(self) -> Future[Answer]:
        """End the recording, or the count before it."""
        answer = self._recording().stop()
        self.say()
        return answer

    def press_take(self) -> Future[Answer]:
        """Begin a take in the usual way, or end the one that runs."""
        answer = self._recording().press()
        self.say()
        return answer

    def greeting(self, take: str, name: str) -> Path:
        """A file of a take's greeting."""
        return self._greeting_files(take, name)

    # Who and what is next

    def set_next(self, people: list[str], template: str | None = None) -> Answer:
        """Say who is in the next shots: numbers or names; an empty list for nobody by name."""
        return self._said(self._posing.choose(people, template))

    def show_in(self, template: str) -> Answer:
        """Show the next shots in another template."""
        return self._said(self._posing.show_in(template))

    def move(self, right: float, down: float, scale: float) -> Answer:
        """Move the subjects of the next shots a little."""
        return self._said(self._posing.move(right, down, scale))

    def find(self, words: str) -> list[Answer]:
        """People of the roster that fit the words, best first, a few."""
        return who.found(self._event, words)

    # For the terminal

    def line(self, columns: int | None = None) -> str:
        """The status line, source trouble included.

        Args:
            columns: room for it; None for all of it.
        """
        state = self.intake.state() if self.intake else {"state": "starting"}
        before = []
        if state["state"] != "live":
            before.append(str(state.get("sentence", "starting")))
        if self.taking is not None and (take := self.taking.words()):
            before.append(take)
        making = self.settling.state() if self.settling is not None else None
        before += [words for words in (making, quality_words(self.quality)) if words]
        before.append(f"kept {self.kept}")
        head = " | ".join(before)
        room = None if columns is None else columns - len(head) - 3
        return f"{head} | {self._meter.read().line(room)}"
