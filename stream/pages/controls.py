"""What the pages and the commands may ask of the running program."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path
from typing import Any, Protocol

Answer = dict[str, Any]


class Controls(Protocol):
    """The live session as the pages see it; every method may be called from any thread.

    A mistake or mishap of the user is raised, or set on the future, as `UserError`: the page
    shows its sentence.
    """

    def state(self) -> Answer:
        """Everything that the pages show, as plain JSON values."""

    def grab(
        self, age_s: float, after_s: float = 0.0, best_s: float | None = None
    ) -> Future[Answer]:
        """Keep the frame of ``age_s`` seconds ago, or of ``after_s`` seconds from now.

        With ``best_s`` the shot is then made of the best frame of so many seconds up to that
        moment. The future ends when the shot is safe on disk.
        """

    def beside(self, shot: str, views: bool) -> Answer:
        """The frames that a shot may be made of, with small pictures of them where asked."""

    def use_frame(self, shot: str, place: int) -> Future[Answer]:
        """Make a shot of another of its frames, by its place among them."""

    def start_take(self, count_s: float, most_s: float | None, before_s: float) -> Future[Answer]:
        """Record from ``count_s`` seconds from now on, for ``most_s`` at most.

        ``before_s`` seconds before that belong to it. The future ends when it is being recorded.
        """

    def stop_take(self) -> Future[Answer]:
        """End the recording, or the count before it. The future ends when it is safe on disk."""

    def greeting(self, take: str, name: str) -> Path:
        """A file of a take's greeting: a film, its poster, or a view of the take."""

    def plate(self, age_s: float) -> Future[Answer]:
        """Keep the frame of ``age_s`` seconds ago as the clean plate."""

    def drop_plate(self) -> Answer:
        """Key from the frame alone from now on."""

    def set_next(self, people: list[str], template: str | None = None) -> Answer:
        """Say who is in the next shots: numbers or names; an empty list for nobody by name."""

    def show_in(self, template: str) -> Answer:
        """Show the next shots in another template."""

    def move(self, right: float, down: float, scale: float) -> Answer:
        """Move the subjects of the next shots, in per cent; 0, 0 and 1 put them back."""

    def find(self, words: str) -> list[Answer]:
        """People of the roster that fit the words, best first, a few."""
