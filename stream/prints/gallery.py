"""Which pictures of an event go on contact sheets and sheets, and who may be named there."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from stream.errors import UserError
from stream.event import Event
from stream.people import Person
from stream.prints.contact import Entry
from stream.prints.naming import inside
from stream.prints.sheet import Piece
from stream.shot import Shot, Wanted, output_of, shots
from stream.template import Template
from stream.template.typeface import Typeface, check_font

FONT_ENDINGS = (".ttf", ".otf", ".ttc")


def made(event: Event, listed: Sequence[Shot], notes: list[str]) -> list[tuple[Shot, Wanted, Path]]:
    """The pictures of shots that lie in the event's folder, every one that is wanted of each.

    Args:
        event: the event.
        listed: its shots.
        notes: gets a sentence for each shot of which a picture is missing.
    """
    found = []
    for shot in listed:
        lacking = 0
        for wanted in shot.wanted:
            try:
                path = inside(event.paths.pictures, wanted.picture)
            except UserError as e:
                notes.append(f"shot {shot.number:04d}: {e}")
                continue
            if path.is_file():
                found.append((shot, wanted, path))
            else:
                lacking += 1
        if lacking:
            notes.append(
                f"shot {shot.number:04d} has no picture yet; make it with 'batch run'"
                if lacking == len(shot.wanted)
                else f"shot {shot.number:04d} lacks {lacking} of its {len(shot.wanted)} pictures; "
                "make them with 'batch run'"
            )
    return found


def _seen(event: Event, shot: Shot, by_id: dict[str, Shot]) -> list[Person] | None:
    """Everybody who is seen in a shot's pictures; None where somebody is not known any more."""
    shown = [shot, *(by_id[b] for b in shot.beside if b in by_id)]
    if len(shown) <= len(shot.beside):
        return None
    numbers = dict.fromkeys(n for s in shown for n in s.people)
    people = [event.roster.get(number) for number in numbers]
    known = [p for p in people if p is not None]
    return known if len(known) == len(people) else None


def entries(event: Event, notes: list[str], *, names: bool) -> list[Entry]:
    """What a contact sheet shows: every design of every shot, once.

    A shot with somebody who is to stay out of galleries is left out, beside others too. Names are
    those that may be shown.

    Args:
        event: the event.
        notes: gets a sentence for each shot that is not shown; it names nobody.
        names: whether names stand below.
    """
    every = list(shots(event))
    by_id = {shot.id: shot for shot in every}
    open_to_all: dict[str, list[Person]] = {}
    for shot in every:
        people = _seen(event, shot, by_id)
        number = f"{shot.number:04d}"
        if people is None:
            # What was agreed with that person is not known any more.
            notes.append(
                f"shot {number} is not shown: somebody in it is no longer on the roster; put the "
                "line back into the roster"
            )
        elif any(p.no_gallery for p in people):
            notes.append(f"shot {number} is not shown: somebody in it is to stay out of galleries")
        else:
            open_to_all[shot.id] = people
    listed: dict[tuple[str, str], Entry] = {}
    shown = [shot for shot in every if shot.id in open_to_all]
    for shot, wanted, path in made(event, shown, notes):
        people = open_to_all[shot.id]
        name = ", ".join(p.shown_name for p in people if p.shown_name) if names else ""
        # The same design in another size looks the same here.
        listed.setdefault((shot.id, wanted.template), Entry(path, f"{shot.number:04d}", name))
    return list(listed.values())


def pieces(event: Event, notes: list[str]) -> list[Piece]:
    """What the event's sheets hold: every picture that was ordered, as often as it was.

    Args:
        event: the event.
        notes: gets a sentence for each picture that is missing or whose bleed is not known.
    """
    read: dict[tuple[str, str], Template | None] = {}
    out = []
    for shot, wanted, path in made(event, list(shots(event)), notes):
        if wanted.copies < 1:
            continue
        key = wanted.template, wanted.template_version
        if key not in read:
            try:
                read[key] = event.template_version(*key)
            except UserError as e:
                read[key] = None
                notes.append(
                    f"the bleed of pictures such as that of shot {shot.number:04d} is not known, "
                    f"so they are cut at their edges: {e}"
                )
        template, bleed = read[key], 0.0
        # Of a picture whose bleed was cut away no more is to be cut.
        if template is not None and output_of(event, shot.output).bleed == "keep":
            size = template.print_as(wanted.size) or template.own_print
            bleed = size.bleed_px / template.ppi
        out.append(Piece(path, wanted.copies, bleed))
    return out


def fonts(event: Event) -> list[Typeface]:
    """The fonts of the event's templates, for letters that the bundled one lacks."""
    faces = []
    for path in sorted(event.paths.templates.rglob("*")):
        if path.suffix.lower() in FONT_ENDINGS and path.is_file():
            data = path.read_bytes()
            if check_font(data):
                faces.append(Typeface(path.name, data))
    return faces
