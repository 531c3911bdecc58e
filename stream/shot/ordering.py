"""Which pictures a press is to give: what its people ordered, or the usual."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stream.errors import UserError
from stream.event import Event
from stream.people import Order, orders_of
from stream.shot.wanted import Wanted
from stream.template import Template


def _orders(event: Event, people: Sequence[str]) -> tuple[Order, ...]:
    try:
        found = (event.roster.get(number) for number in people)
        return orders_of([p for p in found if p])
    except (UserError, OSError):
        # What is wrong with it is said elsewhere; no press may be lost over it.
        return ()


def _kept(event: Event, template: Template | str, notes: list[str]) -> Template:
    """A template that was chosen, with a copy of it in the event."""
    if isinstance(template, str):
        return event.template(template)
    try:
        return event.keep_template(template)
    except UserError as e:
        # Edited on the way to the press, its copy gone: what it is now is better than no shot.
        now = event.template(template.name)
        notes.append(f"the template as it was before its last change could not be used: {e}")
        return now


def other_shape(size: str, template: Template) -> str:
    """What to say of a paper that has another shape than a template."""
    wide, high = template.trim_in
    return (
        f"{size} was asked for, which has another shape than the template '{template.name}' of "
        f"{wide:g} x {high:g} in, so it is made in the template's own size; choose a template of "
        "that shape"
    )


def ordered(
    event: Event, people: Sequence[str], template: Template | str | None
) -> tuple[tuple[Wanted, ...], list[str]]:
    """What is wanted of a shot, without names yet.

    Args:
        event: the event; a copy of every template used is kept in it.
        people: roster numbers.
        template: what people posed in or what was chosen; None leaves it to their orders.

    Returns:
        At least one picture, the one that was posed for first; and what to note.

    Raises:
        UserError: the template that was chosen, or the event's usual one, cannot be used.
    """
    notes: list[str] = []
    orders = _orders(event, people)
    # A shot must never name a version that nobody has: its copy is made before the shot is.
    main = None if template is None else _kept(event, template, notes)
    usable: list[tuple[Order, Template]] = []
    for order in orders:
        if order.template is None and main is not None:
            usable.append((order, main))  # a size or copies alone are of what was posed in
            continue
        try:
            usable.append((order, event.template(order.template)))
        except (UserError, OSError) as e:
            notes.append(f"an order was left out: {e}")
    if main is None:
        main = usable[0][1] if usable else event.template(None)
    wanted = []
    for order, kept in usable:
        size = order.size
        if kept.print_as(size) is None:
            notes.append(other_shape(str(size), kept))
            size = None
        wanted.append(Wanted(kept.name, kept.version, "", size, order.copies))
    own = [w for w in wanted if w.template == main.name]
    if not own:
        return (Wanted(main.name, main.version, ""), *wanted), notes
    # As it was posed in, which may be an edit earlier than what the order gave.
    first = replace(own[0], template_version=main.version)
    return (first, *(w for w in wanted if w is not own[0])), notes
