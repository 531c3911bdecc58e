"""`template check` and `template new`: what a designer asks of a template's folder."""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

from models.composite import Mode
from models.flatten import bare_sides, flatten
from stream.drawn_file import drawn_target, save_drawn
from stream.durable import renamed_to, storing, write_synced
from stream.errors import UserError
from stream.film.remarks import film_remarks
from stream.film.sheet import draw_film_sheet
from stream.template.codes import Code
from stream.template.film import Film
from stream.template.layers import Layer, LayerGroup
from stream.template.loader import DESCRIPTION, examine, read_layers
from stream.template.paper import MM_PER_IN, PAPERS
from stream.template.preview import HEIGHT, SAMPLES, draw_preview, sample_fields
from stream.template.scene import nodes_of
from stream.template.sketch import sketch
from stream.template.starter import choose_layer, start_description
from stream.template.template import Template, preview_size
from stream.template.wording import Text

ENDING = ".preview.jpg"  # in OWN_ENDINGS, so that no camera folder takes it for a still


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer template check and template new."""
    template = sub.add_parser(
        "template",
        help="check a template's folder and see it, or start one",
        description="A template is a folder: layers.ora or numbered PNG and SVG files, fonts, and "
        "template.toml.",
    )
    verbs = template.add_subparsers(dest="verb", required=True, metavar="VERB")
    check = verbs.add_parser(
        "check",
        help="tell everything that is wrong with a template, and draw a preview",
        description="Reads a template's folder, tells everything that is wrong with it at once, "
        "and draws its layers with a stand-in figure, sample words, the slot, the cut edge and the "
        f"safe area. The preview lies beside the folder, as NAME{ENDING}; where template.toml has "
        f"a part [film], so does a contact sheet of its film, as NAME.film{ENDING}.",
    )
    check.add_argument("folder", type=Path, metavar="DIR", help="the template's folder")
    check.add_argument(
        "--out",
        type=Path,
        metavar="PICTURE",
        help="where the preview goes, .jpg or .png, under a new name; usual: beside the folder, as "
        f"NAME{ENDING}, which is replaced",
    )
    check.add_argument(
        "--fields",
        nargs="+",
        default=[],
        metavar="COLUMN=WORDS",
        help='words to show instead of the samples, such as name="Ana Roe" group="Choir"',
    )
    check.set_defaults(run=run_check)
    new = verbs.add_parser(
        "new",
        help="start a template.toml for the layers that a folder holds",
        description="Looks at the layers in a folder and writes a first template.toml: the size, "
        "the slot, and a text field to fill in. One that is there is never overwritten.",
    )
    new.add_argument("folder", type=Path, metavar="DIR", help="the folder that holds the layers")
    new.set_defaults(run=run_new)


def _wrapped(lines: list[str], first: str = "  - ") -> str:
    out: list[str] = []
    for line in lines:
        out += textwrap.wrap(line, 96, initial_indent=first, subsequent_indent=" " * len(first))
    return "\n".join(out)


def _fields(given: list[str]) -> dict[str, str]:
    out: dict[str, str] = {}
    for pair in given:
        column, equals, words = pair.partition("=")
        if not equals or not column.strip():
            raise UserError(
                f'--fields: got "{pair}"; need the column, = and the words, such as name="Ana Roe"'
            )
        out[column.strip()] = words
    return out


def _target(folder: Path, out: Path | None) -> Path:
    """Where the preview goes; over nothing but an earlier preview."""
    own = folder.resolve()
    return drawn_target(out or own.parent / (own.name + ENDING), "preview", ENDING)


def _tree(layers: tuple[Layer | LayerGroup, ...], template: Template, depth: int) -> Iterator[str]:
    """A line for each layer and for what stands on it, topmost first."""
    pad = "  " * depth
    for layer in reversed(layers):
        for text in reversed([t for t in template.texts if t.above == layer.name]):
            yield f'{pad}* words: "{text.said}"'
        for code in reversed([c for c in template.codes if c.above == layer.name]):
            yield f'{pad}* QR code: "{code.said}"'
        for i, slot in reversed(list(enumerate(template.slots, 1))):
            if slot.above == layer.name:
                which = "" if len(template.slots) == 1 else f" (slot {i})"
                yield f"{pad}* people stand here{which}"
        said = [] if layer.mode is Mode.NORMAL else [layer.mode.value]
        said += [] if layer.opacity == 1 else [f"{layer.opacity:.0%}"]
        said += [] if layer.visible else ["hidden"]
        kind = "group " if isinstance(layer, LayerGroup) else ""
        yield f"{pad}{kind}{layer.name}" + (f"  ({', '.join(said)})" if said else "")
        if isinstance(layer, LayerGroup):
            yield from _tree(layer.children, template, depth + 1)


def _headline(template: Template) -> str:
    high, wide = template.trim_size
    width, height = wide / template.ppi, high / template.ppi
    metric = f"{width * MM_PER_IN:.0f} x {height * MM_PER_IN:.0f} mm"
    whole_h, whole_w = template.picture_size()
    bleed = f", with bleed {whole_w} x {whole_h} pixels" if template.bleed_px else ", without bleed"
    return (
        f'Template "{template.name}": prints {width:.4g} x {height:.4g} in ({metric}) at '
        f"{template.ppi:g} ppi{bleed}; canvas {template.width} x {template.height} pixels."
    )


def edge_remarks(template: Template) -> list[str]:
    """Words that come too near to where the paper is cut, a sentence each."""
    margin = template.bleed_px + template.safe_px
    if not margin:
        return []
    whole = template.picture_size()
    sy, sx = whole[0] / template.height, whole[1] / template.width
    right = template.bleed_px + template.trim_size[1] - template.safe_px
    bottom = template.bleed_px + template.trim_size[0] - template.safe_px
    out = []
    written: tuple[Text | Code, ...] = (*template.texts, *template.codes)
    for text in written:
        x, y, w, h = text.box
        inside = (
            x * sx >= margin - 1
            and y * sy >= margin - 1
            and (x + w) * sx <= right + 1
            and (y + h) * sy <= bottom + 1
        )
        if not inside:
            where = "the safe area" if template.safe_px else "the cut edge"
            out.append(
                f'the box of "{text.said}" reaches beyond {where}, so part of it may be cut off; '
                "make it smaller or move it inwards"
            )
    return out


def bare_remarks(template: Template) -> list[str]:
    """A bleed that layers leave bare, so that paper would show along a cut that is a bit off."""
    if not template.bleed_px:
        return []
    canvas, size = (template.height, template.width), preview_size(template.picture_size(), HEIGHT)
    order = template.arrangement
    items = [i for run in (order.below, *order.between, order.above) for i in run]
    flat = flatten([n for i in items for n in nodes_of(i, lambda _: (), canvas)], canvas, size)
    rim = round(template.bleed_px * size[0] / template.picture_size()[0])
    sides = bare_sides(flat.alpha, max(rim, 1))
    if not sides:
        return []
    return [
        f"the layers end inside the bleed ({', '.join(sides)}), so white paper may show along the "
        "cut; let them reach the edge of the canvas"
    ]


def _working(what: str) -> None:
    """Say on a terminal what takes its time; nothing takes it away again."""
    if sys.stderr.isatty():
        print(f"\r\x1b[K{what}" + (" ..." if what else ""), end="", file=sys.stderr, flush=True)


def _sketched(folder: Path, given: dict[str, str], target: Path) -> bool:
    """Draw what can be drawn of a template that cannot be used yet; False where that is nothing."""
    try:
        template = sketch(folder)
        sheet = draw_preview(template, sample_fields(template, given)) if template else None
    except UserError:
        # Of what is wrong with it enough was said.
        return False
    if sheet is None:
        return False
    save_drawn(sheet, target, "preview")
    return True


def film_line(template: Template) -> str:
    """What its film is made of, in a sentence."""
    film = template.film
    cards = [
        f"a card of {card.seconds:g} s {where} the take"
        for card, where in ((film.opening, "before"), (film.closing, "after"))
        if card.seconds > 0
    ]
    counted = [
        f"{n} {one if n == 1 else many}"
        for n, one, many in (
            (len(film.clips), "clip", "clips"),
            (len(film.stills), "picture of its own", "pictures of its own"),
            (len(film.moves), "move", "moves"),
        )
        if n
    ]
    music = (
        [] if film.music is None else [f"music {film.music.plays.under_lu:g} LU under the voice"]
    )
    said = ", ".join([*cards, *counted, *music]) or "the still as it is"
    return f"As a film: {said}; loudness {film.loudness:g} LUFS."


def _film_sheet(template: Template, fields: dict[str, str], target: Path) -> Path | None:
    """Draw the film's contact sheet beside the preview, where template.toml says of a film."""
    if template.film == Film():
        return None
    _working(f"{template.name}: drawing its film")
    ending = ENDING if target.name.endswith(ENDING) else target.suffix
    stem = target.name[: -len(ending)]
    sheet = drawn_target(target.with_name(f"{stem}.film{ending}"), "preview", ENDING)
    save_drawn(draw_film_sheet(template, fields), sheet, "preview")
    return sheet


def run_check(args: argparse.Namespace) -> int:
    """Check a template; 0 where it can be used, 1 where not."""
    given = _fields(args.fields)
    target = _target(args.folder, args.out)
    if args.folder.is_dir() and not (args.folder / DESCRIPTION).exists():
        raise UserError(
            f"{args.folder} has no template.toml; start one with: posewall template new "
            f"{args.folder}"
        )
    _working(f"{args.folder.name}: reading the layers")
    template, problems = examine(args.folder)
    if template is None:
        _working("")
        one = len(problems) == 1
        print(f'Template "{args.folder.resolve().name}" cannot be used yet.')
        print(f"{len(problems)} thing{'' if one else 's'} to mend:")
        print(_wrapped(list(problems)))
        if _sketched(args.folder, given, target):
            print(f"Mend this and check again. What can be drawn of it: {target}")
        else:
            print("No preview was drawn. Mend this and check again.")
        return 1
    fields = sample_fields(template, given)
    own = {c: SAMPLES.get(c.lower(), c.title()) for c in template.film.columns if c not in fields}
    film_fields = {**own, **fields}
    notes = list(template.notes) + edge_remarks(template) + bare_remarks(template)
    columns = tuple(dict.fromkeys((*template.columns, *template.film.columns)))
    known = ", ".join(columns) or "none"
    unknown = [c for c in given if c not in columns]
    notes += [f"{c} is no column of this template; it writes {known}" for c in unknown]
    notes += template.scene_warnings(fields)
    _working(f"{template.name}: drawing the preview")
    save_drawn(draw_preview(template, fields), target, "preview")
    sheet = _film_sheet(template, film_fields, target)
    if sheet is not None:
        notes += film_remarks(template, film_fields)
    _working("")
    print(_headline(template))
    print("\nFrom the top:")
    print("\n".join(f"  {line}" for line in _tree(template.layers, template, 0)))
    if notes:
        print("\nGood to know:")
        print(_wrapped(list(dict.fromkeys(notes))))
    if sheet is not None:
        print("\n" + film_line(template))
    print(f"\nIt can be used. Preview: {target}")
    if sheet is not None:
        print(f"Its film, at its key times: {sheet}")
    return 0


def run_new(args: argparse.Namespace) -> int:
    """Write a first template.toml."""
    folder: Path = args.folder
    if not folder.is_dir():
        raise UserError(f"{folder} is not a folder; give the folder that holds the layers")
    target = folder / DESCRIPTION
    if target.exists():
        raise UserError(
            f"{target} is there already and is left as it is; edit it, or move it away first"
        )
    document, problems = read_layers(folder)
    if document is None or problems:
        raise UserError(f"{folder} cannot be started from: {'; '.join(problems)}")
    above = choose_layer(document)
    if above is None:
        raise UserError(
            f"{folder}: no layer has a name of its own, by which people could be placed; name the "
            "layers in the drawing program"
        )
    words = start_description(document, above)
    with storing(DESCRIPTION, folder), renamed_to(target) as partial:
        write_synced(partial, words.encode())
    print(f"Wrote {target}. Look over these lines and change what is not so:")
    shown = [line for line in words.splitlines() if line and not line.startswith("#")]
    print("\n".join(f"    {line}" for line in shown))
    print(
        _wrapped(
            [
                f'people stand above the layer "{above}": name another under [slot] if that is '
                "wrong",
                "papers that can be named: " + ", ".join(PAPERS),
                "for names on the picture take the # away under [[text]] and set the box",
                f"then see it with: posewall template check {folder}",
            ]
        )
    )
    return 0
