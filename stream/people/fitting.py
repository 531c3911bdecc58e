"""Every person's words set in every template that they may get, before the event."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from stream.people.person import Person, texts
from stream.people.roster import Roster
from stream.template import Template


@dataclass(frozen=True)
class Finding:
    """What is to be looked at: whose, in which template, a sentence. No number: everybody's."""

    number: str | None
    template: str
    sentence: str


def wanted_templates(person: Person, names: Sequence[str], usual: str | None) -> tuple[str, ...]:
    """The templates that a person may get: those ordered, else every one of the event.

    Args:
        person: of the roster.
        names: of the event's templates.
        usual: the one for an order that names none.
    """
    ordered = [o.template or usual for o in person.orders]
    named = tuple(dict.fromkeys(n for n in ordered if n is not None and n in names))
    return named if named and None not in ordered else tuple(names)


def _misfits(person: Person, templates: Mapping[str, Template], usual: str | None) -> list[Finding]:
    """Orders of a paper that has another shape than the template."""
    out = []
    for order in person.orders:
        template = templates.get(order.template or usual or "")
        if template is not None and template.print_as(order.size) is None:
            wide, high = template.trim_in
            out.append(
                Finding(
                    person.number,
                    template.name,
                    f'{order.size} is ordered of template "{template.name}", which has the shape '
                    f"of {wide:g} x {high:g} in, so it would be made in that size; order another "
                    "template or another size",
                )
            )
    return out


def check_words(
    roster: Roster,
    templates: Mapping[str, Template],
    usual: str | None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Finding, ...]:
    """Look for letters that a font lacks, names that do not fit, and sizes of another shape.

    Args:
        roster: everybody.
        templates: the event's, by name.
        usual: the event's usual template.
        progress: told how many people of how many are done.
    """
    out: list[Finding] = []
    columns = {c for person in roster.people[:1] for c in texts([person])}
    for name, template in templates.items():
        lacking = [c for c in template.columns if c not in columns] if len(roster) else []
        out += [
            Finding(
                None,
                name,
                f'template "{name}" writes {{{c}}}, and the roster has no such column, so nothing '
                "stands there",
            )
            for c in lacking
        ]
    for done, person in enumerate(roster, 1):
        fields = texts([person])
        for name in wanted_templates(person, tuple(templates), usual):
            template = templates[name]
            # A column that the roster lacks is told once, above.
            whole = {**dict.fromkeys(template.columns, ""), **fields}
            out += [Finding(person.number, name, w) for w in template.scene_warnings(whole)]
        out += _misfits(person, templates, usual)
        if progress:
            progress(done, len(roster))
    return tuple(out)
