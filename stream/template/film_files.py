"""Everything that a film part names, looked at: clips, pictures, music, layers, words, windows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath

import av

from models.clip_pixels import looks_straight
from models.composite import KEEPS_COVERAGE
from stream.errors import UserError
from stream.shape import SHAPES
from stream.template.clip_file import ENDINGS, ClipFacts, ClipFrame, probe_clip
from stream.template.codes import Code
from stream.template.files import MOST_CLIP, MOST_MUSIC, Files
from stream.template.film import Film, FilmLayer
from stream.template.film_order import order_film
from stream.template.layers import Document, Layer, walk
from stream.template.png import read_png
from stream.template.reading import Box
from stream.template.slots import Slot
from stream.template.wording import Text

# chosen: the canvas that a close window is taken from must still be made whole.
_MOST_CANVAS = 100_000_000


def _inside(name: str) -> bool:
    parts = PurePosixPath(name)
    return not (parts.is_absolute() or ".." in parts.parts or "\\" in name)


def _place(name: str, what: str, files: Files, most: int, problems: list[str]) -> Path | None:
    if not _inside(name):
        problems.append(f'{what} "{name}" does not lie inside the template\'s folder; copy it in')
        return None
    if not (files.folder / name).is_file():
        problems.append(f'{what} "{name}" is missing; copy it into the template\'s folder')
        return None
    return files.count(name, most, what, problems)


def _straight(frame: ClipFrame) -> bool:
    return frame.alpha is not None and looks_straight(
        frame.planes, frame.encoding, frame.alpha, frame.alpha_depth
    )


def _clip(layer: FilmLayer, path: Path, problems: list[str]) -> ClipFacts | None:
    try:
        facts, first = probe_clip(path, layer.file)
    except UserError as e:
        problems.append(str(e))
        return None
    if layer.alpha in ("straight", "premultiplied") and not facts.alpha:
        problems.append(
            f'{layer.label} asks for alpha, but the clip "{layer.file}" ({facts.codec}) carries '
            "none; save it as ProRes 4444, as PNG or QuickTime RLE in MOV, or as VP9 with alpha in "
            "WebM, or take alpha away"
        )
    elif layer.alpha == "premultiplied" and _straight(first):
        problems.append(
            f'{layer.label}: alpha is "premultiplied", but the clip "{layer.file}" has colours '
            'where its alpha has nothing; say alpha = "straight"'
        )
    return facts


def _still(layer: FilmLayer, files: Files, problems: list[str]) -> Layer | None:
    if not _inside(layer.file) or not (files.folder / layer.file).is_file():
        _place(layer.file, "the picture", files, MOST_CLIP, problems)
        return None
    data = files.read(layer.file, problems)
    if data is None:
        return None
    try:
        pixels = read_png(data, f'the picture "{layer.file}"')
    except UserError as e:
        problems.append(str(e))
        return None
    return Layer(layer.name, layer.file, data, (pixels.shape[1], pixels.shape[2]))


def _check_music(name: str, path: Path, problems: list[str]) -> None:
    try:
        with av.open(f"file:{path}", options={"protocol_whitelist": "file"}) as container:
            if not container.streams.audio:
                problems.append(f'the music "{name}" holds no sound; choose a file with sound')
                return
            if next(container.decode(container.streams.audio[0]), None) is None:
                problems.append(f'the music "{name}" holds no sound that can be read')
    except (av.error.FFmpegError, OSError, ValueError) as e:
        text = getattr(e, "strerror", None) or str(e)
        problems.append(f'the music "{name}" cannot be read ({text}); save it again')


def _check_names(
    film: Film, document: Document, written: Sequence[Text | Code], problems: list[str]
) -> None:
    layers = [at.name for at in walk(document.layers)]
    still = [*layers, *(item.value for item in written)]
    own = [x.name for x in film.layers]
    known = {*still, *own, *(t.text.value for t in film.texts)}
    listed = ", ".join(f'"{n}"' for n in dict.fromkeys(reversed(layers)))
    for name in sorted({n for n in own if own.count(n) > 1 or n in still}):
        problems.append(f'[[film.layer]]: the name "{name}" is taken; give each one of its own')
    for layer in film.layers:
        if layer.of and layers.count(layer.of) != 1:
            found = "no layer has" if layer.of not in layers else "several layers have"
            problems.append(
                f'{layer.label} lies {layer.place} "{layer.of}", but {found} that name; there are '
                f"{listed}"
            )
    for part, card in (("in", film.opening), ("out", film.closing)):
        for name in card.show or ():
            if name not in still:
                problems.append(
                    f'[film.{part}] shows "{name}", but no layer and no words of the still are '
                    f"called so; there are {listed}"
                )
    for move in film.moves:
        if move.of not in known:
            problems.append(
                f'[[film.move]] is of "{move.of}", but no layer and no words are called so; there '
                f"are {listed}"
            )


def _check_windows(
    film: Film, document: Document, written: Sequence[Text | Code], problems: list[str]
) -> None:
    high, wide = document.size
    for name, view in film.views.items():
        if view.window is None:
            continue
        x, y, w, h = view.window
        size = SHAPES[name].size
        grown = max(size[0] / h, size[1] / w)
        if x >= wide or y >= high or x + w <= 0 or y + h <= 0:
            problems.append(
                f"[film.{name}]: the window lies outside the canvas, which is {wide} x {high} "
                "pixels"
            )
        elif high * grown * wide * grown > _MOST_CANVAS:
            problems.append(f"[film.{name}]: the window is too small to be enlarged to the film")
        for item in written:
            if _cut(item.box, view.window):
                problems.append(
                    f"[film.{name}]: its window cuts through {item.label}; make the window "
                    "larger, or leave the words outside of it altogether"
                )
    for text in film.texts:
        x, y, w, h = text.text.box
        if x < 0 or y < 0 or x + w > wide or y + h > high:
            problems.append(
                f'the box of [[film.text]] "{text.text.said}" reaches beyond the canvas, which '
                f"is {wide} x {high} pixels; what lies there would be cut"
            )


def _cut(box: Box, window: Box) -> bool:
    """Whether a window shows a part of a box, and not all of it."""
    left, top = max(box[0], window[0]), max(box[1], window[1])
    right = min(box[0] + box[2], window[0] + window[2])
    bottom = min(box[1] + box[3], window[1] + window[3])
    if right <= left or bottom <= top:
        return False
    return (right - left) * (bottom - top) < 0.999 * box[2] * box[3]


def gather_film(
    film: Film,
    files: Files,
    document: Document,
    slots: Sequence[Slot],
    written: Sequence[Text | Code],
    problems: list[str],
) -> Film:
    """Read and check all that a film part names.

    Args:
        film: as template.toml says it.
        files: of the template; what is read is counted in.
        document: the layers.
        slots: the still's.
        written: the still's words and codes.
        problems: what is wrong is added here, a sentence each.

    Returns:
        The same with its clips, pictures and paths.
    """
    clips: dict[str, ClipFacts] = {}
    stills: dict[str, Layer] = {}
    paths: dict[str, Path] = {}
    for layer in film.layers:
        if layer.mode not in KEEPS_COVERAGE:
            problems.append(
                f"{layer.label}: mode {layer.mode.value} takes the picture away; need one that "
                "lies on it"
            )
        ending = PurePosixPath(layer.file).suffix.lower()
        if ending == ".png":
            still = _still(layer, files, problems)
            if still is not None:
                stills[layer.file] = still
        elif ending in ENDINGS:
            path = _place(layer.file, "the clip", files, MOST_CLIP, problems)
            facts = None if path is None else _clip(layer, path, problems)
            if path is not None and facts is not None:
                clips[layer.file], paths[layer.file] = facts, path
        else:
            problems.append(
                f'{layer.label}: "{layer.file}" is neither a clip nor a picture; need a name that '
                f"ends in {', '.join(ENDINGS)} or .png"
            )
    if film.music is not None:
        path = _place(film.music.file, "the music", files, MOST_MUSIC, problems)
        if path is not None:
            _check_music(film.music.file, path, problems)
            paths[film.music.file] = path
    before = len(problems)
    _check_names(film, document, written, problems)
    _check_windows(film, document, written, problems)
    if len(problems) == before and slots and (film.layers or film.texts):
        for name in SHAPES:
            order_film(document.layers, slots, written, film, name, problems)
    return replace(film, clips=clips, stills=stills, paths=paths)


def film_notes(
    film: Film, slots: Sequence[Slot], written: Sequence[Text | Code]
) -> tuple[str, ...]:
    """What is not wrong but worth knowing, a sentence each."""
    out = [note for facts in film.clips.values() for note in facts.notes]
    for name, view in film.views.items():
        if view.window is not None:
            x, y, w, h = view.window
            outside = [
                item.label
                for item in written
                if item.box[0] + item.box[2] <= x
                or item.box[1] + item.box[3] <= y
                or item.box[0] >= x + w
                or item.box[1] >= y + h
            ]
            out += [
                f"{name} films do not show {label}: it lies outside of their window"
                for label in outside
            ]
    if film != Film() and max((s.shows for s in slots), default=1) > 1:
        out.append("it shows several shots; in a film the take stands in the place of each of them")
    return tuple(out)
