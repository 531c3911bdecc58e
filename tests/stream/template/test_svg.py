"""SVG layers: what they may refer to, how large they are, and drawings made to harm."""

from __future__ import annotations

import base64
from pathlib import Path

import pytest

from stream.errors import UserError
from stream.template import load_template, svg
from stream.template.loader import BUNDLED
from stream.template.svg import draw_svg, read_svg
from tests.stream.template.building import PICTURE, SLOT, folder_of, plain, png

OPEN = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
WHOLE = OPEN + 'width="20" height="10">{}</svg>'
RECT = '<rect width="20" height="10" fill="#ff8000" fill-opacity=".5"/>'
FONT = BUNDLED / "fonts" / "DejaVuSans.ttf"


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
    with pytest.raises(UserError, match="takes too (long|much time or memory) to draw"):
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
