"""What the next shots are of, and how that is said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stream.people import Person
from stream.template import Nudge, Template
from stream.template.template import NO_NUDGE

USUAL, ORDERED, CHOSEN = "usual", "ordered", "chosen"
"""Why a template is shown."""


@dataclass(frozen=True)
class Pose:
    """What the next shots are of.

    Attributes:
        people: who is in them.
        template: the design that the stage shows; None until the program is ready.
        why: `USUAL`, `ORDERED` or `CHOSEN`.
        said: how far the event and the template move subjects.
        moved: by hand, beside that.
    """

    people: tuple[Person, ...] = ()
    template: Template | None = None
    why: str = USUAL
    said: Nudge = NO_NUDGE
    moved: Nudge = NO_NUDGE

    @property
    def nudge(self) -> Nudge:
        """The whole of it, as the stage shows it and a shot keeps it."""
        return self.said.then(self.moved)

    @property
    def numbers(self) -> tuple[str, ...]:
        """Their roster numbers."""
        return tuple(p.number for p in self.people)


def numbers_of(people: Sequence[Person]) -> str:
    """Who, by number: what is said on the terminal may be kept somewhere."""
    return f"{'numbers' if len(people) > 1 else 'number'} {', '.join(p.number for p in people)}"


def rounded(nudge: Nudge) -> Nudge:
    """One step there and one back is as before, without a rest of floating point."""
    return Nudge(round(nudge.right, 3), round(nudge.down, 3), round(nudge.scale, 4))


def moved_words(nudge: Nudge) -> str:
    """Where a subject was moved by hand, as an operator would say it."""
    words = []
    for value, more, less in (
        (nudge.right, "to the right", "to the left"),
        (nudge.down, "down", "up"),
        (100 * (nudge.scale - 1), "larger", "smaller"),
    ):
        if round(value, 1):
            amount = f"{abs(value):.1f}".removesuffix(".0")
            words.append(f"{amount} % {more if value > 0 else less}")
    return ", ".join(words) or "As designed"
