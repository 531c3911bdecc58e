"""Where several pictures go on sheets of paper: geometry alone, in any one unit.

Pictures stand in shelves across the sheet, in a shelf in columns, in a column below each other, so
that every picture comes out with straight cuts from edge to edge of what is left (guillotine cuts,
as a trimmer makes them: *common practice*). Shelves filled by falling height are the first-fit
heuristic of Coffman, Garey, Johnson and Tarjan, SIAM J. Comput. 9 (1980), at most 2.7 times the
least height; trying both orientations and columns only helps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from stream.errors import UserError

# Sizes come from whole pixels and from millimetres: what differs by less fits.
_SLACK = 1e-3


@dataclass(frozen=True)
class Spot:
    """One picture's place.

    Attributes:
        item: which of the sizes.
        x, y: of its upper left corner, from that of the sheet.
        w, h: as it lies there.
        turned: it lies on its side.
    """

    item: int
    x: float
    y: float
    w: float
    h: float
    turned: bool


@dataclass
class _Column:
    x: float
    w: float
    used: float


@dataclass
class _Shelf:
    y: float
    h: float
    used: float = 0.0
    columns: list[_Column] = field(default_factory=list)


@dataclass
class _Sheet:
    shelves: list[_Shelf] = field(default_factory=list)
    used: float = 0.0
    spots: list[Spot] = field(default_factory=list)


def _ways(size: tuple[float, float]) -> list[tuple[float, float, bool]]:
    """A picture upright and, where that is another shape, on its side."""
    w, h = size
    return [(w, h, False)] if abs(w - h) < _SLACK else [(w, h, False), (h, w, True)]


def _into_shelf(
    shelf: _Shelf, size: tuple[float, float], room_w: float, gap: float
) -> tuple[float, float, float, float, bool] | None:
    """A place in a shelf for a picture; the shelf is changed where there is one."""
    best: tuple[float, _Column | None, float, float, bool] | None = None
    for w, h, turned in _ways(size):
        for column in shelf.columns:
            if column.w + _SLACK >= w and shelf.h + _SLACK >= column.used + gap + h:
                waste = (column.w - w) * h
                if best is None or waste < best[0]:
                    best = waste, column, w, h, turned
        start = shelf.used + (gap if shelf.columns else 0)
        if shelf.h + _SLACK >= h and room_w + _SLACK >= start + w:
            # A new column costs what it leaves free above the next ones.
            waste = (shelf.h - h) * w
            if best is None or waste < best[0]:
                best = waste, None, w, h, turned
    if best is None:
        return None
    _, found, w, h, turned = best
    if found is None:
        found = _Column(shelf.used + (gap if shelf.columns else 0), w, h)
        shelf.columns.append(found)
        shelf.used = found.x + w
        return found.x, shelf.y, w, h, turned
    y = shelf.y + found.used + gap
    found.used += gap + h
    return found.x, y, w, h, turned


def _count(room: float, length: float, gap: float) -> int:
    return int((room + gap + _SLACK) // (length + gap))


def _orientation(
    size: tuple[float, float], room: tuple[float, float], left: int, gap: float
) -> tuple[float, float, bool] | None:
    """How a picture begins a new shelf: so that most of its kind fit, then the lower shelf."""
    ways = [
        (-min(_count(room[0], w, gap) * _count(room[1], h, gap), left), h, (w, h, turned))
        for w, h, turned in _ways(size)
        if w <= room[0] + _SLACK and h <= room[1] + _SLACK
    ]
    return min(ways)[2] if ways else None


def layout(
    paper: tuple[float, float],
    sizes: Sequence[tuple[float, float]],
    copies: Sequence[int],
    gap: float = 0.0,
    margin: float = 0.0,
) -> list[list[Spot]]:
    """Spread pictures over as few sheets as shelves allow.

    Args:
        paper: (width, height) of a sheet.
        sizes: (width, height) of each picture, upright.
        copies: how often each is wanted.
        gap: between two pictures.
        margin: along every edge of the sheet that stays free.

    Returns:
        The places on each sheet. The same arguments give the same sheets.

    Raises:
        UserError: a picture is larger than what the margin leaves of the paper.
    """
    room = paper[0] - 2 * margin, paper[1] - 2 * margin
    for w, h in sizes:
        if not any(a <= room[0] + _SLACK and b <= room[1] + _SLACK for a, b, _ in _ways((w, h))):
            raise UserError(
                f"a picture of {w:g} x {h:g} is larger than the {room[0]:g} x {room[1]:g} that the "
                "margin leaves of the paper"
            )
    order = sorted(range(len(sizes)), key=lambda i: (-max(sizes[i]), -min(sizes[i]), i))
    sheets: list[_Sheet] = []
    for item in order:
        for n in range(copies[item]):
            _put(sheets, item, sizes[item], room, copies[item] - n, gap)
    return [
        [Spot(s.item, s.x + margin, s.y + margin, s.w, s.h, s.turned) for s in sheet.spots]
        for sheet in sheets
    ]


def _put(
    sheets: list[_Sheet],
    item: int,
    size: tuple[float, float],
    room: tuple[float, float],
    left: int,
    gap: float,
) -> None:
    for sheet in sheets:
        for shelf in sheet.shelves:
            place = _into_shelf(shelf, size, room[0], gap)
            if place is not None:
                sheet.spots.append(Spot(item, *place))
                return
        if _new_shelf(sheet, item, size, room, left, gap):
            return
    sheets.append(_Sheet())
    _new_shelf(sheets[-1], item, size, room, left, gap)


def _new_shelf(
    sheet: _Sheet,
    item: int,
    size: tuple[float, float],
    room: tuple[float, float],
    left: int,
    gap: float,
) -> bool:
    start = sheet.used + (gap if sheet.shelves else 0)
    way = _orientation(size, (room[0], room[1] - start), left, gap)
    if way is None:
        return False
    w, h, turned = way
    sheet.shelves.append(_Shelf(start, h, w, [_Column(0.0, w, h)]))
    sheet.used = start + h
    sheet.spots.append(Spot(item, 0.0, start, w, h, turned))
    return True
