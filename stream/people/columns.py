"""Which column of a roster is which: known spellings, or as the user mapped them once."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from stream.people.errors import RosterError, some
from stream.people.table import Row

SPELLINGS: dict[str, tuple[str, ...]] = {
    "number": (
        "number", "no", "nr", "num", "#", "id", "code", "card", "card number", "badge",
        "jersey number", "jersey no", "jersey", "player number", "pupil number", "student number",
        "pupil id", "student id", "nummer", "numero", "№",
    ),
    "name": (
        "name", "full name", "person", "participant", "student", "guest", "pupil", "child",
        "player", "member", "pupil name", "student name", "player name", "nom complet", "nom",
        "nombre", "nome", "имя",
    ),
    "first": ("first name", "given name", "firstname", "forename", "first", "vorname", "prenom"),
    "last": (
        "last name", "family name", "surname", "lastname", "last", "nachname", "apellidos",
        "apellido", "cognome",
    ),
    "group": (
        "group", "class", "team", "table", "form", "department", "grade", "squad", "homeroom",
        "klasse", "gruppe", "classe", "clase",
    ),
    "order": ("order", "orders", "ordered", "prints ordered"),
    "template": ("template", "templates", "design"),
    "size": ("print size", "size", "sizes", "paper", "paper size"),
    "copies": ("copies", "quantity", "qty", "number of prints"),
    "no_name": (
        "no name", "no name shown", "no names", "hide name", "name hidden", "without name",
        "do not show name", "name not shown", "name not to be shown",
    ),
    "name_consent": ("name consent", "show name", "name allowed", "name may be shown"),
    "no_gallery": (
        "no gallery", "not in gallery", "hide from gallery", "without gallery", "not in galleries",
        "not for galleries", "no galleries",
    ),
    "gallery_consent": (
        "gallery consent", "gallery", "gallery allowed", "may be in galleries", "galleries",
    ),
}  # fmt: skip
"""Roles and their usual titles, best first; folded, without signs."""
ROLES = tuple(SPELLINGS)
FLAGS = ("no_name", "name_consent", "no_gallery", "gallery_consent")
OTHERS = ("encoding", "sheet")
# Rows above the header: a title, a date, an address.
DEEPEST_HEADER = 30
_PLACE = re.compile(r"column ([1-9]\d{0,2})", re.IGNORECASE)


# Letters that no accent is taken from, as Unicode CLDR's Latin-ASCII transform writes them: few
# keyboards have them. From memory.
_PLAIN = str.maketrans(
    {"ł": "l", "ø": "o", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ħ": "h", "ı": "i",
     "ŋ": "n", "ŧ": "t"}
)  # fmt: skip


def folded(text: str) -> str:
    """Text as it is searched for: no case, no accents, single spaces."""
    # Once more: "№" comes apart into capitals.
    parts = unicodedata.normalize("NFKD", text.casefold()).casefold().translate(_PLAIN)
    return " ".join("".join(c for c in parts if not unicodedata.combining(c)).split())


def plain_title(title: str) -> str:
    """A title as it is compared: folded, without the signs around and between its words."""
    return " ".join(
        folded(title).replace("_", " ").replace("-", " ").replace("/", " ").split()
    ).strip(" .:?*")


@dataclass(frozen=True)
class Reading:
    """How a roster is to be read, as event.toml keeps it under [roster].

    Attributes:
        columns: the file's title for each role that the user mapped; 'column 3' is a place.
        encoding: of a text file.
        sheet: of a workbook.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    encoding: str | None = None
    sheet: str | None = None

    @classmethod
    def from_config(cls, table: Mapping[str, Any]) -> Reading:
        """Read the [roster] table.

        Raises:
            RosterError: a key is unknown or a value is no text.
        """
        for key, value in table.items():
            if key not in ROLES + OTHERS:
                raise RosterError(
                    f"event.toml: [roster] does not know '{key}' (it knows "
                    f"{', '.join(ROLES + OTHERS)}); correct or delete that line."
                )
            if not isinstance(value, str) or not value.strip():
                raise RosterError(
                    f"event.toml: {key} under [roster] must be a text in quotes; correct it."
                )
        columns = {k: v for k, v in table.items() if k in ROLES}
        return cls(columns, table.get("encoding"), table.get("sheet"))

    def to_config(self) -> dict[str, str]:
        """The [roster] table."""
        rest = {"encoding": self.encoding, "sheet": self.sheet}
        return {**self.columns, **{k: v for k, v in rest.items() if v}}


def read_mapping(words: Sequence[str]) -> dict[str, str]:
    """``number="Jersey No"`` and the like, as they are typed; an empty title unmaps a role.

    Raises:
        RosterError: a word is none of these.
    """
    out: dict[str, str] = {}
    for word in words:
        role, sign, title = word.partition("=")
        role = role.strip().lower().replace("-", "_")
        if not sign or role not in ROLES:
            raise RosterError(
                f"'{word}' maps no column; write it like number=\"Jersey No\", with one of "
                f"{', '.join(ROLES)} before the =."
            )
        out[role] = title.strip()
    return out


@dataclass(frozen=True)
class Columns:
    """Where a roster's columns are.

    Attributes:
        titles: as written, one a column; empty texts where there is no header.
        places: the column of each role that was found.
        header: index of the header's row; -1 where there is none.
    """

    titles: tuple[str, ...]
    places: Mapping[str, int]
    header: int

    @property
    def named(self) -> bool:
        """Whether people have names here."""
        return any(role in self.places for role in ("name", "first", "last"))

    def title(self, role: str) -> str:
        """The title of a role's column, for messages."""
        place = self.places[role]
        written = self.titles[place] if place < len(self.titles) else ""
        return written or f"column {place + 1}"


def _places(row: Row, wanted: Mapping[str, str]) -> dict[str, int]:
    plain = [plain_title(c) for c in row.cells]
    places: dict[str, int] = {}
    for role, title in wanted.items():
        at = _PLACE.fullmatch(title.strip())
        if plain_title(title) in plain:
            places[role] = plain.index(plain_title(title))
        elif at:
            places[role] = int(at[1]) - 1
    for role, spellings in SPELLINGS.items():
        if role in wanted:
            continue
        taken = set(places.values())
        for spelling in spellings:
            if spelling in plain and plain.index(spelling) not in taken:
                places[role] = plain.index(spelling)
                break
    return places


def find_columns(rows: Sequence[Row], wanted: Mapping[str, str]) -> Columns | None:
    """The row that names the columns, and which is which; None where no row does.

    Args:
        rows: the file's lines that are not empty.
        wanted: the titles that the user mapped.
    """
    if wanted and all(_PLACE.fullmatch(t.strip()) for t in wanted.values()):
        # Columns by their places, in a list without a header.
        places = {r: int(t.split()[-1]) - 1 for r, t in wanted.items()}
        columns = Columns((), places, -1)
        return columns if columns.named and rows else None
    best: tuple[int, Columns] | None = None
    for index, row in enumerate(rows[:DEEPEST_HEADER]):
        places = _places(row, wanted)
        columns = Columns(row.cells, places, index)
        if columns.named and (best is None or len(places) > best[0]):
            best = len(places), columns
    if best is None:
        return None
    found = best[1]
    return Columns(
        found.titles, {r: found.places[r] for r in ROLES if r in found.places}, found.header
    )


# What titles speak of that say what may be shown of whom.
_CONSENT = re.compile(
    folded(
        r"consent|permi(t|ssion)|allow|releas|privacy|privat|gdpr|publi|opt.?(in|out)|"
        r"galler|hid(e|d)|"
        r"(no|not|without|show\w*) .*(name|photo|picture|image)|einwillig|erlaub|zustimm|"
        r"datenschutz|"
        r"consentement|autoris|autoriz|permiso|consens|zgoda|souhlas|soglasie|соглас|同意|동의"
    )
)


def unread_consents(columns: Columns) -> tuple[str, ...]:
    """Titles that seem to say what may be shown of people, and are taken as nothing."""
    taken = set(columns.places.values())
    return tuple(
        title
        for i, title in enumerate(columns.titles)
        if i not in taken and _CONSENT.search(plain_title(title))
    )


def header_fit(rows: Sequence[Row], wanted: Mapping[str, str]) -> int:
    """How many of a roster's columns some rows have; 0 for none that could be one."""
    columns = find_columns(rows, wanted)
    return len(columns.places) if columns else 0


def no_columns(rows: Sequence[Row], wanted: Mapping[str, str], path: object) -> RosterError:
    """What to say where no row names the columns."""
    first = rows[0].cells if rows else ()
    came = some([f"'{c[:40]}'" for c in first if c], 8) or "no columns"
    need = f"{path}: the roster needs the columns number and name (and may have group)"
    if wanted:
        mapped = ", ".join(
            f"{role} = '{' '.join(title.split())}'" for role, title in wanted.items()
        )
        mend = f"no line has the titles that were mapped ({mapped}); map them anew"
    else:
        mend = (
            "name the columns so in its first line, or say which is which with 'posewall roster "
            "map' or --map of 'event new', like name=\"Pupil\" (in a list without titles "
            'name="column 2")'
        )
    return RosterError(f"{need}, but {came} came; {mend}.", f"{need}; map its columns.")


def check_mapped(
    columns: Columns, rows: Sequence[Row], wanted: Mapping[str, str], path: object
) -> None:
    """Every title that the user mapped is there.

    Raises:
        RosterError: one is not; what is there is named.
    """
    width = max((len(row.cells) for row in rows), default=0)
    missing = [
        f"'{' '.join(t.split())}' for {r}"
        for r, t in wanted.items()
        if columns.places.get(r, width) >= width
    ]
    if missing:
        there = some([f"'{t}'" for t in columns.titles if t], 20)
        titles = f"the titles in line {rows[max(columns.header, 0)].line} are {there}"
        raise RosterError(
            f"{path}: there is no column {some(missing)}; "
            f"{titles if there else f'it has {width} columns'}; "
            "map it anew with 'posewall roster map', or an empty title forgets it."
        )
