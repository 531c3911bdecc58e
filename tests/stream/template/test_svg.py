"""SVG layers: what they may refer to, how large they are, and drawings made to harm."""

from __future__ import annotations

import base64
import io
from pathlib import Path

import numpy as np
import pytest
import resvg_py
import torch
from PIL import Image
from torch import Tensor

from models.transfer import Transfer, encode
from stream.errors import UserError
from stream.template import drawing_fonts, load_template, svg
from stream.template.drawing_fonts import DrawingFonts
from stream.template.layers import Layer
from stream.template.loader import BUNDLED
from stream.template.svg import FontFile, draw_svg, read_svg, svg_layer
from tests.stream.template.building import PICTURE, SLOT, folder_of, plain, png

OPEN = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
WHOLE = OPEN + 'width="20" height="10">{}</svg>'
RECT = '<rect width="20" height="10" fill="#ff8000" fill-opacity=".5"/>'
FONT = FontFile("DejaVuSans.ttf", (BUNDLED / "fonts" / "DejaVuSans.ttf").read_bytes())


def told(body: str, whole: str = WHOLE) -> str:
    def drawn() -> None:
        drawing = read_svg(whole.format(body).encode(), 'layer "ring" (30-ring.svg)')
        draw_svg(drawing, drawing.size, (), 'layer "ring" (30-ring.svg)')

    with pytest.raises(UserError) as e:
        drawn()
    assert 'layer "ring" (30-ring.svg)' in str(e.value)
    assert "\n" not in str(e.value)
    return str(e.value)


def at(body: str, x: int, y: int, size: tuple[int, int] = (10, 20)) -> list[int]:
    drawing = read_svg(WHOLE.format(body).encode(), "layer")
    planes = draw_svg(drawing, size, (FONT,), "layer")
    assert tuple(planes.shape) == (4, *size)
    return planes[:, y, x].tolist()


def test_straight_colours_and_alpha() -> None:
    # SVG 1.1, 14.4: simple alpha compositing of a half transparent fill over nothing.
    assert at(RECT, 3, 3) == [255, 128, 0, 128]


def test_drawn_at_the_size_that_is_wanted() -> None:
    edge = '<rect width="10" height="10" fill="#0000ff"/>'
    # Twice as wide and ten times as high: the edge stays where it was, and sharp.
    assert at(edge, 19, 50, (100, 40)) == [0, 0, 255, 255]
    assert at(edge, 20, 50, (100, 40))[3] == 0


@pytest.mark.parametrize(
    ("head", "size"),
    [
        ('width="20" height="10"', (10, 20)),
        ('width="20px" height="1e1"', (10, 20)),
        ('width="1in" height="25.4mm"', (96, 96)),
        ('width="72pt" height="6pc"', (96, 96)),
        ('viewBox="0 0 30 40"', (40, 30)),
        ('width="100%" height="100%" viewBox="5,5 30,40"', (40, 30)),
    ],
)
def test_size(head: str, size: tuple[int, int]) -> None:
    assert read_svg(f"{OPEN}{head}/>".encode(), "layer").size == size


@pytest.mark.parametrize(
    "head",
    ["", 'width="0" height="5"', 'width="20"', 'viewBox="0 0 nan 3"', 'width="-2" height="3"'],
)
def test_no_size(head: str) -> None:
    assert "does not say how large it is" in told("", OPEN + head + ">{}</svg>")


def test_too_large() -> None:
    assert "99999 x 99999 pixels" in told("", OPEN + 'width="99999" height="99999">{}</svg>')


@pytest.mark.parametrize(
    "body",
    [
        '<image width="9" height="9" href="{path}"/>',
        '<image width="9" height="9" xlink:href="file://{path}"/>',
        '<image width="9" height="9" xlink:href="https://example.org/x.png"/>',
        '<image width="9" height="9" href="data:image/svg+xml;base64,AAAA"/>',
        '<filter id="f"><feImage href="{path}"/></filter><rect filter="url(#f)"/>',
        '<use href="{path}#part"/>',
        "<rect style=\"fill:url('{path}#g')\"/>",
        '<rect fill="url({path}#g)"/>',
        "<style>@import url(x.css);</style>",
        "<style>rect {{ fill: url( {path} ) }}</style>",
        '<style>@font-face {{ src: url("https://example.org/f.ttf") }}</style>',
    ],
)
def test_nothing_outside_is_loaded(body: str, tmp_path: Path) -> None:
    path = tmp_path / "red.png"
    path.write_bytes(png(plain((255, 0, 0, 255), (9, 9))))
    assert "never loaded; embed it" in told(body.format(path=path).replace("{{", "{"))


def test_pictures_inside_are_drawn() -> None:
    packed = base64.b64encode(png(plain((255, 0, 0, 255), (9, 9)))).decode()
    body = f'<image width="20" height="10" xlink:href="data:image/png;base64,{packed}"/>'
    assert at(body, 10, 5) == [255, 0, 0, 255]
    assert at('<a href="https://example.org/"><rect width="20" height="10"/></a>', 1, 1)[3] == 255


def test_words_use_given_fonts_only() -> None:
    words = '<text x="0" y="10" font-size="14" font-family="Nowhere">MM</text>'
    drawing = read_svg(WHOLE.format(words).encode(), "layer")
    assert drawing.families == ("Nowhere",)
    assert drawing.words
    assert draw_svg(drawing, (10, 20), (FONT,), "layer")[3].max() > 200
    # None of this machine's own.
    assert draw_svg(drawing, (10, 20), (), "layer")[3].max() == 0


def test_a_document_type_is_let_be_and_entities_are_not() -> None:
    kind = '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://www.w3.org/x.dtd">'
    assert read_svg((kind + WHOLE.format(RECT)).encode(), "layer").size == (10, 20)
    entities = '<!DOCTYPE svg [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;">]>'
    with pytest.raises(UserError, match="declares a document type or entities"):
        read_svg((entities + WHOLE.format("<text>&b;</text>")).encode(), "layer")


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "cannot be read"),
        (b"<svg", "cannot be read"),
        (b"<html/>", "is no SVG drawing"),
        (b"\x1f\x8b\x08 packed", "cannot be read"),
        (b"<svg>" + b"<g>" * 5000, "nested more than"),
    ],
)
def test_what_is_no_drawing(data: bytes, says: str) -> None:
    with pytest.raises(UserError, match=says):
        read_svg(data, "layer")


def test_a_drawing_that_never_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(svg, "MOST_SECONDS", 1)
    blurred = '<rect filter="url(#f)" width="20" height="10"/>' * 500
    body = f'<filter id="f"><feGaussianBlur stdDeviation="9"/></filter>{blurred}'
    drawing = read_svg(WHOLE.format(body).encode(), "layer")
    # Whichever limit a busy machine reaches first: both are told apart nowhere else.
    with pytest.raises(UserError, match=r"takes too (long|much time or memory) to draw"):
        draw_svg(drawing, (2000, 4000), (), "layer")


def test_shapes_without_end() -> None:
    groups = "".join(
        f'<g id="g{i}">' + f'<use xlink:href="#g{i - 1}"/>' * 10 + "</g>" for i in range(1, 9)
    )
    body = f'<g id="g0"><rect width="1" height="1"/></g>{groups}<use xlink:href="#g8"/>'
    assert "cannot be drawn" in told(body)


def test_a_drawing_that_fills_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(svg, "MOST_MEMORY", 200 << 20)
    drawing = read_svg(WHOLE.format(RECT).encode(), "layer")
    with pytest.raises(UserError, match="too much time or memory"):
        draw_svg(drawing, (8000, 9000), (), "layer")


def test_fonts_go_along_with_a_template(tmp_path: Path) -> None:
    words = '<text x="0" y="60" font-size="40" font-family="House Hand">A</text>'
    folder = folder_of(tmp_path / "ball", PICTURE + SLOT)
    (folder / "40-words.svg").write_text(OPEN + f'viewBox="0 0 80 100">{words}</svg>')
    t = load_template(folder)
    assert len(t.notes) == 1
    assert 'layer "words" (40-words.svg) is written in "House Hand", and no font file' in t.notes[0]
    assert "fonts/DejaVuSans.ttf" in [f.name for f in t.files]
    copy = tmp_path / "kept"
    t.copy_to(copy)
    again = load_template(copy)
    assert again.version == t.version
    one, other = t.layers[-1], again.layers[-1]
    assert (one.pixels() == other.pixels()).all()  # type: ignore[union-attr]
    assert one.pixels()[3].max() > 200  # type: ignore[union-attr]


def test_fonts_beyond_what_is_held_are_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drawing_fonts, "MOST_BYTES", len(FONT.data) + 10)
    (tmp_path / "fonts").mkdir()
    for name in ("a.ttf", "b.ttf"):
        (tmp_path / "fonts" / name).write_bytes(FONT.data)
    read: list[str] = []

    def data(name: str, path: Path) -> bytes:
        read.append(name)
        return path.read_bytes()

    found = DrawingFonts(tmp_path, tmp_path, data)()
    assert [f.name for f in found] == read == ["fonts/a.ttf"]


def test_a_font_that_is_changed_later_changes_nothing(tmp_path: Path) -> None:
    words = '<text x="0" y="60" font-size="40" font-family="DejaVu Sans">A</text>'
    folder = folder_of(tmp_path / "ball", PICTURE + SLOT)
    (folder / "40-words.svg").write_text(OPEN + f'viewBox="0 0 80 100">{words}</svg>')
    own = folder / "fonts" / "DejaVuSans.ttf"  # before the program's own of that name
    own.parent.mkdir()
    own.write_bytes((BUNDLED / "fonts" / "DejaVuSans.ttf").read_bytes())
    t = load_template(folder)
    layer = t.layers[-1]
    before = layer.pixels()  # type: ignore[union-attr]
    own.write_bytes((BUNDLED / "fonts" / "DejaVuSans-Bold.ttf").read_bytes())
    # The version that was read stays what it was; parts of it are kept under its name for good.
    assert (layer.pixels() == before).all()  # type: ignore[union-attr]
    own.unlink()
    assert (layer.pixels() == before).all()  # type: ignore[union-attr]


FRAME = (
    OPEN + 'width="80" height="100"><path d="M3 3H77V97H3Z" fill="none" stroke="#c02040" '
    'stroke-width="1.7"/><circle cx="40" cy="50" r="22.3" fill="#2050c0"/>'
    '<path d="M0 0L80 100" stroke="#fff" stroke-width=".9"/></svg>'
)


def by_resvg(width: int, height: int) -> Tensor:
    """The library's own rendering at a size, over white: (H, W, 3)."""
    done = resvg_py.svg_to_bytes(svg_string=FRAME, width=width, height=height)
    white = Image.new("RGBA", (width, height), "white")
    whole = Image.alpha_composite(white, Image.open(io.BytesIO(done)).convert("RGBA"))
    return torch.from_numpy(np.array(whole.convert("RGB"))).int()


@pytest.mark.parametrize("size", [(100, 80), (300, 240), (1125, 900), (50, 40)])
def test_shapes_are_as_sharp_as_the_picture(tmp_path: Path, size: tuple[int, int]) -> None:
    folder = folder_of(tmp_path / "ball")
    for name in ("20-hills.png", "30-frame.png"):
        (folder / name).unlink()
    plain((255, 255, 255, 255)).save(folder / "10-sky.png")
    toml = PICTURE + SLOT.replace('"hills"', '"ring"')
    (folder / "template.toml").write_text(toml, "utf-8")
    (folder / "30-ring.svg").write_text(FRAME, "utf-8")
    below = load_template(folder).scene(size, {}).below
    got = (encode(below, Transfer.SRGB) * 255)[0].permute(1, 2, 0)
    # What is enlarged from 80 x 100 differs by up to 200 codes.
    assert (got - by_resvg(size[1], size[0])).abs().max() <= 1.5


def test_a_part_of_a_canvas_is_drawn_where_it_lies() -> None:
    layer = Layer("ring", "data/ring.svg", FRAME.encode(), (1, 1), x=-7, y=30)
    shapes = svg_layer(layer, read_svg(FRAME.encode(), "ring"), lambda: ())
    drawn, x, y = shapes.sharp((120, 90), (360, 270)) or (torch.empty(0), 0, 0)
    assert (x, y) == (0, 90)
    assert tuple(drawn.shape) == (4, 270, 219), "what lies outside the picture is not drawn"
    whole = draw_svg(shapes.drawing or read_svg(b"", ""), (300, 240), (), "ring").int()
    # A step of resvg's smoothing of edges, a sixteenth, where its numbers round otherwise.
    assert (drawn.int() - whole[:, :270, 21:])[3].abs().max() <= 16
    assert (drawn.int() - whole[:, :270, 21:])[3].abs().float().mean() < 0.05
    # A part of a pixel at the layer's edge: SVG 1.1, 14.3.3, an inner drawing is cut at its box.
    full = OPEN + 'width="3" height="3"><rect width="9" height="9" fill="#000"/></svg>'
    layer = Layer("full", "full.svg", full.encode(), (1, 1), x=1, y=0)
    shapes = svg_layer(layer, read_svg(full.encode(), "full"), lambda: ())
    drawn, x, _ = shapes.sharp((3, 10), (4, 13)) or (torch.empty(0), 0, 0)
    assert x == 1
    # From 1.3 to 5.2; the shape's own edge and the box's are both smoothed, in steps of a quarter.
    assert drawn[3, 1, 1:4].tolist() == [255, 255, 255]
    assert drawn[3, 1, 0] == pytest.approx(255 * 0.7, abs=40)
    assert drawn[3, 1, 4] == pytest.approx(255 * 0.2, abs=20)
    assert (shapes.sharp((10, 10), (20, 20)) or (drawn, 0, 0))[0].any()


def test_what_is_too_large_to_draw_is_enlarged(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    layer = Layer("ring", "ring.svg", FRAME.encode(), (1, 1))
    shapes = svg_layer(layer, read_svg(FRAME.encode(), "ring"), lambda: ())
    monkeypatch.setattr(svg, "MOST_PIXELS", 20_000)
    assert shapes.sharp((100, 80), (300, 240)) is None
    monkeypatch.setattr(svg, "MOST_PIXELS", 80_000_000)
    monkeypatch.setattr(svg, "MOST_MEMORY", 120 << 20)
    assert shapes.sharp((100, 80), (10000, 8000)) is None
    assert "it is enlarged instead" in caplog.text
