"""What is good to know of a template's film before anybody is filmed with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import closing

from stream.film.design import Design, design
from stream.film.poses import Parts
from stream.film.sheet import TAKE_S
from stream.film.view import Seen, look
from stream.shape import SHAPES
from stream.template.template import Template

# chosen: soft edges of layers that meet leave less.
_MOST_BARE = 0.005


def film_remarks(template: Template, fields: Mapping[str, str]) -> list[str]:
    """What a designer should look at, a sentence each, none twice.

    Args:
        template: read and checked.
        fields: the words for its columns, those of its film among them, by name.

    Raises:
        UserError: a clip cannot be read.
    """
    out: list[str] = []
    for shape in SHAPES.values():
        with closing(design(template, shape, fields, TAKE_S)) as made:
            out += made.notes
            out += _bare_cards(template, shape.name, made)
        out += _unseen_words(template, shape.name, look(template, shape))
    return list(dict.fromkeys(out))


def _bare_cards(template: Template, shape: str, made: Design) -> Iterator[str]:
    """Cards that lie on white, since none of their layers covers the film."""
    film = template.film
    parts = Parts.of(film.opening, film.closing, TAKE_S)
    cards = (
        ("in", "before", film.opening, 0.6 * parts.opening_s),
        ("out", "after", film.closing, parts.end_s + 0.4 * parts.closing_s),
    )
    for part, where, card, at_s in cards:
        if card.seconds <= 0:
            continue
        bare = made.bare(at_s)
        if bare > _MOST_BARE:
            much = "all" if bare > 1 - _MOST_BARE else f"{max(round(100 * bare), 1)} %"
            yield (
                f"the card {where} the take has no ground in {much} of the {shape} film, so it is "
                f"white there; name a layer that covers it under show in [film.{part}]"
            )


def _unseen_words(template: Template, shape: str, seen: Seen) -> Iterator[str]:
    """Words of the film's own that no picture shows; those of the still are left out on purpose."""
    moved = {m.of for m in template.film.moves}
    y0, x0, y1, x1 = seen.area
    for written in template.film.texts:
        text = written.text
        if written.only not in (None, shape) or text.value in moved:
            continue
        top, left, bottom, right = seen.rect(text.box)
        if bottom <= y0 or top >= y1 or right <= x0 or left >= x1:
            yield (
                f'the box of "{text.said}" lies outside what the {shape} film shows, so its words '
                f'are not seen there; move it, or say only = "..." for the shape that it is for'
            )
