"""Parse the XML of a design, trusting nothing in it: no entities, bounded depth and size."""

from __future__ import annotations

from xml.etree import ElementTree as ET
from xml.parsers import expat

from stream.errors import UserError


def plain(words: str) -> str:
    """Words for one line of a message: what cannot be printed becomes a space."""
    return "".join(c if c.isprintable() else " " for c in words)


def safe_xml(data: bytes, what: str, depth: int, *, doctype: bool = False) -> ET.Element:
    """Parse XML that holds elements, attributes and text. Prefixes of names stay as they stand.

    Args:
        data: the file.
        what: begins the sentence where it cannot be read.
        depth: how deep elements may lie in each other.
        doctype: allow the bare line that names a document type; entities are never allowed.

    Raises:
        UserError: damaged, too deep, or with declarations of its own.
    """
    builder = ET.TreeBuilder()
    parser = expat.ParserCreate()
    level = 0

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal level
        level += 1
        if level > depth:
            raise UserError(f"{what} has parts nested more than {depth} deep; flatten some")
        builder.start(name, attributes)

    def end(name: str) -> None:
        nonlocal level
        level -= 1
        builder.end(name)

    def refuse(*_: object) -> None:
        raise UserError(
            f"{what} declares a document type or entities, which no design needs; save it again as "
            "a plain file from the program that made it"
        )

    def typed(_name: str, _system: str | None, _public: str | None, inner: int) -> None:
        if inner or not doctype:
            refuse()

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = builder.data
    parser.StartDoctypeDeclHandler = typed
    parser.EntityDeclHandler = refuse
    try:
        parser.Parse(data, True)
    # The parser asks Python for unusual encodings, which says so in its own ways.
    except (expat.ExpatError, LookupError, ValueError) as e:
        raise UserError(f"{what} cannot be read ({e}); save it again") from e
    return builder.close()
