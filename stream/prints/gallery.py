"""Which pictures of an event go on contact sheets and sheets, and who may be named there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from stream.errors import UserError
from stream.event import Event
from stream.people import Person
from stream.prints.contact import Entry
from stream.prints.naming import inside
from stream.prints.sheet import Piece
from stream.shot import Shot, shots
from stream.template.typeface import Typeface, check_font

FONT_ENDINGS = (".ttf", ".otf", ".ttc")


def everybody(person: Person) -> bool:
    """The usual rule: nobody is left out."""
    return True


def made(event: Event, notes: list[str]) -> list[tuple[Shot, Path]]:
    """The shots whose pictures lie in the event's folder, with the pictures.

    Args:
        event: the event.
        notes: gets a sentence for each shot without a picture.
    """
    found = []
    for shot in shots(event):
        try:
            path = inside(event.paths.pictures, shot.picture)
        except UserError as e:
            notes.append(f"shot {shot.number:04d}: {e}")
            continue
        if path.is_file():
            found.append((shot, path))
        else:
            notes.append(f"shot {shot.number:04d} has no picture yet; make it with 'batch run'")
    return found


def entries(
    event: Event,
    notes: list[str],
    *,
    names: bool,
    may_show: Callable[[Person], bool] = everybody,
    may_name: Callable[[Person], bool] = everybody,
) -> list[Entry]:
    """What a contact sheet shows.

    Args:
        event: the event.
        notes: gets a sentence for each shot that is not shown; it names nobody.
        names: whether names stand below.
        may_show: whether a person may be shown; one who may not takes the whole shot out.
        may_name: whether a person may be named.
    """
    listed = []
    for shot, path in made(event, notes):
        people = [event.roster.get(number) for number in shot.people]
        number = f"{shot.number:04d}"
        if None in people:
            # What was agreed with that person is not known any more.
            notes.append(
                f"shot {number} is not shown: somebody in it is no longer on the roster; put the "
                "line back into roster.csv"
            )
            continue
        known = [p for p in people if p is not None]
        if not all(may_show(p) for p in known):
            notes.append(f"shot {number} is not shown: somebody in it is not to be shown")
            continue
        name = ", ".join(p.name for p in known if may_name(p)) if names else ""
        listed.append(Entry(path, number, name))
    return listed


def pieces(
    event: Event, notes: list[str], copies: Callable[[Shot], int] = lambda shot: 1
) -> list[Piece]:
    """What the event's sheets hold.

    Args:
        event: the event.
        notes: gets a sentence for each shot without a picture.
        copies: how many prints of a shot are ordered; 0 leaves it out.
    """
    wanted = [(path, copies(shot)) for shot, path in made(event, notes)]
    return [Piece(path, n) for path, n in wanted if n > 0]


def fonts(event: Event) -> list[Typeface]:
    """The fonts of the event's templates, for letters that the bundled one lacks."""
    faces = []
    for path in sorted(event.paths.templates.rglob("*")):
        if path.suffix.lower() in FONT_ENDINGS and path.is_file():
            data = path.read_bytes()
            if check_font(data):
                faces.append(Typeface(path.name, data))
    return faces
