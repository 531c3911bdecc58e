"""Check a roster's names against a template before the event."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from stream.template.template import Template

# chosen: so many are named in a sentence; all of them stand in the finding.
_NAMED = 8


@dataclass(frozen=True)
class Finding:
    """Something that comes out wrong for some people.

    Attributes:
        part: the text or code, as a person finds it in template.toml.
        what: "letters" (no font has them), "size" (below the least one), or "code".
        letters: those without a shape, each once.
        who: the people, as they were given.
        sentence: all of it, for a person.
    """

    part: str
    what: str
    letters: str
    who: tuple[str, ...]
    sentence: str


@dataclass
class _Found:
    letters: dict[str, None] = field(default_factory=dict)
    who: list[str] = field(default_factory=list)


def _named(who: list[str]) -> str:
    more = f" and {len(who) - _NAMED} more" if len(who) > _NAMED else ""
    return ", ".join(who[:_NAMED]) + more


def _sentence(part: str, what: str, found: _Found) -> str:
    if what == "letters":
        listed = " ".join(found.letters)
        return (
            f"no font of {part} has {listed}, so an empty box would be printed; add a font that "
            f"has it to the text's fallback, for {_named(found.who)}"
        )
    if what == "size":
        return (
            f"{part} does not fit its box at its least size; shorten it or make the box larger, "
            f"for {_named(found.who)}"
        )
    return f"{what}, for {_named(found.who)}"


def check_names(
    template: Template, people: Iterable[tuple[str, Mapping[str, str]]]
) -> list[Finding]:
    """Set every text and code of a template for every person.

    Args:
        template: whose texts are set.
        people: what each is called in the report (a number, say), and the roster's columns.

    Returns:
        What comes out wrong, a finding for each part and kind; none where all is well.
    """
    found: dict[tuple[str, str], _Found] = {}
    for who, fields in people:
        for text in template.texts:
            setting = template.setting(text, fields)
            if setting is None:
                continue
            if setting.missing:
                entry = found.setdefault((text.label, "letters"), _Found())
                entry.letters.update(dict.fromkeys(setting.missing))
                entry.who.append(who)
            if setting.tight:
                found.setdefault((text.label, "size"), _Found()).who.append(who)
        for code in template.codes:
            for told in template.code_setting(code, fields).warnings:
                found.setdefault((code.label, told), _Found()).who.append(who)
    return [
        Finding(
            part,
            what if what in ("letters", "size") else "code",
            "".join(entry.letters),
            tuple(entry.who),
            _sentence(part, what, entry),
        )
        for (part, what), entry in found.items()
    ]
