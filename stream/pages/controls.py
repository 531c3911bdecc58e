"""What the pages and the commands may ask of the running program."""

from __future__ import annotations

from concurrent.futures import Future
from typing import Any, Protocol

Answer = dict[str, Any]


class Controls(Protocol):
    """The live session as the pages see it; every method may be called from any thread.

    A mistake or mishap of the user is raised, or set on the future, as `UserError`: the page
    shows its sentence.
    """

    def state(self) -> Answer:
        """Everything that the pages show, as plain JSON values."""

    def grab(self, age_s: float, after_s: float = 0.0) -> Future[Answer]:
        """Keep the frame of ``age_s`` seconds ago, or of ``after_s`` seconds from now.

        The future ends when the shot is safe on disk.
        """

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
