"""Which pictures a press is to give: what its people ordered, or the usual."""

from __future__ import annotations

from collections.abc import Sequence

from stream.errors import UserError
from stream.event import Event
from stream.people import Order, RosterError, orders_of
from stream.shot.wanted import Wanted
from stream.template import Template


def _orders(event: Event, people: Sequence[str]) -> tuple[Order, ...]:
    try:
        found = (event.roster.get(number) for number in people)
        return orders_of([p for p in found if p])
    except RosterError:
        # What is wrong with it is said elsewhere; no press may be lost over it.
        return ()


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
    orders, notes = _orders(event, people), []
    usable: list[tuple[Order, Template]] = []
    for order in orders:
        try:
            usable.append((order, event.template(order.template)))
        except UserError as e:
            notes.append(f"an order was left out: {e}")
    if template is None and usable:
        main = usable[0][1]
    elif template is None or isinstance(template, str):
        # A shot must never name a version that nobody has: its copy is made before the shot is.
        main = event.template(template)
    else:
        main = event.keep_template(template)
    wanted = [
        Wanted(kept.name, kept.version, "", order.size, order.copies) for order, kept in usable
    ]
    own = [w for w in wanted if w.template == main.name]
    first = own[0] if own else Wanted(main.name, main.version, "")
    first = Wanted(main.name, main.version, "", first.size, first.copies)
    return (first, *(w for w in wanted if not own or w is not own[0])), notes
