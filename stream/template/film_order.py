"""The layers of a film in one order: the still's, with the film's own put between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from stream.template.arrange import Arrangement, Block, Here, Item, arrange
from stream.template.codes import Code
from stream.template.film import TOP, Film, FilmLayer, FilmText
from stream.template.layers import Layer, LayerGroup
from stream.template.slots import Slot
from stream.template.wording import Text

_Layers = tuple[Layer | LayerGroup, ...]


@dataclass(frozen=True)
class FilmOrder:
    """What one shape shows.

    Attributes:
        arrangement: everything, lowest first.
        names: what each item is called, its groups included, by the item's id.
    """

    arrangement: Arrangement
    names: Mapping[int, frozenset[str]]

    def names_of(self, item: Item) -> frozenset[str]:
        """What an item is called: its name and those of the groups that it is in."""
        return self.names.get(id(item), frozenset())


def _shown(layers: _Layers, wanted: frozenset[str]) -> _Layers:
    """The layers with those unhidden that a place is named by."""
    out: list[Layer | LayerGroup] = []
    for at in layers:
        if isinstance(at, LayerGroup):
            out.append(replace(at, children=_shown(at.children, wanted)))
        else:
            out.append(replace(at, visible=True) if at.name in wanted else at)
    return tuple(out)


def _hidden(layers: _Layers) -> frozenset[str]:
    found: set[str] = set()
    for at in layers:
        if isinstance(at, LayerGroup):
            found |= _hidden(at.children)
        elif not at.visible:
            found.add(at.name)
    return frozenset(found)


def _called(layers: _Layers, groups: frozenset[str], out: dict[int, frozenset[str]]) -> None:
    for at in layers:
        own = groups | {at.name}
        if isinstance(at, LayerGroup):
            _called(at.children, own, out)
        else:
            out[id(at)] = own


def _block_names(item: Item, out: dict[int, frozenset[str]]) -> frozenset[str]:
    """Names of a block too: its own, and those that all of what is in it share."""
    if not isinstance(item, Block):
        return out.get(id(item), frozenset())
    inner = [_block_names(child, out) for child in item.children]
    layers = [n for n, c in zip(inner, item.children, strict=True) if isinstance(c, Layer | Block)]
    shared = frozenset.intersection(*layers) if layers else frozenset()
    own = {at for at in shared if at != item.name} if len(layers) > 1 else set()
    out[id(item)] = frozenset(own | {item.name})
    return out[id(item)]


def _put(items: list[Item], layer: FilmLayer, names: Mapping[int, frozenset[str]]) -> bool:
    """Put a film's layer to its place; False where nothing is called so."""
    places = [i for i, item in enumerate(items) if layer.of in names.get(id(item), frozenset())]
    if not places:
        for i, item in enumerate(items):
            if isinstance(item, Block):
                inner = list(item.children)
                if _put(inner, layer, names):
                    items[i] = replace(item, children=tuple(inner))
                    names[id(items[i])] = names[id(item)]  # type: ignore[index]
                    return True
        return False
    if layer.place == "below":
        items.insert(places[0], layer)
        return True
    items.insert(places[-1] + 1, layer)
    return True


def _without(items: Sequence[Item], gone: frozenset[str], names: Mapping[int, frozenset[str]],
             hidden: frozenset[str]) -> list[Item]:  # fmt: skip
    out: list[Item] = []
    for item in items:
        own = names.get(id(item), frozenset())
        if isinstance(item, Layer | Block) and own & gone:
            continue
        if isinstance(item, Layer) and item.name in hidden:
            continue
        if isinstance(item, Block):
            kept = replace(item, children=tuple(_without(item.children, gone, names, hidden)))
            names[id(kept)] = own  # type: ignore[index]
            out.append(kept)
        else:
            out.append(item)
    return out


def order_film(
    layers: _Layers,
    slots: Sequence[Slot],
    written: Sequence[Text | Code],
    film: Film,
    shape: str,
    problems: list[str],
) -> FilmOrder | None:
    """Order what one shape shows.

    Args:
        layers: the document's.
        slots: the still's.
        written: the still's words and codes.
        film: the film part.
        shape: its name.
        problems: what cannot be placed is added here, a sentence each.
    """
    own = [x for x in film.layers if x.only in (None, shape)]
    texts: list[FilmText] = [t for t in film.texts if t.only in (None, shape)]
    anchors = frozenset(x.of for x in own)
    hidden = _hidden(layers) & anchors
    tree = _shown(layers, hidden)
    made = arrange(tree, slots, [*written, *(t.text for t in texts)], problems)
    if made is None:
        return None
    names: dict[int, frozenset[str]] = {}
    _called(tree, frozenset(), names)
    for said in (*written, *(t.text for t in texts)):
        names[id(said)] = frozenset({said.value})
    for layer in own:
        names[id(layer)] = frozenset({layer.name})
    # Slots mark the places between runs while layers are put in.
    items: list[Item] = list(made.below)
    for slot, run in zip(made.order, (*made.between, made.above), strict=True):
        items += [Here(slot), *run]
    for item in items:
        _block_names(item, names)
    for layer in own:
        if layer.place == TOP:
            items.append(layer)
        elif not _put(items, layer, names):
            problems.append(
                f'{layer.label} lies {layer.place} "{layer.of}", which shows nothing in the '
                "picture; name a layer that is seen"
            )
            return None
    gone = frozenset(x.of for x in own if x.place == "instead")
    items = _without(items, gone, names, hidden)
    runs: list[list[Item]] = [[]]
    for item in items:
        if isinstance(item, Here):
            runs.append([])
        else:
            runs[-1].append(item)
    below, *between, above = (tuple(run) for run in runs)
    return FilmOrder(Arrangement(below, above, tuple(between), made.order), names)
