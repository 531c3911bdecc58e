"""Read a template from its folder and check all of it.

A template is a folder: ``template.toml``, fonts, and ``layers.ora`` or numbered PNG and SVG files.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from stream.errors import UserError
from stream.template.arrange import Arrangement, arrange
from stream.template.codes import Code, code_notes
from stream.template.description import Description, read_description
from stream.template.drawing_fonts import DrawingFonts, family_notes
from stream.template.files import Files
from stream.template.files import copy_version as copy_version
from stream.template.film_files import film_notes, gather_film
from stream.template.kept import MEMORY_BYTES, Kept
from stream.template.layers import Document, Layer, walk
from stream.template.numbered import numbered_files, read_numbered
from stream.template.ora import read_ora
from stream.template.slots import Slot, slot_name
from stream.template.svg import SvgLayer
from stream.template.template import SHAPE_TOLERANCE, Template
from stream.template.typeface import (
    MOST_FONT_BYTES,
    Typeface,
    chained,
    check_font,
    has_small_caps,
    is_heavy,
)
from stream.template.wording import DEFAULT_FONT, Text

log = logging.getLogger("posewall.template")

BUNDLED = Path(__file__).parent
DESCRIPTION = "template.toml"
DOCUMENT = "layers.ora"
# For letters that a bold font lacks.
BOLD_FONT = "fonts/DejaVuSans-Bold.ttf"
MOST_PICTURE = 100_000_000


def _document(files: Files, notes: Description, problems: list[str]) -> Document | None:
    folder = files.folder
    numbered = numbered_files(folder)
    fonts = DrawingFonts(folder, BUNDLED, lambda name, path: files.read(name, problems, path))
    if (folder / DOCUMENT).exists():
        if numbered:
            problems.append(
                f"it holds both {DOCUMENT} and numbered files such as {numbered[0].name}; "
                "keep one of the two"
            )
        if notes.layers:
            problems.append(
                f"[[layer]] entries are for numbered files; set modes in {DOCUMENT} instead"
            )
        data = files.read(DOCUMENT, problems)
        return None if data is None else read_ora(data, DOCUMENT, problems, fonts)
    if not numbered:
        problems.append(
            f"it has no layers; put in {DOCUMENT}, or numbered PNG or SVG files such as 10-sky.png"
        )
        return None
    pairs = [(p, data) for p in numbered if (data := files.read(p.name, problems)) is not None]
    return read_numbered(pairs, notes.layers, problems, fonts)


def _face(name: str, files: Files, problems: list[str]) -> Typeface | None:
    parts = PurePosixPath(name)
    if parts.is_absolute() or ".." in parts.parts or "\\" in name:
        problems.append(f'the font "{name}" does not lie inside the template\'s folder; copy it in')
        return None
    path, own = files.folder / name, BUNDLED / name
    if not path.is_file():
        if parts.parent.name != "fonts" or len(parts.parts) != 2 or not own.is_file():
            problems.append(f'the font "{name}" is missing; copy it into the template\'s folder')
            return None
        path = own
    if path.stat().st_size > MOST_FONT_BYTES:
        problems.append(
            f'the font "{name}" has {path.stat().st_size >> 20} MB, more than the '
            f"{MOST_FONT_BYTES >> 20} MB that a font may have; choose another"
        )
        return None
    data = files.read(name, problems, path)
    if data is None:
        return None
    if not check_font(data):
        problems.append(f'"{name}" is not a font that can be used; choose a .ttf or .otf file')
        return None
    return Typeface(parts.name, data)


def _faces(
    texts: Sequence[Text], files: Files, problems: list[str]
) -> dict[tuple[str, ...], Typeface]:
    """The fonts of each text: its own, its fallback, then those of the program."""
    if not texts:
        return {}
    names = dict.fromkeys(name for t in texts for name in (*t.fonts, DEFAULT_FONT))
    read = {name: _face(name, files, problems) for name in names}
    heavy = {name for name, face in read.items() if face is not None and is_heavy(face.data)}
    if heavy - {BOLD_FONT} and BOLD_FONT not in read:
        read[BOLD_FONT] = _face(BOLD_FONT, files, problems)
    out: dict[tuple[str, ...], Typeface] = {}
    for fonts in dict.fromkeys(t.fonts for t in texts):
        own = (BOLD_FONT, DEFAULT_FONT) if fonts[0] in heavy else (DEFAULT_FONT,)
        faces = [read[name] for name in dict.fromkeys((*fonts, *own))]
        sound = [face for face in faces if face is not None]
        if len(sound) == len(faces):
            out[fonts] = chained(sound)
    return out


def _check_boxes(
    document: Document, slots: Sequence[Slot], written: Sequence[Text | Code]
) -> list[str]:
    height, width = document.size
    out = []
    for item in written:
        x, y, w, h = item.box
        if x < 0 or y < 0 or x + w > width or y + h > height:
            out.append(
                f"the box of {item.label} reaches beyond the canvas, which is {width} x "
                f"{height} pixels; what lies there would be cut"
            )
    for i, slot in enumerate(slots):
        x, y, w, h = slot.box or (0, 0, width, height)
        if x >= width or y >= height or x + w <= 0 or y + h <= 0:
            out.append(
                f"the box of {slot_name(len(slots), i)} lies outside the canvas, "
                f"which is {width} x {height} pixels"
            )
    return out


def _check_layers(document: Document) -> list[str]:
    """Unpack each picture once, so that a damaged one is found now and not at the event."""
    out = []
    seen: set[int] = set()
    for layer in walk(document.layers):
        if isinstance(layer, Layer) and id(layer.data) not in seen:
            seen.add(id(layer.data))
            try:
                layer.pixels()
            except UserError as e:
                out.append(str(e))
    return out


def check_shape(document: Document, picture: tuple[int, int]) -> list[str]:
    """Whether a picture of (H, W) can be made of a canvas: what is wrong, a sentence each."""
    height, width = document.size
    if picture[0] * picture[1] > MOST_PICTURE:
        return [
            f"the picture would be {picture[1]} x {picture[0]} pixels; at most "
            f"{MOST_PICTURE // 1_000_000} megapixels can be made, so lower ppi"
        ]
    off = abs(width - height * picture[1] / picture[0])
    if off > max(0.5, SHAPE_TOLERANCE * width):
        return [
            f"the canvas is {width} x {height} pixels but [picture] asks for {picture[1]} x "
            f"{picture[0]}, which is another shape; change one of them"
        ]
    return []


def _notes(
    document: Document,
    picture: tuple[int, int],
    described: Description,
    faces: Mapping[tuple[str, ...], Typeface],
) -> tuple[str, ...]:
    out = [
        *family_notes(document),
        *film_notes(described.film, described.slots, (*described.texts, *described.codes)),
    ]
    out += [*(n for code in described.codes for n in code_notes(code))]
    out += [
        f"the font {faces[text.fonts].name} of {text.label} has no small capitals, so its small "
        "letters stay small; choose a font that has them"
        for text in described.texts
        if text.case == "small caps" and not has_small_caps(faces[text.fonts].data)
    ]
    painted = any(
        isinstance(at, Layer) and at.visible and not isinstance(at, SvgLayer)
        for at in walk(document.layers)
    )
    if painted and picture[0] / document.size[0] > 1.25:
        out.append(
            f"its painted layers are {document.size[1]} x {document.size[0]} pixels and are "
            f"enlarged to {picture[1]} x {picture[0]} for the print, which looks soft"
        )
    return tuple(out)


def read_layers(folder: Path) -> tuple[Document | None, tuple[str, ...]]:
    """The layers of a folder without its template.toml.

    Returns:
        The document, or None where there is none; and what is wrong, a sentence each.
    """
    problems: list[str] = []
    document = _document(Files(folder), Description(None, (), (), ()), problems)
    if document is not None:
        problems += _check_layers(document)
    return document, tuple(dict.fromkeys(problems))


@dataclass(frozen=True)
class Gathered:
    """What a template's folder holds, read and looked at.

    Attributes:
        name: of the template.
        files: what was read.
        described: template.toml.
        document: the layers; None where there are none.
        faces: the fonts of the texts whose fonts could all be read.
        problems: what is wrong so far, a sentence each.
    """

    name: str
    files: Files
    described: Description
    document: Document | None
    faces: Mapping[tuple[str, ...], Typeface]
    problems: tuple[str, ...]


def gather(folder: Path, name: str | None = None) -> Gathered:
    """Read everything of a template, whatever is wrong with it.

    Args:
        folder, name: as in `examine`.

    Raises:
        UserError: there is no template.toml.
    """
    name = name or folder.resolve().name
    if not (folder / DESCRIPTION).is_file():
        what = "has no template.toml" if folder.is_dir() else "is not a folder"
        raise UserError(f"Template {folder} {what}; give the folder that holds template.toml.")
    problems: list[str] = []
    files = Files(folder)
    described = read_description(files.read(DESCRIPTION, problems) or b"", problems)
    document = _document(files, described, problems)
    texts = (*described.texts, *(t.text for t in described.film.texts))
    faces = _faces(texts, files, problems)
    if document is not None:
        problems += _check_layers(document)
        problems += _check_boxes(document, described.slots, (*described.texts, *described.codes))
        if described.picture is not None:
            problems += check_shape(document, described.picture.size)
        written: tuple[Text | Code, ...] = (*described.texts, *described.codes)
        film = gather_film(described.film, files, document, described.slots, written, problems)
        described = replace(described, film=film)
    return Gathered(name, files, described, document, faces, tuple(problems))


def build(found: Gathered, arrangement: Arrangement) -> Template:
    """A template of parts that are right.

    Args:
        found: with a document and a picture.
        arrangement: its layers, slots and words in one order.
    """
    document, described = found.document, found.described
    if document is None or described.picture is None:
        raise ValueError("build: got no layers or no picture; need both")
    return Template(
        name=found.name,
        version=found.files.version(),
        width=document.size[1],
        height=document.size[0],
        ppi=described.picture.ppi,
        trim_size=described.picture.trim_size,
        trim_in=(described.picture.width_in, described.picture.height_in),
        bleed_px=described.picture.bleed_px,
        safe_px=described.picture.safe_px,
        slots=described.slots,
        texts=described.texts,
        codes=described.codes,
        layers=document.layers,
        notes=_notes(document, described.picture.size, described, found.faces),
        files=tuple(found.files.list),
        film=described.film,
        _picture=described.picture.size,
        arrangement=arrangement,
        _faces=found.faces,
        _kept=Kept(MEMORY_BYTES),
    )


def examine(folder: Path, name: str | None = None) -> tuple[Template | None, tuple[str, ...]]:
    """Read a template and find everything that is wrong with it.

    Args:
        folder: what holds template.toml.
        name: what to call it; the folder's name where none is given.

    Returns:
        The template, or None where something is wrong; and what is wrong, a sentence each.

    Raises:
        UserError: there is no template.toml.
    """
    found = gather(folder, name)
    problems = list(found.problems)
    document, described = found.document, found.described
    arrangement = None
    if document is not None:
        written: tuple[Text | Code, ...] = (*described.texts, *described.codes)
        arrangement = arrange(document.layers, described.slots, written, problems)
    if problems or arrangement is None or described.picture is None:
        return None, tuple(dict.fromkeys(problems))
    return build(found, arrangement), ()


def load_template(folder: Path, name: str | None = None) -> Template:
    """Read a template and check all of it.

    Args:
        folder: what holds template.toml.
        name: what to call it; the folder's name where none is given.

    Raises:
        UserError: one sentence that lists everything wrong with it.
    """
    template, problems = examine(folder, name)
    if template is None:
        name = name or folder.resolve().name
        raise UserError(f'Template "{name}" cannot be used: {"; ".join(problems)}.')
    for note in template.notes:
        log.warning('Template "%s": %s.', template.name, note)
    return template
