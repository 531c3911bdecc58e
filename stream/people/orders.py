"""What a person ordered: which template, on which paper, how many; read as people write it.

An order in one cell is one or several items, parted by ``;``, ``,``, ``+`` or a new line. An item
is, in any order, the name of a template, a size of paper and a number of copies:
``lantern-night 8x10 x2; harvest-paper 5x7``. What is left out is the event's usual.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from stream.people.columns import folded
from stream.template.paper import PAPERS

if TYPE_CHECKING:
    from stream.people.person import Person

# More of one print for one person is a slip of the finger, or a number from another column.
MOST_COPIES = 200
_ITEMS = re.compile(r"[;\n+&]|,(?!\d)|(?<!\d),")
# A comma between digits may be a decimal one ("3,5x5") or part two items ("8x10,5x7").
_SIZE = re.compile(
    # Looks ahead, so that what overlaps is found, too: "2 x 6" and "6x8" in "2 x 6x8".
    r"(?<![\w.,])(?=(\d+(?:[.,]\d+)?\s*(?:in|\"|″)?\s*[x×]\s*\d+(?:[.,]\d+)?"
    r"(?:\s*(?:mm|inch(?:es)?|in|\"|″)(?!\w))?)(?!\w))",
    re.IGNORECASE,
)
_SIZED = re.compile(r"\d+x\d+(?:\.\d+)?$")
_COPIES = re.compile(
    r"[x*](\d{1,6})|(\d{1,6})[x*]|(\d{1,6})(?:pcs?|pieces?|copies|copy|prints?|times)"
)
_UNIT = re.compile(r"(?:in|inch|inches|\"|″|'')$")
_WORDS = {"of", "copies", "copy", "prints", "print", "pcs", "pc", "pieces", "piece", "times", "and"}


@dataclass(frozen=True)
class Order:
    """One thing that a person wants.

    Attributes:
        template: name of one of the event's templates; None for the event's usual.
        size: a name in `PAPERS`; None for the template's own.
        copies: how many.
    """

    template: str | None = None
    size: str | None = None
    copies: int = 1

    def __str__(self) -> str:
        words = [w for w in (self.template, self.size) if w]
        return " ".join([*words, f"x{self.copies}"])


def merged(orders: Iterable[Order]) -> tuple[Order, ...]:
    """Orders with the copies of like ones added up, in the order of their first."""
    copies: dict[tuple[str | None, str | None], int] = {}
    for order in orders:
        key = order.template, order.size
        copies[key] = copies.get(key, 0) + order.copies
    return tuple(Order(t, s, n) for (t, s), n in copies.items())


def orders_of(people: Iterable[Person]) -> tuple[Order, ...]:
    """What the people of one shot want of it, all together."""
    return merged(order for person in people for order in person.orders)


def read_size(text: str) -> str | None:
    """The name of a paper in `PAPERS`, as people write it ('10 × 8 in', 'A5'); None for none."""
    plain = re.sub(r"\s+", "", folded(text)).replace("×", "x").replace("by", "x")
    plain = _UNIT.sub("", plain).replace(",", ".")
    if re.fullmatch(r"\d+(\.\d+)?(in|\"|″)x\d+(\.\d+)?", plain):
        plain = re.sub(r"in|\"|″", "", plain)
    plain = re.sub(r"(\d\.\d*?)0+(?=x|$)", r"\1", plain).replace(".x", "x").rstrip(".")
    swapped = "x".join(reversed(plain.removesuffix("mm").split("x")))
    tries = (plain, f"{plain}mm", swapped, f"{swapped}mm")
    return next((t for t in tries if t in PAPERS), None)


def plain_name(text: str) -> str:
    """A template's name as it is compared: no case, words parted by spaces."""
    return " ".join(re.split(r"[\s_-]+", folded(text)))


def read_template(text: str, names: Sequence[str] | None) -> str | None:
    """The event's template that a text names; any text where the templates are not known."""
    if names is None:
        return text or None
    return next((n for n in names if plain_name(n) == plain_name(text)), None)


def read_copies(text: str) -> int | None:
    """A number of copies on its own: '2', 'x2', '2 prints'; None where it is none."""
    plain = re.sub(r"\s+", "", folded(text)).replace("×", "x")
    match = _COPIES.fullmatch(plain) or re.fullmatch(r"(\d{1,6})(?:\.0+)?()()", plain)
    if not match:
        return None
    return int(next(g for g in match.groups() if g))


def read_order(
    text: str, names: Sequence[str] | None = None, beside: Sequence[Mapping[str, str]] = ()
) -> tuple[tuple[Order, ...], tuple[str, ...]]:
    """Read the orders that stand in one cell.

    Args:
        text: as written.
        names: of the event's templates; None where they are not known.
        beside: for each item what columns of their own say: template, size, copies.

    Returns:
        The orders, and what was not understood, a sentence each.
    """
    out: list[Order] = []
    problems: list[str] = []
    for i, item in enumerate(parted(text)):
        order, problem = _item(item, names, beside[i] if beside else None)
        if problem:
            problems.append(problem)
        elif order is not None and order.copies:
            out.append(order)
    return merged(out), tuple(problems)


def parted(text: str) -> list[str]:
    """The items of a cell."""
    rough = re.sub(r"\s+(?:and)\s+", ";", text, flags=re.IGNORECASE)
    out: list[str] = []
    for part in _ITEMS.split(rough):
        pieces = part.split(",")
        while len(pieces) > 1:
            # "3,5x5" is one size; "8x10,5x7" are two.
            joined = read_size(f"{pieces[0].split()[-1]},{pieces[1].split()[0]}")
            if joined and not _SIZED.search(folded(pieces[0])):
                pieces[:2] = [f"{pieces[0]}.{pieces[1]}"]
            else:
                out.append(pieces.pop(0))
        out.append(pieces[0])
    return [item.strip() for item in out if item.strip()]


def _with_whole_size(item: str) -> str | None:
    """An item with its size in one word: ``10 x 8 in`` is '8x10'; ``2 x 6x8`` is two of '6x8'.

    None where it may be either of two: ``2 x 6 x 4`` is four of 2x6, or two of 4x6.
    """
    found = [m for m in _SIZE.finditer(item) if read_size(m[1])]
    # Written tightly it is surely one.
    found.sort(key=lambda m: bool(re.search(r"\s", m[1])))
    if not found:
        return item
    at = found[0]
    if re.search(r"\s", at[1]) and any(
        m.start(1) < at.end(1) and read_size(m[1]) != read_size(at[1]) for m in found[1:]
    ):
        return None
    return f"{item[: at.start(1)]} {read_size(at[1])} {item[at.end(1) :]}"


def _item(
    item: str, names: Sequence[str] | None, beside: Mapping[str, str] | None = None
) -> tuple[Order | None, str | None]:
    """One item, and what the columns beside it say of what it leaves out."""
    whole = _with_whole_size(item)
    if whole is None:
        return None, f"'{item}' may be two sizes; write it like 4x6 x2"
    words = [w.strip("()[]:") for w in whole.split()]
    order = Order()
    rest: list[str] = []
    unsized: list[str] = []
    counted = False
    for bare in words:
        size = read_size(bare)
        copies = read_copies(bare)
        if size and order.size is None:
            order = replace(order, size=size)
            continue
        unsized.append(bare)
        if copies is not None and not counted:
            order, counted = replace(order, copies=copies), True
        elif folded(bare) not in _WORDS | {"x"}:
            rest.append(bare)
    name = " ".join(rest)
    # "class 2" is two of 'class', or one of 'class-2'.
    named = read_template(" ".join(unsized), names) if names and counted else None
    if named is not None:
        if not name or read_template(name, names) is not None:
            return None, f"'{item}' may be '{named}' or copies; write it like {named} x1"
        order, counted = replace(order, template=named, copies=1), False
    elif name:
        template = read_template(name, names)
        if template is None:
            return None, f"'{item}' is not understood at '{_unknown(rest, names or ())}'"
        order = replace(order, template=template)
    if (
        order.template is None
        and order.size is None
        and read_copies(item) is not None
        and item.strip().isdigit()
    ):
        return None, f"'{item}' names neither a template nor a size"
    if beside:
        return _filled(item, order, counted, names, beside)
    if order.copies > MOST_COPIES:
        return None, f"'{item}' asks for {order.copies} copies; at most {MOST_COPIES} can be meant"
    return order, None


def _filled(
    item: str,
    order: Order,
    counted: bool,
    names: Sequence[str] | None,
    beside: Mapping[str, str],
) -> tuple[Order | None, str | None]:
    """An order with what the columns beside it say, which must not speak against it."""
    said: dict[str, str | int | None] = {
        "template": order.template,
        "size": order.size,
        "copies": order.copies if counted else None,
    }
    for role, text in beside.items():
        value: str | int | None = (
            read_template(text, names)
            if role == "template"
            else read_size(text)
            if role == "size"
            else read_copies(text)
        )
        if value is None:
            return None, f"the {role} '{text}' is not known"
        if said[role] not in (None, value):
            return None, f"'{item}' and the {role} '{text}' beside it do not go together"
        said[role] = value
    template, size, copies = said["template"], said["size"], said["copies"]
    done = Order(
        None if template is None else str(template),
        None if size is None else str(size),
        1 if copies is None else int(copies),
    )
    if done.copies > MOST_COPIES:
        return None, f"{done.copies} copies cannot be meant; at most {MOST_COPIES} are taken"
    return done, None


def _unknown(words: list[str], names: Sequence[str]) -> str:
    """The words that no template's name takes in."""
    for cut in range(len(words) - 1, 0, -1):
        for known, rest in ((words[:cut], words[cut:]), (words[-cut:], words[:-cut])):
            if read_template(" ".join(known), names):
                return " ".join(rest)
    return " ".join(words)


def offered(names: Sequence[str] | None) -> str:
    """What an order may name."""
    there = f"templates: {', '.join(names) or 'none yet'}; " if names is not None else ""
    return f"{there}sizes: {', '.join(PAPERS)}; copies like x2"
