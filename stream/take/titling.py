"""The file names of a take's films, by the event's pattern for pictures.

A film's name ends in its shape, but where the pattern itself asks for {size}; its poster has the
same name with .jpg. {shot} is the take's number.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from stream.errors import UserError
from stream.event import Event
from stream.prints.naming import USUAL, Pattern, ended, free_name, same_place
from stream.shot.titling import name_fields, output_of
from stream.take.finding import takes
from stream.take.record import FilmWanted, Take

ENDING = ".mp4"


def _pattern(event: Event) -> Pattern:
    try:
        return output_of(event, event.config.pictures).pattern
    except UserError:
        # What was recorded does not come again; 'batch run' says what is wrong with [pictures].
        return Pattern.parse(USUAL)


def _poster(film: str) -> str:
    return FilmWanted("", film).poster


def _own(take: Take) -> list[str]:
    return [*(f.film for f in take.films), *take.former_films]


def film_names(take: Take) -> tuple[str, ...]:
    """Every name below films/ that a film of it, or its poster, has or had, each once."""
    return tuple(dict.fromkeys(n for film in _own(take) for n in (film, _poster(film))))


def _taken(event: Event, take: Take, free: Iterable[str], numbered: bool) -> set[str]:
    """What no film or poster may be called: what lies in the folder, and what others are called.

    Args:
        event: the event.
        take: the take.
        free: names that its films and posters may have.
        numbered: a name has its take's number in it, so that it is no other take's.
    """
    found = {same_place(n) for n in film_names(take)}
    if not numbered:
        others = (t for t in takes(event) if t.id != take.id)
        found |= {same_place(n) for other in others for n in film_names(other)}
    for path in event.paths.films.rglob("*"):
        found.add(same_place(path.relative_to(event.paths.films).as_posix()))
    return found - {same_place(n) for n in free}


def _titles(
    event: Event, take: Take, shapes: Iterable[str], free: Iterable[str] = ()
) -> tuple[FilmWanted, ...]:
    pattern = _pattern(event)
    asks = {f.casefold() for f in pattern.fields}
    others = _taken(event, take, free, "shot" in asks)
    fields = {
        **name_fields(event, take.people, take.begun),
        "shot": f"t{take.number:04d}",  # a shot of the same number is somebody else
        "template": take.template,
        "copies": "",
    }

    def in_use(name: str) -> bool:
        return same_place(name) in others or same_place(_poster(name)) in others

    made: list[FilmWanted] = []
    for shape in dict.fromkeys(shapes):
        plain = pattern.name({**fields, "size": shape})
        if "size" not in asks:
            plain = ended(plain, f"-{shape}")
        wanted = FilmWanted(shape, free_name(plain, ENDING, in_use))
        made.append(wanted)
        others |= {same_place(wanted.film), same_place(wanted.poster)}
    return tuple(made)


def titled(event: Event, take: Take, shapes: Iterable[str] | None = None) -> Take:
    """The take with its films named for the first time.

    Args:
        event: the event, whose lock the caller holds.
        take: the take, its number and people being set.
        shapes: which are wanted; None for those that [films] of the event says.

    Returns:
        The take; no two names the same, none of another take's film or poster.
    """
    shapes = event.config.film_shapes if shapes is None else shapes
    return replace(take, films=_titles(event, take, shapes))


def retitled(event: Event, take: Take, shapes: Iterable[str] | None = None) -> Take:
    """The take with its films named anew, the names before kept in mind until they are made.

    Args:
        event: the event, whose lock the caller holds.
        take: the take.
        shapes: which are wanted; None for those that it has.
    """
    shapes = [f.shape for f in take.films] if shapes is None else shapes
    films = _titles(event, take, shapes, film_names(take))
    now = {same_place(f.film) for f in films}
    former = (n for n in dict.fromkeys(_own(take)) if same_place(n) not in now)
    return replace(take, films=films, former_films=tuple(former))
