"""Put a document's layers, the slots and the texts into one order, lowest first.

A group that changes nothing by being one is taken apart, so that the subject can stand between
its layers: one that is not isolated, or one at full opacity whose layers all blend normally
(Porter and Duff's over is associative, so the result is the same).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from models.composite import Mode
from stream.template.codes import Code
from stream.template.film import FilmLayer
from stream.template.layers import Layer, LayerGroup, walk
from stream.template.slots import Slot, slot_name
from stream.template.wording import Text


@dataclass(frozen=True)
class Here:
    """Marks where the subject of a slot stands."""

    slot: int = 0


@dataclass(frozen=True)
class Block:
    """A group that has to be flattened alone."""

    name: str
    children: tuple[Item, ...]
    mode: Mode
    opacity: float


Item = Layer | Text | Code | Here | Block | FilmLayer


@dataclass(frozen=True)
class Arrangement:
    """What lies below the subjects, between and above them, lowest first.

    Attributes:
        below: under the lowest.
        above: over the highest.
        between: over each but the highest, and under the next.
        order: which slot stands lowest, which next, and so on.
    """

    below: tuple[Item, ...]
    above: tuple[Item, ...]
    between: tuple[tuple[Item, ...], ...] = ()
    order: tuple[int, ...] = (0,)


def has_text(item: Item) -> bool:
    """Whether an item differs from person to person."""
    if isinstance(item, Block):
        return any(has_text(child) for child in item.children)
    return isinstance(item, Text | Code)


def _mode(item: Item) -> Mode:
    return item.mode if isinstance(item, Layer | Block) else Mode.NORMAL


def _holds_slot(items: Iterable[Item]) -> Block | None:
    """The group that the subject would have to stand inside of."""
    for item in items:
        if isinstance(item, Block):
            if any(isinstance(c, Here) for c in item.children):
                return item
            inner = _holds_slot(item.children)
            if inner is not None:
                return inner
    return None


def _marks(name: str, slots: Sequence[Slot], texts: Sequence[Text | Code]) -> list[Item]:
    """What stands directly above a layer: the subjects first, words over them."""
    found: list[Item] = [Here(i) for i, slot in enumerate(slots) if slot.above == name]
    found += [t for t in texts if t.above == name]
    return found


def _order(
    layers: Iterable[Layer | LayerGroup],
    slots: Sequence[Slot],
    texts: Sequence[Text | Code],
    shown: bool,
) -> list[Item]:
    out: list[Item] = []
    for layer in layers:
        if isinstance(layer, Layer):
            if shown and layer.visible:
                out.append(layer)
        else:
            visible = shown and layer.visible
            items = _order(layer.children, slots, texts, visible)
            plain = layer.opacity == 1 and layer.mode is Mode.NORMAL
            same = all(_mode(item) is Mode.NORMAL for item in items)
            if not visible or (plain and (same or not layer.isolated)):
                out += items
            elif items:
                out.append(Block(layer.name, tuple(items), layer.mode, layer.opacity))
        out += _marks(layer.name, slots, texts)
    return out


def arrange(
    layers: tuple[Layer | LayerGroup, ...],
    slots: Sequence[Slot],
    texts: Sequence[Text | Code],
    problems: list[str],
) -> Arrangement | None:
    """Order everything; what cannot be placed is added to ``problems``.

    A hidden layer is not painted, and still marks a place.
    """
    names = [layer.name for layer in walk(layers)]
    listed = ", ".join(f'"{n}"' for n in dict.fromkeys(reversed(names)))
    wanted = [(slot_name(len(slots), i), slot.above) for i, slot in enumerate(slots)]
    wanted += [(t.label, t.above) for t in texts]
    wrong = False
    for where, name in wanted:
        if names.count(name) != 1:
            wrong = True
            found = (
                "no layer has that name" if name not in names else "several layers are called so"
            )
            there = f"there are {listed}" if names else "no layer could be read"
            problems.append(f'{where} stands above "{name}", but {found}; {there}')
    if not slots or wrong:
        return None
    items = _order(layers, slots, texts, True)
    block = _holds_slot(items)
    if block is not None:
        problems.append(
            f'the subject cannot stand inside the group "{block.name}", which blends as one; '
            "move its layers out of the group, or let the slot stand above the whole group"
        )
        return None
    runs: list[list[Item]] = [[]]
    order: list[int] = []
    for item in items:
        if isinstance(item, Here):
            order.append(item.slot)
            runs.append([])
        else:
            runs[-1].append(item)
    below, *between, above = (tuple(run) for run in runs)
    return Arrangement(below, above, tuple(between), tuple(order))
