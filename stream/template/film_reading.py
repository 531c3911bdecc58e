"""The [film] part of template.toml, read; what is wrong with it is gathered."""

from __future__ import annotations

from itertools import pairwise
from pathlib import PurePosixPath
from typing import Any

from models.blend import Mode
from stream.shape import SHAPES
from stream.sound.loudness import TARGET_LUFS
from stream.sound.playing import Playing
from stream.template.film import (
    ENDS,
    FADE_S,
    FITS,
    PARTS,
    PLACES,
    SINCE,
    TOP,
    Card,
    Film,
    FilmLayer,
    FilmMusic,
    FilmText,
    Key,
    Move,
    View,
)
from stream.template.reading import Reader, tables
from stream.template.slots import Slot, read_slots
from stream.template.wording import read_text

# chosen: a card is read in a few seconds; a minute of it is a slip of the keyboard.
MOST_CARD_S = 30.0
MOST_FADE_S = 5.0
# chosen: far beyond any film; key times are seconds, not milliseconds.
MOST_TIME_S = 3600.0
MOST_KEYS = 100
_OWN = ("only", "during")


def _only(r: Reader) -> str | None:
    return r.choice("only", tuple(SHAPES), "wide") if "only" in r.table else None


def _during(r: Reader) -> tuple[str, ...]:
    if "during" not in r.table:
        return PARTS
    parts = r.words("during")
    if not parts or any(part not in PARTS for part in parts):
        r.wrong("during", 'a list of "in", "take" and "out"')
        return PARTS
    return parts


def _card(table: Any, where: str, fade_s: float, problems: list[str]) -> Card:
    if not isinstance(table, dict):
        problems.append(f"{where} must be written as a part [{where}] with seconds")
        return Card()
    r = Reader(table, f"[{where}]", problems)
    seconds = r.number("seconds", low=0, high=MOST_CARD_S)
    fade_s = r.number("fade", fade_s, low=0, high=MOST_FADE_S)
    show = r.words("show") if "show" in table else None
    return Card(seconds, fade_s, show) if r.close() else Card()


def _slots(table: dict[str, Any], where: str, still: int, problems: list[str]) -> Any:
    """The slots of a shape, in the order of the still's."""
    if "slot" not in table:
        return None
    # The layer that they stand on is the still's; only the place in it is another.
    given = table["slot"]
    listed = [given] if isinstance(given, dict) else given
    if isinstance(listed, list) and all(isinstance(t, dict) for t in listed):
        if any("above" in t for t in listed):
            problems.append(
                f"[{where}.slot]: above is the still's; take it away, a film keeps the order of "
                "the layers"
            )
            return None
        listed = [{**t, "above": "-"} for t in listed]
    found: list[str] = []
    slots = read_slots({"slot": listed}, found)
    problems += [f"{where}: {sentence}" for sentence in found]
    if slots and len(slots) != still:
        problems.append(f"[{where}] has {len(slots)} slots and the still has {still}; give as many")
        return None
    return slots or None


def _view(table: Any, where: str, slots: tuple[Slot, ...], problems: list[str]) -> View:
    if not isinstance(table, dict):
        problems.append(f"{where} must be written as a part [{where}]")
        return View()
    r = Reader({k: v for k, v in table.items() if k != "slot"}, f"[{where}]", problems)
    r.known.append("slot")
    window = r.box("window")
    sides = None if table.get("sides", "blurred") == "blurred" else r.color("sides", "#000000")
    r.known.append("sides")
    own = _slots(table, where, len(slots), problems)
    return View(window, sides, own) if r.close() else View()


def _layer(table: dict[str, Any], where: str, problems: list[str]) -> FilmLayer | None:
    r = Reader(table, where, problems)
    file = r.text("file")
    name = r.text("name", PurePosixPath(file).stem or "-")
    given = [place for place in PLACES if place in table]
    top = r.flag(TOP)
    if len(given) + top != 1:
        r.known += PLACES
        r.failed = True
        problems.append(
            f'{where}: say once where it lies: above = "a layer", below = "a layer", '
            f'instead = "a layer", or {TOP} = true'
        )
        place, of = TOP, ""
    else:
        place, of = (TOP, "") if top else (given[0], r.text(given[0]))
    mode = Mode(r.choice("mode", tuple(m.value for m in Mode), "normal"))
    opacity = r.number("opacity", 1.0, low=0, high=1)
    box, fit = r.box("box"), r.choice("fit", FITS, "cover")
    ends = r.choice("at_end", ENDS, "loop")
    since = r.choice("from", SINCE, "start")
    at_s = r.number("at", 0.0, low=-MOST_TIME_S, high=MOST_TIME_S)
    kinds = ("straight", "premultiplied", "none")
    alpha = r.choice("alpha", kinds, "none") if "alpha" in table else None
    during, only = _during(r), _only(r)
    if not r.close():
        return None
    return FilmLayer(
        name, file, place, of, mode, opacity, box, fit, ends, since, at_s, alpha, during, only
    )


def _text(table: dict[str, Any], where: str, problems: list[str]) -> FilmText | None:
    text = read_text({k: v for k, v in table.items() if k not in _OWN}, where, problems)
    r = Reader({k: v for k, v in table.items() if k in _OWN}, where, problems)
    during, only = _during(r), _only(r)
    return FilmText(text, during, only) if r.close() and text is not None else None


def _key(table: dict[str, Any], where: str, problems: list[str]) -> Key | None:
    r = Reader(table, where, problems)
    key = Key(
        r.number("at", low=-MOST_TIME_S, high=MOST_TIME_S),
        r.number("opacity", 1.0, low=0, high=1),
        r.number("x", 0.0, low=-100_000, high=100_000),
        r.number("y", 0.0, low=-100_000, high=100_000),
        r.number("scale", 1.0, low=0.01, high=20),
        r.choice("way", ("smooth", "linear"), "smooth") == "smooth",
    )
    return key if r.close() else None


def _move(table: dict[str, Any], where: str, problems: list[str]) -> Move | None:
    r = Reader({k: v for k, v in table.items() if k != "keys"}, where, problems)
    r.known.append("keys")
    of, since, only = r.text("of"), r.choice("from", SINCE, "start"), _only(r)
    given = table.get("keys")
    right = isinstance(given, list) and all(isinstance(k, dict) for k in given)
    if not right or not given or len(given) > MOST_KEYS:
        problems.append(
            f"{where}: need keys = [{{ at = 0, opacity = 0 }}, {{ at = 1 }}], from one to "
            f"{MOST_KEYS} of them"
        )
        r.close()
        return None
    keys = [_key(k, f"{where}, key {i}", problems) for i, k in enumerate(given, 1)]
    whole = tuple(k for k in keys if k is not None)
    late = next((b for a, b in pairwise(whole) if b.at_s <= a.at_s), None)
    if late is not None:
        problems.append(
            f"{where}: the key at {late.at_s:g} s does not come after the one before it; put the "
            "keys in the order of their times"
        )
        return None
    return Move(of, since, whole, only) if r.close() and len(whole) == len(keys) else None


def _music(r: Reader) -> FilmMusic | None:
    inner = r.inner("music")
    if inner is None:
        return None
    usual = Playing()
    music = FilmMusic(
        inner.text("file"),
        Playing(
            under_lu=inner.number("under", usual.under_lu, low=0, high=60),
            pause_lu=inner.number("pause", usual.pause_lu, low=0, high=60),
            card_lu=inner.number("card", usual.card_lu, low=-20, high=60),
            fade_in_s=inner.number("fade_in", usual.fade_in_s, low=0, high=60),
            fade_out_s=inner.number("fade_out", usual.fade_out_s, low=0, high=60),
            loop=inner.choice("at_end", ("loop", "stop"), "loop") == "loop",
            from_s=inner.number("at", usual.from_s, low=0, high=MOST_TIME_S),
            begin_s=inner.number("skip", usual.begin_s, low=0, high=MOST_TIME_S),
        ),
    )
    return music if inner.close() else None


def read_film(said: dict[str, Any], slots: tuple[Slot, ...], problems: list[str]) -> Film:
    """Read the part [film]; without one, the usual film.

    Args:
        said: template.toml.
        slots: of the still.
        problems: what is wrong is added here, a sentence each.
    """
    table = said.get("film")
    if table is None:
        return Film()
    if not isinstance(table, dict):
        problems.append("film must be written as a part [film]")
        return Film()
    lists = ("layer", "text", "move")
    r = Reader(
        {k: v for k, v in table.items() if k not in (*lists, *SHAPES, "in", "out")},
        "[film]",
        problems,
    )
    r.known += [*lists, *SHAPES, "in", "out"]
    loudness = r.number("loudness", TARGET_LUFS, low=-40, high=-8)
    fade_s = r.number("fade", FADE_S, low=0, high=MOST_FADE_S)
    music = _music(r)
    r.close()
    cards = [
        _card(table.get(part, {"seconds": 0}), f"film.{part}", fade_s, problems)
        for part in ("in", "out")
    ]
    views = {
        name: _view(table[name], f"film.{name}", slots, problems)
        for name in SHAPES
        if name in table
    }
    layers = [
        _layer(t, f"[[film.layer]] {i}", problems)
        for i, t in enumerate(tables(table, "layer", problems), 1)
    ]
    texts = [
        _text(t, f"[[film.text]] {i}", problems)
        for i, t in enumerate(tables(table, "text", problems), 1)
    ]
    moves = [
        _move(t, f"[[film.move]] {i}", problems)
        for i, t in enumerate(tables(table, "move", problems), 1)
    ]
    return Film(
        views,
        cards[0],
        cards[1],
        tuple(x for x in layers if x is not None),
        tuple(t for t in texts if t is not None),
        tuple(m for m in moves if m is not None),
        music,
        loudness,
    )
