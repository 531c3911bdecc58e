"""template.toml as a whole.

Every mistake is gathered, so that a designer sees all of them at once.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from typing import Any

from models.composite import Mode
from stream.template.codes import Code, read_code
from stream.template.film import Film
from stream.template.film_reading import read_film
from stream.template.reading import Reader, table, tables
from stream.template.sizing import Picture, read_picture
from stream.template.slots import Slot, read_slots
from stream.template.wording import Text, read_text

# chosen: a hundred times what a template with many texts needs.
MOST_BYTES = 1 << 20


@dataclass(frozen=True)
class LayerNote:
    """Mode and opacity of a numbered PNG layer."""

    name: str
    mode: Mode
    opacity: float


@dataclass(frozen=True)
class Description:
    """What template.toml says; a part that was wrong is None, or empty."""

    picture: Picture | None
    slots: tuple[Slot, ...]
    texts: tuple[Text, ...]
    layers: tuple[LayerNote, ...]
    codes: tuple[Code, ...] = ()
    film: Film = field(default_factory=Film)


def _note(table: dict[str, Any], where: str, problems: list[str]) -> LayerNote | None:
    r = Reader(table, where, problems)
    name = r.text("name")
    mode = r.choice("mode", tuple(m.value for m in Mode), "normal")
    opacity = r.number("opacity", 1.0, low=0, high=1)
    return LayerNote(name, Mode(mode), opacity) if r.close() else None


def read_description(data: bytes, problems: list[str]) -> Description:
    """Read template.toml.

    Args:
        data: the file.
        problems: what is wrong is added here, a sentence each.
    """
    try:
        if len(data) > MOST_BYTES:
            raise ValueError(f"it is larger than {MOST_BYTES >> 10} kB")
        said = tomllib.loads(data.decode("utf-8-sig"))
    except RecursionError:
        problems.append("template.toml cannot be read (brackets in brackets without end); mend it")
        return Description(None, (), (), ())
    except ValueError as e:  # what the parser, the decoder and Python's own numbers raise
        problems.append(f"template.toml cannot be read ({e}); mend that line")
        return Description(None, (), (), ())
    for key in said:
        if key not in ("picture", "slot", "text", "code", "layer", "film"):
            problems.append(f'template.toml has a part "{key}" that is not known; remove it')
    picture = table(
        said,
        "picture",
        "it does not say how large the picture is; add to template.toml a part [picture] with "
        "paper, or width_in and height_in, and ppi",
        problems,
    )
    slots = read_slots(said, problems)
    texts = [
        read_text(t, f"[[text]] {i}", problems)
        for i, t in enumerate(tables(said, "text", problems), 1)
    ]
    codes = [
        read_code(t, f"[[code]] {i}", problems)
        for i, t in enumerate(tables(said, "code", problems), 1)
    ]
    notes = [
        _note(t, f"[[layer]] {i}", problems)
        for i, t in enumerate(tables(said, "layer", problems), 1)
    ]
    return Description(
        None if picture is None else read_picture(picture, problems),
        slots,
        tuple(t for t in texts if t is not None),
        tuple(n for n in notes if n is not None),
        tuple(c for c in codes if c is not None),
        read_film(said, slots, problems),
    )
